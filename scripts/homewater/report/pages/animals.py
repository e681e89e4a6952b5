"""Page on the verdicts on the animals of a species: their counts, rates of sites, classes and shares."""

from __future__ import annotations

import math

import pandas as pd
from markupsafe import Markup

from homewater.report.figures import style as fs
from homewater.report.figures.panel import draw_site_rates
from homewater.report.pages.elements import Drawing, Section, SpeciesPage, Table, Writer
from homewater.report.pages.results import StudyResults
from homewater.report.words.numbers import is_missing

OUTCOMES = ("local", "non_local", "mixed", "unresolved", "unsampled_origin")
NEXT_TO_NOTHING = 0.001  # a share whose whole interval lies below is not spelt out
FLAGGED = ("non_local", "mixed", "unsampled_origin")


def animals_section(page: SpeciesPage) -> Section:
    """Return the section on the verdicts and the rates of sites."""
    section, calls = page.section("animals"), page.tables["calls"]
    if not len(calls):
        why = {0: "animals.none.no_unit", 1: "animals.none"}.get(page.n_units, "animals.none.no_panel")
        section.say(page.say(why))
        return section
    section.say(page.say("animals.text"))
    section.add("table", _outcome_table(calls, page.writer))
    rates = page.tables["site_rates"]
    judged = rates[rates["rate"].notna() & ~rates["locationID"].isin(page.species.contact_sites)]
    if len(judged):
        numbers = {
            "n": page.numbers.count(judged["n"].sum()),
            "flagged": page.numbers.count((judged["n_non_local"] + judged["n_mixed"]).sum()),
            "expected": page.numbers.expected(judged["expected_false"].astype(float).sum()),
        }
        section.say(page.say("animals.expected", **numbers))
    if page.species.contact_sites:
        section.say(page.say("animals.contact"))
    if len(rates):
        section.add("drawing", _rates_drawing(page, rates))
    if len(page.tables["unit_rates"]):
        section.add("table", _unit_rates_table(page.tables["unit_rates"], page.writer))
    _add_natural_contact(section, page)
    _add_mixing_dates(section, page)
    flagged = calls[calls["outcome"].isin(FLAGGED) & ~calls["locationID"].isin(page.species.contact_sites)]
    local = flagged["local_unit"].map(lambda unit: not is_missing(unit)).astype(bool)
    for has_local in (True, False):
        chosen = flagged[local == has_local]
        if len(chosen):
            section.add("table", _class_table(page, chosen, has_local))
    shares = page.tables["mixture_shares"]
    if len(shares):
        section.say(page.say("mixture.text"))
        section.add("table", _mixture_table(page, shares))
    if len(page.tables["class_power"]):
        section.add("table", _power_table(page.tables["class_power"], page.writer))
    return section


def _add_natural_contact(section: Section, page: SpeciesPage) -> None:
    """Add how much ancestry from the neighbouring stock the sites of a cline hold beyond what the cline explains."""
    table, numbers = page.tables["natural_contact"], page.numbers
    judged = table[table["reading"] != "few_animals"]
    if not len(judged):
        return
    more = judged[judged["reading"] == "more_than_the_cline"]
    count = numbers.count(len(judged))
    section.say(
        page.say("contact.text")
        + Markup(" ")
        + (page.say("contact.more", count=len(more), n=count) if len(more) else page.say("contact.none", n=count))
    )
    if not len(more):
        return
    rows = [
        [
            page.writer.site(row["locationID"]),
            page.say(f"role.{row['role']}"),
            numbers.count(row["n"]),
            numbers.interval(row["observed_share"], row["ci_low"], row["ci_high"], percent=True),
            numbers.interval(row["expected_share"], row["expected_ci_low"], row["expected_ci_high"], percent=True)
            if row["expected_ci_high"] >= NEXT_TO_NOTHING
            else page.say("contact.next_to_nothing"),
        ]
        for row in _along_the_coast(more, page.study)
    ]
    columns = [page.writer.column("column.site"), page.writer.column("column.role")]
    columns += page.writer.number_columns("animals", "ancestry_found", "ancestry_expected")
    section.add("table", page.writer.table(page.say("caption.natural_contact"), columns, rows))


def _along_the_coast(table: pd.DataFrame, study: StudyResults) -> list[dict]:
    """Return the rows by coastal order of their sites, then by role."""
    place = {site: k for k, site in enumerate(study.in_coast_order(set(table["locationID"])))}
    return (
        table.assign(place=table["locationID"].map(place))
        .sort_values(["place", "role"], kind="stable")
        .to_dict("records")
    )


def _add_mixing_dates(section: Section, page: SpeciesPage) -> None:
    """Add how long ago stocks mixed at each site, or why that is not told."""
    table, numbers = page.tables["mixing_dates"], page.numbers
    if not len(table):
        mapped = "map" in page.species.settings["recombination"]
        section.say(page.say("dates.none" if mapped else "dates.off"))
        return
    texts = {
        "n": numbers.count(table["n_markers"].max()),
        "recent": numbers.number(page.study.settings["assignment"]["recent_generations"]),
        "years": numbers.number(page.species.settings["generation_years"]),
    }
    section.say(page.say("dates.text", **texts))
    rows = [
        [
            page.writer.site(row["locationID"]),
            page.say(f"role.{row['role']}"),
            page.say("dates.of", mixed=numbers.count(row["n_mixed"]), n=numbers.count(row["n"])),
            numbers.count(row["n_first_generation"]),
            *(
                numbers.interval(row[name], row[low], math.inf if is_missing(row[high]) else row[high])
                for name, low, high in (
                    ("generations", "ci_low", "ci_high"),
                    ("years", "years_ci_low", "years_ci_high"),
                )
            ),
            page.say(f"dates.{row['reading']}"),
        ]
        for row in _along_the_coast(table, page.study)
    ]
    columns = [page.writer.column("column.site"), page.writer.column("column.role")]
    columns += page.writer.number_columns("mixed_of", "first_generation", "generations", "years")
    columns.append(page.writer.column("column.reading"))
    section.add("table", page.writer.table(page.say("caption.mixing_dates"), columns, rows))


def _outcome_table(calls: pd.DataFrame, writer: Writer) -> Table:
    counts = calls.groupby(["role", "outcome"]).size()
    rows = []
    for role in ("baseline", "query"):
        cells = [int(counts.get((role, outcome), 0)) for outcome in OUTCOMES]
        if sum(cells) or role == "baseline":
            rows.append([writer.say(f"role.{role}"), *map(writer.numbers.count, [*cells, sum(cells)])])
    columns = [writer.column("column.role")]
    columns += [writer.column(f"outcome.{outcome}", number=True) for outcome in OUTCOMES]
    columns.append(writer.column("column.all", number=True))
    return writer.table(writer.say("caption.outcomes"), columns, rows)


def _rates_drawing(page: SpeciesPage, rates: pd.DataFrame) -> Drawing:
    rates = rates.set_index("locationID", drop=False)
    rates = rates.loc[page.study.in_coast_order(list(rates.index))].copy()
    contact = [site for site in rates.index if site in page.species.contact_sites]
    rates.loc[contact, ["rate", "ci_low", "ci_high"]] = float("nan")
    labels = [f"{page.writer.label(site)}*" if site in contact else page.writer.label(site) for site in rates.index]
    colours = [fs.unit_colour(page.species.unit_of.get(site, "")) for site in rates.index]
    figure = draw_site_rates(rates, labels, colours, page.writer.words, page.numbers)
    parts = [
        page.plain(
            "alt.rates.part",
            site=row["locationID"],
            rate=page.numbers.interval(row["rate"], row["ci_low"], row["ci_high"], percent=True),
        )
        for row in rates.to_dict("records")
    ]
    alt = page.plain("alt.rates", n=len(rates), parts=page.plain("format.comma").join(parts))
    caption = page.say("caption.rates")
    if contact:
        caption = Markup(" ").join([caption, page.say("caption.rates.contact")])
    return page.writer.drawing(figure, alt, caption)


def _unit_rates_table(rates: pd.DataFrame, writer: Writer) -> Table:
    """Return the rates of the stocks, contact zones in rows of their own."""
    numbers, rows = writer.numbers, []
    for row in rates.to_dict("records"):
        name = writer.chip(row["unit"])
        if row["contact_zone"]:
            name = Markup(" ").join([name, writer.say("rates.contact")])
        # where stocks meet by themselves a corrected rate would speak of nature, not of moved animals
        ends = [float("nan") if row["contact_zone"] else row[c] for c in ("rate", "ci_low", "ci_high")]
        counts = [numbers.count(row[c]) for c in ("n_sites", "n", "n_non_local", "n_mixed")]
        cells = [numbers.expected(row["expected_false"]), numbers.interval(*ends, percent=True)]
        rows.append([name, *counts, *cells])
    columns = [writer.column("column.unit")]
    columns += writer.number_columns("sites", "animals", "elsewhere", "mixed_animals", "expected_false", "corrected")
    return writer.table(writer.say("caption.unit_rates"), columns, rows)


def _class_table(page: SpeciesPage, flagged: pd.DataFrame, has_local: bool) -> Table:
    """Return the flagged animals by class, of waters with a local stock or of those without.

    Where there is no local stock, the first unit of a class is the one that fits best, so nothing is called local.
    """
    classes = page.tables["origin_classes"].set_index("materialSampleID")["verdict_class"]
    merged = flagged.assign(verdict=[str(classes.get(a, "")) for a in flagged["materialSampleID"]])
    # No class stands for an animal that no sampled stock fits.
    merged.loc[merged["outcome"] == "unsampled_origin", "verdict"] = ""
    counts = merged.groupby(["verdict", "role"]).size()
    verdicts = sorted(set(merged["verdict"]), key=lambda v: (-merged["verdict"].eq(v).sum(), v))
    rows = []
    for verdict in verdicts:
        names = [name for name in verdict.split("+") if name]
        parts = [page.say(f"class.{name}" if has_local else f"origin.{name}") for name in names]
        name = page.say("class.or").join(parts) if parts else page.say("outcome.unsampled_origin")
        rows.append([name, *(page.numbers.count(counts.get((verdict, r), 0)) for r in ("baseline", "query"))])
    columns = [
        page.writer.column("column.class"),
        page.writer.column("column.baseline", number=True),
        page.writer.column("column.query", number=True),
    ]
    return page.writer.table(page.say("caption.classes" if has_local else "caption.origins"), columns, rows)


def _mixture_table(page: SpeciesPage, shares: pd.DataFrame) -> Table:
    """Return the shares of the stocks among the query animals of each site, by year where there are several."""
    rows = []
    for site in page.study.in_coast_order(list(dict.fromkeys(shares["locationID"]))):
        own = shares[shares["locationID"] == site]
        years = own.loc[own["scope"] == "site_year", "year"].unique()
        groups = [(None, own[own["scope"] == "site"])]
        groups += [(year, own[own["year"] == year]) for year in years] if len(years) > 1 else []
        for year, group in groups:
            of_unit = group.set_index("unit")
            cells = [
                page.numbers.interval(*of_unit.loc[u, ["share", "ci_low", "ci_high"]], percent=True)
                for u in page.species.unit_names
            ]
            name = page.writer.site(site) if year is None else page.say("mixture.year", year=str(int(year)))
            first = of_unit.iloc[0]
            counts = [page.numbers.count(first[c]) for c in ("n_used", "n_mixed", "n_unsampled_origin")]
            rows.append([name, *cells, *counts])
    columns = [page.writer.column("column.site")]
    units = map(page.writer.unit, page.species.unit_names)
    columns += [page.writer.column("column.share_of", number=True, unit=unit) for unit in units]
    names = ("column.animals", "column.of_them_mixed", "column.left_out")
    columns += [page.writer.column(name, number=True) for name in names]
    return page.writer.table(page.say("caption.mixture"), columns, rows)


def _power_table(power: pd.DataFrame, writer: Writer) -> Table:
    means = power.groupby(["true_class", "called_class"], sort=False)["rate"].mean()
    # What is called a mixed class is summed here; its finer shares stay in the table.
    called = list(dict.fromkeys(power["called_class"]))
    groups = [(c, [c]) for c in ("local", "pure_a", "non_local", "pure_b") if c in called]
    groups.append(("mixed", [c for c in called if c not in (*OUTCOMES, "pure_a", "pure_b")]))
    groups += [(c, [c]) for c in ("unresolved", "unsampled_origin") if c in called]
    rows = []
    for true in dict.fromkeys(power["true_class"]):
        cells = [sum(means.get((true, c), 0.0) for c in members) for _, members in groups]
        rows.append([writer.say(f"class.{true}"), *map(writer.numbers.percent, cells)])
    columns = [writer.column("column.true_class")]
    columns += [writer.column(f"class.{name}", number=True) for name, _ in groups]
    return writer.table(writer.say("caption.power"), columns, rows)
