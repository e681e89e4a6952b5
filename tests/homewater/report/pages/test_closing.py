"""The closing pages: every setting on a line of its own."""

from homewater.report.pages.closing import flat_settings


def test_settings_are_listed_flat():
    settings = {"a": {"b": 0.5, "c": [1, 2]}, "d": [{"e": "x"}, {"e": "y"}], "f": True}
    expected = [("a.b", "0.5"), ("a.c", "[1, 2]"), ("d[1].e", "x"), ("d[2].e", "y"), ("f", "true")]
    assert flat_settings(settings) == expected
