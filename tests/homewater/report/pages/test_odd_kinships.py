"""Sites of odd kinship."""

from tests.homewater.report.made_pages import Reader, made


def test_odd_kinships_come_with_all_readings_and_what_would_tell():
    words = Reader(made("two units and one")[1]).words
    assert "one is closer kin to a site far away than to both of its neighbours" in words
    assert "0.017 (0.014 to 0.021)" in words
    for reading in ("Old history:", "Transfers:", "Sampling:", "before the first recorded move of 1 May 2021"):
        assert reading in words
    alone = Reader(made("one unit alone")[1]).words
    assert "none is closer kin to a site far away" in alone
    assert "of 0.0031 would have been seen with a chance of 80 %" in alone
