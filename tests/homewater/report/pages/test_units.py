"""Page on stocks and lines, with what page one says of them."""

from tests.homewater.report.made_pages import Reader, made


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
