"""Where a block begins and ends: the stretch of a chromosome whose markers tell of it, and windows joined to one."""

from __future__ import annotations

import numpy as np

ROUNDS = 10
MAX_GAP = 1  # windows that do not stand out, between two that do, within one stretch


def best_stretch(values: np.ndarray, noise: float) -> tuple[int, int]:
    """Return (first, last) of the stretch of markers that tell of a block.

    Markers inside have a large mean value, those outside `noise`. Each marker is worth its value less the geometric
    mean of the two, and the stretch with the greatest sum is taken; the mean inside is then measured again, until
    nothing moves.

    Args:
        values: float64 (n_markers,), n_markers at least 1, not negative, in order along the chromosome.
        noise: mean of `values` outside blocks, above 0.

    Source: the maximal-scoring segment, Karlin & Altschul (1990) Proc Natl Acad Sci USA 87:2264-2268.
    """
    first, last = 0, len(values) - 1
    for _ in range(ROUNDS):
        inside = max(float(values[first : last + 1].mean()), noise)
        worth = np.concatenate([[0.0], np.cumsum(values - np.sqrt(inside * noise))])
        lowest = np.minimum.accumulate(worth[:-1])
        end = int((worth[1:] - lowest).argmax())
        start = int(worth[: end + 1].argmin())
        if (start, end) == (first, last):
            break
        first, last = start, end
    return first, last


def joined_windows(standing_out: np.ndarray, chromosome: np.ndarray) -> list[np.ndarray]:
    """Return the windows that stand out, those of one stretch together, small gaps among them filled.

    Args:
        standing_out: bool (n_windows,), along the genome.
        chromosome: int (n_windows,).
    """
    found = np.flatnonzero(standing_out)
    if not found.size:
        return []
    apart = (np.diff(found) > MAX_GAP + 1) | (np.diff(chromosome[found]) != 0)
    return [np.arange(one[0], one[-1] + 1) for one in np.split(found, np.flatnonzero(apart) + 1)]
