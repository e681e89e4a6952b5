"""Stretches of a reference genome: a FASTA file read once from end to end, plain, gzip or bgzip, without an index.

An index would have to lie beside the user's file or repeat it; one pass over a genome takes seconds, and no more than
one chromosome is held at a time.
"""

from __future__ import annotations

import gzip
import zlib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from homewater.inputs.user_text import file_problem, shown
from homewater.running.errors import InputError, Problem


def read_windows(
    path: str | Path, name: str, windows: Mapping[str, Sequence[tuple[int, int]]]
) -> tuple[dict[str, int], dict[str, list[str]]]:
    """Return the length of every sequence asked for, and the bases of each window.

    Args:
        path: where the FASTA file is.
        name: the file as the user wrote it, for messages.
        windows: {name of the sequence (first word of its header): [(first, last)]}, positions in bp from 1, both ends
            in; what lies beyond the ends of a sequence is left out. A sequence without windows gives its length alone.

    Returns:
        {name: length in bp} of the sequences found; {name: [bases in capitals]} in the order of the windows. A sequence
        that the file does not hold stands in neither.

    Raises:
        InputError: on a file that is damaged or holds one name twice.
    """
    lengths: dict[str, int] = {}
    found: dict[str, list[str]] = {}
    try:
        for sequence, line, bases in _sequences(path, set(windows)):
            if sequence in lengths:
                twice = f"a second sequence {shown(sequence)}"
                raise InputError(Problem(name, f"line {line}", "", twice, "names of their own"))
            lengths[sequence] = len(bases)
            found[sequence] = [
                bases[max(0, first - 1) : max(0, last)].decode("ascii", "replace").upper()
                for first, last in windows[sequence]
            ]
    except (EOFError, gzip.BadGzipFile, zlib.error):
        found = "a file that breaks off or is damaged"
        raise InputError(Problem(name, "", "", found, "a whole FASTA file (copy it again)")) from None
    return lengths, found


def _sequences(path: str | Path, wanted: set[str]) -> Iterator[tuple[str, int, bytearray]]:
    """Yield (name, line of its header, bases) of the wanted sequences, in file order."""
    with open(path, "rb") as raw:
        packed = raw.read(2) == b"\x1f\x8b"
    with gzip.open(path, "rb") if packed else open(path, "rb") as handle:
        current, at, bases = None, 0, bytearray()
        for number, line in enumerate(handle, start=1):
            if line.startswith(b">"):
                if current is not None:
                    yield current, at, bases
                words = line[1:].decode("utf-8", "replace").split()
                current = words[0] if words and words[0] in wanted else None
                at, bases = number, bytearray()
            elif current is not None:
                bases += line.strip()
        if current is not None:
            yield current, at, bases


def reference_problem(path: str | Path, name: str) -> Problem | None:
    """Return what keeps a FASTA file (plain, gzip or bgzip) from being read, judged by its first line; else None."""
    problem = file_problem(path, name)
    if problem:
        return problem
    with open(path, "rb") as handle:
        packed = handle.read(2) == b"\x1f\x8b"
    try:
        with gzip.open(path, "rb") if packed else open(path, "rb") as handle:
            start = handle.read(1)
    except (EOFError, gzip.BadGzipFile, zlib.error):
        return Problem(name, "line 1", "", "a file that breaks off or is damaged", "a whole FASTA file")
    return (
        None
        if start == b">"
        else Problem(name, "line 1", "", "a file that is no FASTA", "FASTA: a line with > and a name first")
    )
