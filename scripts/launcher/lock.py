"""One run a study at a time: whose results a folder holds, who works on them, and what a dead run left."""

from __future__ import annotations

import fcntl
import json
import os
import socket
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from homewater.running.errors import InputError, Problem
from homewater.running.writer import write_text
from launcher.processes import end_run


class StudyInUse(Exception):
    """Another run works on this study; the message is one line."""


def record_owner(results: Path, study_file: Path, clone: Path) -> None:
    """Note in results/<study>/.study which study file these results belong to.

    Args:
        results: the folder results/<study>.
        study_file: absolute path of the study file.
        clone: top folder of the clone; a study file inside it is noted by its path there.

    Raises:
        InputError: where the folder belongs to another study file.
    """
    mine = os.path.relpath(study_file, clone) if study_file.is_relative_to(clone) else str(study_file)
    note = results / ".study"
    theirs = note.read_text(encoding="utf-8").strip() if note.is_file() else mine
    if theirs != mine:
        raise InputError(
            Problem(
                study_file.name,
                "study.id",
                "",
                f"{results.name}, but results/{results.name} belongs to the study file {theirs}",
                f"an id of its own; or remove results/{results.name} if those results are no longer wanted",
            )
        )
    if not note.is_file():
        write_text(mine + "\n", note)


@contextmanager
def study_lock(results: Path, clone: Path) -> Iterator[tuple[str, list[str]]]:
    """Hold the study's lock, after having cleared up behind a run that died.

    Args:
        results: the folder results/<study>; made if it is not there.
        clone: top folder of the clone, in whose .snakemake the dead run's lock lies.

    Yields:
        (run, said): the new run's id, and lines for the user on what was cleared up.

    Raises:
        StudyInUse: where the owner lives.
    """
    results.mkdir(parents=True, exist_ok=True)
    descriptor = os.open(results / ".lock", os.O_RDWR | os.O_CREAT, 0o644)
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            holder = _read(descriptor)
            who = f"process {holder['pid']} on {holder['host']}" if holder else "another process"
            raise StudyInUse(f"results/{results.name} is in use by {who}: wait until it ends, or stop it") from None
        said = _clear_up(_read(descriptor), results, clone)
        # letters and digits alone, as Slurm job names allow
        run = f"hw{uuid.uuid4().hex[:16]}"
        _write(descriptor, json.dumps({"pid": os.getpid(), "host": socket.gethostname(), "run": run}))
        try:
            yield run, said
        finally:
            _write(descriptor, "")  # only a killed owner leaves its note
    finally:
        os.close(descriptor)


def _read(descriptor: int) -> dict | None:
    try:
        return json.loads(os.pread(descriptor, 4096, 0).decode())
    except ValueError:
        return None


def _write(descriptor: int, text: str) -> None:
    os.ftruncate(descriptor, 0)
    os.pwrite(descriptor, text.encode(), 0)
    os.fsync(descriptor)


def _clear_up(dead: dict | None, results: Path, clone: Path) -> list[str]:
    if dead is None:
        return []
    said = [f"the last run of {results.name} (process {dead['pid']} on {dead['host']}) was cut short; taking it up"]
    if dead["host"] != socket.gethostname():
        said.append(f"what it may have left running on {dead['host']} cannot be seen from here")
    ended = end_run(dead["run"])
    if ended:
        said.append(f"ended what it left running: {ended}")
    release_snakemake(results, clone)
    return said


def release_snakemake(results: Path, clone: Path) -> None:
    """Remove what killed jobs of this study left: Snakemake's locks on its files, and files written aside.

    Snakemake's own `--unlock` would take the locks of every study in the clone.
    """
    mine = (f"results/{results.name}/", f"reports/{results.name}.")
    for lock in (clone / ".snakemake" / "locks").glob("*.lock"):
        if any(line.startswith(mine) for line in lock.read_text(encoding="utf-8", errors="replace").splitlines()):
            lock.unlink(missing_ok=True)
    for aside in results.rglob(".*.aside"):
        if aside.is_dir():
            for file in sorted(aside.rglob("*"), reverse=True):
                file.rmdir() if file.is_dir() else file.unlink()
            aside.rmdir()
        else:
            aside.unlink(missing_ok=True)
