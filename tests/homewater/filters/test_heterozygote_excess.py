"""The test of an excess of heterozygotes: against the exact distribution, and told from a deficit."""

from math import comb, factorial

import numpy as np
import pytest

from homewater.filters.hardy_weinberg import hardy_weinberg_p
from homewater.filters.heterozygote_excess import heterozygote_excess_p


def distribution(n, copies):
    """Heterozygotes and their chances, Wigginton et al. (2005) equation 1."""
    other = 2 * n - copies
    return {
        h: 2**h * factorial(n) / (factorial(h) * factorial((copies - h) // 2) * factorial((other - h) // 2))
        / comb(2 * n, copies)
        for h in range(copies % 2, min(copies, other) + 1, 2)
    }  # fmt: skip


def upper_tail(sites):
    """The chance of as many heterozygotes over sites, or more, by adding site to site."""
    total, observed = {0: 1.0}, 0
    for reference, het, alternate in sites:
        observed += het
        now = {}
        for a, chance in total.items():
            for b, own in distribution(reference + het + alternate, 2 * alternate + het).items():
                now[a + b] = now.get(a + b, 0.0) + chance * own
        total = now
    return sum(chance for h, chance in total.items() if h >= observed)


def excess(site):
    own = distribution(sum(site), 2 * site[2] + site[1])
    mean = sum(h * p for h, p in own.items())
    square = sum((h - mean) ** 2 * p for h, p in own.items())
    return (site[1] - mean) / square**0.5 if square > 1e-9 else 0.0


def plain(sites):
    if len(sites) == 1:
        return upper_tail(sites)
    order = sorted(range(len(sites)), key=lambda i: -excess(sites[i]))
    aside = [i for i in order if excess(sites[i]) > 0][: -(-len(sites) // 4)]
    return max(upper_tail(sites), upper_tail([site for i, site in enumerate(sites) if i not in aside]))


@pytest.mark.parametrize("n_sites", [1, 2, 5])
def test_small_samples_are_exact(n_sites):
    rng = np.random.default_rng(n_sites)
    counts = rng.multinomial(9, [0.25, 0.55, 0.2], (40, n_sites))
    found = heterozygote_excess_p(np.concatenate([counts, np.zeros((40, n_sites, 1), int)], axis=2))
    expected = [plain([tuple(site) for site in marker.tolist()]) for marker in counts]
    assert found == pytest.approx(expected, abs=1e-12)


def test_large_samples_are_exact_where_a_decision_hangs_on_it():
    rng = np.random.default_rng(1)
    counts = rng.multinomial(40, [0.2, 0.6, 0.2], (60, 4))
    found = heterozygote_excess_p(counts)
    expected = np.array([plain([tuple(site) for site in marker.tolist()]) for marker in counts])
    assert found == pytest.approx(expected, abs=0.02)
    small = expected < 0.02
    assert small.sum() > 10
    assert found[small] == pytest.approx(expected[small], rel=1e-9)


def test_excess_is_told_from_a_deficit():
    both = np.array([[case] * 4 for case in ([0, 40, 0, 0], [20, 0, 20, 0], [10, 20, 10, 0])])
    upper, two_sided = heterozygote_excess_p(both), hardy_weinberg_p(both)
    assert upper[0] < 1e-10 > two_sided[0]
    assert upper[1] > 0.999
    assert two_sided[1] < 1e-10
    assert upper[2] > 0.3


def test_first_crosses_at_one_site_are_no_fault_of_the_marker():
    crosses, locals_ = [2, 36, 2, 0], [10, 20, 10, 0]
    assert heterozygote_excess_p(np.array([[crosses, locals_, locals_, locals_]]))[0] > 0.3
    assert heterozygote_excess_p(np.array([[crosses]]))[0] < 1e-6


def test_nobody_called_and_no_choice():
    counts = np.array([[[0, 0, 0, 9]] * 2, [[9, 0, 0, 0]] * 2])
    p = heterozygote_excess_p(counts)
    assert np.isnan(p[0])
    assert p[1] == 1
    assert heterozygote_excess_p(counts[:0]).size == 0


@pytest.mark.parametrize("seed", [1, 2])
def test_level_holds_under_random_union(seed):
    """Of 4000 sound markers at most one in twenty has p below 0.05 (four standard errors allowed)."""
    rng = np.random.default_rng(seed)
    p = rng.uniform(0.1, 0.9, (4000, 5))
    dosages = rng.binomial(2, p[..., None], (4000, 5, 15))
    counts = np.stack([(dosages == value).sum(axis=2) for value in (0, 1, 2)], axis=2)
    assert (heterozygote_excess_p(counts) < 0.05).mean() < 0.05 + 4 * np.sqrt(0.05 * 0.95 / 4000)
