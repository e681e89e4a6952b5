"""A study with a site that stands apart, a broad contact and a block of the genome, from genotypes to the report."""

import json
import shutil

import pytest
from scipy import stats
from tests.coast_of_many_kinds import (
    ANIMALS,
    BLOCK,
    CONTACT,
    CROSSED,
    ISOLATE,
    LOCAL,
    MOVED,
    N_SITES,
    WILD,
    write_coast_of_many_kinds,
)
from tests.pipeline.whole_runs import copy_of_clone, run

from homewater.tables.schema_tables import read_table

pytestmark = pytest.mark.full


@pytest.fixture(scope="module")
def results(tmp_path_factory):
    folder = tmp_path_factory.mktemp("many_kinds")
    study = write_coast_of_many_kinds(folder / "study")
    clone = copy_of_clone(folder / "clone")
    done = run(clone, study)
    assert done.returncode == 0, done.stderr[-3000:]
    yield clone / "results" / "many_kinds" / "topshell"
    shutil.rmtree(clone)


def test_there_are_two_stocks_and_a_site_that_stands_apart(results):
    units = read_table(results / "units/units.csv").set_index("locationID")
    pure = [WILD[i] for i in range(N_SITES) if i not in CONTACT]
    south, north, apart = units.loc[pure[0], "unit"], units.loc[pure[-1], "unit"], units.loc[WILD[ISOLATE], "unit"]
    assert len({south, north, apart}) == 3
    for site in pure:
        planted = apart if site == WILD[ISOLATE] else south if site < WILD[CONTACT[0]] else north
        assert units.loc[site, "unit"] == planted, site
    drift = read_table(results / "structure/site_drift.csv").set_index("locationID")
    assert drift.index[drift["reading"] == "stands_apart"].tolist() == [WILD[ISOLATE]]


def test_the_contact_is_told_as_one_with_its_sites(results):
    units = read_table(results / "units/units.csv").set_index("locationID")
    assert set(units.index[units["contact_zone"]]) == {WILD[i] for i in CONTACT}
    summary = json.loads((results / "units/summary.json").read_text())
    assert summary["statement_id"] == "broad_contact"


def test_the_block_is_found_in_its_place_and_is_no_stock(results):
    blocks = read_table(results / "structure/genome_blocks.csv")
    (block,) = blocks.to_dict("records")
    chrom, start, end = BLOCK
    assert block["chrom"] == chrom
    assert block["reading"] == "arrangement"
    shared = min(block["end"], end) - max(block["start"], start)
    assert shared >= 0.7 * (end - start)
    assert shared >= 0.7 * (block["end"] - block["start"])


def test_movers_are_told_by_a_panel_with_few_markers_of_the_block(results):
    panel = read_table(results / "panel/panel.csv")
    chrom, start, end = BLOCK
    assert ((panel["chrom"] == chrom) & panel["pos"].between(start, end)).sum() <= 2
    calls = read_table(results / "assignment/calls.csv").set_index("materialSampleID")
    at_home = calls[(calls["role"] == "query") & (calls["locationID"] == WILD[15])]["outcome"].tolist()
    local, moved, crossed = at_home[:LOCAL], at_home[LOCAL : LOCAL + MOVED], at_home[LOCAL + MOVED :]
    assert local.count("local") >= LOCAL - 1
    assert moved == ["non_local"] * MOVED
    # of first crosses as many as the results promise, but for chance (binomial, 1 %)
    power = read_table(results / "assignment/class_power.csv").query("true_class == 'F1'")
    mixed = power[~power["called_class"].isin(["local", "non_local", "unresolved", "unsampled_origin"])]
    promised = mixed.groupby(["unit_a", "unit_b"])["rate"].sum()["unit_3", "unit_1"]
    assert promised > 0.8
    assert len(crossed) == CROSSED
    assert crossed.count("mixed") >= stats.binom.ppf(0.01, CROSSED, promised)
    assert len(calls) >= N_SITES * ANIMALS


def test_the_cline_runs_past_the_site_that_stands_apart(results):
    (cline,) = read_table(results / "structure/clines.csv").to_dict("records")
    assert cline["status"] == "fitted"
    assert cline["centre_between_a"] in {WILD[i] for i in CONTACT}
    sites = read_table(results / "structure/cline_sites.csv")["locationID"].tolist()
    assert sites == [site for site in WILD if site != WILD[ISOLATE]]
    natural = read_table(results / "assignment/natural_contact.csv").set_index(["locationID", "role"])
    assert natural.loc[(WILD[15], "query"), "reading"] == "more_than_the_cline"


def test_the_report_names_the_site_and_the_block(results):
    page = (results.parents[2] / "reports" / "many_kinds.html").read_text()
    assert "Unit 2 has one site, Skarn Bay 3 (S03)." in page
    assert "No line runs beside Skarn Bay 3 (S03), which stands apart by itself." in page
    assert "One block of the genome tells another story than the rest." in page
