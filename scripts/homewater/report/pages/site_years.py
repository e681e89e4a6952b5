"""Whether animals of different years at one site differ, and what it means that they are pooled."""

from __future__ import annotations

import pandas as pd
from markupsafe import Markup

from homewater.inputs.event_dates import sampling_years
from homewater.report.pages.diversity import effective_text
from homewater.report.pages.elements import Section, SpeciesPage, Table
from homewater.report.words.numbers import is_missing

MOVERS_LEVEL = 0.05  # p value above which no change is shown without the animals flagged as from elsewhere


def add_site_years(section: Section, page: SpeciesPage) -> None:
    """Say at which sites years differ, name them, and say what pooling them means; or what change was not found."""
    table = page.tables["site_years"]
    tested = table[table["reading"] != "too_few"]
    least = page.numbers.count(page.study.settings["structure"]["min_individuals"])
    if not len(tested):
        section.say(_untested(page, table, least))
        return
    names = page.study.in_coast_order(set(tested["locationID"]))
    changed = page.study.in_coast_order(set(tested.loc[tested["reading"] == "changed", "locationID"]))
    values = {
        "pairs": page.say("years.pairs", count=len(tested)),
        "sites": page.say("scope.sites", count=len(names)),
        "detectable": page.numbers.number(tested["detectable_fst"].astype(float).median()),
    }
    if changed:
        listed = page.writer.listing(map(page.writer.site, changed))
        section.say(page.say("years.changed", count=len(changed), names=listed, **values))
        section.say(Markup(" ").join([page.say("years.pooled"), page.say("years.causes"), *_movers(page, tested)]))
    else:
        section.say(page.say("years.none", **values))
    small = page.study.in_coast_order(set(table.loc[table["reading"] == "too_few", "locationID"]))
    if small:
        section.say(page.say("years.small", least=least, sites=page.writer.listing(map(page.writer.site, small))))
    section.add("table", _years_table(page, tested, names))
    if (tested["temporal_size_basis"] != "under_one_generation").any():
        section.say(page.say("years.size", years=page.numbers.number(page.species.settings["generation_years"])))


def _untested(page: SpeciesPage, table: pd.DataFrame, least: str) -> Markup:
    """Return why no two years were compared."""
    if len(table):
        return page.say("years.too_few", count=table["locationID"].nunique(), least=least)
    animals = page.tables["animals"]
    baseline = animals[(animals["status"] == "kept") & (animals["role"] == "baseline")]
    years = sampling_years(page.study.samples, page.species.settings["id"], baseline["materialSampleID"])
    return page.say("years.one_year_each" if len(set(years.tolist())) > 1 else "years.one_year")


def _movers(page: SpeciesPage, tested: pd.DataFrame) -> list[Markup]:
    """Return, for each change that animals flagged as from elsewhere may make, that they may."""
    texts = []
    for row in tested[tested["reading"] == "changed"].to_dict("records"):
        flagged = sum(int(row[name]) for name in ("n_flagged_a", "n_flagged_b") if not is_missing(row[name]))
        # not `>`: where too few animals are left without them, no change is shown either
        if flagged and not row["p_value_unflagged"] <= MOVERS_LEVEL:
            site, years = page.writer.site(row["locationID"]), _years(page, row)
            texts.append(page.say("years.movers", count=flagged, site=site, years=years))
    return texts


def _years(page: SpeciesPage, row: dict) -> Markup:
    first, second = (
        page.plain("format.missing") if is_missing(row[name]) else str(int(row[name])) for name in ("year_a", "year_b")
    )
    return page.say("years.two", first=first, second=second)


def _years_table(page: SpeciesPage, tested: pd.DataFrame, sites: list[str]) -> Table:
    rows = [
        [
            page.writer.site(site),
            _years(page, row),
            page.say("years.animals", first=page.numbers.count(row["n_a"]), second=page.numbers.count(row["n_b"])),
            page.numbers.interval(row["fst"], row["ci_low"], row["ci_high"]),
            page.numbers.p_value(row["p_adjusted"]),
            page.numbers.number(row["detectable_fst"]),
            effective_text(row, page.writer, "temporal_size"),
        ]
        for site in sites
        for row in tested[tested["locationID"] == site].to_dict("records")
    ]
    columns = [page.writer.column("column.site"), page.writer.column("column.years")]
    columns += [page.writer.column(f"column.years.{name}", number=True) for name in ("animals", "fst")]
    columns.append(page.writer.column("column.p_value", number=True))
    columns.append(page.writer.column("column.years.detectable", number=True))
    columns.append(page.writer.column("column.effective", number=True))
    return page.writer.table(page.say("caption.years"), columns, rows, "wide")
