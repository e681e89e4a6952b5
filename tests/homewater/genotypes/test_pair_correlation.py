"""Sums behind the correlation of two markers, against plain sums over animals called at both."""

import numpy as np
import pytest

from homewater.genotypes.bit_planes import group_words, layout_by_site, pack
from homewater.genotypes.pair_correlation import pair_sums


@pytest.mark.parametrize("seed", range(5))
def test_sums_equal_those_over_animals_called_at_both(seed):
    rng = np.random.default_rng(seed)
    dosages = rng.integers(-1, 3, (2, 150)).astype(np.int8)
    layout = layout_by_site(np.arange(150) * 3 // 150)
    used = rng.random(150) < 0.8
    _, word, bits, _ = group_words(layout, np.where(used, 0, -1), 1)
    mask = np.zeros(layout.n_words, np.uint64)
    mask[word] = bits
    planes = pack(dosages, layout) & mask
    planes[:, 2] = mask & ~planes[:, 2]  # called, not missing
    both = used & (dosages >= 0).all(axis=0)
    x, y = dosages[:, both].astype(float)
    expected = (both.sum(), x.sum(), y.sum(), (x * x).sum(), (y * y).sum(), (x * y).sum())
    assert pair_sums(planes[0], planes[1]) == expected
