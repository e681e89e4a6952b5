"""Markers that look chosen in one stock are said to, with what that does to comparisons."""

from tests.homewater.report.made_pages import Reader, made


def test_a_choice_is_said_with_its_figures_and_what_it_means():
    words = Reader(made("two units and one")[1]).words
    assert "The markers look as if they had been chosen in unit 1" in words
    assert "0.48 (0.44 to 0.52)" in words
    assert "heterozygosity and richness are too high in unit 1 beside the others" in words
    assert "is not on one scale with F ST among the others" in words
    assert "as if chosen elsewhere" in words
    assert "wrongly where the whole species went through a bottleneck" in words


def test_missing_rare_alleles_in_a_stock_alone_are_no_choice():
    words = Reader(made("one unit alone")[1]).words
    assert "In unit 1 rare alleles are missing" in words
    assert "With one stock it cannot be told" in words


def test_where_nothing_suggests_a_choice_the_page_says_so():
    words = Reader(made("four units, no query, odd ids")[1]).words
    assert "nothing here suggests that the markers were chosen. Rare alleles at 0.81 of what it holds" in words
    assert "is not on one scale" not in words
