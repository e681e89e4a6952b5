"""How many parts genotype files are read in, and which stretch of the genome each part holds.

The numbers depend on the files' sizes and indexes alone, so the jobs are known before anything is read.
"""

from __future__ import annotations

import itertools
import math

INDEX_SUFFIXES = (".tbi", ".csi")  # of the index that stands beside a genotype file
PART_BYTES = 16 * 2**20
MAX_PARTS = 32  # a file


def parts_of_files(file_sizes: list[int], indexed: list[bool]) -> list[int]:
    """Return the number of parts of each file: one for every PART_BYTES of an indexed file, at most MAX_PARTS, else 1.

    Args:
        file_sizes: bytes of each file.
        indexed: whether an index stands beside each file.
    """
    return [
        max(1, min(MAX_PARTS, math.ceil(size / PART_BYTES))) if has_index else 1
        for size, has_index in zip(file_sizes, indexed, strict=True)
    ]


def n_parts(file_sizes: list[int], indexed: list[bool]) -> int:
    """Return the number of parts of all files together; arguments as in `parts_of_files`."""
    return sum(parts_of_files(file_sizes, indexed))


def genome_stretches(contigs: list[str], lengths: list[int], k: int) -> list[list[list]]:
    """Cut the genome into k stretches of equal length; where a length is unknown, between contigs alone.

    Args:
        contigs: names in genome order.
        lengths: base pairs of each, 0 where unknown.
        k: number of stretches.

    Returns:
        k lists (some may be empty) of [contig, first position, last position or None for its end], 1-based, inclusive.
    """
    if not contigs or min(lengths) <= 0:
        of_part = [[] for _ in range(k)]
        for i, contig in enumerate(contigs):
            of_part[i * k // len(contigs)].append([contig, 1, None])
        return of_part
    ends = list(itertools.accumulate(lengths))
    cuts = [ends[-1] * i // k for i in range(k + 1)]
    stretches = []
    for low, high in itertools.pairwise(cuts):
        ranges = []
        for contig, end, length in zip(contigs, ends, lengths, strict=True):
            first, last = max(low, end - length), min(high, end)
            if first < last:
                # the header's length may be short of the records: the last piece has no end
                ranges.append([contig, first - (end - length) + 1, None if last == end else last - (end - length)])
        stretches.append(ranges)
    return stretches
