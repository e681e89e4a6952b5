"""Page on what the filters removed from a species, and on what close kin, batches and joined files change."""

from __future__ import annotations

from homewater.report.figures.filters import Rung, draw_ladders
from homewater.report.pages.elements import Section, SpeciesPage
from homewater.report.pages.linkage import add_linkage

LEVEL = 0.05  # false-discovery rate at which batches are said to differ
SHOWN_SITES = 12  # of the table of kin: those that lose most animals


def filters_section(page: SpeciesPage) -> Section:
    """Return the section with the ledger of filters, the genotyping error and what close kin change."""
    section = page.section("filters")
    error = page.records["genotyping_error"]
    n = int(error["n_pairs"])
    interval = page.numbers.interval(error["estimate"], error["ci_low"], error["ci_high"], percent=True)
    if n:
        pairs = page.say("filters.error.pairs", count=n)
        section.say(page.say("filters.error", n=pairs, rate=interval))
    else:
        section.say(page.say("filters.error.assumed", rate=interval))
    ledger = page.tables["filter_summary"].to_dict("records")
    ladders = []
    for what in ("markers", "samples"):
        rungs = [
            Rung(page.plain(f"filter.{row['step']}"), int(row["before"]), int(row["removed"]), int(row["after"]))
            for row in ledger
            if row["what"] == what
        ]
        if rungs:
            ladders.append((page.plain(f"figure.ladder.{what}"), rungs))
    if ladders:
        figure = draw_ladders(ladders, page.writer.words, page.numbers)
        left = [
            page.plain(f"alt.ladder.{what}", before=rungs[0].before, after=rungs[-1].after)
            for what, (_, rungs) in zip(("markers", "samples"), ladders, strict=False)
        ]
        alt = page.plain("alt.ladders", parts=page.plain("format.comma").join(left))
        section.add("drawing", page.writer.drawing(figure, alt, page.say("caption.ladders")))
    rows = [
        [
            page.say(f"filter.{row['step']}"),
            page.say(f"what.{row['what']}"),
            *(page.numbers.count(row[c]) for c in ("before", "removed", "after", "flagged")),
            page.numbers.expected(row["expected_false_flags"]),
        ]
        for row in ledger
    ]
    columns = [page.writer.column("column.filter"), page.writer.column("column.what")]
    columns += page.writer.number_columns("before", "removed", "after", "flagged", "expected_false")
    section.add("table", page.writer.table(page.say("caption.filters"), columns, rows, "dense"))
    add_linkage(section, page)
    _add_conflicts(section, page)
    _add_batches(section, page)
    _add_kin(section, page)
    return section


def _add_conflicts(section: Section, page: SpeciesPage) -> None:
    table = page.tables["file_conflicts"]
    if not len(table):
        return
    beyond = table["kind"] == "not_listed"  # one row that counts the rest
    counts = table["kind"][~beyond].value_counts(sort=False).to_dict() | {"not_listed": int(table["n"][beyond].sum())}
    kinds = [
        page.say("conflicts.kind", kind=page.say(f"conflicts.{kind}"), count=page.numbers.count(n))
        for kind, n in counts.items()
        if n
    ]
    section.say(page.say("conflicts.counted", kinds=page.writer.listing(kinds)))


def _add_batches(section: Section, page: SpeciesPage) -> None:
    table = page.tables["batch_effects"]
    known = table[table["fst"].notna()]
    if not len(known):
        section.say(page.say("batches.none"))
        return
    top = known.loc[known["fst"].astype(float).idxmax()]
    section.say(
        page.say(
            "batches.tested",
            pairs=page.say("batches.pairs", count=len(known)),
            differ=page.say("batches.differ", count=int((known["q_value"].astype(float) <= LEVEL).sum())),
            level=page.numbers.stated(LEVEL),
            interval=page.numbers.interval(top["fst"], top["ci_low"], top["ci_high"]),
            site=page.writer.site(top["locationID"]),
        )
    )


def _add_kin(section: Section, page: SpeciesPage) -> None:
    table = page.tables["kin_thinning"]
    lost = table["n_with_kin"] - table["n"]
    if not len(table):
        return
    if not table["n_families"].sum():
        section.say(page.say("kin.none"))
        return
    families, animals = int(table["n_families"].sum()), int(lost.sum())
    counted = page.say("kin.families", count=families)
    section.say(page.say("kin.thinned" if animals else "kin.kept", families=counted, count=animals))
    if not animals:
        return
    most = table.assign(lost=lost)[lost > 0].sort_values("lost", ascending=False, kind="stable").head(SHOWN_SITES)
    most = most.set_index("locationID")
    numbers, rows = page.numbers, []
    for site in page.study.in_coast_order(list(most.index)):
        row = most.loc[site]
        cells = [numbers.count(row[c]) for c in ("n_with_kin", "n", "n_families")]
        for value in ("expected_heterozygosity", "mean_fst"):
            cells += [numbers.number(row[f"{value}_with_kin"], 3), numbers.number(row[value], 3)]
        rows.append([page.writer.site(site), *cells])
    columns = [page.writer.column("column.site")]
    columns += [
        page.writer.column(f"column.kin.{c}", number=True)
        for c in ("n_with", "n", "families", "expected_with", "expected", "fst_with", "fst")
    ]
    section.add("table", page.writer.table(page.say("caption.kin"), columns, rows, "dense"))
