"""Page on the evidence: numbers of groups, overall F_ST, axes, groups within stocks."""

import pytest
from tests.homewater.report.made_pages import Reader, made, page_of
from tests.homewater.report.made_results import study


def test_the_report_says_why_a_supported_number_of_groups_is_not_shown():
    """Four units stand for five supported groups of which four are found again (made_results)."""
    words = Reader(made("four units, no query, odd ids")[1]).words
    assert "predicted best by five groups. Shares in so many groups are not reported: of 9 starts" in words
    assert "next smaller number that is found again, four groups. Of 3 starts of the fit 2 agree" in words
    assert "are not reported" not in Reader(made("two units and one")[1]).words


def test_overall_fst_axes_and_groups_within_stocks_are_said_with_their_cautions():
    words = Reader(made("two units and one")[1]).words
    assert "sites is 0.0312 (0.0301 to 0.0323) at equal sample sizes (9 animals a site" in words
    assert "and 0.029 (0.027 to 0.030) with all animals as sampled" in words
    assert "one group is supported (70 animals)" in words
    assert "no number of groups, however well supported, divides a stock" in words
    assert "One axis of difference among animals is beyond what chance gives" in words
    assert "no upper end" in words
    alone = Reader(made("one unit alone")[1]).words
    assert "inside each stock" not in alone
    assert "Overall F ST of" in alone


@pytest.mark.parametrize(
    ("reading", "said"),
    [
        ("isolation_by_distance", "Over all sites genetic difference rises with distance by water beyond what drift"),
        ("one_site_alone", "rises with distance by water ( p 0.001), but not without"),
        ("not_detected", "by more than 0.0021 in 100 km is excluded"),
        ("too_few_sites", "fewer than six sites cannot tell distance from drift of each site's own"),
    ],
)
def test_isolation_by_distance_is_said_by_its_reading_and_never_by_the_plain_p(reading, said):
    results = study(units=(1,), query=False, moved=False, n_wild=3, n_farm=1)
    tables = results.species[0].tables
    tables["isolation_by_distance"] = tables["isolation_by_distance"].assign(reading=reading)
    words = Reader(page_of(results)).words
    assert said in words
    assert ("one site alone is no isolation" in words) == (reading == "one_site_alone")
