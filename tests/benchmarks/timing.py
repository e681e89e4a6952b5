"""What the timed comparisons share."""

from __future__ import annotations

import argparse
import json
import platform
import subprocess
import time
from pathlib import Path

import numpy as np
import psutil

ROOT = Path(__file__).resolve().parents[2]


def timed(function, *arguments, repeats: int = 3):
    """Return (least seconds, result) of a call, after one that is not timed where it is repeated."""
    if repeats > 1:
        function(*arguments)
    best = np.inf
    for _ in range(repeats):
        started = time.perf_counter()
        result = function(*arguments)
        best = min(best, time.perf_counter() - started)
    return best, result


def small_asked(description: str) -> bool:
    """Return whether `--small` was given, the only argument that a comparison knows."""
    parser = argparse.ArgumentParser(description=description.splitlines()[0])
    parser.add_argument("--small", action="store_true")
    return parser.parse_args().small


def keep(stage: str, figures: dict, small: bool) -> None:
    """Print the figures of a comparison and, unless it was a small one, write them beside the scripts."""
    text = json.dumps(figures, indent=2) + "\n"
    print(text)
    if not small:
        Path(__file__).with_name(f"{stage}.json").write_text(text)


def provenance(stage: str) -> dict:
    """Return what every file of figures opens with."""
    commit = subprocess.run(["git", "rev-parse", "HEAD"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    cores = len(psutil.Process().cpu_affinity())
    return {
        "command": f"scripts/test --benchmark {stage}",
        "commit": commit.strip(),
        "machine": f"{platform.machine()}, {cores} cores, Python {platform.python_version()}",
    }
