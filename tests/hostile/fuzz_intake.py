"""Checks and intake of one study run step by step in a process of their own, which may die or hang without harm.

What a child returns is plain data, so that the parent can compare it with what a naive reading gives.
"""

from __future__ import annotations

import contextlib
import hashlib
import inspect
import io
import multiprocessing
import os
import shutil
import sys
import tempfile
import traceback
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

SECONDS = 120  # an example takes about a second on a busy machine; this is a hang


@dataclass
class Outcome:
    """How one study ended.

    Attributes:
        kind: `done`, `refused` (an InputError), `fault` (any other exception), `died` (by a signal) or `hang`.
        problems: of a refusal, as records.
        results: of a study that is done, see `take_in`.
        text: traceback or signal.
    """

    kind: str
    problems: list[dict] = field(default_factory=list)
    results: dict[str, Any] = field(default_factory=dict)
    text: str = ""


def take_in(folder: Path, out: Path) -> dict[str, Any]:
    """Run settings, checks, distances by water, intake and filters of a study; return `tables_of` and `intake_of` them.

    Args:
        folder: where study.yaml is.
        out: folder for the outputs.

    Raises:
        InputError: where the input is at fault.
    """
    from homewater.inputs.settings import input_files, load_study
    from homewater.running.errors import InputError
    from launcher.running import Study, missing_files
    from steps import check_inputs, sea_distance

    settings = load_study(folder / "study.yaml")
    missing = missing_files(Study(folder / "study.yaml", folder, settings, folder))
    if missing:
        raise InputError(missing)
    inputs = {name: str(out / f"{name}.csv") for name in ("samples", "sites", "transfers")}
    files = [str(folder / path) for _, path in input_files(settings)]
    check_inputs.main(files, settings, str(out / "check.json"), *inputs.values())
    if settings["coastline"] != "global":
        given = settings["structure"]
        sea_distance.main(
            inputs["sites"],
            str(folder / settings["coastline"]),
            distances=str(out / "sea_distance.csv"),
            positions=str(out / "site_positions.csv"),
            cell_degrees=max(given["sea_cell_degrees"], 0.1),
            max_snap_km=given["max_snap_km"],
        )
    found = tables_of(out)
    for species in settings["species"]:
        key = _all_that_is_read(folder, out, species, settings)
        if key not in _TAKEN_IN:
            _run_intake(folder, out, species, settings["markers"])
            _TAKEN_IN[key] = intake_of(out / species["id"])
        _TAKEN_IN[key] = _TAKEN_IN.pop(key)  # the last used comes last
        if len(_TAKEN_IN) > 50:
            _TAKEN_IN.pop(next(iter(_TAKEN_IN)))
        found[species["id"]] = _TAKEN_IN[key]
    return found


# intake by all that it reads, so that a change that the checks have made nothing of is not taken in once more
_TAKEN_IN: dict[str, dict] = {}


def _all_that_is_read(folder: Path, out: Path, species: dict, settings: dict) -> str:
    from homewater.intake import genome_parts

    names = [*species["genotypes"], *(species[key] for key in ("native_range", "marker_table") if key in species)]
    names += [f"{name}{suffix}" for name in species["genotypes"] for suffix in (".tbi", ".csi")]
    paths = [out / "samples.csv", out / "sites.csv", *(folder / name for name in names)]
    told = [repr((species["id"], names, settings["markers"], genome_parts.PART_BYTES))]
    told += [hashlib.sha256(path.read_bytes()).hexdigest() if path.exists() else "" for path in paths]
    return "\n".join(told)


def _run_intake(folder: Path, out: Path, species: dict, markers: dict) -> None:
    from homewater.intake import genome_parts
    from homewater.intake.vcf_files import index_of
    from steps import filters, genotypes, import_part, plan_parts

    place, paths = out / species["id"], [folder / path for path in species["genotypes"]]
    files, indexes = [str(path) for path in paths], [index_of(path) for path in paths]
    count = genome_parts.n_parts([path.stat().st_size for path in paths], [index is not None for index in indexes])
    plan, store = str(place / "plan.json"), str(place / "genotypes.zarr")
    plan_parts.main(files, [str(index) for index in indexes if index], plan, count)
    both = {"sample_sheet": str(out / "samples.csv"), "sites": str(out / "sites.csv"), "species": species["id"]}
    both_and = both | {name: markers[name] for name in ("min_genotype_quality", "min_read_depth")}
    made = [str(place / f"{number}.zarr") for number in range(count)]
    tables = [str(folder / species["marker_table"])] if "marker_table" in species else []
    for number, part in enumerate(made):
        import_part.main(plan, genotype_files=files, marker_table=tables, part=part, part_number=number, **both_and)
    _call(genotypes.main, place, plan=plan, parts=made, genotypes=store, **both)
    _call(
        filters.main,
        place,
        genotypes=store,
        native_range=[str(folder / species["native_range"])] if "native_range" in species else [],
        recombination_map=[str(folder / species["recombination"]["map"])] if "map" in species["recombination"] else [],
        samples=str(place / "samples.csv"),
        markers=str(place / "markers.parquet"),
        summary=str(place / "filter_summary.csv"),
        site_counts=str(place / "site_counts.zarr"),
        genotyping_error=str(place / "genotyping_error.json"),
        settings=markers,
        **both,
    )


def _call(function: Callable, folder: Path, **given: Any) -> None:
    """Call a step; its further tables, which nothing here looks at, go to the folder under their own names."""
    wanted = [name for name, one in inspect.signature(function).parameters.items() if one.default is one.empty]
    further = {name: str(folder / f"{name}.csv") for name in wanted if name not in given}
    function(**further, **given)


def tables_of(out: Path) -> dict[str, Any]:
    """Return the normalised tables as texts, and the distances by pair of sites."""
    from homewater.tables.schema_tables import read_table

    names = ("samples", "sites", "transfers")
    found: dict[str, Any] = {name: _texts(read_table(out / f"{name}.csv", f"input_{name}")) for name in names}
    if (out / "sea_distance.csv").exists():
        rows = read_table(out / "sea_distance.csv", "sea_distance").to_dict("records")
        found["sea_km"] = {frozenset((row["site_a"], row["site_b"])): repr(row["sea_km"]) for row in rows}
    return found


def intake_of(place: Path) -> dict[str, Any]:
    """Return what intake and filters made of a species, by animal, marker and site, so that order does not matter."""
    from homewater.genotypes.site_counts import open_site_counts
    from homewater.genotypes.store import open_genotypes
    from homewater.tables.schema_tables import read_table

    store = open_genotypes(place / "genotypes.zarr")
    dosages = store.select(range(store.n_markers)).tolist()
    keys = list(store.markers[["chrom", "pos", "ref", "alt"]].itertuples(index=False, name=None))
    animals = store.sample_ids.tolist()
    counts = open_site_counts(place / "site_counts.zarr")
    kept = read_table(place / "samples.csv", "samples")
    return {
        "genotypes": {key: dict(zip(animals, row, strict=True)) for key, row in zip(keys, dosages, strict=True)},
        "identifiers": dict(zip(keys, store.identifiers.tolist(), strict=True)),
        "records": store.attributes["records"],
        "site_counts": {
            site: dict(zip(keys, counts.counts[:, number].tolist(), strict=True))
            for number, site in enumerate(counts.location_ids.tolist())
        },
        "animals": {row["materialSampleID"]: row for row in _texts(kept)},
        "defines": kept.loc[kept["defines"].astype(bool), "materialSampleID"].tolist(),
        "markers": dict(zip(keys, _texts(read_table(place / "markers.parquet", "markers")), strict=True)),
        "summary": _texts(read_table(place / "filter_summary.csv", "filter_summary")),
    }


def _texts(table) -> list[dict[str, str]]:
    return [{key: str(value) for key, value in row.items()} for row in table.to_dict("records")]


def outcome_of(files: dict[str, bytes], part_bytes: int | None = None) -> Outcome:
    """Write a study's files, take them in, and say how it ended; called in the child.

    Args:
        files: content by name.
        part_bytes: size from which an indexed genotype file is read in parts; None for the usual one.
    """
    from homewater.intake import genome_parts
    from homewater.running.errors import InputError

    folder = Path(tempfile.mkdtemp(dir=_memory()))
    usual = genome_parts.PART_BYTES
    try:
        genome_parts.PART_BYTES = part_bytes or usual
        (folder / "study").mkdir()
        for name, content in files.items():
            (folder / "study" / name).write_bytes(content)
        with contextlib.redirect_stdout(io.StringIO()):
            results = take_in(folder / "study", folder / "out")
        return Outcome("done", results=results)
    except InputError as error:
        return Outcome("refused", problems=error.as_records(), text=str(error).replace(str(folder), "<FOLDER>"))
    except BaseException:
        return Outcome("fault", text=traceback.format_exc())
    finally:
        genome_parts.PART_BYTES = usual
        shutil.rmtree(folder)


def _memory() -> str | None:
    return "/dev/shm" if os.access("/dev/shm", os.W_OK) else None  # syncing a hundred small files on a disk is slow


def _serve(pipe, path: list[str], work: Callable) -> None:
    sys.path[:] = path
    while True:
        try:
            given = pipe.recv()
        except EOFError:
            return
        pipe.send(work(*given))


class Child:
    """A process that takes in one study after another; one that dies or hangs is replaced.

    Args:
        work: what it does with what it is given; `outcome_of` but in tests of this class.
        seconds: after which it counts as hanging.
        compiling: seconds more for the first study, which may compile everything.
    """

    def __init__(self, work: Callable = outcome_of, seconds: float = SECONDS, compiling: float = 0):
        self._work, self._seconds, self._more = work, seconds, compiling
        self._process, self._pipe = None, None

    def take_in(self, *given: Any) -> Outcome:
        """Return how a study ended; arguments as of `outcome_of`."""
        if self._process is None:
            context = multiprocessing.get_context("spawn")
            self._pipe, other = context.Pipe()
            self._process = context.Process(target=_serve, args=(other, sys.path, self._work), daemon=True)
            self._process.start()
            other.close()
        self._pipe.send(given)
        seconds, self._more = self._seconds + self._more, 0
        try:
            if self._pipe.poll(seconds):
                return self._pipe.recv()
        except (EOFError, ConnectionResetError):
            self._process.join()
            code, self._process = self._process.exitcode, None
            return Outcome("died", text=f"exit code {code}")
        self._process.kill()
        self._process.join()
        self._process = None
        return Outcome("hang", text=f"more than {seconds} s")

    def close(self) -> None:
        """End the process."""
        if self._process is not None:
            self._pipe.close()
            self._process.join(10)
            self._process.kill()
            self._process = None
