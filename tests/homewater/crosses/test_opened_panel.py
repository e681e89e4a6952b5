"""The opened panel: what it holds of the files, when there is none, and the model that it makes."""

import numpy as np
import pandas as pd
import pytest
from tests.drawn_genotypes import Arrays, drifted, even_map, with_errors

from homewater.crosses.drift import drift_by_unit
from homewater.crosses.frequency_prior import flat_prior
from homewater.crosses.opened_panel import ReferenceAnimals, open_panel, open_reference_animals, panel_rows
from homewater.genotypes.genetic_map import GeneticMap
from homewater.running.writer import write_json
from homewater.tables.schema_tables import empty_table, write_table

CHOSEN = [7, 2, 9]  # rows of the store in rank order; the last is the reserve


@pytest.fixture
def store():
    rng = np.random.default_rng(0)
    dosages = with_errors(rng, rng.binomial(2, drifted(rng, 30, 0.2)[:, np.repeat([0, 1], 10)]), missing=0.2)
    return Arrays(dosages, np.repeat(["a", "b", "c", "d"], 5))


@pytest.fixture
def files(store, tmp_path):
    """The files of a panel of two markers and a reserve; animal 3 was left out as foreign, animal 4 never asked for."""
    paths = {name: tmp_path / f"{name}.csv" for name in ("panel", "reference_animals")}
    paths |= {name: tmp_path / f"{name}.json" for name in ("panel_summary", "units_summary", "genotyping_error")}
    chosen = store.markers.iloc[CHOSEN].reset_index(drop=True)
    panel = chosen.assign(rank=[1, 2, 3], use=["panel", "panel", "reserve"], allele_frequency_difference=0.5)
    panel = panel.assign(backcross_information=0.1, frequency_unit_1=0.1, frequency_unit_2=0.6)
    order = [*empty_table("panel").columns, "use", "frequency_unit_1", "frequency_unit_2"]
    write_table(panel[order], paths["panel"])
    rows = np.delete(np.arange(20), 4)[::-1]  # not in the order of the store
    write_table(
        pd.DataFrame({
            "materialSampleID": store.sample_ids[rows], "locationID": store.location_ids[rows],
            "unit": np.where(rows < 10, "unit_1", "unit_2"), "used": rows != 3,
            "reason": np.where(rows == 3, "recent_foreign_ancestry", ""),
        }), paths["reference_animals"])  # fmt: skip
    write_json({"n_wanted": 2, "frequency_prior": flat_prior(2).as_record()}, paths["panel_summary"])
    write_json({"n_units": 2}, paths["units_summary"])
    write_json({"estimate": 0.01}, paths["genotyping_error"])
    return paths


def test_a_panel_is_opened_along_the_store(store, files):
    panel = open_panel(store, **files)
    assert panel.rows.tolist() == CHOSEN[:2]
    assert panel.ranked.tolist() == CHOSEN
    assert panel.names == ["unit_1", "unit_2"]
    assert (panel.n_wanted, panel.error) == (2, 0.01)
    assert panel.reference.unit.tolist() == [0] * 4 + [-1] + [0] * 5 + [1] * 10
    assert panel.reference.counted_in.tolist() == [0] * 3 + [-1, -1] + [0] * 5 + [1] * 10
    assert panel.reference.listed.sum() == 19
    known = panel.known(panel.dosages(panel.rows), panel.reference.counted_in)
    first = store.dosages[7, [0, 1, 2, 5, 6, 7, 8, 9]]
    assert known.counts.alternate[0, 0] == first[first >= 0].sum()
    assert known.counts.copies[0, 0] == 2 * (first >= 0).sum()


def test_there_is_no_panel_without_two_units_or_without_markers(store, files):
    write_json({"n_units": 1}, files["units_summary"])
    assert open_panel(store, **files) is None
    write_json({"n_units": 2}, files["units_summary"])
    write_table(empty_table("panel"), files["panel"])
    assert open_panel(store, **files) is None


def test_the_model_counts_those_used_and_takes_gaps_of_all_that_are_typed_well_enough(store, files):
    panel = open_panel(store, **files)
    store.dosages[7, 3], store.dosages[7, 0], store.dosages[2, 0] = -1, -1, -1
    model = panel.model(GeneticMap(50.0), 0.5)
    dosages, counted = store.dosages[CHOSEN[:2]].T, panel.reference.counted_in
    listed = np.delete(np.arange(20), 4)
    gaps = (dosages < 0)[listed]
    assert model.missing.tolist() == gaps[gaps.sum(axis=1) < 2].tolist()  # half of two markers is enough
    site = np.repeat(np.arange(4), 5)
    assert model.drift == pytest.approx(drift_by_unit(dosages, site, counted, 2))
    assert np.array_equal(model.recombination.position_cm, even_map(30).position_cm[CHOSEN[:2]])


def test_nobody_is_a_reference_animal_where_the_table_is_empty(store, tmp_path):
    write_table(empty_table("reference_animals"), tmp_path / "reference_animals.csv")
    nobody = open_reference_animals(store, tmp_path / "reference_animals.csv")
    assert isinstance(nobody, ReferenceAnimals)
    assert not nobody.listed.any()


def test_rows_of_a_panel_leave_reserves_out(store):
    table = pd.DataFrame({"marker": store.markers["marker"].iloc[CHOSEN], "use": ["panel", "panel", "reserve"]})
    assert panel_rows(store.markers, table).tolist() == CHOSEN[:2]
