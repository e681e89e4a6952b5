"""Page on the stocks of a species and the lines between them."""

from __future__ import annotations

import pandas as pd
from markupsafe import Markup

from homewater.report.figures.map import draw_map
from homewater.report.pages.clines import add_clines
from homewater.report.pages.detection_curve import add_detection_curve
from homewater.report.pages.diversity import effective_text
from homewater.report.pages.elements import Section, SpeciesPage, Table, Writer
from homewater.report.pages.line_support import add_line_support
from homewater.report.pages.study import map_sites
from homewater.report.pages.summary import (
    detectable,
    further_statements,
    neighbours_across,
    sites_apart,
    sites_of_unit,
    statement,
)
from homewater.report.words.numbers import is_missing


def units_section(page: SpeciesPage) -> Section:
    """Return the section on stocks and the lines between them."""
    section = page.section("units")
    name = page.species.settings["name"]
    figure = draw_map(map_sites(page.study, page.species), page.study.land, page.writer.words, neighbours_across(page))
    per_unit = {u: sites_of_unit(page, u) for u in page.species.unit_names}
    counts = [
        page.say("alt.unit_part", count=len(sites), unit=page.say("unit.title", number=i + 1))
        for i, sites in enumerate(per_unit.values())
    ]
    alt = page.plain("alt.unit_map", parts=page.writer.listing(counts).unescape())
    caption = "caption.unit_map" if page.n_units > 1 else "caption.unit_map.one"
    drawing = page.writer.drawing(figure, alt, page.say(caption, species=name))
    text = Section(section.title, section.anchor)
    text.say(statement(page), *further_statements(page), detectable(page))
    text.add("table", _units_table(page, per_unit))
    section.illustrate(drawing, text)
    breaks = page.tables["breaks"]
    shown = breaks[breaks["grade"] != "none"]
    if len(shown):
        section.add("table", _breaks_table(shown, page.writer))
    else:
        section.say(page.say("breaks.none" if breaks["p_value"].notna().any() else "breaks.untested"))
    if sites_apart(page):
        _add_sites_apart(section, page)
    add_line_support(section, page)
    add_detection_curve(section, page)
    section.say(*_shares_texts(page))
    add_clines(section, page)
    return section


def _add_sites_apart(section: Section, page: SpeciesPage) -> None:
    """Add the sites that stand apart beside the others, and what may tell why."""
    drift = page.tables["site_drift"].set_index("locationID")
    diversity = page.tables["site_diversity"].set_index("locationID")
    numbers, apart = page.numbers, sites_apart(page)

    def cells(name: Markup | str, own: Markup | str, of: pd.Series, size: Markup | str) -> list:
        return [name, own, numbers.number(of["expected_heterozygosity"]), size, numbers.number(of["private_alleles"])]

    rows = []
    for site in apart:
        row = drift.loc[site]
        own = numbers.interval(row["own_drift"], row["ci_low"], row["ci_high"])
        of = diversity.loc[site]
        rows.append(cells(page.writer.site(site), own, of, effective_text(of, page.writer, "effective_size")))
    others = drift.index.difference(apart)
    if len(others):
        medians = diversity.loc[others, ["expected_heterozygosity", "private_alleles"]].median()
        own = numbers.number(drift.loc[others, "own_drift"].median())
        rows.append(cells(page.say("site_drift.others"), own, medians, page.say("format.missing")))
    columns = [page.writer.column("column.site")]
    for name in ("own_drift", "expected", "effective", "private"):
        columns.append(page.writer.column(f"column.{name}", number=True))
    section.add("table", page.writer.table(page.say("caption.site_drift"), columns, rows))
    section.say(page.say("site_drift.reading"))
    ends = [site for site in apart if bool(drift.loc[site, "at_end"])]
    if ends:
        names = page.writer.listing([page.writer.site(s) for s in ends])
        section.say(page.say("site_drift.at_end", count=len(ends), sites=names))


def _shares_texts(page: SpeciesPage) -> list[Markup]:
    """Return how much lies between jurisdictions and between stocks, and whether the borders themselves stand out."""
    texts = []
    for row in page.tables["variance_shares"].to_dict("records"):
        if is_missing(row["share"]):
            continue
        interval = page.numbers.interval(row["share"], row["ci_low"], row["ci_high"], percent=True)
        text = page.say("shares.sentence", grouping=page.say(f"grouping.{row['grouping']}"), interval=interval)
        if row["grouping"] == "jurisdiction":
            text += Markup(" ") + _border_text(page, row)
        texts.append(text)
    return texts


def _border_text(page: SpeciesPage, row: dict) -> Markup:
    if is_missing(row["rank_among_placements"]):
        units = page.tables["units"]
        own = units[units["basis"] == "own_animals"]
        divided = (own.groupby("unit")["jurisdiction"].nunique() > 1).any()
        return page.say("shares.border.too_few" if divided else "shares.border.along_units")
    beyond = page.numbers.interval(row["beyond_units_fst"], row["beyond_ci_low"], row["beyond_ci_high"])
    rank, count = int(row["rank_among_placements"]), int(row["n_placements"])
    standing = page.say("shares.rank.first") if rank == 1 else page.say("shares.rank.later", count=rank - 1, rank=rank)
    text = page.say("shares.border.ranked", count=count, beyond=beyond, standing=standing)
    low, high = row["beyond_ci_low"], row["beyond_ci_high"]
    if not is_missing(low) and not is_missing(high) and low <= 0 <= high:
        text += Markup(" ") + page.say("shares.border.zero")
    return text


def _units_table(page: SpeciesPage, per_unit: dict[str, list[str]]) -> Table:
    units = page.tables["units"].set_index("locationID")
    animals = page.tables["animals"]
    kept = animals[(animals["status"] == "kept") & (animals["role"] == "baseline")]
    rows = []
    for unit, sites in per_unit.items():
        cells = []
        for site in sites:
            cell = Markup.escape(site)
            if units.loc[site, "basis"] != "own_animals":
                cell = page.say("cell.bracketed", site=cell)
            elif bool(units.loc[site, "contact_zone"]):
                cell = page.say("cell.contact", site=cell)
            cells.append(cell)
        own = [s for s in sites if units.loc[s, "basis"] == "own_animals"]
        jurisdictions = list(dict.fromkeys(page.study.jurisdiction[s] for s in sites))
        n = page.numbers.count(kept["locationID"].isin(own).sum())
        name = page.writer.chip(unit) + _under(jurisdictions, page.writer)
        rows.append([name, page.say("format.comma").join(cells), n])
    without = page.study.in_coast_order([s for s, u in page.species.unit_of.items() if not u])
    if without:
        jurisdictions = list(dict.fromkeys(page.study.jurisdiction[s] for s in without))
        cells = page.say("format.comma").join(Markup.escape(s) for s in without)
        rows.append([page.say("unit.none") + _under(jurisdictions, page.writer), cells, page.say("format.missing")])
    columns = [
        page.writer.column("column.unit"),
        page.writer.column("column.sites"),
        page.writer.column("column.n_animals", number=True),
    ]
    return page.writer.table(page.say("caption.units", species=page.species.settings["name"]), columns, rows)


def _under(names: list[str], writer: Writer) -> Markup:
    return Markup(' <span class="under">{}</span>').format(writer.listing(names))


def _breaks_table(breaks: pd.DataFrame, writer: Writer) -> Table:
    # inside a contact the change is the mixing itself: set against the steps nearby its figures would mislead
    figures = ["fst_beyond_distance", "ci_low", "ci_high", "p_value"]
    breaks = breaks.assign(**{name: breaks[name].where(breaks["reading"] != "contact_zone") for name in figures})
    rows = [
        [
            writer.listing([writer.site(row["side_a_nearest_site"]), writer.site(row["side_b_nearest_site"])]),
            writer.numbers.interval(row["fst_beyond_distance"], row["ci_low"], row["ci_high"]),
            writer.numbers.p_value(row["p_value"]),
            writer.say(f"reading.{row['reading']}"),
        ]
        for row in breaks.to_dict("records")
    ]
    columns = [
        writer.column("column.between"),
        writer.column("column.beyond", number=True),
        writer.column("column.p_value", number=True),
        writer.column("column.grade"),
    ]
    return writer.table(writer.say("caption.breaks"), columns, rows)
