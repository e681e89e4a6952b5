"""Page on the diversity of a species' sites: heterozygosity, inbreeding, effective size."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from homewater.report.pages.elements import Section, SpeciesPage, Writer
from homewater.report.pages.frequency_spectrum import add_frequency_spectrum
from homewater.report.words.numbers import is_missing


def diversity_section(page: SpeciesPage) -> Section:
    """Return the section on the diversity of sites."""
    section = page.section("diversity")
    table = page.tables["site_diversity"].set_index("locationID")
    rows = []
    for site in page.study.in_coast_order(list(table.index)):
        row = table.loc[site]
        cells = [
            page.numbers.interval(row[c], row.get(f"{c}_ci_low"), row.get(f"{c}_ci_high"))
            for c in ("observed_heterozygosity", "expected_heterozygosity", "inbreeding_coefficient")
        ]
        rows.append(
            [
                page.writer.site(site),
                page.numbers.count(row["n"]),
                *cells,
                effective_text(row, page.writer, "effective_size"),
            ]
        )
        rows[-1].append(page.numbers.count(row["effective_size_left_out"]))
    columns = [page.writer.column("column.site")]
    columns += page.writer.number_columns("n", "observed", "expected", "inbreeding", "effective", "left_out")
    section.add("table", page.writer.table(page.say("caption.diversity"), columns, rows, "wide"))
    if rows:
        section.say(page.say("diversity.caution"))
    unbounded = np.isfinite(table["effective_size_ci_low"].astype(float))  # bounded below, and not above
    unbounded &= ~np.isfinite(table["effective_size_ci_high"].astype(float))
    if unbounded.any():
        section.say(page.say("diversity.unbounded", count=int(unbounded.sum())))
    add_frequency_spectrum(section, page)
    return section


def effective_text(row: Mapping, writer: Writer, name: str) -> str:
    """Return an effective size as printed: with its interval, by its lower end alone, or why there is none.

    Args:
        row: row of a table.
        writer: words and numbers.
        name: column of the estimate; its bounds and its basis stand in columns whose names begin with it.
    """
    basis, low, high = (row.get(f"{name}_{end}") for end in ("basis", "ci_low", "ci_high"))
    if is_missing(row[name]):
        if basis == "no_drift_signal" and not is_missing(low):
            return writer.plain("effective.above", low=writer.numbers.number(low, 2))
        unknown = is_missing(basis) or basis == "estimated"
        return writer.plain("format.missing" if unknown else f"effective.{basis}")
    if is_missing(high):
        high = np.inf  # an interval of effective size is open where the sample cannot bound it
    return writer.numbers.interval(row[name], low, high)
