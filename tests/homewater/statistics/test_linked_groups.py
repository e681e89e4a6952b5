"""Groups that links join, against reaching every thing from every other."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from homewater.statistics.linked_groups import linked_groups


@settings(max_examples=100, deadline=None)
@given(st.integers(1, 12).flatmap(lambda n: st.tuples(st.just(n), st.lists(st.tuples(*[st.integers(0, n - 1)] * 2)))))
def test_groups_are_the_connected_sets(case):
    n, edges = case
    reached = np.eye(n, dtype=bool)
    for a, b in edges:
        reached[a, b] = reached[b, a] = True
    for k in range(n):
        reached |= np.outer(reached[:, k], reached[k])
    expected = [int(np.flatnonzero(row)[0]) for row in reached]
    first, second = (np.array([edge[side] for edge in edges], dtype=np.int64) for side in (0, 1))
    assert linked_groups(first, second, n).tolist() == expected


def test_nothing_has_no_groups():
    none = np.zeros(0, dtype=np.int64)
    assert linked_groups(none, none, 0).tolist() == []
    assert linked_groups(none, none, 3).tolist() == [0, 1, 2]
