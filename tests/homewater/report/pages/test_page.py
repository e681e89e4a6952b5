"""The whole page, whatever the results: well formed, complete, escaped, and silent where nothing is known."""

import itertools
import re

import numpy as np
import pandas as pd
import pytest
from tests.homewater.report.made_pages import VARIANTS, Reader, made, page_of
from tests.homewater.report.made_results import sea_table, site_table, study


@pytest.fixture(params=VARIANTS)
def case(request):
    return made(request.param)


def test_the_page_is_well_formed_and_stands_alone(case):
    reader = Reader(case[1])
    assert not reader.open
    assert all(a.startswith(("data:image/svg+xml;base64,", "#")) for a in reader.addresses)
    assert "url(" not in case[1].replace("url(#", "")
    assert len(set(reader.ids)) == len(reader.ids)
    assert {a[1:] for a in reader.addresses if a.startswith("#")} <= set(reader.ids)


def test_headings_do_not_skip_and_figures_have_texts(case):
    reader = Reader(case[1])
    assert reader.headings[0] == 1
    assert reader.headings.count(1) == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(reader.headings))
    assert reader.alts
    assert all(len(alt) > 20 for alt in reader.alts)


def test_nothing_missing_is_printed_as_the_program_writes_it(case):
    words = Reader(case[1]).words
    assert not re.findall(r"\b(nan|NaN|None|NaT|inf|NA)\b|<NA>|unit_\d", words.replace(" {x}", ""))


def test_every_site_and_species_stands_in_the_report(case):
    results, page = case
    words = Reader(page).words
    for site in results.sites["locationID"]:
        assert site in words
    for species in results.species:
        assert species.settings["name"] in words
        assert species.settings["scientific_name"] in words


def test_odd_ids_are_escaped_everywhere():
    page = made("four units, no query, odd ids")[1]
    assert "<ж>" not in page
    assert "<b>{x}" not in page
    assert "&lt;ж&gt;" in page
    reader = Reader(page)
    assert "ж" not in reader.tags
    assert any("<ж>&" in alt for alt in reader.alts)


def test_only_invented_studies_say_so():
    results = study(units=(1,), query=False, n_wild=3, n_farm=0)
    assert "The data in this report are invented." in page_of(results)
    results.settings["study"]["invented"] = False
    assert "invented." not in Reader(page_of(results)).words


def test_the_report_holds_no_path_of_the_machine(case):
    assert not re.findall(r"/(?:home|tmp|root|work|usr|opt)/", case[1])


def test_empty_tables_make_a_report_that_says_so():
    """Nothing but headers in every table of the species: no animal kept, no unit, no rates."""
    results = study(units=(1,), query=False, moved=False, n_wild=3, n_farm=1)
    species = results.species[0]
    for name, table in species.tables.items():
        if name not in ("units", "site_roles"):
            species.tables[name] = table.iloc[:0]
    species.tables["units"] = species.tables["units"].assign(unit="", basis="none", contact_zone=False)
    values = {name: None for name in species.records["units_summary"]["values"]} | {"n_units": 0, "n_sites_tested": 0}
    species.records["units_summary"].update(n_units=0, statement_id="too_few_animals", values=values)
    species.records["units_summary"]["smallest_detectable_fst"]["value"] = None
    words = Reader(page_of(results)).words
    assert "None can be described." in words
    assert "No site has animals enough to describe a stock." in words
    assert "cannot be stated" in words
    assert "No panel. No stock could be described" in words
    assert "Sample more animals" in words
    assert "No place along the coast could be tested" in words
    assert "one stock." not in words.split("Methods")[0]
    assert "0 animals passed" in words
    assert "too few sites, or too few far ones" in words


def test_unknown_numbers_are_printed_as_dashes():
    """Every number of every table missing, as after a study with one chromosome or too few animals."""
    results = study(units=(2,), query=False, moved=True, n_wild=4, n_farm=1)
    for name, table in results.species[0].tables.items():
        keep = ("rank", "axis", "k", "n", "n_markers", "before", "removed", "after", "n_sites", "transfers")
        unknown = {c: np.nan for c in table.select_dtypes("number").columns if c not in keep}
        results.species[0].tables[name] = table.assign(**unknown)
    words = Reader(page_of(results)).words
    assert not re.findall(r"\b(nan|NaN|inf|NA)\b|<NA>", words)
    assert " – " in words


def test_invented_tables_are_not_in_coastal_order():
    """The tests above would not notice a report that keeps the list's order if the list were in coastal order."""
    sites = site_table()
    assert list(sites["locationID"]) != sorted(sites["locationID"])
    assert isinstance(sea_table(sites), pd.DataFrame)
