"""How firm lines and sites apart are, on the page."""

from tests.homewater.report.made_pages import Reader, made


def test_each_line_and_site_apart_stands_with_its_parts_and_its_reading():
    words = Reader(made("two units and one")[1]).words
    assert "How firm lines and sites apart are" in words
    assert "Noup Bay (V06) and Skarn Ness (V07) 100 % 95 % – found by both firm" in words
    assert "(stands apart) 100 % 95 % – half as strict only fair" in words
    assert "Markers lie on too few chromosomes for halves of them." in words


def test_nothing_is_said_where_no_line_was_found():
    assert "How firm lines" not in Reader(made("one unit alone")[1]).words
