"""How small a line would have been drawn, on the page."""

import re

from tests.homewater.report.made_pages import Reader, made, page_of
from tests.homewater.report.made_results import study


def test_each_place_stands_with_its_three_figures():
    words = Reader(made("two units and one")[1]).words
    assert "best sampled 0.010 0.0120 (0.0110 to 0.0130) 0.014" in words
    assert "worst sampled 0.014 0.0160 (0.0150 to 0.0180) 0.021" in words
    assert "contact over four sites" in words
    assert "0.012 or more beyond distance would have been drawn with a chance of 80 % where sampling is best" in words
    assert "Where it is worst, it takes 0.016" in words
    assert "Two stocks that meet over several sites, 0.021 apart or more" in words


def test_nothing_is_shown_where_no_line_can_be_drawn():
    results = study()
    for species in results.species:
        record = species.records["units_summary"]["smallest_detectable_fst"]
        record |= {"value": None, "value_worst": None, "value_contact": None, "places": []}
        record["reason"] = "no_edge_can_be_a_line"
    words = Reader(page_of(results)).words
    assert not re.search("best sampled", words)
    assert "a line needs two sites with enough animals on either side" in words
