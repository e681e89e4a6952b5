"""Where the bits of animals lie in the planes; counting them is tested with the store."""

import numpy as np

from homewater.genotypes.bit_planes import layout_by_site


def test_each_site_starts_a_word():
    layout = layout_by_site(np.repeat([0, 1, 2], [65, 64, 1]))
    assert layout.n_words == 4
    assert layout.bits[[0, 64, 65, 128, 129]].tolist() == [0, 64, 128, 191, 192]
