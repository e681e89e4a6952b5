"""Page on the verdicts: flagged animals, groups beyond clines, dates of mixing, animals without a local stock."""

import numpy as np
from tests.homewater.report.made_pages import Reader, made, page_of
from tests.homewater.report.made_results import study


def test_flagged_animals_are_counted_beside_those_expected_by_chance():
    results, page = made("two units and one")
    rates = results.species[0].tables["site_rates"]
    rates = rates[~rates["locationID"].isin(results.species[0].contact_sites)]
    assert len(rates) > 3
    flagged = int((rates["n_non_local"] + rates["n_mixed"]).sum())
    assert f"{flagged} are flagged as from elsewhere or mixed; {0.02 * len(rates):.2f} such" in Reader(page).words


def test_groups_beyond_their_cline_stand_in_a_table_and_the_others_are_counted():
    results = study((2,))
    text = Reader(page_of(results)).words
    groups = len(results.species[0].tables["natural_contact"])
    assert f"Of {groups} groups of animals 1 holds more than the cline explains" in text
    assert "below 0.1 %" in text
    table = results.species[0].tables["natural_contact"]
    results.species[0].tables["natural_contact"] = table[table["reading"] == "as_the_cline"]
    text = Reader(page_of(results)).words
    assert f"None of {groups - 1} groups of animals holds more than the cline explains" in text


def test_dates_of_mixing_stand_in_a_table_or_the_page_says_why_not():
    results = study((2,))
    text = Reader(page_of(results)).words
    assert "61 (44 to 80)" in text
    assert "3.0 (1.0 to ∞)" in text
    assert "Up to 10 generations count as recent here" in text
    table = results.species[0].tables["mixing_dates"]
    results.species[0].tables["mixing_dates"] = table.iloc[:0]
    assert "that needs a recombination map" in Reader(page_of(results)).words
    results.species[0].settings["recombination"]["map"] = "map.csv"
    text = Reader(page_of(results)).words
    assert "no animal is clearly mixed" in text
    assert "that needs a recombination map" not in text


def test_no_animal_is_called_local_where_there_is_no_local_stock():
    """Every animal at the site without a unit is flagged pure_a, which there means the stock that fits best."""
    results = study(units=(2,), n_wild=4, n_farm=1)
    tables = results.species[0].tables
    empty = tables["calls"]["local_unit"] == ""
    assert empty.sum() >= 5
    calls = tables["calls"].assign(outcome=np.where(empty, "non_local", "local"))
    tables["calls"] = calls
    tables["origin_classes"] = tables["origin_classes"].assign(verdict_class="pure_a")
    words = Reader(page_of(results)).words
    assert f"from the best-fitting stock 0 {empty.sum()}" in words
    assert "Animals from elsewhere or mixed at sites with a local stock" not in words
