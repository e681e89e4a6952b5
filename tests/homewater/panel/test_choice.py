"""The panel with foreign animals left out, and what is written of its reference animals."""

import numpy as np
import pandas as pd
import pytest
from tests.drawn_genotypes import Arrays, all_eligible, drifted, with_errors

from homewater.crosses.opened_panel import ReferenceAnimals, panel_rows
from homewater.panel.choice import choose, panel_table
from homewater.panel.reference_animals import reference_table
from homewater.panel.settings import PanelRules


@pytest.mark.parametrize("seed", [0, 1])
def test_foreign_animals_leave_the_frequencies(seed):
    rng = np.random.default_rng(seed)
    frequency = drifted(rng, 1500, 0.15)
    stock = np.repeat([0, 1, 1], [60, 60, 8])
    dosages = with_errors(rng, rng.binomial(2, frequency[:, stock]))
    dosages[3] = -1
    unit = np.repeat([0, 1, 0, -1], [60, 60, 6, 2])  # six movers pass as baseline of unit 0, two are no baseline
    store = Arrays(dosages)
    choice = choose(store, unit, 2, all_eligible(store), PanelRules(0.9, 50_000, 0.005), 40, 0.001)
    ranking, foreign, found, prior = choice.ranking, choice.foreign, choice.frequency, choice.prior
    assert foreign[120:126].all()
    assert foreign[:120].sum() <= 1
    assert not foreign[126:].any()
    assert len(ranking) == 50
    assert 3 not in ranking
    assert choice.n_candidates < 1500
    assert prior.drift == pytest.approx([0.15, 0.15], rel=0.4)
    own = dosages[:, (unit == 0) & ~foreign]
    assert found[5, 0] == pytest.approx(own[5][own[5] >= 0].mean() / 2)
    table = panel_table(choice, store.markers, 40)
    assert table["use"].tolist() == ["panel"] * 40 + ["reserve"] * 10
    assert (np.diff(table["backcross_information"]) <= 0).all()
    assert panel_rows(store.markers, table).tolist() == ranking[:40].tolist()
    samples = pd.DataFrame({"materialSampleID": store.sample_ids, "locationID": "x"})
    listed = reference_table(samples, unit, foreign)
    assert (listed["reason"] == "recent_foreign_ancestry").sum() == foreign.sum()
    back = ReferenceAnimals.along(store.sample_ids, listed)
    assert back.unit.tolist() == unit.tolist()
    assert (back.used == ((unit >= 0) & ~foreign)).all()
    assert back.counted_in.tolist() == np.where(foreign, -1, unit).tolist()


def test_query_animals_change_nothing():
    rng = np.random.default_rng(5)
    dosages = with_errors(rng, rng.binomial(2, drifted(rng, 500, 0.1)[:, np.repeat([0, 1], 30)]))
    unit = np.repeat([0, 1], 30)
    store, rules = Arrays(dosages), PanelRules(0.9, 0, 0.005)
    alone = choose(store, unit, 2, all_eligible(store), rules, 20, 0.001)
    more = np.concatenate([dosages, rng.integers(-1, 3, (500, 40)).astype(np.int8)], axis=1)
    more_units = np.concatenate([unit, np.full(40, -1)])
    beside = choose(Arrays(more), more_units, 2, all_eligible(store), rules, 20, 0.001)
    assert alone.ranking.tolist() == beside.ranking.tolist()
    assert np.array_equal(alone.prior.weight, beside.prior.weight)


def test_no_candidate_gives_an_empty_ranking():
    dosages = np.full((20, 8), -1, dtype=np.int8)
    store, rules = Arrays(dosages), PanelRules(0.9, 0, 0.005)
    found = choose(store, np.repeat([0, 1], 4), 2, all_eligible(store), rules, 10, 0.001)
    assert len(found.ranking) == 0
    assert len(panel_table(found, Arrays(dosages).markers, 10)) == 0
