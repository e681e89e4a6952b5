"""An invented study that has all at once: a site that stands apart, two stocks that mix over five sites, and a block.

Frequencies drift as in `tests.verification.coasts.additive`; genotypes of an animal are drawn marker by marker, but for
those of the block, whose copies are of one arrangement or the other over its whole length.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import yaml
from tests.small_study import QUICK
from tests.verification.coasts.additive import arrangement_frequency, drifted
from tests.verification.coasts.study import logistic_shares

from homewater.invented.coast import small_coast
from homewater.invented.files import FileForm, write_csv, write_genotype_file, write_geojson

N_FLANK, WIDTH, ISOLATE = 6, 5, 2
N_SITES = 2 * N_FLANK + WIDTH
CONTACT = range(N_FLANK, N_FLANK + WIDTH)
WILD = [f"S{i + 1:02d}" for i in range(N_SITES)]
BLOCK = ("chr4", 12_000_000, 30_000_000)
ANIMALS = 24
# query animals at the sixteenth site, in this order: born there, moved, first crosses
LOCAL, MOVED, CROSSED = 16, 5, 20
CHROMOSOMES, MARKERS, CHROMOSOME_BP = 16, 200, 40_000_000
NOTE = "Invented for a test of homewater: no real place, species, agency or animal."


def write_coast_of_many_kinds(folder: Path, seed: int = 0) -> Path:
    """Write the study and return its study file.

    Args:
        folder: destination.
        seed: of everything drawn.
    """
    rng = np.random.default_rng([seed, 51])
    pos = np.linspace(1_000, CHROMOSOME_BP - 1_000, MARKERS).astype(np.int64)
    markers = pd.DataFrame(
        {"chrom": np.repeat([f"chr{k + 1}" for k in range(CHROMOSOMES)], MARKERS), "pos": np.tile(pos, CHROMOSOMES)}
    )
    start = rng.uniform(0.1, 0.9, len(markers))
    one, other = (drifted(rng, start, 0.08) for _ in range(2))
    own = np.where(np.arange(N_SITES) == ISOLATE, 0.12, 0.003)
    share = logistic_shares(N_FLANK, WIDTH)
    sites = [drifted(rng, q * one + (1 - q) * other, f) for q, f in zip(share, own, strict=True)]
    within = ((markers["chrom"] == BLOCK[0]) & (markers["pos"] >= BLOCK[1]) & (markers["pos"] <= BLOCK[2])).to_numpy()
    arrangements = [drifted(rng, start[within], 0.3) for _ in range(2)]
    second = arrangement_frequency(N_SITES, centre=3.5)  # changes well south of the contact

    def copies(site: int, n: int) -> np.ndarray:
        """Return one copy of the genome for each of n animals born at a site."""
        drawn = rng.random((len(markers), n)) < sites[site][:, None]
        arranged = rng.random(n) < second[site]
        block = np.where(arranged, arrangements[1][:, None], arrangements[0][:, None])
        drawn[within] = rng.random((within.sum(), n)) < block
        return drawn.astype(np.int8)

    # place, role, where either parent was born, animals
    groups = [(WILD[i], "baseline", (i, i), ANIMALS) for i in range(N_SITES)]
    groups += [
        (WILD[15], "query", (15, 15), LOCAL), (WILD[15], "query", (1, 1), MOVED), (WILD[15], "query", (1, 15), CROSSED),
        ("F01", "query", (1, 1), 12), ("F01", "query", (14, 14), 8), ("F01", "query", (ISOLATE, ISOLATE), 6),
    ]  # fmt: skip
    dosages = np.concatenate([copies(a, n) + copies(b, n) for _, _, (a, b), n in groups], axis=1)
    dosages[rng.random(dosages.shape) < 0.02] = -1
    sheet = pd.DataFrame(
        [(place, role, born) for place, role, born, n in groups for _ in range(n)],
        columns=["locationID", "role", "born"],
    )
    sheet["materialSampleID"] = [f"TS-{i + 1:04d}" for i in range(len(sheet))]
    years = np.where(sheet["role"] == "query", 2023, 2019 + 2 * (np.arange(len(sheet)) % 2))
    sheet["eventDate"] = [f"{year}-06-{1 + i % 28:02d}" for i, year in enumerate(years)]
    sheet["species"] = "topshell"
    folder.mkdir(parents=True)
    bases = rng.permuted(np.tile(list("ACGT"), (len(markers), 1)), axis=1)
    markers = markers.assign(marker=[f"m{i + 1}" for i in range(len(markers))], ref=bases[:, 0], alt=bases[:, 1])
    contigs = {f"chr{k + 1}": CHROMOSOME_BP for k in range(CHROMOSOMES)}
    path = folder / "topshell.vcf.gz"
    write_genotype_file(path, contigs, markers, sheet["materialSampleID"].tolist(), dosages, rng, FileForm())
    columns = ["materialSampleID", "species", "locationID", "eventDate", "role"]
    write_csv(folder / "samples.csv", sheet[columns])
    land, positions = small_coast(N_SITES, 1)
    write_geojson(folder / "coastline.geojson", land, NOTE)
    write_csv(
        folder / "sites.csv",
        pd.DataFrame(
            {
                "locationID": [*WILD, "F01"],
                "locality": [f"Skarn Bay {i + 1}" for i in range(N_SITES)] + ["Ulsund kelp farm"],
                "decimalLatitude": [latitude for latitude, _ in positions],
                "decimalLongitude": [longitude for _, longitude in positions],
                "jurisdiction": ["Vessland"] * 8 + ["Aldermark"] * 10,
                "kind": ["wild"] * N_SITES + ["farm"],
            }
        ),
    )
    ledger = [("T1", "2021-05-04", WILD[1], "F01", 1200), ("T2", "2022-05-11", WILD[14], "F01", 800),
              ("T3", "2022-06-02", WILD[1], WILD[15], 600), ("T4", "2022-06-20", "", "F01", 300)]  # fmt: skip
    columns = ["transferID", "eventDate", "sourceLocationID", "destinationLocationID", "individualCount"]
    transfers = pd.DataFrame(ledger, columns=columns)
    transfers.insert(1, "species", "topshell")
    write_csv(folder / "transfers.csv", transfers)
    content = {
        "study": {"id": "many_kinds", "title": "A coast of many kinds (invented)", "seed": 1, "invented": True},
        "species": [
            {
                "id": "topshell",
                "name": "rope-grazing topshell",
                "scientific_name": "Funigrazus skarnensis",
                "genotypes": [path.name],
                "generation_years": 2,
                "recombination": {"cm_per_chromosome": 50},
            }
        ],
        "samples": "samples.csv",
        "sites": "sites.csv",
        "transfers": "transfers.csv",
        "coastline": "coastline.geojson",
        **QUICK,
    }
    (folder / "study.yaml").write_text(yaml.safe_dump(content, sort_keys=False))
    return folder / "study.yaml"
