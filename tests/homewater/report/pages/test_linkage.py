"""What is said of the reach of linkage, for each reading of the window."""

import numpy as np
import pytest
from tests.homewater.report.made_pages import Reader, made, page_of
from tests.homewater.report.made_results import study

UNBOUNDED = dict.fromkeys(("half_distance_ci_low", "half_distance_ci_high", "reach_ci_low", "reach_ci_high"), np.nan)


def words_of(**changes):
    results = study(units=(1,), query=False, moved=False, n_wild=3, n_farm=1)
    tables = results.species[0].tables
    tables["linkage_reach"] = tables["linkage_reach"].assign(**changes)
    return Reader(page_of(results)).words


def test_the_reach_and_what_it_means_for_the_window_are_said():
    words = Reader(made("one unit alone")[1]).words
    assert "4.2 kb apart, exceeds what markers of different chromosomes show by 0.309 (0.305 to 0.314)" in words
    assert "fallen to half of that at 26 (21 to 33) kb. Linkage reaches 81 (60 to 99) kb" in words
    assert "The window of linkage thinning, 1,000 kb, is wide enough." in words


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"reading": "too_narrow", "window": 50.0}, "50 kb, is too narrow"),
        ({"reading": "too_narrow", "window": 50.0}, "A higher markers.thinning_distance_kb widens it"),
        ({"reading": "too_narrow", "reach": np.nan} | UNBOUNDED, "It falls to a tenth at no distance"),
        ({"reading": "not_sure", "unit": "cm", "window": 1.0} | UNBOUNDED, "Linkage reaches 81 centimorgans"),
        (
            {"reading": "not_sure", "unit": "cm", "window": 1.0} | UNBOUNDED,
            "centimorgans, is wide enough is not sure",
        ),
        (
            {"reading": "no_linkage_found", "against": "sampling"},
            "that exceeds what chance gives",
        ),
        ({"reading": "too_few_pairs"}, "or too few animals a site, to measure how far linkage reaches"),
    ],
)
def test_each_reading_has_its_words(changes, said):
    assert said in words_of(**changes)
