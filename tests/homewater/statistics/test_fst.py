"""F_ST against published values, scikit-allel, the formula written out and simulated island models."""

import allel
import msprime
import numpy as np
import pytest

from homewater.statistics import fst
from homewater.statistics.intervals import chromosome_blocks


def counts_of(*groups):
    """One marker: each group its (hom_ref, het, hom_alt) counts."""
    return np.array([[(*group, 0) for group in groups]], dtype=np.int32)


def random_counts(seed, n_markers=60, n_groups=5, missing=0.2):
    """Genotypes and their counts; some untyped, some groups tiny, the first marker untyped, the second fixed."""
    rng = np.random.default_rng(seed)
    sizes = rng.integers(1, 12, n_groups)
    group = np.repeat(np.arange(n_groups), sizes)
    p = rng.beta(0.5, 0.5, (n_markers, n_groups))
    dosages = rng.binomial(2, p[:, group]).astype(np.int8)
    dosages[rng.random(dosages.shape) < missing] = -1
    dosages[0], dosages[1] = -1, 0
    counts = np.zeros((n_markers, n_groups, 4), dtype=np.int32)
    for m in range(n_markers):
        for g, d in zip(group, dosages[m], strict=True):
            counts[m, g, 3 if d < 0 else d] += 1
    return dosages, group, counts


def allel_components(dosages, group, groups):
    """Components of each marker by scikit-allel, 0 where it says undefined."""
    alleles = np.stack([np.where(dosages < 0, -1, dosages >= 2), np.where(dosages < 0, -1, dosages >= 1)], axis=2)
    with np.errstate(all="ignore"):
        parts = allel.weir_cockerham_fst(alleles.astype("i1"), [np.flatnonzero(group == g).tolist() for g in groups])
    return [part.sum(axis=1) / 2 for part in parts]


def test_published_isotoma_petraea():
    """GOT-1 of 12 populations (James et al. 1983; counts from memory); components recomputed exactly."""
    genotypes = "29,0,0 14,3,3 15,2,3 9,0,0 9,0,0 23,5,2 23,3,4 29,3,1 5,0,0 1,0,0 0,1,0 1,0,0"
    counts = counts_of(*(map(int, g.split(",")) for g in genotypes.split()))
    a, b, c = (part[0] for part in fst.joint_by_marker(counts))
    assert (a, b, c) == pytest.approx((0.00395520, 0.05304573, 0.04521277), abs=5e-9)
    assert a / (a + b + c) == pytest.approx(0.038695, abs=5e-7)
    assert 1 - c / (b + c) == pytest.approx(0.53986, abs=5e-6)


def test_two_samples_by_exact_arithmetic():
    """(10,20,20) and (30,15,5): a .0586735, a + b + c .275, theta .213358."""
    numerator, denominator = fst.pair_components(counts_of((10, 20, 20), (30, 15, 5)), np.array([0]))
    assert numerator[0, 0] == pytest.approx(0.0586735, abs=5e-8)
    assert numerator[0, 0] / denominator[0, 0] == pytest.approx(0.213358, abs=5e-7)


def test_a_fixed_difference_is_one():
    numerator, denominator = fst.pair_components(counts_of((9, 0, 0), (0, 0, 4)), np.array([0]))
    assert numerator[0, 0] / denominator[0, 0] == pytest.approx(1, abs=1e-12)


@pytest.mark.parametrize("seed", range(6))
def test_pairs_equal_scikit_allel_marker_by_marker(seed):
    """Where every group has somebody typed; scikit-allel sums both alleles, whose parts are equal: half its sum."""
    dosages, group, counts = random_counts(seed)
    first, second = fst.group_pairs(5)
    each = np.arange(len(counts))
    numerator, denominator = fst.pair_components(counts, each)
    n = counts[:, :, :3].sum(axis=2)
    compared = 0
    for pair, (i, j) in enumerate(zip(first, second, strict=True)):
        a, b, c = allel_components(dosages, group, (i, j))
        good = (n[:, i] > 0) & (n[:, j] > 0) & (n[:, i] + n[:, j] > 2)
        compared += good.sum()
        assert numerator[good, pair] == pytest.approx(a[good], abs=1e-12)
        assert denominator[good, pair] == pytest.approx((a + b + c)[good], abs=1e-12)
        assert not numerator[~good, pair].any()
        assert not denominator[~good, pair].any()
    assert compared > 200


@pytest.mark.parametrize("seed", range(4))
def test_joint_components_equal_scikit_allel(seed):
    dosages, group, counts = random_counts(seed, missing=0.0)
    a, b, c = allel_components(dosages, group, range(5))
    got = fst.joint_by_marker(counts)
    for part, reference in zip(got, (a, b, c), strict=True):
        assert part[1:] == pytest.approx(reference[1:], abs=1e-12)


def test_joint_of_two_groups_equals_the_pair_kernel():
    _, _, counts = random_counts(3, n_groups=2)
    each = np.arange(len(counts))
    pair = fst.pair_components(counts, each)
    joint = fst.joint_components(counts, each)
    for one, other in zip(pair, joint, strict=True):
        assert one[:, 0] == pytest.approx(other, abs=1e-13)


def test_blocks_add_up_and_left_out_markers_do_not():
    _, _, counts = random_counts(5)
    block = np.arange(len(counts)) % 4 - 1
    by_block = fst.pair_components(counts, block)
    whole = fst.pair_components(counts[block >= 0], np.zeros((block >= 0).sum(), dtype=int))
    for one, other in zip(by_block, whole, strict=True):
        assert one.shape == (3, 10)
        assert one.sum(axis=0) == pytest.approx(other[0], abs=1e-12)
    assert fst.block_weights(block).tolist() == [15, 15, 15]


def test_nothing_to_compare_is_missing_not_zero():
    estimate, low, high, error = fst.pairwise_fst(np.zeros((4, 2, 4), dtype=np.int32), np.arange(4))
    assert np.isnan([*estimate, *low, *high, *error]).all()
    assert fst.pairwise_fst(np.zeros((0, 1, 4), dtype=np.int32), np.zeros(0, dtype=int))[0].shape == (0,)


@pytest.mark.parametrize(("demes", "migrants"), [(2, 1.0), (5, 1.0)])
def test_island_model_meets_theory(demes, migrants):
    """Theta of an island model is 1 / (1 + 4 N m d / (d - 1)) (Weir-Cockerham form, no self pairs in the total).

    300 independent genealogies, infinite-sites mutations; tolerance 4 jackknife standard errors of the estimate.
    """
    size = 100
    demography = msprime.Demography.island_model([size] * demes, migrants / size / (demes - 1))
    rows, sampled = [], {f"pop_{i}": 20 for i in range(demes)}
    genealogies = msprime.sim_ancestry(
        sampled, demography=demography, num_replicates=300, random_seed=5, sequence_length=1, discrete_genome=False
    )
    for number, ts in enumerate(genealogies):
        mutated = msprime.sim_mutations(ts, rate=1e-3, random_seed=6 + number, discrete_genome=False)
        rows += [(number, v.genotypes.reshape(-1, 2).sum(axis=1)) for v in mutated.variants()]
    number = np.array([n for n, _ in rows])
    dosages = np.array([d for _, d in rows])
    group = np.repeat(np.arange(demes), 20)
    counts = np.stack(
        [np.stack([(dosages[:, group == g] == d).sum(axis=1) for d in (0, 1, 2, -1)], 1) for g in range(demes)], 1
    )
    numerator, denominator = fst.joint_components(counts, number % 30)
    theta = numerator.sum() / denominator.sum()
    without = (numerator.sum() - numerator) / (denominator.sum() - denominator)
    error = np.sqrt(29 / 30 * ((without - without.mean()) ** 2).sum())
    expected = 1 / (1 + 4 * migrants * demes / (demes - 1))
    assert error < 0.25 * expected
    assert theta == pytest.approx(expected, abs=4 * error)


def test_interval_of_a_pair_of_one_deme_covers_zero():
    """No structure: of 190 pairs of samples of one population the 95 % intervals that miss 0 are about 1 in 20."""
    rng = np.random.default_rng(8)
    p = rng.beta(1, 1, 4000)
    dosages = rng.binomial(2, p[:, None], (4000, 400))
    counts = np.stack([(dosages.reshape(4000, 20, 20) == d).sum(axis=2) for d in (0, 1, 2, -1)], axis=2)
    chrom = np.repeat(np.arange(20), 200)
    estimate, low, high, _ = fst.pairwise_fst(counts, chromosome_blocks(chrom, np.arange(4000)))
    assert abs(estimate.mean()) < 5e-4
    assert (estimate < 0).any()  # never clipped
    assert 0.01 <= ((low > 0) | (high < 0)).mean() <= 0.11
