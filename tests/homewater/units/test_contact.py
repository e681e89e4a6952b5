"""Places of contact: share and drift of a mixture made by algebra."""

import numpy as np
import pytest
from tests.made_replicates import made, on_a_line

from homewater.units.contact import contact_evidence


@pytest.mark.parametrize("share", [0.2, 0.5, 0.75])
@pytest.mark.parametrize("drift", [0.0, 0.01])
def test_mixture_recovers_share_and_drift_exactly(share, drift):
    """Frequencies p = m p_1 + (1 - m) p_2 + d: the squared differences are those of the docstring, by algebra."""
    spread, rate, km = 0.06, 0.0001, on_a_line([0, 100, 200])
    linear = np.zeros((3, 3))
    linear[0, 1] = (1 - share) ** 2 * spread + drift
    linear[1, 2] = share**2 * spread + drift
    linear[0, 2] = spread
    linear = linear + linear.T + rate * km
    replicates = made(linear, noise=0)
    found = contact_evidence(replicates, km, np.full(13, rate), np.array([1]), np.array([0]), np.array([2]))
    assert found.share == pytest.approx(share)
    assert found.own_drift == pytest.approx(drift, abs=1e-12)
    assert found.spread == pytest.approx(spread)
