"""The exact test against exact rationals, a published formula's values, and its own level on drawn data."""

import itertools
from fractions import Fraction
from math import comb, factorial

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from homewater.filters import hardy_weinberg
from homewater.filters.hardy_weinberg import hardy_weinberg_p

# N = 100, 21 minor alleles: heterozygotes and two-sided p by Wigginton, Cutler & Abecasis (2005), formula evaluated in
# exact rationals
PUBLISHED = {
    21: 0.593645, 19: 1, 17: 0.284042, 15: 0.0695765, 13: 0.0102934, 11: 9.18859e-4, 9: 4.83633e-5, 7: 1.42478e-6,
    5: 2.1307e-8, 3: 1.33894e-10, 1: 2.25285e-13,
}  # fmt: skip


def exact_distribution(n: int, copies: int) -> dict[int, Fraction]:
    """P(h | N, nA) = 2^h N! nA! nB! / (h! hom! hom'! (2N)!), Wigginton et al. (2005) equation 1."""
    other = 2 * n - copies
    return {
        h: Fraction(2**h * factorial(n), factorial(h) * factorial((copies - h) // 2) * factorial((other - h) // 2))
        / comb(2 * n, copies)
        for h in range(copies % 2, min(copies, other) + 1, 2)
    }


def total_p(sites: list[tuple[int, int, int]]) -> Fraction:
    """The test of the total by listing every combination of heterozygotes over sites."""
    lists = [exact_distribution(r + h + a, 2 * a + h) for r, h, a in sites]
    total: dict[int, Fraction] = {}
    for chosen in itertools.product(*(d.items() for d in lists)):
        p = Fraction(1)
        for _, q in chosen:
            p *= q
        key = sum(h for h, _ in chosen)
        total[key] = total.get(key, Fraction(0)) + p
    assert sum(total.values()) == 1
    seen = total[sum(h for _, h, _ in sites)]
    return sum(p for p in total.values() if p <= seen)


def deficit(site: tuple[int, int, int]) -> float:
    distribution = exact_distribution(sum(site), 2 * site[2] + site[1])
    mean = sum(h * p for h, p in distribution.items())
    square = sum((h - mean) ** 2 * p for h, p in distribution.items())
    return float(site[1] - mean) / float(square) ** 0.5 if square else 0.0


def exact_p(sites: list[tuple[int, int, int]]) -> list[Fraction]:
    """The whole test; several values where sites tie in what they lack, so that any of them may be set aside."""
    sites = [site for site in sites if sum(site)]
    if len(sites) < 2:
        return [total_p(sites)]
    lacking = sorted(round(d, 9) for d in map(deficit, sites) if d < 0)[: -(-len(sites) // 4)]
    found = []
    for aside in itertools.combinations(range(len(sites)), len(lacking)):
        if sorted(round(deficit(sites[i]), 9) for i in aside) == lacking:
            found.append(max(total_p(sites), total_p([site for i, site in enumerate(sites) if i not in aside])))
    return found


def test_published_table():
    counts = np.array([[[100 - h - (21 - h) // 2, h, (21 - h) // 2]] for h in PUBLISHED])
    assert hardy_weinberg_p(counts) == pytest.approx(list(PUBLISHED.values()), rel=5e-6)


@pytest.mark.parametrize(
    ("n", "copies", "expected"),
    [(5, 5, {1: (5, 21), 3: (40, 63), 5: (8, 63)}), (3, 3, {1: (3, 5), 3: (2, 5)})],
)
def test_tables_worked_by_hand(n, copies, expected):
    distribution = exact_distribution(n, copies)
    assert distribution == {h: Fraction(*p) for h, p in expected.items()}
    for h, own in distribution.items():
        minor = (copies - h) // 2
        p = hardy_weinberg_p(np.array([[[n - h - minor, h, minor]]]))[0]
        assert p == pytest.approx(float(sum(q for q in distribution.values() if q <= own)), rel=1e-12)


def test_blood_groups_agree_with_exact_arithmetic():
    # CCR5 genotypes 224/64/6: exact test 0.6013; tiger moth 1469/138/5 (Ford 1971, counts from memory): 0.3825
    assert hardy_weinberg_p(np.array([[[224, 64, 6]], [[1469, 138, 5]]])) == pytest.approx([0.6013, 0.3825], abs=5e-5)


genotype = st.tuples(*[st.integers(0, 7)] * 3)


@settings(max_examples=300, deadline=None)
@given(st.lists(genotype, min_size=1, max_size=5))
def test_any_sites_agree_with_exact_rationals(sites):
    p = hardy_weinberg_p(np.array([sites]))[0]
    if sum(map(sum, sites)) == 0:
        assert np.isnan(p)
    else:
        assert any(p == pytest.approx(float(q), rel=1e-9) for q in exact_p(sites))


@settings(max_examples=100, deadline=None)
@given(st.lists(genotype, min_size=1, max_size=4))
def test_the_choice_of_reference_allele_does_not_matter(sites):
    both = hardy_weinberg_p(np.array([sites])), hardy_weinberg_p(np.array([[site[::-1] for site in sites]]))
    np.testing.assert_allclose(*both, rtol=1e-9)


def test_large_samples_do_not_overflow():
    p = hardy_weinberg_p(np.array([[[25000, 50000, 25000]], [[50000, 0, 50000]], [[26000, 48000, 26000]]]))
    assert p[0] == pytest.approx(1, abs=1e-9)
    assert p[1] == 1e-20
    assert 0 < p[2] < 1e-12


def test_differences_between_sites_are_no_departure_but_null_alleles_are():
    apart = [[[40, 0, 0], [0, 0, 40]]]
    assert hardy_weinberg_p(np.array(apart))[0] == 1
    assert hardy_weinberg_p(np.array([[[40, 0, 40]]]))[0] < 1e-15
    # a deficit too small to show in one site shows in ten
    one = [[8, 9, 8]]
    assert hardy_weinberg_p(np.array([one]))[0] > 0.1
    assert hardy_weinberg_p(np.array([one * 10]))[0] < 1e-4


def test_a_mixture_of_stocks_at_some_sites_does_not_cost_the_markers_that_tell_them_apart():
    local, foreign = [40, 0, 0], [0, 0, 40]
    movers = [36, 0, 4]  # a tenth of the animals come from the other stock
    assert hardy_weinberg_p(np.array([[movers]]))[0] < 1e-4  # alone, nothing tells a mixture from a fault
    sites = [local, local, movers, foreign, foreign, foreign, [3, 0, 37], local]
    assert hardy_weinberg_p(np.array([sites]))[0] == 1
    # a null allele lowers heterozygotes everywhere, and is still found
    assert hardy_weinberg_p(np.array([[[14, 12, 14]] * 8]))[0] < 1e-4


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_level_holds_under_random_union(seed):
    """An exact test rejects at most as often as its level; drawn genotypes, several sites, rare and common alleles."""
    rng = np.random.default_rng(seed)
    p = rng.uniform(0.02, 0.98, (20000, 6, 1))
    counts = rng.multinomial(15, np.concatenate([(1 - p) ** 2, 2 * p * (1 - p), p**2], axis=2))
    found = hardy_weinberg_p(counts)
    for level in (0.05, 0.01, 0.001):
        assert (found <= level).mean() <= level + 3 * np.sqrt(level / 20000)
    assert (found <= 0.05).mean() > 0.01  # and is not idle


def test_moments_are_those_of_the_distribution():
    for n, copies in [(1, 1), (2, 2), (5, 5), (30, 1), (30, 17), (50, 50), (80, 100)]:
        distribution = exact_distribution(n, copies)
        mean = sum(h * p for h, p in distribution.items())
        square = sum((h - mean) ** 2 * p for h, p in distribution.items())
        assert hardy_weinberg.moments(n, copies) == pytest.approx((float(mean), float(square)), rel=1e-9, abs=1e-9)


def test_a_plain_p_is_close_to_the_exact_one_and_on_the_same_side_of_every_level():
    rng = np.random.default_rng(0)
    p = rng.uniform(0.1, 0.9, (400, 1))
    draws = rng.random((400, 12, 40, 2)) < p[..., None, None]
    copies = draws.sum(axis=-1)
    counts = np.stack([(copies == code).sum(axis=-1) for code in (0, 1, 2)], axis=-1).astype(np.int64)
    used, room = np.ones(12, dtype=bool), [np.empty(2000) for _ in range(3)]
    totals = []
    for one in counts:
        distance, square = np.empty((2, 12))
        assert hardy_weinberg.called_sites(one, used, distance, square) == 12
        totals.append(hardy_weinberg.departure(used, distance, square))
    plain = np.array([hardy_weinberg._plain_p(*total) for total in totals])
    exact = np.array([hardy_weinberg._exact_p(one, used, *room) for one in counts])
    taken = plain >= 0
    assert 0.7 < taken.mean() < 1
    # skewness may turn the order of two totals equally far from the mean: one step's probability, 2 phi(0) / 5 at most
    assert np.abs(plain - exact)[taken].max() < 0.16 + 0.01
    assert np.median(np.abs(plain - exact)[taken]) < 0.01
    assert min(plain[taken].min(), exact[taken].min()) > 0.1


def test_samples_met_before_have_the_p_computed_afresh():
    """One site, many markers: the table of known samples against the same markers one at a time."""
    rng = np.random.default_rng(1)
    counts = rng.integers(0, 9, (3000, 1, 3))
    together = hardy_weinberg_p(counts)
    alone = np.concatenate([hardy_weinberg_p(one[None]) for one in counts])
    assert np.array_equal(together, alone, equal_nan=True)
    exact = {tuple(one[0]): float(total_p([tuple(one[0].tolist())])) for one in counts[:300] if one.sum()}
    for one, p in zip(counts[:300], together[:300], strict=True):
        assert np.isnan(p) if not one.sum() else p == pytest.approx(exact[tuple(one[0])], rel=1e-9)
