"""A disk that fills: a small tmpfs in a mount namespace of its own, or else a limit on file size."""

from __future__ import annotations

import os
import subprocess
from functools import cache
from pathlib import Path


@cache
def namespace() -> list[str]:
    """Return the command that gives a process mounts of its own; empty where this user may not have them."""
    for command in (["unshare", "--mount"], ["unshare", "--user", "--map-root-user", "--mount"]):
        try:
            tried = subprocess.run([*command, "mount", "-t", "tmpfs", "none", "/mnt"], capture_output=True)
        except FileNotFoundError:
            continue
        if tried.returncode == 0:
            return command
    return []


def on_small_disk(folder: Path, kilobytes: int, script: str, **environment: str) -> subprocess.CompletedProcess:
    """Run a bash script for which a folder lies on a small disk of its own, until it calls `grow`.

    Args:
        folder: an empty folder; with a limit on file size, which binds everywhere, only its files are meant.
        kilobytes: size of the disk, or of the largest file.
        script: run with `set -u`.
        **environment: further variables.
    """
    if namespace():
        start = f'mount -t tmpfs -o size={kilobytes}k none "$disk"; grow() {{ mount -o remount,size=1g "$disk"; }}\n'
    else:
        start = f"ulimit -S -f {kilobytes}; grow() {{ ulimit -S -f unlimited; }}\n"
    return subprocess.run(
        [*namespace(), "bash", "-uc", start + script],
        capture_output=True,
        text=True,
        timeout=900,
        env={**os.environ, "disk": str(folder), **environment},
    )
