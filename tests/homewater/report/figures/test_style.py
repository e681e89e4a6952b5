"""The look of figures: colours that part without colour."""

from homewater.report.figures.style import UNIT_COLOURS


def grey_of(colour: str) -> float:
    """Return the lightness of a colour in grey (0 black, 1 white; ITU-R BT.601 weights)."""
    red, green, blue = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    return 0.299 * red + 0.587 * green + 0.114 * blue


def test_unit_colours_part_in_grey():
    greys = [grey_of(colour) for colour in UNIT_COLOURS[:4]]
    assert min(abs(a - b) for i, a in enumerate(greys) for b in greys[:i]) > 0.15
