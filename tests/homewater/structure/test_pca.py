"""Principal components against scikit-learn and float64 products, projection, held-out shrinkage, edges."""

import numpy as np
import pandas as pd
import pytest
from sklearn.decomposition import PCA
from tests.drawn_genotypes import drawn_dosages

from homewater.structure import pca
from homewater.structure.relationship import BLOCK, relationship_matrix


def of(dosages, defining, n_axes=4, size=BLOCK):
    blocks = [dosages[i : i + size] for i in range(0, len(dosages), size)]
    return pca.principal_axes(relationship_matrix(blocks, defining), defining, n_axes)


def scaled(dosages, defining):
    p = dosages[:, defining].mean(axis=1) / 2
    used = (p > 0) & (p < 1)
    return ((dosages[used] - 2 * p[used, None]) / np.sqrt(2 * p[used] * (1 - p[used]))[:, None]).T


def test_axes_equal_scikit_learn_on_complete_genotypes():
    """Scores of defining and of projected animals; single-precision products, so to 1e-4 of the largest score."""
    dosages = drawn_dosages(1, [15, 15, 15], 800, fst=0.1, missing=0.0)
    defining = np.arange(45) % 5 != 0
    got = of(dosages, defining)
    z = scaled(dosages, defining)
    reference = PCA(4, svd_solver="full").fit(z[defining])
    expected = reference.transform(z) / np.sqrt(z.shape[1])
    flip = np.sign((expected[defining] * got.scores[defining]).sum(axis=0))
    for k in range(2):
        assert got.scores[:, k] == pytest.approx(expected[:, k] * flip[k], abs=1e-4 * np.abs(expected[:, k]).max())
    assert got.shares[:2] == pytest.approx(reference.explained_variance_ratio_[:2], rel=1e-4)


def test_missing_genotypes_move_no_animal_towards_the_middle():
    """An animal with half of its genotypes missing keeps its score on the first axis within 15 %."""
    dosages = drawn_dosages(3, [20, 20], 4000, fst=0.1, missing=0.0)
    defining = np.ones(40, dtype=bool)
    defining[[0, 39]] = False
    whole = of(dosages, defining, 1).scores[:, 0]
    gaps = dosages.copy()
    gaps[::2, [0, 1, 38, 39]] = -1
    thinned = of(gaps, defining, 1).scores[:, 0]
    assert thinned[[0, 1, 38, 39]] == pytest.approx(whole[[0, 1, 38, 39]], rel=0.15)


def test_shrinkage_meets_theory_for_structure_and_is_near_zero_for_noise():
    """Two sites: projection shrinks a spiked axis by signal / (signal + noise); signal grows with the animals.

    Lee, Zou & Wright (2010) Ann Stat 38:3605-3629, many more markers than animals (from memory). Tolerance 0.03.
    """
    got = of(drawn_dosages(4, [30, 30], 3000, fst=0.1), np.ones(60, dtype=bool), 58)
    noise = got.eigenvalues[1:].mean()
    signal = 0.8 * (got.eigenvalues[0] - noise)  # four fifths of the animals make the axis of a fold
    assert got.shrinkage[0] == pytest.approx(signal / (signal + noise), abs=0.03)
    assert (np.abs(got.shrinkage[1:4]) < 0.3).all()
    assert got.shares[0] > 3 * got.shares[1]


def test_projected_animals_of_a_site_lie_with_their_like():
    dosages, site = drawn_dosages(5, [25, 25], 3000, fst=0.08), np.repeat([0, 1], 25)
    defining = np.arange(50) % 5 != 2
    scores = of(dosages, defining, 1).scores[:, 0]
    middle = np.array([scores[defining & (site == s)].mean() for s in (0, 1)])
    nearest = np.abs(scores[:, None] - middle).argmin(axis=1)
    assert (nearest == site).all()


def test_query_animals_do_not_touch_the_axes():
    dosages = drawn_dosages(6, [12, 12, 6], 500)
    defining = np.arange(30) < 24
    alone = of(dosages[:, :24], defining[:24])
    together = of(dosages, defining)
    assert together.scores[:24] == pytest.approx(alone.scores, abs=1e-9)
    assert together.eigenvalues == pytest.approx(alone.eigenvalues, abs=1e-9)


def test_signs_are_fixed_and_block_size_does_not_matter():
    dosages = drawn_dosages(7, [10, 10], 300)
    got = of(dosages, np.ones(20, dtype=bool))
    assert (got.scores[np.abs(got.scores).argmax(axis=0), np.arange(4)] > 0).all()
    assert of(dosages, np.ones(20, dtype=bool), size=70).scores == pytest.approx(got.scores, abs=1e-4)


@pytest.mark.parametrize(("n_defining", "n_markers", "n_found"), [(0, 50, 0), (1, 50, 0), (3, 50, 2), (12, 0, 0)])
def test_few_animals_or_no_markers_run(n_defining, n_markers, n_found):
    dosages = drawn_dosages(8, [14], max(n_markers, 1))[:n_markers]
    defining = np.arange(14) < n_defining
    got = of(dosages, defining)
    assert got.eigenvalues.shape == (n_found,)
    animals = pd.DataFrame({"materialSampleID": np.arange(14), "locationID": "a", "role": "query", "defines": defining})
    table, summary = pca.pca_tables(animals, got, np.array([0.2]), 4)
    assert table[[f"pc{k}" for k in range(1, 5)]].notna().any().sum() == n_found
    assert len(summary) == n_found
    assert summary["p_value"].notna().tolist() == [True, False][:n_found]
    assert not summary["beyond_chance"].any()


def test_an_animal_without_genotypes_has_no_score():
    dosages = drawn_dosages(9, [14], 60, missing=0.0)
    dosages[:, 13] = -1
    got = of(dosages, np.arange(14) < 12)
    assert np.isnan(got.scores[13]).all()
    assert np.isfinite(got.scores[:13]).all()
