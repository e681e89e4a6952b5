"""The order in which sites follow each other along the coast, from their distances by water."""

from __future__ import annotations

import numpy as np
import pandas as pd


def distance_matrix(site_ids: list[str], sea_distance: pd.DataFrame) -> np.ndarray:
    """Return the square matrix of distances by water.

    Args:
        site_ids: sites, in the order wanted.
        sea_distance: table sea_distance (site_a, site_b, sea_km), missing where no water joins the two.

    Returns:
        float64 (n_sites, n_sites), km; infinite where no water joins them or the pair is not listed; 0 on the diagonal.
    """
    place = {site: i for i, site in enumerate(site_ids)}
    matrix = np.full((len(site_ids), len(site_ids)), np.inf)
    np.fill_diagonal(matrix, 0.0)
    for a, b, km in zip(
        sea_distance["site_a"], sea_distance["site_b"], sea_distance["sea_km"].astype(float), strict=True
    ):
        if a in place and b in place and not np.isnan(km):
            matrix[place[a], place[b]] = matrix[place[b], place[a]] = km
    return matrix


def _spanning_tree(matrix: np.ndarray, start: int) -> dict[int, list[int]]:
    """Return the neighbours of each site in the shortest tree that joins all sites reached by water from `start`."""
    tree: dict[int, list[int]] = {start: []}
    while True:
        inside = sorted(tree)
        outside = [i for i in range(len(matrix)) if i not in tree]
        links = [(matrix[i, j], i, j) for i in inside for j in outside if np.isfinite(matrix[i, j])]
        if not links:
            return tree
        _, i, j = min(links)
        tree[i].append(j)
        tree[j] = [i]


def _walk(tree: dict[int, list[int]], matrix: np.ndarray, start: int) -> dict[int, float]:
    distance, queue = {start: 0.0}, [start]
    for i in queue:
        for j in tree[i]:
            if j not in distance:
                distance[j] = distance[i] + matrix[i, j]
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
    matrix = distance_matrix(site_ids, sea_distance)
    left, order = list(range(len(site_ids))), []
    while left:
        tree = _spanning_tree(matrix, left[0])
        far = max(_walk(tree, matrix, left[0]).items(), key=lambda item: (item[1], -item[0]))[0]
        other = max(_walk(tree, matrix, far).items(), key=lambda item: (item[1], -item[0]))[0]
        start = min((far, other), key=lambda i: (latitude[site_ids[i]], i))

        def reach(i: int, parent: int, tree: dict[int, list[int]] = tree) -> float:
            return max((matrix[i, j] + reach(j, i, tree) for j in tree[i] if j != parent), default=0.0)

        stack = [(start, -1)]
        while stack:
            i, parent = stack.pop()
            order.append(site_ids[i])
            arms = sorted((j for j in tree[i] if j != parent), key=lambda j: (matrix[i, j] + reach(j, i), j))
            stack += [(j, i) for j in reversed(arms)]
        left = [i for i in left if i not in tree]
    return order
