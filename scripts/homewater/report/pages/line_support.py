"""How firm each line is, and each site that stands apart: one figure with its parts."""

from __future__ import annotations

from markupsafe import Markup

from homewater.report.pages.elements import Section, SpeciesPage

CHANGES = ("sites", "animals", "chromosomes")
LIMITS = {(True, True): "both", (True, False): "half", (False, True): "double", (False, False): "neither"}


def add_line_support(section: Section, page: SpeciesPage) -> None:
    """Add the table of support to a section, and what its readings mean; nothing where no line and no site was found.

    Args:
        section: the section on stocks and lines.
        page: the species.
    """
    support = page.tables["line_support"]
    if not len(support):
        return
    writer = page.writer
    rows = []
    for row in support.to_dict("records"):
        name = LIMITS[bool(row["at_half_threshold"]), bool(row["at_double_threshold"])]
        parts = [page.numbers.percent(row[f"{change}_share"]) for change in CHANGES]
        grade = writer.say(f"line_support.reading.{row['reading']}")
        rows.append([_name(page, row), *parts, writer.say(f"line_support.limits.{name}"), grade])
    columns = [writer.column("column.line_support.what")]
    columns += [writer.column(f"column.line_support.{change}", number=True) for change in CHANGES]
    columns += [writer.column("column.line_support.limits"), writer.column("column.line_support.reading")]
    section.add("table", writer.table(page.say("caption.line_support"), columns, rows))
    section.say(page.say("line_support.meaning"))
    if (support["n_chromosomes_changes"] == 0).all():
        section.say(page.say("line_support.few_chromosomes"))


def _name(page: SpeciesPage, row: dict) -> Markup:
    """Return the line by the two sites between which it runs, or the site that stands apart."""
    if row["kind"] == "site_apart":
        return page.say("line_support.site_apart", site=page.writer.site(row["line"]))
    breaks = page.tables["breaks"].set_index("break")
    ends = [page.writer.site(breaks.loc[row["line"], f"side_{side}_nearest_site"]) for side in "ab"]
    return page.say(f"line_support.{row['kind']}", sites=page.writer.listing(ends))
