"""The processes of one run: found by the run id in their environment, and ended when their launcher is gone.

Run as a program (`python processes.py RUN`) this is the guard: it waits on its standard input, which only the launcher
holds open. Should the launcher die without having said `done`, even by kill -9, the guard ends what the run left. The
guard is a process of its own since a thread inside a step would wait for long calls into compiled code.
Standard library only.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

RUN_VARIABLE = "HOMEWATER_RUN"
_PATIENCE_SECONDS = 15


def processes_of(run: str) -> list[int]:
    """Return the ids of this machine's processes that carry the run id in their environment, this one left out."""
    wanted, found = f"{RUN_VARIABLE}={run}".encode(), []
    for folder in Path("/proc").iterdir():
        if not folder.name.isdigit() or int(folder.name) == os.getpid():
            continue
        try:
            if wanted in (folder / "environ").read_bytes().split(b"\0"):
                found.append(int(folder.name))
        except OSError:
            continue  # ended meanwhile, or another user's
    return sorted(found)


def _send(pids: list[int], number: int) -> None:
    for pid in pids:
        try:
            os.kill(pid, number)
        except ProcessLookupError:
            continue


def interrupt(run: str) -> None:
    """Send all processes of a run what Ctrl-C sends, so that they can tidy up."""
    _send(processes_of(run), signal.SIGINT)


def end_run(run: str) -> int:
    """Kill what is left of a run on this machine, and cancel its jobs on a Slurm cluster.

    Returns:
        The number of processes and jobs ended.
    """
    ended: set[int] = set()
    limit = time.monotonic() + _PATIENCE_SECONDS
    while (pids := processes_of(run)) and time.monotonic() < limit:
        _send(pids, signal.SIGKILL)  # again and again, since one may start another meanwhile
        ended.update(pids)
        time.sleep(0.05)
    return len(ended) + cancel_cluster_jobs(run)


def cancel_cluster_jobs(run: str) -> int:
    """Cancel the user's Slurm jobs whose name holds the run id, and return how many; without Slurm there are none."""
    if not (shutil.which("squeue") and shutil.which("scancel")):
        return 0
    listed = subprocess.run(["squeue", "--me", "--noheader", "--format=%i %j"], capture_output=True, text=True)
    jobs = [line.split()[0] for line in listed.stdout.splitlines() if line.split()[1:2] and run in line.split()[1]]
    if jobs:
        subprocess.run(["scancel", *jobs], capture_output=True)
    return len(jobs)


def start_guard(run: str) -> subprocess.Popen:
    """Start the guard of a run; `dismiss_guard` ends it in peace."""
    # a session of its own: Ctrl-C and a closed terminal must not end it before the rest
    return subprocess.Popen(
        [sys.executable, "-S", str(Path(__file__).resolve()), run],
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )


def dismiss_guard(guard: subprocess.Popen) -> None:
    """Tell the guard that the run ended as it should."""
    try:
        guard.communicate(b"done\n", timeout=5)
    except (OSError, subprocess.TimeoutExpired):
        guard.kill()


if __name__ == "__main__":
    if sys.stdin.read().strip() != "done":
        end_run(sys.argv[1])
