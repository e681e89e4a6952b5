"""Intake run step by step, as the workflow runs it, for tests."""

import hashlib
import importlib
from pathlib import Path

import pandas as pd

from homewater.genotypes.store import open_genotypes
from homewater.intake import genome_parts
from homewater.tables.schema_tables import write_table


def step(name):
    """Return the main function of a step."""
    return importlib.import_module(f"steps.{name}").main


def tables(folder, animals):
    """Write the two input tables: sites north, south (in this order); animals are (id, site)."""
    sites = pd.DataFrame({"locationID": ["north", "south"], "locality": ["N", "S"], "decimalLatitude": [55.0, 54.0],
                          "decimalLongitude": [-4.0, -4.0], "jurisdiction": ["Aldermark", "Vessland"]})  # fmt: skip
    samples = pd.DataFrame(animals, columns=["materialSampleID", "locationID"])
    samples = samples.assign(species="topshell", eventDate="2021", role="baseline")
    samples = samples[["materialSampleID", "species", "locationID", "eventDate", "role"]]
    write_table(samples, folder / "samples.csv", "input_samples")
    write_table(sites, folder / "sites.csv", "input_sites")


def imported(folder, files, n=None, **more):
    """Import files of species topshell into folder/genotypes.zarr; the input tables lie beside the folder.

    `more` are further arguments of import_part.
    """
    folder.mkdir(exist_ok=True)
    files = [str(f) for f in files]
    indexes = [f"{f}.tbi" for f in files if Path(f"{f}.tbi").exists()]
    count = n or genome_parts.n_parts([Path(f).stat().st_size for f in files], [f"{f}.tbi" in indexes for f in files])
    step("plan_parts")(files, indexes, str(folder / "plan.json"), count)
    made = [str(folder / f"{i}.zarr") for i in range(count)]
    both = {
        "sample_sheet": str(folder.parent / "samples.csv"),
        "sites": str(folder.parent / "sites.csv"),
        "species": "topshell",
    }
    for i, part in enumerate(made):
        step("import_part")(
            plan=str(folder / "plan.json"), genotype_files=files, part=part, part_number=i, **both, **more
        )
    target = str(folder / "genotypes.zarr")
    step("genotypes")(
        plan=str(folder / "plan.json"),
        parts=made,
        genotypes=target,
        file_conflicts=str(folder / "file_conflicts.csv"),
        **both,
    )
    return open_genotypes(target)


def digest(folder: Path) -> dict[str, str]:
    """Return the checksum of every file of a folder."""
    return {
        str(f.relative_to(folder)): hashlib.sha256(f.read_bytes()).hexdigest()
        for f in sorted(folder.rglob("*"))
        if f.is_file()
    }
