"""Pages on one species: the moves and the sources."""

from __future__ import annotations

import pandas as pd
from markupsafe import Markup

from homewater.report.pages.elements import Section, Table, Writer, unit_or_none
from homewater.report.pages.results import SpeciesResults, StudyResults
from homewater.report.words.numbers import is_missing


def transfers_section(study: StudyResults, species: SpeciesResults, writer: Writer, anchor: str) -> Section:
    """Return the section on moves and sources."""
    section, flows = Section(writer.say("heading.transfers"), anchor), species.tables["flows"]
    if len(flows):
        section.add("table", _flow_table(flows, writer))
        uncounted = int(flows["transfers_without_count"].sum()) if "transfers_without_count" in flows else 0
        if uncounted:
            section.say(writer.say("flows.uncounted", count=uncounted))
    else:
        section.say(writer.say("flows.none"))
    ranking = species.tables["source_ranking"]
    if not len(ranking):
        section.say(writer.say("ranking.none"))
        return section
    most = study.settings["transfers_advice"]["max_sources"]
    section.say(writer.say("ranking.text"), writer.say("ranking.listed", max=most))
    section.add("table", _ranking_table(study, species, ranking, most, writer))
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
    columns += [writer.column(f"column.{c}", number=True) for c in ("moves", "moved", "lost")]
    columns.append(writer.column("column.crosses"))
    return writer.table(writer.say("caption.flows"), columns, rows)


def _ranking_table(
    study: StudyResults, species: SpeciesResults, ranking: pd.DataFrame, most: int, writer: Writer
) -> Table:
    rows: list[list] = []
    for destination in study.in_coast_order(list(dict.fromkeys(ranking["destination"]))):
        own = ranking[ranking["destination"] == destination].head(most)
        unit = writer.unit(species.unit_of.get(destination, ""))
        rows.append([writer.say("cell.destination", site=writer.site(destination), unit=unit)])
        for row in own.to_dict("records"):
            rows.append(
                [
                    writer.numbers.count(row["rank"]),
                    writer.site(row["source"]),
                    writer.numbers.interval(row["fst"], row.get("fst_ci_low"), row.get("fst_ci_high")),
                    writer.numbers.km(row["sea_km"]),
                    writer.say(f"advice.{row['advice']}"),
                ]
            )
    columns = [
        writer.column("column.rank", number=True),
        writer.column("column.source"),
        writer.column("column.fst", number=True),
        writer.column("column.sea_km", number=True),
        writer.column("column.advice"),
    ]
    return writer.table(writer.say("caption.ranking"), columns, rows, "grouped")
