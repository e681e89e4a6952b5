"""Nested cross-validation: no optimism on labels that mean nothing, real differences found, nothing seen of a fold."""

import numpy as np
import pytest
from tests.drawn_genotypes import Arrays, all_eligible, drifted, even_map, with_errors
from tests.homewater.panel.test_candidates import differences

from homewater.crosses.flag_rates import FlagRates
from homewater.crosses.likelihood import KnownUnits
from homewater.crosses.odds import counts_by_unit
from homewater.panel.candidates import rank_markers
from homewater.panel.folds import DealtAnimals, deal_folds
from homewater.panel.proof import nested_validation, resubstitution_calls, size_curve
from homewater.panel.settings import PanelRules, PanelSettings
from homewater.running.seeds import draws
from homewater.statistics.allele_counts import AlleleCounts

LEVEL = 0.001
LIMITS = PanelSettings((12, 40), 40, PanelRules(0.9, 0, 0.005), FlagRates(LEVEL, 0.0, 0))


def study(seed, fst, n=60, n_markers=1500):
    rng = np.random.default_rng(seed)
    unit = np.repeat([0, 1], n)
    dosages = with_errors(rng, rng.binomial(2, drifted(rng, n_markers, fst)[:, unit]))
    return Arrays(dosages), unit, np.repeat(np.arange(4), n // 2)


def dealt(store, unit, site, fold):
    """The animals dealt, every marker eligible."""
    return DealtAnimals(store, unit, site, fold, 2, all_eligible(store), even_map(store.n_markers), LIMITS, LEVEL)


def validate(store, unit, site, seed, folds=5):
    draw = draws(seed, "panel_validation", "topshell")
    fold = deal_folds(np.where(unit >= 0, site, -1), np.arange(len(unit)), folds, draw("folds"))
    return nested_validation(dealt(store, unit, site, fold), draw)


def test_no_optimism_where_labels_mean_nothing():
    """Two units drawn from one stock: a panel chosen inside each fold does no better than a coin."""
    nested, optimistic, flagged = [], [], []
    for seed in range(3):
        store, unit, site = study(seed, 0.0)
        tally = validate(store, unit, site, seed)
        nested.append(tally.right[1] / tally.tested[1])
        flagged.append(tally.flagged[1] / tally.tested[1])
        counts = store.genotype_counts(unit, 2)
        best = rank_markers(
            differences(AlleleCounts.of_genotypes(counts).frequency),
            np.ones(1500, bool),
            *store.markers[["chrom", "pos"]].to_numpy().T,
            40,
            0,
        )
        dosages = np.ascontiguousarray(store.select(best).T)
        known = KnownUnits(counts_by_unit(dosages, unit, 2), 0.005)
        optimistic.append((resubstitution_calls(dosages, known, [12, 40])[:, 1] == unit).mean())
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


def test_held_out_animals_take_no_part_in_the_choice():
    """A marker that only the held-out fold could recommend is never chosen when that fold is tested."""
    store, unit, site = study(3, 0.0)
    fold = np.arange(120) % 5
    for held in range(5):
        store.dosages[held] = np.where(
            fold == held, np.where(unit == 0, 0, 2), 1
        )  # tells units apart in that fold alone
    seen = []
    original = store.select
    store.select = lambda markers, mask=None: (seen.append(np.asarray(markers).tolist()), original(markers, mask))[1]
    nested_validation(dealt(store, unit, site, fold), draws(1, "panel_validation", "topshell"))
    chosen = [m for m in seen if len(m) == 40]
    rankings = chosen[1::13]  # each fold asks for its first ranking, its final one and eleven random ones
    assert len(rankings) == 5
    for held, ranking in enumerate(rankings):
        assert held not in ranking


def test_folds_that_leave_a_unit_empty_are_skipped():
    store, unit, site = study(5, 0.1, n=10)
    unit = np.where(np.arange(20) == 0, 0, np.where(np.arange(20) < 10, -1, 1))  # one animal in unit 0
    tally = validate(store, unit, site, 5, folds=3)
    curve = size_curve(tally, np.full(2, np.nan), [12, 40])
    assert (curve["n_tested"] < 11).all()
    assert curve["f1_sensitivity"].isna().all()
