"""Sentences on the evidence: groups and whether they are found again, axes, overall F_ST, odd kinships."""

from __future__ import annotations

import pandas as pd
from markupsafe import Markup

from homewater.report.pages.elements import Section, Writer
from homewater.report.pages.results import SpeciesResults, StudyResults
from homewater.report.words.numbers import is_missing


def clusters_text(numbers: pd.DataFrame, writer: Writer) -> list[Markup]:
    """Return what is said of the number of groups: the supported one, the reported one, and why they differ."""

    def row_of(column: str) -> dict | None:
        marked = numbers[numbers[column].fillna(False).astype(bool)]
        return marked.iloc[0].to_dict() if len(marked) else None

    supported, reported = row_of("chosen"), row_of("reported")
    if supported is None or reported is None:
        return []
    most, shown = int(supported["k"]), int(reported["k"])
    texts = [writer.say("ancestry.chosen", count=most)]
    if shown < most:
        texts.append(
            writer.say(
                "ancestry.not_reported",
                agree=int(supported["n_starts_agree"]),
                starts=int(supported["n_starts"]),
            )
        )
        texts.append(writer.say("ancestry.reported", count=shown))
    if shown > 1 and not is_missing(reported["n_starts"]):
        starts = {"agree": int(reported["n_starts_agree"]), "starts": int(reported["n_starts"])}
        texts.append(writer.say("ancestry.starts", **starts))
    elif most == 1:
        texts.append(writer.say("ancestry.no_figure"))
    return [Markup(" ").join(texts)]


def axes_text(axes: pd.DataFrame, writer: Writer) -> list[Markup]:
    """Return how many of the axes are more than chance gives; nothing where none could be tested."""
    if not axes["p_value"].notna().any():
        return []
    found = int(axes["beyond_chance"].fillna(False).astype(bool).sum())
    return [
        writer.say("axes.all" if found == len(axes) else "axes.found", count=found)
        if found
        else writer.say("axes.none")
    ]


def within_units_text(species: SpeciesResults, writer: Writer) -> list[Markup]:
    """Return how many groups are supported inside each stock; with one stock that is what was said of all animals."""
    table = species.tables["clusters_within_units"]
    chosen = table[table["chosen"].fillna(False).astype(bool)]
    if species.n_units < 2 or not len(chosen):
        return []
    texts = []
    for row in chosen.to_dict("records"):
        animals = writer.numbers.count(row["n_animals"])
        texts.append(writer.say("within.unit", unit=writer.unit(row["unit"]), count=int(row["k"]), animals=animals))
    return [Markup(" ").join([writer.say("within.start"), *texts, writer.say("within.caution")])]


def overall_text(species: SpeciesResults, writer: Writer) -> list[Markup]:
    """Return overall F_ST over all sites and within stocks, at equal sample sizes."""
    texts = []
    for row in species.tables["overall_fst"].to_dict("records"):
        if is_missing(row["fst"]) or (row["scope"] != "all" and species.n_units < 2):
            continue
        interval = writer.numbers.interval(row["fst"], row["ci_low"], row["ci_high"])
        sites = writer.numbers.count(row["n_sites"])
        if row["scope"] != "all":
            texts.append(writer.say("overall.unit", unit=writer.unit(row["scope"]), interval=interval, sites=sites))
            continue
        texts.append(
            writer.say(
                "overall.all",
                interval=interval,
                sites=sites,
                animals=writer.numbers.count(row["animals_a_site"]),
                as_sampled=writer.numbers.interval(
                    row["fst_all_animals"], row["ci_low_all_animals"], row["ci_high_all_animals"]
                ),
            )
        )
    return [Markup(" ").join(texts)] if texts else []


def odd_kinships(section: Section, study: StudyResults, species: SpeciesResults, writer: Writer) -> None:
    """Say which sites are closer kin to a far site than to their neighbours, what that may mean, what would tell."""
    table = species.tables["odd_kinships"]
    if not len(table):
        section.say(writer.say("odd.untested"))
        return
    odd = table[table["odd"].fillna(False).astype(bool)]
    detectable = writer.numbers.number(table["detectable_excess"].astype(float).median())
    sites = writer.numbers.count(len(table))
    if not len(odd):
        section.say(writer.say("odd.none", sites=sites, detectable=detectable))
        return
    section.say(writer.say("odd.found", count=len(odd), sites=sites, detectable=detectable))
    columns = [writer.column(f"column.odd.{name}") for name in ("site", "near", "far")]
    columns.append(writer.column("column.odd.excess", number=True))
    rows = []
    odd = odd.set_index("locationID")
    for site in study.in_coast_order(list(odd.index)):
        row = odd.loc[site]
        pairs = [
            writer.say(
                "odd.other",
                site=writer.site(row[f"{which}_site"]),
                km=writer.numbers.km(row[f"{which}_km"]),
                fst=writer.numbers.number(row[f"fst_{which}"]),
            )
            for which in ("near", "far")
        ]
        excess = writer.numbers.interval(row["excess"], row["ci_low"], row["ci_high"])
        rows.append([writer.site(site), *pairs, excess])
    section.add("table", writer.table(writer.say("caption.odd"), columns, rows))
    section.listed([writer.say(f"odd.reading.{reading}") for reading in ("history", "transfer", "sampling")])
    moved = study.transfers
    dates = sorted(d for d in moved.loc[moved["species"] == species.settings["id"], "eventDate"] if not is_missing(d))
    section.say(writer.say("odd.before_date", date=writer.date(dates[0])) if dates else writer.say("odd.before"))
