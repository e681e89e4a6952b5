"""Effective size: published constants, the kernel against numpy, simulated populations of known size."""

import numpy as np
import pytest
from tests.drawn_genotypes import drawn_dosages

from homewater.structure import effective_size as ne


@pytest.mark.parametrize(
    ("r_squared", "n", "size"),
    [(0.030, 50, 36.0125), (0.025, 50, 87.3893), (0.017, 100, 47.7289), (0.06, 25, 18.9348), (0.019, 50, np.inf)],
)
def test_sizes_from_the_published_equations(r_squared, n, size):
    """Waples (2006) table 2, constants from memory; exact arithmetic on them."""
    small = n < ne.SMALL_SAMPLE
    assert ne.size_from_drift(r_squared - ne.expected_r_squared(n, small), small) == pytest.approx(size, abs=5e-5)


@pytest.mark.parametrize(("small", "linear", "square"), [(False, 1 / 3, 0.69), (True, 0.308, 0.52)])
def test_size_inverts_the_expected_drift(small, linear, square):
    """Drift r' = 1/(3N) - .69/N^2 (from 30 animals), .308/N - .52/N^2 (below): Waples (2006), from memory."""
    for size in (10, 50, 1000):
        assert ne.size_from_drift(linear / size - square / size**2, small) == pytest.approx(size)


def test_drift_too_strong_for_any_size_is_undefined():
    assert np.isnan(ne.size_from_drift(0.2, False))
    assert np.isnan(ne.size_from_drift(np.nan, False))


def test_kernel_equals_numpy_correlations_with_and_without_each_animal():
    dosages, chrom = drawn_dosages(1, [14], 30, missing=0.1), np.arange(30) % 3
    dosages[5] = 1
    typed = (dosages >= 0).astype(float)
    expected = np.concatenate([np.zeros(3), ne.expected_r_squared(np.arange(3, 15), True)])
    got, raw = ne._drift(np.where(dosages < 0, 0, dosages).astype(float), typed, chrom, expected)

    def plain(chosen, must=None):
        top = bottom = r_top = 0.0
        for i in range(30):
            for j in range(i + 1, 30):
                both = (dosages[i] >= 0) & (dosages[j] >= 0)
                if chrom[i] == chrom[j] or both.sum() < 4 or 0 in (dosages[i, both].std(), dosages[j, both].std()):
                    continue
                x, y = dosages[i, both & chosen], dosages[j, both & chosen]
                if x.std() == 0 or y.std() == 0:
                    continue
                n = len(x)
                r = np.corrcoef(x, y)[0, 1] ** 2 * (n / (n - 1)) ** 2
                top, bottom, r_top = top + n * n * (r - expected[n]), bottom + n * n, r_top + n * n * r
        return top / bottom, r_top / bottom

    assert (got[0], raw) == pytest.approx(plain(np.ones(14, bool)), abs=1e-12)
    for k in range(14):
        assert got[k + 1] == pytest.approx(plain(np.arange(14) != k)[0], abs=1e-12)


def generations(rng, size, n, n_loci, n_generations=12):
    """Unlinked loci in a random-mating population with selfing (Wright-Fisher); a sample of n newborn animals."""
    copies = (rng.random((n_loci, size, 2)) < rng.uniform(0.1, 0.9, n_loci)[:, None, None]).astype(np.int8)

    def children(n_children):
        parents = rng.integers(0, size, (n_children, 2))
        picks = rng.integers(0, 2, (n_loci, n_children, 2))
        sides = [np.take_along_axis(copies[:, parents[:, s]], picks[:, :, s, None], 2)[:, :, 0] for s in (0, 1)]
        return np.stack(sides, axis=2)

    for _ in range(n_generations):
        copies = children(size)
    return children(n).sum(axis=2).astype(np.int8)


@pytest.mark.parametrize(("size", "n", "missing"), [(50, 50, 0.0), (100, 50, 0.1), (50, 25, 0.0)])
def test_simulated_populations_give_their_size_back(size, n, missing):
    """40 populations of 200 loci: harmonic mean within 12 % of the truth, the intervals hold it in 34 or more.

    A plain squared correlation in these equations would give 141 for 100 and about 60 for 50.
    """
    rng = np.random.default_rng(size + n)
    found = []
    for _ in range(40):
        dosages = generations(rng, size, n, 200)
        dosages[rng.random(dosages.shape) < missing] = -1
        found.append(ne.effective_size(dosages, np.arange(200)))
    assert 1 / np.mean([1 / f.estimate for f in found]) == pytest.approx(size, rel=0.12)
    assert sum(f.low <= size <= f.high for f in found) >= 34
    assert all(f.low < f.estimate < f.high for f in found)


def test_an_unrelated_sample_has_no_upper_bound_and_a_finite_lower_one():
    """Animals drawn independently: an infinite population. The estimate is infinite or its interval open upwards."""
    found = [ne.effective_size(drawn_dosages(s, [40], 400, fst=0, missing=0.02), np.arange(400) % 8) for s in range(10)]
    assert sum(np.isinf(f.high) for f in found) >= 8
    assert all(np.isfinite(f.low) and f.low > 100 for f in found)
    assert {f.basis for f in found} <= {ne.ESTIMATED, ne.NO_DRIFT}


@pytest.mark.parametrize(
    ("n", "n_markers", "n_chrom", "basis"),
    [
        (2, 50, 5, ne.TOO_FEW_ANIMALS),
        (0, 50, 5, ne.TOO_FEW_ANIMALS),
        (9, 50, 1, ne.ONE_CHROMOSOME),
        (9, 0, 1, ne.ONE_CHROMOSOME),
    ],
)
def test_what_cannot_be_estimated_says_why(n, n_markers, n_chrom, basis):
    found = ne.effective_size(np.ones((n_markers, n), dtype=np.int8), np.arange(n_markers) % n_chrom)
    assert (found.basis, np.isnan(found.estimate)) == (basis, True)


def test_markers_without_variation_say_nothing():
    found = ne.effective_size(np.zeros((50, 9), dtype=np.int8), np.arange(50) % 5)
    assert (found.basis, found.n_markers) == (ne.TOO_FEW_MARKERS, 0)
    found = ne.effective_size(np.ones((50, 9), dtype=np.int8), np.arange(50) % 5)  # all heterozygous
    assert (found.basis, found.n_markers) == (ne.TOO_FEW_MARKERS, 50)
