"""Page on stocks and lines, with what page one says of them."""

import pandas as pd
from tests.homewater.report.made_pages import Reader, made, page_of
from tests.homewater.report.made_results import study


def test_units_lines_panel_and_rates_are_said():
    words = Reader(made("two units and one")[1]).words
    assert "Two stocks" in words
    assert "A line runs between Noup Bay (V06) and Skarn Ness (V07)." in words
    assert "0.045 (0.041 to 0.049)" in words
    assert "differ in F ST by 0.001 (0.000 to 0.003) more" in words
    assert "Among the 11 ways" in words
    assert "four add more (rank 5). This rank describes; it is not a p value. The interval holds 0" in words
    assert "99.5 (98.7 to 99.8) %" in words
    assert "16,920 animals moved" in words
    assert "No panel: one unit." in words
    assert "0.012 or more beyond distance would have been drawn with a chance of 80 %" in words
    assert "Holm Bay (F03) has no local stock" in words
    assert "closed to fishing" not in words.split("Kelp urchin Strongylus")[0]


def test_figures_of_an_edge_inside_a_contact_are_not_printed():
    """There the change is the mixing itself; set against the steps nearby it would read as nothing beyond doubt."""
    figures = {"fst_beyond_distance": -0.0031, "ci_low": -0.0072, "ci_high": -0.0011, "p_value": 0.0004}
    for reading, shown in (("below_least_fst", True), ("contact_zone", False)):
        results = study(units=(2,))
        tables = results.species[0].tables
        edge = tables["breaks"].iloc[:1].assign(**figures, **{"break": "break_9"}, reading=reading, grade="weak")
        tables["breaks"] = pd.concat([tables["breaks"], edge], ignore_index=True)
        words = Reader(page_of(results)).words
        assert ("−0.003 (−0.007 to −0.001)" in words) == shown
    assert "inside a place where stocks meet" in words
