"""The order in which sites follow each other along the coast, from their distances by water."""

from __future__ import annotations

import numpy as np
import pandas as pd

from homewater.water.site_tree import distance_matrix, spanning_tree


def _neighbours(edges: np.ndarray, n_sites: int) -> list[list[int]]:
    """Return the neighbours of each site in a forest with these edges."""
    neighbours: list[list[int]] = [[] for _ in range(n_sites)]
    for i, j in edges.tolist():
        neighbours[i].append(j)
        neighbours[j].append(i)
    return neighbours


def _km_along_tree(neighbours: list[list[int]], km: np.ndarray, start: int) -> dict[int, float]:
    """Return the distance along the tree, km, from a site to every site that its tree joins to it."""
    distance, queue = {start: 0.0}, [start]
    for i in queue:
        for j in neighbours[i]:
            if j not in distance:
                distance[j] = distance[i] + km[i, j]
                queue.append(j)
    return distance


def coast_order(site_ids: list[str], sea_distance: pd.DataFrame, latitude: dict[str, float]) -> list[str]:
    """Return the sites in the order in which a boat working along the coast meets them.

    The sites are joined by the shortest tree of distances by water; the walk starts at the southern end of the tree's
    longest path and, where the tree forks, finishes the shorter arm (a fjord, an island) before it goes on. Waters that
    are not joined follow each other in site order.

    Args:
        site_ids: sites in site order, which settles ties.
        sea_distance: table sea_distance (site_a, site_b, sea_km).
        latitude: {site: degrees}.
    """
    km = distance_matrix(site_ids, sea_distance)
    neighbours = _neighbours(spanning_tree(km), len(site_ids))
    left, order = list(range(len(site_ids))), []

    def reach(i: int, parent: int) -> float:
        """Return how far the tree goes on from a site, away from the site before it, km."""
        return max((km[i, j] + reach(j, i) for j in neighbours[i] if j != parent), default=0.0)

    while left:
        from_first = _km_along_tree(neighbours, km, left[0])
        far = max(from_first.items(), key=lambda item: (item[1], -item[0]))[0]
        other = max(_km_along_tree(neighbours, km, far).items(), key=lambda item: (item[1], -item[0]))[0]
        start = min((far, other), key=lambda i: (latitude[site_ids[i]], i))
        stack = [(start, -1)]
        while stack:
            i, parent = stack.pop()
            order.append(site_ids[i])
            arms = sorted((j for j in neighbours[i] if j != parent), key=lambda j: (km[i, j] + reach(j, i), j))
            stack += [(j, i) for j in reversed(arms)]
        left = [i for i in left if i not in from_first]
    return order
