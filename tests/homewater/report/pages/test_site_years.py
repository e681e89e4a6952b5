"""Years of one site: those that differ are named, and what was not found has its limit."""

from dataclasses import replace

from tests.homewater.report.made_pages import Reader, made, page_of


def test_a_site_whose_years_differ_is_named_with_what_pooling_means():
    results, page = made("two units and one")
    words = Reader(page).words
    name = results.species[0].tables["site_years"]["locationID"][0]
    assert f"({name}) years differ more than chance explains" in words
    assert "Years are pooled there all the same" in words
    assert "Without the one animal that is flagged as from elsewhere no change is shown" in words
    assert "0.012 (0.010 to 0.014)" in words
    assert "for want of 5 animals" in words


def test_no_change_comes_with_what_could_have_been_seen():
    words = Reader(made("one unit alone")[1]).words
    assert "one pair of years at 1 site. No pair differs beyond chance" in words
    assert "A change in F ST of 0.0048 would have been seen" in words
    assert "> 210" in words


def test_sites_of_one_year_each_are_said_to_be_so():
    results, page = made("four units, no query, odd ids")
    assert "were taken in one year, so change between years cannot be looked for" in Reader(page).words
    dates = ["2019" if i % 2 else "2021" for i in range(len(results.samples))]
    later = replace(results, samples=results.samples.assign(eventDate=dates))
    assert "hold change with time as well as place, and this study cannot tell" in Reader(page_of(later)).words
