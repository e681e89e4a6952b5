"""Sites as a graph by water: distances, the shortest tree that joins them, its cuts, and what lies on either side.

The sites of one coast form a line; those of islands and sounds form a tree with arms. Both are trees, so neighbours are
always neighbours along the tree. The order of the site list settles ties and nothing else.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

FAR = 2.0  # water that is not joined counts as this many times the longest distance found


def distance_matrix(location_ids: list[str], sea_distance: pd.DataFrame) -> np.ndarray:
    """Return the distances by water as a square matrix.

    Args:
        location_ids: sites, in the order wanted.
        sea_distance: table sea_distance (site_a, site_b, sea_km); pairs in either order, other sites ignored.

    Returns:
        float64 (n, n) km, symmetric, zero diagonal, NaN where no water joins two sites.
    """
    place = {name: i for i, name in enumerate(location_ids)}
    km = np.full((len(place), len(place)), np.nan)
    np.fill_diagonal(km, 0.0)
    rows = sea_distance[sea_distance["site_a"].isin(place) & sea_distance["site_b"].isin(place)]
    for a, b, d in zip(rows["site_a"], rows["site_b"], rows["sea_km"].astype(float), strict=True):
        km[place[a], place[b]] = km[place[b], place[a]] = d
    return km


def bridged(km: np.ndarray) -> np.ndarray:
    """Return the matrix with places that no water joins set FAR times as far apart as the longest distance found.

    Args:
        km: float64 (n, n), NaN where not joined.
    """
    longest = np.nanmax(km) if km.size and np.nanmax(km) > 0 else 1.0
    return np.where(np.isnan(km), FAR * longest, km)


def spanning_tree(km: np.ndarray) -> np.ndarray:
    """Return the edges of the shortest tree that joins all sites; of each water its own tree, where waters are parted.

    Args:
        km: float64 (n, n), NaN where no water joins two sites. Of equally long edges the one with the lower site
            numbers is taken first.

    Returns:
        int64 (n - 1, 2), each edge from its lower to its higher site, ordered by them; fewer where waters are parted.

    Source: Kruskal (1956) Proc Am Math Soc 7:48-50.
    """
    n = len(km)
    first, second = np.triu_indices(n, 1)
    joined = np.isfinite(km[first, second])
    first, second = first[joined], second[joined]
    group = np.arange(n)
    edges = []
    for k in np.lexsort((second, first, km[first, second])):
        i, j = int(first[k]), int(second[k])
        if group[i] != group[j]:
            group[group == group[j]] = group[i]
            edges.append((i, j))
    return np.array(sorted(edges), dtype=np.int64).reshape(-1, 2)


def side_by_side(km: np.ndarray) -> np.ndarray:
    """Return the pairs of sites with no third site between them: none is nearer to both than they are to each other.

    The shortest tree is part of them. Along one coast there are no others; where sites lie in two dimensions (both
    sides of a strait, an archipelago) the tree leaves many out.

    Args:
        km: float64 (n, n), no NaN.

    Returns:
        int64 (n_pairs, 2), each from its lower to its higher site, ordered by them.

    Source: Toussaint (1980) Pattern Recognition 12:261-268, relative neighbours.
    """
    pairs = [
        (i, j)
        for i, j in zip(*np.triu_indices(len(km), 1), strict=True)
        if not (np.maximum(km[i], km[j]) < km[i, j]).any()
    ]
    return np.array(pairs, dtype=np.int64).reshape(-1, 2)


def segments(edges: np.ndarray, cut: np.ndarray, n: int) -> np.ndarray:
    """Return the segment of each site once some edges are cut.

    Args:
        edges: int (n_edges, 2), a forest.
        cut: bool (n_edges,), edges that are cut.
        n: number of sites.

    Returns:
        int64 (n,), segments numbered from 0 in the order in which the site numbers meet them.
    """
    group = np.arange(n)
    for (i, j), gone in zip(edges, cut, strict=True):
        if not gone:
            group[group == group[j]] = group[i]
    number: dict[int, int] = {}
    return np.array([number.setdefault(g, len(number)) for g in group.tolist()], dtype=np.int64)


def sides(edges: np.ndarray, members: np.ndarray, edge: int) -> tuple[np.ndarray, np.ndarray]:
    """Return the members on either side of an edge: those of its first end, those of its second, int64, ascending.

    Args:
        edges: int (n_edges, 2), a tree on all sites.
        members: int (n_members,), a connected part of the tree that holds both ends of the edge.
        edge: number of the edge.
    """
    inside = set(members.tolist())
    neighbours: dict[int, list[int]] = {i: [] for i in inside}
    for k, (i, j) in enumerate(edges.tolist()):
        if k != edge and i in inside and j in inside:
            neighbours[i].append(j)
            neighbours[j].append(i)
    reached, queue = {int(edges[edge, 0])}, [int(edges[edge, 0])]
    for i in queue:
        for j in neighbours[i]:
            if j not in reached:
                reached.add(j)
                queue.append(j)
    return np.array(sorted(reached), dtype=np.int64), np.array(sorted(inside - reached), dtype=np.int64)


def nearest(km: np.ndarray, site: int, members: np.ndarray, most: int) -> np.ndarray:
    """Return up to `most` members nearest to a site by water (itself first if it is one), ties by site number.

    Args:
        km: float64 (n, n).
        site: site number.
        members: int (n_members,).
        most: how many at most.
    """
    return members[np.lexsort((members, km[site, members]))[:most]]


def edge_hops(edges: np.ndarray, among: np.ndarray, edge: int) -> np.ndarray:
    """Return how many sites lie between an edge and others (1 for edges that share a site with it).

    Args:
        edges: int (n_edges, 2).
        among: int (m,), numbers of edges through which the way may lead, `edge` among them.
        edge: number of the edge from which to count.

    Returns:
        int64 (m,), 0 for the edge itself; -1 where it cannot be reached.
    """
    hops = np.where(among == edge, 0, -1)
    ends, step = set(edges[edge].tolist()), 0
    while True:
        step += 1
        new = [k for k, e in enumerate(among) if hops[k] < 0 and set(edges[e].tolist()) & ends]
        if not new:
            return hops
        hops[new] = step
        ends |= {i for k in new for i in edges[among[k]].tolist()}
