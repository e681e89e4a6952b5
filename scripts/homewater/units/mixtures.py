"""Mixtures of two sources: the share of each at a site, and the f3 that only a mixture makes negative.

The sources are groups of sites. What each site of a source drifted by itself is no part of the source: it is taken off
by the differences among the source's own sites, where there are two or more.
"""

from __future__ import annotations

import numpy as np


def mean_among(drift: np.ndarray, sites: np.ndarray, lone: np.ndarray | float = 0.0) -> np.ndarray:
    """Return the mean differentiation of the pairs of some sites, float64 (n_blocks + 1,).

    Args:
        drift: float64 (n_blocks + 1, n, n), as `Replicates.drift`.
        sites: int (m,), site numbers.
        lone: own drift that is assumed where there is one site alone; its pair with another such is twice that.
    """
    if len(sites) < 2:
        return np.zeros(len(drift)) + 2 * lone
    first, second = np.triu_indices(len(sites), 1)
    return drift[:, sites[first], sites[second]].mean(axis=1)


def spread(drift: np.ndarray, one: np.ndarray, other: np.ndarray, lone: np.ndarray | float = 0.0) -> np.ndarray:
    """Return the differentiation between two sources, what their sites drifted by themselves left out, (n_blocks + 1,).

    Args:
        drift: as in `mean_among`.
        one: int (a,), site numbers.
        other: int (b,), site numbers.
        lone: own drift of a source of one site, float64 (n_blocks + 1,).
    """
    across = drift[:, one[:, None], other[None, :]].mean(axis=(1, 2))
    return across - mean_among(drift, one, lone) / 2 - mean_among(drift, other, lone) / 2


def f3(drift: np.ndarray, sites: np.ndarray, one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Return f3 of some sites with two sources, float64 (n_blocks + 1, n_sites); negative in mixtures alone.

    It is the mean over pairs of a site of either source. The drift of the sources' own sites cancels in each.

    Args:
        drift: as in `mean_among`; f3 is on its scale.
        sites: int (n_sites,), site numbers.
        one: int (a,), site numbers of the first source.
        other: int (b,), those of the second.

    Source: Patterson et al. (2012) Genetics 192:1065-1093, equation 1: 2 f3(C; A, B) = f2(C, A) + f2(C, B) - f2(A, B).
    """
    to_one = drift[:, sites[:, None], one[None, :]].mean(axis=2)
    to_other = drift[:, sites[:, None], other[None, :]].mean(axis=2)
    between = drift[:, one[:, None], other[None, :]].mean(axis=(1, 2))
    return (to_one + to_other - between[:, None]) / 2


def mixture_shares(
    drift: np.ndarray, sites: np.ndarray, one: np.ndarray, other: np.ndarray, lone: np.ndarray | float = 0.0
) -> np.ndarray:
    """Return the share of the second source at each site, float64 (n_blocks + 1, n_sites), not clipped.

    With D the differentiation, own drift of the sources' sites left out, the mixture of both that lies nearest to a
    site has a share (D(site, one) - D(site, other) + D(one, other)) / 2 D(one, other). The site's own drift cancels.
    A site is left out of its own source; where it is the only one there, the share is NaN.

    Args:
        drift: as in `mean_among`.
        sites: int (n_sites,), site numbers.
        one: int (a,), site numbers of the first source.
        other: int (b,), those of the second.
        lone: own drift of a source of one site, float64 (n_blocks + 1,).
    """
    shares = np.full((len(drift), len(sites)), np.nan)
    for column, site in enumerate(sites.tolist()):
        a, b = one[one != site], other[other != site]
        if not len(a) or not len(b):
            continue
        among = [mean_among(drift, source, lone) / 2 for source in (a, b)]
        to_a, to_b = (drift[:, site, source].mean(axis=1) - own for source, own in zip((a, b), among, strict=True))
        apart = drift[:, a[:, None], b[None, :]].mean(axis=(1, 2)) - among[0] - among[1]
        with np.errstate(divide="ignore", invalid="ignore"):
            shares[:, column] = np.where(apart > 0, (to_a - to_b + apart) / (2 * apart), np.nan)
    return shares
