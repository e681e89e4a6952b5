"""How animals fit sites: likelihoods against scipy's beta-binomial, and who is flagged."""

import numpy as np
import pytest
from scipy import stats
from tests.homewater.filters.drawn_coast import Coast

from homewater.filters.site_fit import OtherSite, fit_to_sites, fits_another_site, swapped_labels, unlike_any_site


def drawn(seed, sizes=(20, 20, 20), n_markers=600, fst=0.05):
    """Sites that drifted from one ancestor; returns dosages and the site of each animal."""
    rng = np.random.default_rng(seed)
    ancestral, scale = rng.uniform(0.1, 0.9, n_markers), (1 - fst) / fst
    p = rng.beta(ancestral[:, None] * scale, (1 - ancestral[:, None]) * scale, (n_markers, len(sizes)))
    dosages = [rng.binomial(2, p[:, s, None], (n_markers, size)) for s, size in enumerate(sizes)]
    return np.concatenate(dosages, axis=1).astype(np.int8), np.repeat(np.arange(len(sizes)), sizes), p, rng


def counted_by(dosages, own, counted, n_sites):
    return np.stack([np.stack([(dosages[:, counted & (own == s)] == v).sum(axis=1) for v in (0, 1, 2, -1)], axis=1)
                     for s in range(n_sites)], axis=1)  # fmt: skip


def fitted(dosages, own, counted=None):
    counted = np.ones(own.size, bool) if counted is None else counted
    return fit_to_sites(dosages, own, counted, own.max() + 1)


@pytest.mark.parametrize("seed", [1, 2])
def test_likelihoods_are_those_of_the_beta_binomial_without_the_animal_itself(seed):
    """Rannala & Mountain (1997) for two alleles is scipy.stats.betabinom(2, alternate + 1/2, reference + 1/2)."""
    dosages, own, _, rng = drawn(seed, (4, 3), n_markers=150)
    dosages[rng.random(dosages.shape) < 0.1] = -1
    counted = np.array([True, True, True, False, True, True, True])
    fit = fitted(dosages, own, counted)
    for i in (0, 3, 6):
        for s in (0, 1):
            total = 0.0
            for row in dosages:
                if row[i] < 0:
                    continue
                there = [row[j] for j in range(7) if counted[j] and own[j] == s and j != i and row[j] >= 0]
                a, n = sum(there), 2 * len(there)
                total += stats.betabinom(2, a + 0.5, n - a + 0.5).logpmf(row[i])
            assert fit.log_likelihood[i, s] * fit.called[i] == pytest.approx(total, abs=1e-8)
    assert fit.called.tolist() == (dosages >= 0).sum(axis=0).tolist()


def test_expectation_of_crosses_is_that_of_the_mean_over_their_genotypes():
    dosages, own, _, _ = drawn(1, (8, 8), n_markers=120)
    counts = counted_by(dosages, own, np.ones(16, bool), 2)
    fit = fitted(dosages, own)
    total = 0.0
    for site_counts in counts:
        a, n = site_counts[:, 1] + 2 * site_counts[:, 2], 2 * site_counts[:, :3].sum(axis=1)
        p = (a + 0.5) / (n + 1)
        own_site = stats.betabinom(2, a[0] + 0.5, n[0] - a[0] + 0.5)
        chances = (1 - p[0]) * (1 - p[1]), p[0] * (1 - p[1]) + p[1] * (1 - p[0]), p[0] * p[1]
        total += sum(c * own_site.logpmf(g) for g, c in enumerate(chances))
    assert fit.expected[0, 1] == pytest.approx(total / 120, abs=1e-10)


@pytest.mark.parametrize("fst", [0.0001, 0.02, 0.1])
def test_locals_fit_their_own_site(fst):
    """No more flags than stated: 0.1 a study, so at most 2 in ten studies of 60 animals."""
    flagged = unlike = 0
    for seed in range(10):
        dosages, own, _, _ = drawn(seed, fst=fst)
        everybody, fit = np.ones(own.size, bool), fitted(dosages, own)
        other = fits_another_site(fit, own, everybody, everybody)
        assert other.expected_false_flags == 0.1
        flagged += other.flagged.sum()
        unlike += unlike_any_site(fit, own, everybody)[0].sum()
    assert flagged <= 2
    assert unlike <= 1  # 600 animals x P(normal < -4) = 0.02


def test_movers_fit_another_site_and_crosses_do_not():
    dosages, own, p, rng = drawn(1, fst=0.1)
    for i, parents in enumerate([(1, 1), (2, 2), (1, 1), (0, 1), (0, 1), (0, 2)]):
        dosages[:, i] = sum(rng.random(len(p)) < p[:, s] for s in parents)
    everybody, fit = np.ones(own.size, bool), fitted(dosages, own)
    other = fits_another_site(fit, own, everybody, everybody)
    assert np.flatnonzero(other.flagged).tolist() == [0, 1, 2]
    assert other.best[:3].tolist() == [1, 2, 1]
    assert (other.best[3:] == -1).all()
    assert not unlike_any_site(fit, own, everybody)[0].any()


def test_another_species_is_unlike_any_site():
    dosages, own, p, rng = drawn(1, fst=0.05)
    strange = rng.binomial(2, rng.uniform(0, 1, (len(p), 3))).astype(np.int8)
    dosages, own = np.concatenate([dosages, strange], axis=1), np.concatenate([own, [0, -1, -1]])
    counted = np.arange(own.size) < 60
    fit = fitted(dosages, own, counted)
    flagged, value, limit = unlike_any_site(fit, own, counted)
    assert np.flatnonzero(flagged).tolist() == [60, 61, 62]
    assert (value[flagged] < limit[flagged]).all()


@pytest.mark.parametrize("sizes", [(1, 1), (2, 2, 1), (4, 4), (30,)])
def test_few_animals_or_one_site_flag_nobody(sizes):
    dosages, own, _, _ = drawn(1, sizes)
    everybody, fit = np.ones(own.size, bool), fitted(dosages, own)
    assert not fits_another_site(fit, own, everybody, everybody).flagged.any()
    assert not unlike_any_site(fit, own, everybody)[0].any()


def test_animals_with_too_few_markers_are_not_judged():
    dosages, own, _, _ = drawn(1)
    dosages[50:, 0] = -1
    fit = fitted(dosages, own)
    assert np.isnan(fit.log_likelihood[0]).all()
    everybody = np.ones(own.size, bool)
    assert not fits_another_site(fit, own, everybody, everybody).flagged[0]
    assert not unlike_any_site(fit, own, everybody)[0][0]


def flags_of(fits):
    fits = np.array(fits, dtype=bool)
    return OtherSite(fits.any(axis=1), np.where(fits.any(axis=1), fits.argmax(axis=1), -1), fits, 0.1)


NONE, A, B, C = [0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1]
SITES = np.repeat([0, 1, 2], 4)
SWAPS = {
    "one mover": ([NONE, B, NONE, NONE, *[NONE] * 8], [""] * 12, []),
    "two sites exchanged": ([NONE, B, NONE, NONE, A, *[NONE] * 7], [""] * 12, [1, 4]),
    "the other way round is another site": ([NONE, B, NONE, NONE, C, *[NONE] * 7], [""] * 12, []),
    "three in a row": ([NONE, B, B, B, *[NONE] * 8], [""] * 12, [1, 2, 3]),
    "two in a row": ([NONE, NONE, B, B, *[NONE] * 8], [""] * 12, []),
    "three in a row to different sites": ([NONE, B, C, B, *[NONE] * 8], [""] * 12, []),
    "a whole batch": ([B, NONE, B, B, *[NONE] * 8], ["x", "y", "x", "x", *["x"] * 8], [0, 2, 3]),
    "most of a batch": ([B, NONE, B, NONE, *[NONE] * 8], ["x", "y", "x", "x", *["x"] * 8], []),
}


@pytest.mark.parametrize("case", SWAPS)
def test_labels_are_suspected_where_several_animals_agree(case):
    fits, batch, expected = SWAPS[case]
    swapped = swapped_labels(flags_of(fits), SITES, np.ones(12, bool), np.array(batch))
    assert np.flatnonzero(swapped).tolist() == expected


def test_the_filters_flag_and_move_nobody(tmp_path):
    coast = Coast()
    for i in range(2):
        coast.add(f"to south {i}", "south", "baseline", coast.local(coast.north))
        coast.add(f"to north {i}", "north", "baseline", coast.local(coast.south))
    coast.add("query mover", "north", "query", coast.local(coast.south))
    coast.add("stranger", "farm", "query", coast.rng.binomial(2, coast.rng.random(coast.north.size)))
    table = coast.filtered(tmp_path)
    swapped = [f"to {place} {i}" for place in ("south", "north") for i in range(2)]
    assert (table.loc[swapped, "flags"] == "fits_another_site;label_swap").all()
    assert table.loc[swapped, "best_site"].tolist() == ["north", "north", "south", "south"]
    assert table.loc[swapped, "defines"].all()
    assert (table["status"] == "kept").all()
    assert table.loc["query mover", "flags"] == ""  # a verdict on query animals is the panel's
    assert "unlike_any_site" in table.loc["stranger", "flags"]
    assert table["flags"].str.contains("unlike_any_site").sum() == 1
    rows = {row["step"]: row.get("flagged") for row in coast.animals.summary}
    assert (rows["fits_another_site"], rows["label_swap"], rows["unlike_any_site"]) == (4, 4, 1)
