"""Sites that are closer kin to a far site than to their neighbours, and every way to read that."""

from __future__ import annotations

from homewater.report.pages.elements import Section, SpeciesPage
from homewater.report.words.numbers import is_missing


def add_odd_kinships(section: Section, page: SpeciesPage) -> None:
    """Say which sites are closer kin to a far site than to their neighbours, what that may mean, what would tell."""
    table = page.tables["odd_kinships"]
    if not len(table):
        section.say(page.say("odd.untested"))
        return
    odd = table[table["odd"].fillna(False).astype(bool)]
    detectable = page.numbers.number(table["detectable_excess"].astype(float).median())
    sites = page.numbers.count(len(table))
    if not len(odd):
        section.say(page.say("odd.none", sites=sites, detectable=detectable))
        return
    section.say(page.say("odd.found", count=len(odd), sites=sites, detectable=detectable))
    columns = [page.writer.column(f"column.odd.{name}") for name in ("site", "near", "far")]
    columns.append(page.writer.column("column.odd.excess", number=True))
    rows = []
    odd = odd.set_index("locationID")
    for site in page.study.in_coast_order(list(odd.index)):
        row = odd.loc[site]
        pairs = [
            page.say(
                "odd.other",
                site=page.writer.site(row[f"{which}_site"]),
                km=page.numbers.km(row[f"{which}_km"]),
                fst=page.numbers.number(row[f"fst_{which}"]),
            )
            for which in ("near", "far")
        ]
        excess = page.numbers.interval(row["excess"], row["ci_low"], row["ci_high"])
        rows.append([page.writer.site(site), *pairs, excess])
    section.add("table", page.writer.table(page.say("caption.odd"), columns, rows))
    section.listed([page.say(f"odd.reading.{reading}") for reading in ("history", "transfer", "sampling")])
    moves = page.study.transfers
    days = moves.loc[moves["species"] == page.species.settings["id"], "eventDate"]
    dates = sorted(day for day in days if not is_missing(day))
    section.say(page.say("odd.before_date", date=page.writer.date(dates[0])) if dates else page.say("odd.before"))
