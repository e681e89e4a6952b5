"""What the timed comparisons share."""

from __future__ import annotations

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


def provenance(stage: str) -> dict:
    """Return what every file of figures opens with."""
    commit = subprocess.run(["git", "rev-parse", "HEAD"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    cores = len(psutil.Process().cpu_affinity())
    return {
        "command": f"scripts/test --benchmark {stage}",
        "commit": commit.strip(),
        "machine": f"{platform.machine()}, {cores} cores, Python {platform.python_version()}",
    }
