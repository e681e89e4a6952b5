"""Page on the moves of a species and on where animals may come from."""

from __future__ import annotations

import pandas as pd
from markupsafe import Markup

from homewater.report.pages.elements import Section, SpeciesPage, Table, Writer, unit_or_none
from homewater.report.words.numbers import is_missing


def transfers_section(page: SpeciesPage) -> Section:
    """Return the section on moves and sources."""
    section, flows = page.section("transfers"), page.tables["flows"]
    if len(flows):
        section.add("table", _flow_table(flows, page.writer))
        uncounted = int(flows["transfers_without_count"].sum()) if "transfers_without_count" in flows else 0
        if uncounted:
            section.say(page.say("flows.uncounted", count=uncounted))
    else:
        section.say(page.say("flows.none"))
    ranking = page.tables["source_ranking"]
    if not len(ranking):
        section.say(page.say("ranking.none"))
        return section
    most = page.study.settings["transfers_advice"]["max_sources"]
    section.say(page.say("ranking.text"), page.say("ranking.listed", max=most))
    section.add("table", _ranking_table(page, ranking, most))
    return section


def _flow_table(flows: pd.DataFrame, writer: Writer) -> Table:
    def place(unit: str) -> Markup:
        return writer.say("unit.untraced") if unit == "untraced" else writer.chip(unit_or_none(unit))

    rows = []
    for row in flows.to_dict("records"):
        crosses = row["crosses_boundary"]
        answer = "flows.unknown" if is_missing(crosses) else "format.yes" if crosses else "format.no"
        numbers = [writer.numbers.count(row.get(c)) for c in ("transfers", "individuals", "lost_or_dead")]
        rows.append([place(row["source_unit"]), place(row["destination_unit"]), *numbers, writer.say(answer)])
    columns = [writer.column("column.from"), writer.column("column.to")]
    columns += writer.number_columns("moves", "moved", "lost")
    columns.append(writer.column("column.crosses"))
    return writer.table(writer.say("caption.flows"), columns, rows)


def _ranking_table(page: SpeciesPage, ranking: pd.DataFrame, most: int) -> Table:
    rows: list[list] = []
    for destination in page.study.in_coast_order(list(dict.fromkeys(ranking["destination"]))):
        own = ranking[ranking["destination"] == destination].head(most)
        unit = page.writer.unit(page.species.unit_of.get(destination, ""))
        rows.append([page.say("cell.destination", site=page.writer.site(destination), unit=unit)])
        for row in own.to_dict("records"):
            rows.append(
                [
                    page.numbers.count(row["rank"]),
                    page.writer.site(row["source"]),
                    page.numbers.interval(row["fst"], row.get("fst_ci_low"), row.get("fst_ci_high")),
                    page.numbers.km(row["sea_km"]),
                    page.say(f"advice.{row['advice']}"),
                ]
            )
    columns = [
        page.writer.column("column.rank", number=True),
        page.writer.column("column.source"),
        page.writer.column("column.fst", number=True),
        page.writer.column("column.sea_km", number=True),
        page.writer.column("column.advice"),
    ]
    return page.writer.table(page.say("caption.ranking"), columns, rows, "grouped")
