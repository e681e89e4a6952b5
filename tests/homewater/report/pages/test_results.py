"""What the report is made from: every listed file and no other, sites in coastal order."""

import pytest
from tests.homewater.report.made_pages import made

from homewater.report.pages.results import SpeciesResults
from homewater.tables.report_tables import REPORT_FILES


def test_results_take_every_listed_file_and_no_other():
    species = made("two units and one")[0].species[0]
    contents = species.tables | species.records
    again = SpeciesResults.of_files(species.settings, contents)
    assert list(again.tables) == list(species.tables)
    assert set(again.records) == {name for name, path in REPORT_FILES.items() if path.endswith(".json")}
    with pytest.raises(ValueError, match="breaks"):
        SpeciesResults.of_files(species.settings, {name: x for name, x in contents.items() if name != "breaks"})
    with pytest.raises(ValueError, match="other"):
        SpeciesResults.of_files(species.settings, contents | {"other": {}})


def test_sites_come_in_coastal_order_whatever_the_order_of_the_list():
    study = made("two units and one")[0]
    latitude = study.sites.set_index("locationID")["decimalLatitude"]
    assert list(study.sites["locationID"]) != study.coast
    assert study.coast in (list(latitude.sort_values().index), list(latitude.sort_values(ascending=False).index))
    assert study.in_coast_order(set(study.coast[2:5])) == study.coast[2:5]


def test_units_are_counted_and_named():
    first, second = made("two units and one")[0].species
    assert first.unit_names == ["unit_1", "unit_2"]
    assert second.n_units == 1
    assert set(first.unit_of.values()) == {"unit_1", "unit_2", ""}
