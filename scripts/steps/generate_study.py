"""Command line: make an invented study, unless the folder holds it whole and of today's recipe.

    PYTHONPATH=scripts .venv/bin/python scripts/steps/generate_study.py --preset demo --out results/inputs/demo
        [--seed N] [--foreign-in baseline]

The stamp recipe.json is written last: preset, seed, hash of the sources, and a checksum of every file.
"""

from __future__ import annotations

import argparse
import ctypes
import json
import multiprocessing
import os
import shutil
import signal
import sys
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from importlib.metadata import version
from pathlib import Path

import homewater
from homewater.invented.demo import demo_plan
from homewater.invented.plan import StudyPlan
from homewater.invented.study import small_plan, write_study
from homewater.running.checksums import checksums_within, joint_checksum
from homewater.running.errors import EXIT_BAD_INPUT, InputError, Problem
from homewater.running.writer import write_json

# beside the package of invented studies, what its animals are bred and drawn with
SOURCES = ("crosses/gene_drop.py", "running/seeds.py")
STAMP, UNFINISHED = "recipe.json", "unfinished.json"


def _demo(seed: int | None, foreign_role: str) -> StudyPlan:
    return demo_plan(foreign_role=foreign_role) if seed is None else demo_plan(seed, foreign_role)


def _demo_quick(seed: int | None, foreign_role: str) -> StudyPlan:
    return demo_plan(foreign_role=foreign_role, scale=0.2) if seed is None else demo_plan(seed, foreign_role, 0.2)


def _small(seed: int | None, foreign_role: str) -> StudyPlan:
    return small_plan(seed=1 if seed is None else seed, foreign_in_baseline=foreign_role == "baseline")


PRESETS: dict[str, Callable[[int | None, str], StudyPlan]] = {"demo": _demo, "demo_quick": _demo_quick, "small": _small}


def recipe(preset: str, seed: int, foreign_role: str) -> dict:
    """Return what decides a study's content: preset, seed, the generator's sources and the libraries that draw."""
    folder = Path(homewater.__file__).parent
    sources = [folder / name for name in SOURCES] + sorted((folder / "invented").glob("*.py"))
    libraries = {name: version(name) for name in ("msprime", "numpy", "pysam", "shapely")}
    return {
        "preset": preset,
        "seed": seed,
        "foreign_in": foreign_role,
        "sources": joint_checksum(sources),
        "libraries": libraries,
    }


def checksums(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of every file in a folder but the stamp, by its path within."""
    return checksums_within(folder, left_out=(STAMP, UNFINISHED))


def is_whole(folder: Path, wanted: dict) -> bool:
    """Return whether a folder holds the study of this recipe, every file as it was written."""
    try:
        stamp = json.loads((folder / STAMP).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    files = stamp.pop("files", None) if isinstance(stamp, dict) else None
    return stamp == wanted and bool(files) and files == checksums(folder)


def clear(folder: Path) -> None:
    """Empty a folder that an earlier call made, and mark it as unfinished.

    Raises:
        InputError: where the folder holds files that no call of this program put there.
    """
    if folder.is_dir() and any(folder.iterdir()):
        if not (folder / STAMP).is_file() and not (folder / UNFINISHED).is_file():
            raise InputError(Problem(str(folder), "", "--out", "files of another origin", "a new or an empty folder"))
        write_json({}, folder / UNFINISHED)  # first, so that a call cut short leaves a folder that may be emptied
        for path in sorted(folder.iterdir()):
            if path.name != UNFINISHED:
                shutil.rmtree(path) if path.is_dir() else path.unlink()
    write_json({}, folder / UNFINISHED)


def _end_with_parent() -> None:
    """Have Linux kill this process when the one that started it dies, by kill -9 too."""
    ctypes.CDLL(None).prctl(1, signal.SIGKILL)  # PR_SET_PDEATHSIG


def say(line: str) -> None:
    """Print a line at once."""
    print(line, flush=True)


def main(
    preset: str, out: str, seed: int | None = None, foreign_role: str = "query", processes: int | None = None
) -> None:
    """Make the study of a preset in the folder `out`."""
    folder = Path(out)
    plan = PRESETS[preset](seed, foreign_role)
    wanted = recipe(preset, plan.seed, foreign_role)
    if is_whole(folder, wanted):
        say(f"invented study {preset}: already made")
        return
    say(f"invented study {preset}: making it in {folder}")
    clear(folder)
    processes = processes or min(4, len(os.sched_getaffinity(0)))
    if processes == 1:
        write_study(plan, folder, report=say)
    else:
        spawn = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(processes, mp_context=spawn, initializer=_end_with_parent) as workers:
            write_study(plan, folder, mapper=workers.map, report=say)
    write_json(wanted | {"files": checksums(folder)}, folder / STAMP)
    (folder / UNFINISHED).unlink()
    say(f"invented study {preset}: done")


def _arguments(given: list[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Make an invented study.")
    parser.add_argument("--preset", choices=sorted(PRESETS), default="demo", help="which study")
    parser.add_argument("--out", required=True, metavar="DIR", help="folder for it; an older study in it is replaced")
    parser.add_argument("--seed", type=int, help="seed; the preset's own by default")
    parser.add_argument(
        "--foreign-in",
        choices=("query", "baseline"),
        default="query",
        help="role of the animals at the northernmost wild sites among which movers and their offspring hide",
    )
    parser.add_argument("--processes", type=int, help="processes at work; the result is the same with any number")
    return parser.parse_args(given)


if __name__ == "__main__":
    chosen = _arguments(sys.argv[1:])
    try:
        main(chosen.preset, chosen.out, chosen.seed, chosen.foreign_in, chosen.processes)
    except InputError as error:
        print(error, file=sys.stderr)
        sys.exit(EXIT_BAD_INPUT)
