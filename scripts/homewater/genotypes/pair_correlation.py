"""Correlation of two markers from bit planes: what thinning by linkage and the reach of linkage both count."""

from __future__ import annotations

import numba
import numpy as np

from homewater.genotypes.bit_planes import popcount


@numba.njit(cache=True, nogil=True)
def pair_sums(x, y):
    """Return what the correlation of two markers is made of, over animals called at both.

    Args:
        x: uint64 (3, n_words), bits of one marker: heterozygous, alternate homozygous, called; those of other animals
            are zero, so what is heterozygous at one marker and called at the other is called at both.
        y: the same of the other marker.

    Returns:
        n (int), and as float64 the sums of alternate copies at x and at y, the sums of their squares at x and at y, and
        the sum of their products.
    """
    n, het_x, alt_x, het_y, alt_y, one, two, four = 0, 0, 0, 0, 0, 0, 0, 0
    for w in range(x.shape[1]):
        hx, ax, cx, hy, ay, cy = x[0, w], x[1, w], x[2, w], y[0, w], y[1, w], y[2, w]
        n += popcount(cx & cy)
        het_x += popcount(hx & cy)
        alt_x += popcount(ax & cy)
        het_y += popcount(hy & cx)
        alt_y += popcount(ay & cx)
        one += popcount(hx & hy)
        two += popcount((hx & ay) | (ax & hy))
        four += popcount(ax & ay)
    return (
        n,
        np.float64(het_x + 2 * alt_x),
        np.float64(het_y + 2 * alt_y),
        np.float64(het_x + 4 * alt_x),
        np.float64(het_y + 4 * alt_y),
        np.float64(one + 2 * two + 4 * four),
    )
