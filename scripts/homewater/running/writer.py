"""The one way in which files are written.

Content is written beside its destination, synced to the disk and then renamed. A run that is cut short therefore never
leaves half a file that the next run would take for a whole one.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}  # the disk, the user's share of it, or a limit of the file's size


class NoSpaceLeft(OSError):
    """A disk is full; the message is one line that names the file."""

    def __str__(self) -> str:
        return self.strerror


def no_space_left(number: int, path: str | Path) -> NoSpaceLeft:
    """Return the error of a disk that is full by the system's error number, one of FULL, naming the file."""
    reason = os.strerror(number)
    return NoSpaceLeft(number, f"no space left to write {path} ({reason}): make room, then run the same command again")


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


@contextmanager
def written_aside(path: str | Path) -> Iterator[Path]:
    """Yield a temporary path (file or folder to be made by the caller) that replaces `path` when the block succeeds.

    The temporary name is unique and lies in the same folder, so two writers never share one and the rename is atomic.
    A failure removes what was written and leaves an older `path` as it was.

    Raises:
        NoSpaceLeft: where the disk is full, naming `path`.
    """
    path = Path(path)
    aside = path.with_name(f".{path.name}.{uuid.uuid4().hex}.aside")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        yield aside
        for file in sorted(aside.rglob("*")) if aside.is_dir() else [aside]:
            if file.is_file():
                with open(file, "rb+") as handle:
                    os.fsync(handle.fileno())
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        os.replace(aside, path)
        _sync_folder(path.parent)
    except OSError as error:
        if error.errno in FULL and not isinstance(error, NoSpaceLeft):
            raise no_space_left(error.errno, path) from error
        raise
    finally:
        if aside.is_dir():
            shutil.rmtree(aside, ignore_errors=True)
        else:
            aside.unlink(missing_ok=True)


def write_bytes(content: bytes, path: str | Path) -> None:
    """Write bytes to `path` through the one writer."""
    with written_aside(path) as aside:
        aside.write_bytes(content)


def write_text(content: str, path: str | Path) -> None:
    """Write UTF-8 text to `path`, newlines as given."""
    write_bytes(content.encode("utf-8"), path)


def write_json(content: Any, path: str | Path) -> None:
    """Write JSON with sorted keys and shortest round-trip numbers; NaN and infinity are refused (use null)."""
    write_text(json.dumps(content, indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n", path)
