"""Numbers as the report prints them; rounding happens here and nowhere else."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

MAX_DECIMALS = 6


def is_missing(value: object) -> bool:
    """Return whether a table cell holds no value (None, NaN or the missing value of pandas)."""
    return value is None or str(value) in ("", "nan", "<NA>", "None")


def significant_decimals(value: float, digits: int) -> int:
    """Return the decimals that show `digits` significant figures, from 0 (whole numbers stay whole) to MAX_DECIMALS."""
    if value == 0 or not math.isfinite(value):
        return 0
    decimals = digits - 1 - math.floor(math.log10(abs(value)))
    # 0.0996 with two figures is 0.10, not 0.100: the rounded number may have one figure more before the point.
    if decimals > 0 and math.floor(math.log10(abs(round(value, decimals)) or 1)) > math.floor(math.log10(abs(value))):
        decimals -= 1
    return min(max(decimals, 0), MAX_DECIMALS)


def interval_decimals(low: float, high: float) -> int | None:
    """Return the decimals that an interval supports, or None where its width is zero or unbounded.

    One significant figure of the width, and a second where the first is 1 or 2, so that rounding moves an end by at
    most a sixth of the width: 0.0123 (0.0101 to 0.0144) becomes 0.012 (0.010 to 0.014).
    """
    width = abs(high - low)
    if width == 0 or not math.isfinite(width):
        return None
    exponent = math.floor(math.log10(width))
    leading = width / 10**exponent
    return min(max(-exponent + (1 if leading < 3 else 0), 0), MAX_DECIMALS)


@dataclass(frozen=True)
class Numbers:
    """Writes numbers in one language.

    Attributes:
        word: gives the text of a ``format.`` entry of the catalogue, e.g. its decimal mark.
    """

    word: Callable[..., str]

    def fixed(self, value: object, decimals: int) -> str:
        """Return the number with so many decimals, thousands set apart, minus as a minus sign."""
        if is_missing(value):
            return self.word("format.missing")
        number = float(value)
        if math.isinf(number):
            return self.word("format.infinite")
        text = f"{abs(number):,.{decimals}f}"
        sign = "−" if number < 0 and text.strip("0.,") else ""
        marks = {",": self.word("format.thousands"), ".": self.word("format.decimal")}
        return sign + "".join(marks.get(c, c) for c in text)

    def count(self, value: object) -> str:
        """Return a whole number."""
        return self.fixed(value, 0)

    def number(self, value: object, digits: int = 2) -> str:
        """Return the number with so many significant figures; whole numbers are never cut."""
        return self.fixed(value, 0 if is_missing(value) else significant_decimals(float(value), digits))

    def km(self, value: object) -> str:
        """Return a distance: whole kilometres from 10 km on, one decimal below."""
        return self.fixed(value, 0 if is_missing(value) or abs(float(value)) >= 10 else 1)

    def percent(self, value: object, digits: int = 2) -> str:
        """Return a share as a percentage with its sign."""
        if is_missing(value):
            return self.word("format.missing")
        share = 100 * float(value)
        if 90 < share < 100:
            # 99.96 % is not 100 %: close to the whole, what counts is the distance from it.
            decimals = min(significant_decimals(100 - share, digits - 1), 2)
        else:
            decimals = 0 if share in (0, 100) else min(significant_decimals(share, digits), 2)
        return self.word("format.percent", value=self.fixed(share, decimals))

    def p_value(self, value: object) -> str:
        """Return a probability value; below 0.001 only that it is below."""
        if is_missing(value):
            return self.word("format.missing")
        if float(value) < 0.001:
            return self.word("format.below", value=self.fixed(0.001, 3))
        return self.fixed(value, 2 if float(value) >= 0.1 else 3)

    def expected(self, value: object) -> str:
        """Return an expected count; below 0.001 only that it is below: a small chance is not printed as none."""
        if not is_missing(value) and 0 < float(value) < 0.001:
            return self.word("format.below", value=self.fixed(0.001, 3))
        return self.number(value, 2)

    def stated(self, value: object) -> str:
        """Return a share that somebody set, as a percentage without zeros at the end: 0.05 becomes ``5 %``."""
        return self.word("format.percent", value=f"{100 * float(value):.10g}".replace(".", self.word("format.decimal")))

    def interval(self, value: object, low: object, high: object, percent: bool = False) -> str:
        """Return an estimate with its interval, e.g. ``0.012 (0.010 to 0.014)``; an end may be unbounded or missing."""
        if is_missing(value):
            return self.word("format.missing")
        scale = 100.0 if percent else 1.0
        estimate = float(value) * scale
        if is_missing(low) and is_missing(high):
            return self.percent(value) if percent else self.number(value, 3)
        ends = [math.nan if is_missing(end) else float(end) * scale for end in (low, high)]
        finite = [x for x in (estimate, *ends) if math.isfinite(x)]
        decimals = interval_decimals(min(finite), max(finite)) if finite else 0
        if decimals is None:
            decimals = significant_decimals(estimate, 3)
        texts = [self.fixed(x, decimals) for x in (estimate, *ends)]
        text = self.word("format.interval", estimate=texts[0], low=texts[1], high=texts[2])
        return self.word("format.percent", value=text) if percent else text
