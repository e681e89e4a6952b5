"""How two tests share the rate of false flags, and which markers the test for an unsampled origin has."""

import numpy as np

from homewater.crosses.flag_rates import MIN_TYPED, FlagRates, exclusion_markers


def test_panel_markers_take_no_part():
    thinned = np.zeros(1000, dtype=bool)
    thinned[::2] = True
    panel = np.array([0, 2, 500])
    chosen = exclusion_markers(thinned, panel, 100)
    assert len(chosen) == 100
    assert not set(chosen) & set(panel.tolist())
    assert (np.diff(chosen) > 0).all()
    assert len(exclusion_markers(thinned, panel, 5000)) == 497


def test_cutoff_and_test_share_the_rate_of_false_flags():
    settings = {"false_flag_rate": 0.001, "exclusion_level": 0.001, "exclusion_markers": 1000}

    def shared(n_markers, **other):
        rates = FlagRates.of_study(settings | other)
        return rates.ratio_level(n_markers), rates.exclusion_level(n_markers)

    assert shared(MIN_TYPED) == (0.0005, 0.0005)
    assert shared(MIN_TYPED - 1) == (0.001, 0.0)
    assert shared(1000, exclusion_level=0.0001) == (0.0009, 0.0001)
