"""Nested cross-validation: dealing, no optimism on labels that mean nothing, the recount by subtraction, crosses."""

from functools import partial

import numpy as np
import pytest
from tests.drawn_genotypes import Arrays, drifted, even_map, with_errors
from tests.homewater.panel.test_candidates import differences

from homewater.panel.candidates import candidates, frequencies, rank_markers
from homewater.panel.folds import DealtAnimals, Settings, deal_folds
from homewater.panel.proof import nested_validation, resubstitution_calls, size_curve
from homewater.panel.size import haplotypes
from homewater.running.seeds import generator

LIMITS = Settings((12, 40), 40, 0.9, 0, 0.005, 0.001, 0.001)


def study(seed, fst, n=60, n_markers=1500):
    rng = np.random.default_rng(seed)
    unit = np.repeat([0, 1], n)
    dosages = with_errors(rng, rng.binomial(2, drifted(rng, n_markers, fst)[:, unit]))
    return Arrays(dosages), unit, np.repeat(np.arange(4), n // 2)


def validate(store, unit, site, seed, folds=5):
    draw = partial(generator, seed, "panel_validation", "topshell")
    fold = deal_folds(np.where(unit >= 0, site, -1), np.arange(len(unit)), folds, draw("folds"))
    kept = np.ones(store.n_markers, dtype=bool)
    return nested_validation(
        DealtAnimals(store, unit, site, fold, 2, kept, kept, even_map(store.n_markers), LIMITS), draw
    )


def test_parts_spread_sites_and_keep_families_whole():
    rng = np.random.default_rng(0)
    site = np.repeat([0, 1, 2, -1], [23, 10, 1, 5])
    kin = np.arange(39)
    kin[[2, 5, 9]] = 2
    kin[[11, 25]] = 11  # a family over two sites
    fold = deal_folds(site, kin, 5, rng)
    assert (fold[34:] == -1).all()
    assert (fold[:34] >= 0).all()
    assert len(set(fold[[2, 5, 9]].tolist())) == 1
    assert fold[11] == fold[25]
    for s in (0, 1):
        sizes = np.bincount(fold[site == s], minlength=5)
        assert sizes.max() - sizes.min() <= 3
    plain = deal_folds(np.repeat([0, 1], 20), np.arange(40), 5, rng)
    assert [np.bincount(plain[:20]).tolist(), np.bincount(plain[20:]).tolist()] == [[4] * 5, [4] * 5]


def test_no_optimism_where_labels_mean_nothing():
    """Two units drawn from one stock: a panel chosen inside each part does no better than a coin."""
    nested, optimistic, flagged = [], [], []
    for seed in range(3):
        store, unit, site = study(seed, 0.0)
        tally = validate(store, unit, site, seed)
        nested.append(tally.right[1] / tally.tested[1])
        flagged.append(tally.flagged[1] / tally.tested[1])
        counts = store.genotype_counts(unit, 2)
        best = rank_markers(
            differences(frequencies(counts)), np.ones(1500, bool), *store.markers[["chrom", "pos"]].to_numpy().T, 40, 0
        )
        dosages = np.ascontiguousarray(store.select(best).T)
        optimistic.append((resubstitution_calls(dosages, unit, 2, [12, 40], 0.005)[:, 1] == unit).mean())
    assert np.mean(nested) == pytest.approx(0.5, abs=0.1)  # 360 animals: 0.026 a standard error, and folds are tied
    assert np.mean(optimistic) > 0.85
    assert np.mean(flagged) < 0.02


def test_real_differences_are_found_in_animals_never_seen():
    store, unit, site = study(1, 0.15)
    tally = validate(store, unit, site, 1)
    curve = size_curve(tally, np.array([0.99, 1.0]), [12, 40])
    assert curve["nested_accuracy"].iloc[1] > 0.97
    assert (curve["nested_accuracy"] >= curve["random_panel_accuracy"]).all()
    assert curve["f1_sensitivity"].iloc[1] > 0.9
    assert 0.3 < curve["backcross_sensitivity"].iloc[1] < curve["f1_sensitivity"].iloc[1]
    assert (curve["n_tested"] == 120).all()
    assert tally.confusion.sum() == 120
    assert sum(n for _, n in tally.by_site.values()) == 120
    assert ((curve["ci_low"] <= curve["nested_accuracy"]) & (curve["nested_accuracy"] <= curve["ci_high"])).all()
    again = validate(store, unit, site, 1)
    assert again.found["backcross_a"].tolist() == tally.found["backcross_a"].tolist()


def test_choice_by_subtracting_a_part_equals_recounting_without_it():
    store, unit, _ = study(2, 0.05)
    fold = np.arange(120) % 5
    by_fold = store.genotype_counts(fold * 2 + unit, 10).reshape(-1, 5, 2, 4)
    total = by_fold.sum(axis=1)
    for part in range(5):
        recounted = store.genotype_counts(np.where(fold == part, -1, unit), 2)
        assert np.array_equal(total - by_fold[:, part], recounted)
        chrom, pos = store.markers["chrom"].to_numpy(), store.markers["pos"].to_numpy()
        for counts in (total - by_fold[:, part], recounted):
            usable = candidates(counts, np.ones(1500, bool), 0.95)
            chosen = rank_markers(differences(frequencies(counts)), usable, chrom, pos, 30, 100_000)
            first = chosen if counts is not recounted else first  # noqa: F821
        assert chosen.tolist() == first.tolist()


def test_held_out_animals_take_no_part_in_the_choice():
    """A marker that only the held-out part could recommend is never chosen when that part is tested."""
    store, unit, site = study(3, 0.0)
    fold = np.arange(120) % 5
    for part in range(5):
        store.dosages[part] = np.where(
            fold == part, np.where(unit == 0, 0, 2), 1
        )  # tells units apart in that part alone
    seen = []
    original = store.select
    store.select = lambda markers, mask=None: (seen.append(np.asarray(markers).tolist()), original(markers, mask))[1]
    draw = partial(generator, 1, "panel_validation", "topshell")
    kept = np.ones(1500, bool)
    nested_validation(DealtAnimals(store, unit, site, fold, 2, kept, kept, even_map(1500), LIMITS), draw)
    chosen = [m for m in seen if len(m) == 40]
    rankings = chosen[1::13]  # each part asks for its first ranking, its final one and eleven random ones
    assert len(rankings) == 5
    for part, ranking in enumerate(rankings):
        assert part not in ranking


def test_founders_carry_the_alleles_of_their_animal():
    rng = np.random.default_rng(4)
    dosages = rng.integers(0, 3, (6, 30)).astype(np.int8)
    founders = haplotypes(dosages, rng)
    assert (founders[:, :6] + founders[:, 6:] == dosages.T).all()
    dosages[2, 4] = -1
    dosages[:, 7] = -1
    founders = haplotypes(dosages, rng)
    assert set(np.unique(founders)) <= {0, 1}
    assert (founders[7] == 0).all()


def test_parts_that_leave_a_unit_empty_are_skipped():
    store, unit, site = study(5, 0.1, n=10)
    unit = np.where(np.arange(20) == 0, 0, np.where(np.arange(20) < 10, -1, 1))  # one animal in unit 0
    tally = validate(store, unit, site, 5, folds=3)
    curve = size_curve(tally, np.full(2, np.nan), [12, 40])
    assert (curve["n_tested"] < 11).all()
    assert curve["f1_sensitivity"].isna().all()
