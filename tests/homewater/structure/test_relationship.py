"""Genetic covariance of animals against plain pairs of animals in float64."""

import numpy as np
import pytest
from tests.drawn_genotypes import drawn_dosages

from homewater.structure.relationship import relationship_matrix


def test_relationship_equals_plain_float64_pairs():
    dosages = drawn_dosages(2, [8, 6], 120, missing=0.2)
    dosages[:3] = [[-1] * 14, [0] * 14, [2] * 14]  # all missing, no variation
    defining = np.arange(14) < 9
    matrix = relationship_matrix([dosages[:50], dosages[50:]], defining)
    ours = np.where(dosages < 0, np.nan, dosages).astype(float)
    with np.errstate(all="ignore"):
        p = np.array([np.mean(row[defining & ~np.isnan(row)]) / 2 for row in ours[3:]])
    ours, p = ours[3:][(p > 0) & (p < 1)], p[(p > 0) & (p < 1)]
    z = (ours - 2 * p[:, None]) / np.sqrt(2 * p * (1 - p))[:, None]
    for i in range(14):
        for j in range(14):
            assert matrix[i, j] == pytest.approx(np.nanmean(z[:, i] * z[:, j]), abs=1e-5)
