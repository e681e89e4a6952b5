"""Page on the panel."""

from tests.homewater.report.made_pages import Reader, page_of
from tests.homewater.report.made_results import study


def test_the_panel_is_said_as_an_order_with_its_controls_and_catches():
    results = study((2,))
    text = Reader(page_of(results)).words
    assert "Only 80 markers could be had, of 84 wanted" in text
    assert "has another known variant within 20 bases" in text
    assert "because the study names no reference genome" in text
    assert "is 2.0 (1.0 to 3.0) % of animals" in text  # the optimism: 0.02, 0.01 to 0.03
    assert "more than chance makes" in text  # an error of 0.012 beyond 0.011
    assert "in 2022" in text  # two years at the first site with query animals
    assert text.count("(where stocks meet)") == 2
    tables = results.species[0].tables
    tables["panel"] = tables["panel"].iloc[:0]
    results.species[0].records["panel_order"]["n_markers"] = 0
    text = Reader(page_of(results)).words
    assert "Only 0 markers could be had, of 84 wanted" in text
