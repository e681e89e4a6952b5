"""What every record of figures opens with: by which command, at which commit, on what machine it was made."""

from __future__ import annotations

import platform
import subprocess
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
CODE = ("scripts", "workflow", "config", "Snakefile")


def provenance(command: str) -> dict:
    """Return the command, the commit and the machine of a record.

    Where the code differs from the commit the commit is marked, since no one could make the figures again;
    `scripts/test --verify --stale` lists them.

    Args:
        command: that made the record.
    """

    def git(*words: str) -> str:
        return subprocess.run(["git", *words], cwd=ROOT, capture_output=True, text=True, check=True).stdout.strip()

    changed = "+changes" if git("status", "--porcelain", "--", *CODE) else ""
    machine = f"{platform.machine()}, Python {platform.python_version()}"
    return {"command": command, "commit": git("rev-parse", "HEAD") + changed, "machine": machine}
