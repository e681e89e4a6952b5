"""SHA-256 of files and folders, as the record of a run and the stamp of an invented study hold them."""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable
from pathlib import Path


def checksum(path: str | Path) -> str:
    """Return the SHA-256 of a file or a folder, in hexadecimal.

    Args:
        path: a file: the sum is over its content; or a folder: the sum is over the relative names and the checksums
            of its files, sorted by name.
    """
    path = Path(path)
    if not path.is_dir():
        with open(path, "rb") as handle:
            return hashlib.file_digest(handle, "sha256").hexdigest()
    digest = hashlib.sha256()
    for file in _files_within(path):
        digest.update(f"{file.relative_to(path).as_posix()}\0{checksum(file)}\n".encode())
    return digest.hexdigest()


def checksums_within(folder: str | Path, left_out: Collection[str] = ()) -> dict[str, str]:
    """Return the SHA-256 of every file in a folder and its folders.

    Args:
        folder: where to look.
        left_out: names of files that are passed over.

    Returns:
        path relative to the folder -> checksum, sorted by path.
    """
    folder = Path(folder)
    files = [file for file in _files_within(folder) if file.name not in left_out]
    return {file.relative_to(folder).as_posix(): checksum(file) for file in files}


def joint_checksum(files: Iterable[str | Path]) -> str:
    """Return the SHA-256 of the content of several files, read one after another in the order given."""
    digest = hashlib.sha256()
    for file in files:
        digest.update(Path(file).read_bytes())
    return digest.hexdigest()


def _files_within(folder: Path) -> list[Path]:
    files = (path for path in folder.rglob("*") if path.is_file())
    return sorted(files, key=lambda file: file.relative_to(folder).as_posix())
