"""Checks and intake of one study run step by step in a process of their own, which may die or hang without harm.

What a child returns is plain data, so that the parent can compare it with what a naive reading gives.
"""

from __future__ import annotations

import contextlib
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
        results: of a study that is done, see `results_of`.
        text: traceback or signal.
    """

    kind: str
    problems: list[dict] = field(default_factory=list)
    results: dict[str, Any] = field(default_factory=dict)
    text: str = ""


def take_in(folder: Path, out: Path) -> dict[str, Any]:
    """Run settings, checks, distances by water, intake and filters of a study; return `results_of` them.

    Args:
        folder: where study.yaml is.
        out: folder for the outputs.

    Raises:
        InputError: where the input is at fault.
    """
    from homewater import parts
    from homewater.errors import InputError
    from homewater.settings import input_files, load_study
    from homewater.vcf import index_of
    from launcher.running import Study, missing_files
    from steps import check_inputs, filters, genotypes, import_part, plan_parts, sea_distance

    settings = load_study(folder / "study.yaml")
    missing = missing_files(Study(folder / "study.yaml", folder, settings, folder))
    if missing:
        raise InputError(missing)
    inputs = {name: str(out / f"{name}.csv") for name in ("samples", "sites", "transfers")}
    files = [str(folder / path) for _, path in input_files(settings)]
    check_inputs.main(files, settings, str(out / "check.json"), **inputs)
    if settings["coastline"] != "global":
        distances = {"distances": str(out / "sea_distance.csv"), "positions": str(out / "site_positions.csv")}
        given = settings["structure"]
        cell, snap = max(given["sea_cell_degrees"], 0.1), given["max_snap_km"]
        sea_distance.main(
            inputs["sites"],
            str(folder / settings["coastline"]),
            cell_degrees=cell,
            max_snap_km=snap,
            **distances,
        )
    for species in settings["species"]:
        place = out / species["id"]
        paths = [folder / path for path in species["genotypes"]]
        indexes = [index_of(path) for path in paths]
        count = parts.n_parts([path.stat().st_size for path in paths], [index is not None for index in indexes])
        plan = str(place / "plan.json")
        plan_parts.main([str(path) for path in paths], [str(index) for index in indexes if index], plan, count)
        both = {"samples": inputs["samples"], "sites": inputs["sites"], "species": species["id"]}
        made = [str(place / f"{number}.zarr") for number in range(count)]
        markers = settings["markers"]
        tables = [str(folder / species["marker_table"])] if "marker_table" in species else []
        least = {name: markers[name] for name in ("min_genotype_quality", "min_read_depth")}
        for number, part in enumerate(made):
            import_part.main(
                plan=plan,
                genotype_files=[str(path) for path in paths],
                marker_table=tables,
                part=part,
                part_number=number,
                **both,
                **least,
            )
        _call(genotypes.main, place, plan=plan, parts=made, genotypes=str(place / "genotypes.zarr"), **both)
        native = [str(folder / species["native_range"])] if "native_range" in species else []
        _call(
            filters.main,
            place,
            genotypes=str(place / "genotypes.zarr"),
            native_range=native,
            kept_samples=str(place / "samples.csv"),
            markers=str(place / "markers.parquet"),
            summary=str(place / "filter_summary.csv"),
            site_roles=str(place / "site_roles.csv"),
            site_counts=str(place / "site_counts.zarr"),
            genotyping_error=str(place / "genotyping_error.json"),
            settings=markers,
            **both,
        )
    return results_of(out, [species["id"] for species in settings["species"]])


def _call(function: Callable, folder: Path, **given: Any) -> None:
    """Call a step; its further tables, which nothing here looks at, go to the folder under their own names."""
    wanted = [name for name, one in inspect.signature(function).parameters.items() if one.default is one.empty]
    further = {name: str(folder / f"{name}.csv") for name in wanted if name not in given}
    function(**further, **given)


def results_of(out: Path, species: list[str]) -> dict[str, Any]:
    """Return what was made, whatever the order of animals and sites: see the keys."""
    from homewater.store import open_genotypes, open_site_counts
    from homewater.tables import read_table

    found: dict[str, Any] = {}
    for name in ("samples", "sites", "transfers"):
        found[name] = _texts(read_table(out / f"{name}.csv", f"input_{name}"))
    if (out / "sea_distance.csv").exists():
        rows = read_table(out / "sea_distance.csv", "sea_distance").to_dict("records")
        found["sea_km"] = {frozenset((row["site_a"], row["site_b"])): repr(row["sea_km"]) for row in rows}
    for name in species:
        store = open_genotypes(out / name / "genotypes.zarr")
        dosages = store.select(range(store.n_markers))
        keys = list(store.markers[["chrom", "pos", "ref", "alt"]].itertuples(index=False, name=None))
        animals = store.sample_ids.tolist()
        counts = open_site_counts(out / name / "site_counts.zarr")
        table = read_table(out / name / "markers.parquet", "markers")
        kept = read_table(out / name / "samples.csv", "samples")
        found[name] = {
            "genotypes": {
                key: dict(zip(animals, row, strict=True)) for key, row in zip(keys, dosages.tolist(), strict=True)
            },
            "identifiers": dict(zip(keys, store.identifiers.tolist(), strict=True)),
            "records": store.attributes["records"],
            "site_counts": {
                site: dict(zip(keys, counts.counts[:, number].tolist(), strict=True))
                for number, site in enumerate(counts.location_ids.tolist())
            },
            "animals": {row["materialSampleID"]: row for row in _texts(kept)},
            "defines": kept.loc[kept["defines"].astype(bool), "materialSampleID"].tolist(),
            "markers": dict(zip(keys, _texts(table), strict=True)),
            "summary": _texts(read_table(out / name / "filter_summary.csv", "filter_summary")),
        }
    return found


def _texts(table) -> list[dict[str, str]]:
    return [{key: str(value) for key, value in row.items()} for row in table.to_dict("records")]


def outcome_of(files: dict[str, bytes], part_bytes: int | None = None) -> Outcome:
    """Write a study's files, take them in, and say how it ended; called in the child.

    Args:
        files: content by name.
        part_bytes: size from which an indexed genotype file is read in parts; None for the usual one.
    """
    from homewater import parts
    from homewater.errors import InputError

    folder = Path(tempfile.mkdtemp(dir=_memory()))
    usual = parts.PART_BYTES
    try:
        parts.PART_BYTES = part_bytes or usual
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
        parts.PART_BYTES = usual
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
    """

    def __init__(self, work: Callable = outcome_of, seconds: float = SECONDS):
        self._work, self._seconds = work, seconds
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
        try:
            if self._pipe.poll(self._seconds):
                return self._pipe.recv()
        except (EOFError, ConnectionResetError):
            self._process.join()
            code, self._process = self._process.exitcode, None
            return Outcome("died", text=f"exit code {code}")
        self._process.kill()
        self._process.join()
        self._process = None
        return Outcome("hang", text=f"more than {self._seconds} s")

    def close(self) -> None:
        """End the process."""
        if self._process is not None:
            self._pipe.close()
            self._process.join(10)
            self._process.kill()
            self._process = None
