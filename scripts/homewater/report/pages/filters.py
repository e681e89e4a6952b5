"""Pages on one species: the ledger of filters, and what close kin change."""

from __future__ import annotations

from homewater.report.figures.filters import Rung, draw_ladders
from homewater.report.pages.elements import Section, Writer
from homewater.report.pages.results import SpeciesResults, StudyResults

LEVEL = 0.05  # false-discovery rate at which batches are said to differ
SHOWN_SITES = 12  # of the table of kin: those that lose most animals


def filters_section(study: StudyResults, species: SpeciesResults, writer: Writer, anchor: str) -> Section:
    """Return the section with the ledger of filters, the genotyping error and what close kin change."""
    section = Section(writer.say("heading.filters"), anchor)
    error = species.records["genotyping_error"]
    n = int(error["n_pairs"])
    interval = writer.numbers.interval(error["estimate"], error["ci_low"], error["ci_high"], percent=True)
    if n:
        pairs = writer.say("filters.error.pairs", count=n)
        section.say(writer.say("filters.error", n=pairs, rate=interval))
    else:
        section.say(writer.say("filters.error.assumed", rate=interval))
    ledger = species.tables["filter_summary"].to_dict("records")
    ladders = []
    for what in ("markers", "samples"):
        rungs = [
            Rung(writer.plain(f"filter.{row['step']}"), int(row["before"]), int(row["removed"]), int(row["after"]))
            for row in ledger
            if row["what"] == what
        ]
        if rungs:
            ladders.append((writer.plain(f"figure.ladder.{what}"), rungs))
    if ladders:
        figure = draw_ladders(ladders, writer.words, writer.numbers)
        left = [
            writer.plain(f"alt.ladder.{what}", before=rungs[0].before, after=rungs[-1].after)
            for what, (_, rungs) in zip(("markers", "samples"), ladders, strict=False)
        ]
        alt = writer.plain("alt.ladders", parts=writer.plain("format.comma").join(left))
        section.add("drawing", writer.drawing(figure, alt, writer.say("caption.ladders")))
    rows = [
        [
            writer.say(f"filter.{row['step']}"),
            writer.say(f"what.{row['what']}"),
            *(writer.numbers.count(row[c]) for c in ("before", "removed", "after", "flagged")),
            writer.numbers.expected(row["expected_false_flags"]),
        ]
        for row in ledger
    ]
    columns = [writer.column("column.filter"), writer.column("column.what")]
    columns += [
        writer.column(f"column.{c}", number=True) for c in ("before", "removed", "after", "flagged", "expected_false")
    ]
    section.add("table", writer.table(writer.say("caption.filters"), columns, rows, "dense"))
    _add_conflicts(section, species, writer)
    _add_batches(section, species, writer)
    _add_kin(section, study, species, writer)
    return section


def _add_conflicts(section: Section, species: SpeciesResults, writer: Writer) -> None:
    table = species.tables["file_conflicts"]
    if not len(table):
        return
    beyond = table["kind"] == "not_listed"  # one row that counts the rest
    counts = table["kind"][~beyond].value_counts(sort=False).to_dict() | {"not_listed": int(table["n"][beyond].sum())}
    kinds = [
        writer.say("conflicts.kind", kind=writer.say(f"conflicts.{kind}"), count=writer.numbers.count(n))
        for kind, n in counts.items()
        if n
    ]
    section.say(writer.say("conflicts.counted", kinds=writer.listing(kinds)))


def _add_batches(section: Section, species: SpeciesResults, writer: Writer) -> None:
    table = species.tables["batch_effects"]
    known = table[table["fst"].notna()]
    if not len(known):
        section.say(writer.say("batches.none"))
        return
    top = known.loc[known["fst"].astype(float).idxmax()]
    section.say(
        writer.say(
            "batches.tested",
            pairs=writer.say("batches.pairs", count=len(known)),
            differ=writer.say("batches.differ", count=int((known["q_value"].astype(float) <= LEVEL).sum())),
            level=writer.numbers.stated(LEVEL),
            interval=writer.numbers.interval(top["fst"], top["ci_low"], top["ci_high"]),
            site=writer.site(top["locationID"]),
        )
    )


def _add_kin(section: Section, study: StudyResults, species: SpeciesResults, writer: Writer) -> None:
    table = species.tables["kin_thinning"]
    lost = table["n_with_kin"] - table["n"]
    if not len(table):
        return
    if not table["n_families"].sum():
        section.say(writer.say("kin.none"))
        return
    families, animals = int(table["n_families"].sum()), int(lost.sum())
    counted = writer.say("kin.families", count=families)
    section.say(writer.say("kin.thinned" if animals else "kin.kept", families=counted, count=animals))
    if not animals:
        return
    most = table.assign(lost=lost)[lost > 0].sort_values("lost", ascending=False, kind="stable").head(SHOWN_SITES)
    most = most.set_index("locationID")
    numbers, rows = writer.numbers, []
    for site in study.in_coast_order(list(most.index)):
        row = most.loc[site]
        cells = [numbers.count(row[c]) for c in ("n_with_kin", "n", "n_families")]
        for value in ("expected_heterozygosity", "mean_fst"):
            cells += [numbers.number(row[f"{value}_with_kin"], 3), numbers.number(row[value], 3)]
        rows.append([writer.site(site), *cells])
    columns = [writer.column("column.site")]
    columns += [
        writer.column(f"column.kin.{c}", number=True)
        for c in ("n_with", "n", "families", "expected_with", "expected", "fst_with", "fst")
    ]
    section.add("table", writer.table(writer.say("caption.kin"), columns, rows, "dense"))
