"""Groups of things that links join: whoever can be reached from whom, link by link, is of one group."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components


def linked_groups(first: np.ndarray, second: np.ndarray, n: int) -> np.ndarray:
    """Return the group of each of n things, named by its first member: int64 (n,), the smallest index in the group.

    A thing without a link is a group of its own.

    Args:
        first: int (n_links,), one end of each link, in 0..n-1.
        second: int (n_links,), the other end.
        n: number of things.
    """
    if not n:
        return np.empty(0, dtype=np.int64)
    graph = coo_array((np.ones(len(first)), (first, second)), shape=(n, n))
    group = connected_components(graph, directed=False)[1]
    return np.unique(group, return_index=True)[1][group].astype(np.int64)
