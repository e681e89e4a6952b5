"""Who defines frequencies, families, and the panel with foreign animals left out."""

import numpy as np
import pandas as pd
import pytest
from tests.drawn_genotypes import Arrays, drifted, with_errors

from homewater.panel.choice import choose, panel_rows, panel_table
from homewater.panel.reference_animals import (
    frequency_sites,
    kin_groups,
    reference_arrays,
    reference_table,
    reference_units,
)


def test_sites_that_give_frequencies():
    units = pd.DataFrame(
        {
            "locationID": ["A", "B", "C", "D", "E"],
            "unit": ["unit_1", "unit_1", "unit_2", "unit_2", ""],
            "contact_zone": pd.array([False, True, False, False, False], dtype="boolean"),
            "basis": ["own_animals", "own_animals", "own_animals", "nearest_by_water", "none"],
        }
    )
    assert frequency_sites(units, 2) == ({"A": 0, "C": 1}, [])
    units.loc[2, "contact_zone"] = True  # nothing else is left for unit_2
    assert frequency_sites(units, 2) == ({"A": 0, "C": 1}, [1])
    samples = pd.DataFrame(
        {
            "locationID": ["A", "A", "A", "A", "D", "C"],
            "status": ["kept", "removed", "kept", "kept", "kept", "kept"],
            "role": ["baseline", "baseline", "query", "baseline", "baseline", "baseline"],
            "defines": pd.array([True, True, True, False, True, True], dtype="boolean"),
        }
    )
    assert reference_units(samples, {"A": 0, "C": 1}).tolist() == [0, -1, -1, -1, -1, 1]


def test_families_are_linked_however_long_the_chain():
    samples = pd.DataFrame(
        {"materialSampleID": ["a", "b/ä", "c", "d", "e"], "related_to": ["b/ä", "c", "", "nobody known", None]}
    )
    family = kin_groups(samples)
    assert family[0] == family[1] == family[2]
    assert len({family[0], family[3], family[4]}) == 3


@pytest.mark.parametrize("seed", [0, 1])
def test_foreign_animals_leave_the_frequencies(seed):
    rng = np.random.default_rng(seed)
    frequency = drifted(rng, 1500, 0.15)
    stock = np.repeat([0, 1, 1], [60, 60, 8])
    dosages = with_errors(rng, rng.binomial(2, frequency[:, stock]))
    dosages[3] = -1
    unit = np.repeat([0, 1, 0, -1], [60, 60, 6, 2])  # six movers pass as baseline of unit 0, two are no baseline
    store = Arrays(dosages)
    kept = np.ones(1500, dtype=bool)
    choice = choose(store, unit, 2, kept, 40, 0.9, 50_000, 0.005, 0.001, kept)
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
    back, used = reference_arrays(store.sample_ids, listed)
    assert back.tolist() == unit.tolist()
    assert (used == ((unit >= 0) & ~foreign)).all()


def test_query_animals_change_nothing():
    rng = np.random.default_rng(5)
    dosages = with_errors(rng, rng.binomial(2, drifted(rng, 500, 0.1)[:, np.repeat([0, 1], 30)]))
    unit = np.repeat([0, 1], 30)
    kept = np.ones(500, dtype=bool)
    alone = choose(Arrays(dosages), unit, 2, kept, 20, 0.9, 0, 0.005, 0.001, kept)
    more = np.concatenate([dosages, rng.integers(-1, 3, (500, 40)).astype(np.int8)], axis=1)
    beside = choose(Arrays(more), np.concatenate([unit, np.full(40, -1)]), 2, kept, 20, 0.9, 0, 0.005, 0.001, kept)
    assert alone.ranking.tolist() == beside.ranking.tolist()
    assert np.array_equal(alone.prior.weight, beside.prior.weight)


def test_no_candidate_gives_an_empty_ranking():
    dosages = np.full((20, 8), -1, dtype=np.int8)
    kept = np.ones(20, bool)
    found = choose(Arrays(dosages), np.repeat([0, 1], 4), 2, kept, 10, 0.9, 0, 0.005, 0.001, kept)
    assert len(found.ranking) == 0
    assert len(panel_table(found, Arrays(dosages).markers, 10)) == 0
