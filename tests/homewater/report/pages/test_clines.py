"""Page on clines: said and drawn, a step as a step, and why there is none."""

from tests.homewater.report.made_pages import Reader, made


def test_clines_are_said_and_drawn_a_step_as_a_step_and_none_with_its_reason():
    words = Reader(made("two units and one")[1]).words
    assert "From unit 1 to unit 2 the share of unit 2 rises along a cline that is 52 (31 to 88) km wide." in words
    assert "Its centre lies between Noup Bay (V06) and Skarn Ness (V07), 220 (213 to 229) km by water from" in words
    four = Reader(made("four units, no query, odd ids")[1])
    assert "From unit 2 to unit 3 ancestry changes in one step between" in four.words
    assert "A cline there would be at most 88 km wide." in four.words
    assert "No cline was fitted between unit 3 and unit 4: their sites do not follow one another" in four.words
    assert sum(alt.startswith("Share of unit") for alt in four.alts) == 2
    assert "The sites lie farther from the curve than chance explains" in four.words
    assert "farther from the curve" not in words
    assert words.count("stands for its stock") == four.words.count("stands for its stock") == 1
    assert "cline" not in Reader(made("one unit alone")[1]).words
