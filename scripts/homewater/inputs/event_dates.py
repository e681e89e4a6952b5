"""Dates as users write them (Darwin Core event dates), and names that a spreadsheet has turned into dates."""

from __future__ import annotations

import calendar
import re
from datetime import date

import numpy as np
import pandas as pd

# what spreadsheets make of names such as MAR1, SEP2 or 1-2-20; common practice, no source
_MONTHS = "jan|feb|mar|apr|may|jun|jul|aug|sep|sept|oct|nov|dec"
_SHEET_DATE = re.compile(
    rf"\d{{1,2}}[-/. ]({_MONTHS})([-/. ]\d{{2,4}})?|({_MONTHS})[-/. ]\d{{2,4}}|\d{{1,2}}([-/.])\d{{1,2}}\4\d{{2,4}}"
    r"|\d{4}([-/.])\d{2}\5\d{2}([ T]00:00(:00)?)?",
    re.ASCII | re.IGNORECASE,
)
_TIME = r"T([01]\d|2[0-3]):[0-5]\d(:[0-5]\d(\.\d+)?)?(Z|[+-]\d{2}(:?\d{2})?)?"
_DAY = re.compile(rf"(\d{{4}}(?:-\d{{2}}(?:-\d{{2}})?)?)(?:(?<=-\d\d-\d\d){_TIME})?", re.ASCII)
_SHORT_END = re.compile(r"(\d{2}-)?\d{2}", re.ASCII)
NO_DATE = "a marker's name (spreadsheets make dates of names such as MAR1: import the columns as text)"


def looks_like_date(text: str) -> bool:
    """Return whether a name is such a date as spreadsheets make of names like MAR1."""
    return bool(_SHEET_DATE.fullmatch(text))


def normal_date(text: str) -> str | None:
    """Return an event date as YYYY[-MM[-DD]] or two of them joined by /, without times; None if it is no date.

    Source: Darwin Core, term eventDate (ISO 8601-1:2019); the end of a span may leave out what its start has.
    """
    parts = text.split("/")
    if len(parts) == 2 and _SHORT_END.fullmatch(parts[1]) and len(parts[0]) == 10:
        parts[1] = parts[0][: 10 - len(parts[1])] + parts[1]
    found = [_DAY.fullmatch(part) for part in parts]
    return "/".join(match[1] for match in found) if all(found) and len(found) < 3 else None


def date_span(text: str) -> tuple[date, date] | None:
    """Return the first and the last day that an event date covers, or None if it is no date; forms: `normal_date`."""
    spans = []
    for part in (normal_date(text) or "").split("/"):
        try:
            year, month, day = (*map(int, part.split("-")), None, None)[:3]
            last = 12 if month is None else month
            last_day = calendar.monthrange(year, last)[1] if day is None else day
            first = date(year, 1 if month is None else month, 1 if day is None else day)
            spans.append((first, date(year, last, last_day)))
        except ValueError:  # an empty text too
            return None
    return None if spans[0][0] > spans[-1][1] else (spans[0][0], spans[-1][1])


def event_year(text: str) -> int | None:
    """Return the year in which an event date starts, or None if it is no date."""
    span = date_span(text)
    return span[0].year if span else None


def sampling_years(sample_sheet: pd.DataFrame, species: str, sample_ids: pd.Series) -> np.ndarray:
    """Return the year in which each animal was sampled, int64 (n_animals,).

    Args:
        sample_sheet: the user's table of samples, checked.
        species: id of the species; an id of an animal may stand once for each species.
        sample_ids: materialSampleID of each animal, text (n_animals,); all in the sheet.
    """
    of_species = sample_sheet[sample_sheet["species"] == species]
    return of_species.set_index("materialSampleID")["eventDate"].loc[sample_ids].map(event_year).to_numpy(np.int64)
