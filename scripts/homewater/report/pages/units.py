"""Pages on one species: stocks and lines, what the genes show, and diversity."""

from __future__ import annotations

import numpy as np
import pandas as pd
from markupsafe import Markup

from homewater.report.figures import style as fs
from homewater.report.figures.map import MapSite, draw_map
from homewater.report.figures.structure import draw_ancestry, draw_components, draw_distance, draw_fst_matrix
from homewater.report.pages.clines import add_clines
from homewater.report.pages.elements import Section, Writer
from homewater.report.pages.evidence import (
    axes_text,
    clusters_text,
    odd_kinships,
    overall_text,
    within_units_text,
)
from homewater.report.pages.results import SpeciesResults, StudyResults
from homewater.report.pages.summary import detectable, neighbours_across, sites_of_unit, statement
from homewater.report.words.numbers import is_missing

BOLD_LEVEL = 0.05


def map_sites(study: StudyResults, species: SpeciesResults | None) -> list[MapSite]:
    """Return the sites as a map shows them, with units where a species is given."""
    contact = set()
    if species is not None:
        contact = species.contact_sites
    return [
        MapSite(
            site=row["locationID"],
            longitude=float(row["decimalLongitude"]),
            latitude=float(row["decimalLatitude"]),
            unit=species.unit_of.get(row["locationID"], "") if species is not None else "",
            jurisdiction=str(row["jurisdiction"]),
            kind=study.kind[row["locationID"]],
            contact_zone=row["locationID"] in contact,
        )
        for row in study.sites.to_dict("records")
    ]


def units_section(study: StudyResults, species: SpeciesResults, writer: Writer, anchor: str) -> Section:
    """Return the section on stocks and the lines between them."""
    section = Section(writer.say("heading.units"), anchor)
    name = species.settings["name"]
    figure = draw_map(map_sites(study, species), study.land, writer.words, neighbours_across(study, species))
    per_unit = {u: sites_of_unit(study, species, u) for u in species.unit_names}
    parts = [
        writer.say("alt.unit_part", count=len(sites), unit=writer.say("unit.title", number=i + 1))
        for i, sites in enumerate(per_unit.values())
    ]
    alt = writer.plain("alt.unit_map", parts=writer.listing(parts).unescape())
    caption = "caption.unit_map" if species.n_units > 1 else "caption.unit_map.one"
    drawing = writer.drawing(figure, alt, writer.say(caption, species=name))
    text = Section(section.title, anchor)
    text.say(statement(species, writer), detectable(species, writer))
    text.add("table", _units_table(study, species, writer, per_unit))
    section.illustrate(drawing, text)
    breaks = species.tables["breaks"]
    shown = breaks[breaks["grade"] != "none"]
    if len(shown):
        section.add("table", _breaks_table(shown, writer))
    else:
        section.say(writer.say("breaks.none" if breaks["p_value"].notna().any() else "breaks.untested"))
    section.say(*_shares_texts(species, writer))
    add_clines(section, study, species, writer)
    return section


def _shares_texts(species: SpeciesResults, writer: Writer) -> list[Markup]:
    """Return how much lies between jurisdictions and between stocks, and whether the borders themselves stand out."""
    texts = []
    for row in species.tables["variance_shares"].to_dict("records"):
        if is_missing(row["share"]):
            continue
        interval = writer.numbers.interval(row["share"], row["ci_low"], row["ci_high"], percent=True)
        text = writer.say("shares.sentence", grouping=writer.say(f"grouping.{row['grouping']}"), interval=interval)
        if row["grouping"] == "jurisdiction":
            text += Markup(" ") + _border_text(row, species, writer)
        texts.append(text)
    return texts


def _border_text(row: dict, species: SpeciesResults, writer: Writer) -> Markup:
    if is_missing(row["rank_among_placements"]):
        units = species.tables["units"]
        own = units[units["basis"] == "own_animals"]
        divided = (own.groupby("unit")["jurisdiction"].nunique() > 1).any()
        return writer.say("shares.border.too_few" if divided else "shares.border.along_units")
    beyond = writer.numbers.interval(row["beyond_units_fst"], row["beyond_ci_low"], row["beyond_ci_high"])
    rank, count = int(row["rank_among_placements"]), int(row["n_placements"])
    standing = (
        writer.say("shares.rank.first") if rank == 1 else writer.say("shares.rank.later", count=rank - 1, rank=rank)
    )
    text = writer.say("shares.border.ranked", count=count, beyond=beyond, standing=standing)
    low, high = row["beyond_ci_low"], row["beyond_ci_high"]
    if not is_missing(low) and not is_missing(high) and low <= 0 <= high:
        text += Markup(" ") + writer.say("shares.border.zero")
    return text


def _units_table(study: StudyResults, species: SpeciesResults, writer: Writer, per_unit: dict[str, list[str]]):
    units = species.tables["units"].set_index("locationID")
    animals = species.tables["animals"]
    kept = animals[(animals["status"] == "kept") & (animals["role"] == "baseline")]
    rows = []
    for unit, sites in per_unit.items():
        cells = []
        for site in sites:
            cell = Markup.escape(site)
            if units.loc[site, "basis"] != "own_animals":
                cell = writer.say("cell.bracketed", site=cell)
            elif bool(units.loc[site, "contact_zone"]):
                cell = writer.say("cell.contact", site=cell)
            cells.append(cell)
        own = [s for s in sites if units.loc[s, "basis"] == "own_animals"]
        jurisdictions = list(dict.fromkeys(study.jurisdiction[s] for s in sites))
        n = writer.numbers.count(kept["locationID"].isin(own).sum())
        rows.append([writer.chip(unit) + _under(jurisdictions, writer), writer.say("format.comma").join(cells), n])
    without = study.in_coast_order([s for s, u in species.unit_of.items() if not u])
    if without:
        jurisdictions = list(dict.fromkeys(study.jurisdiction[s] for s in without))
        cells = writer.say("format.comma").join(Markup.escape(s) for s in without)
        rows.append([writer.say("unit.none") + _under(jurisdictions, writer), cells, writer.say("format.missing")])
    columns = [
        writer.column("column.unit"),
        writer.column("column.sites"),
        writer.column("column.n_animals", number=True),
    ]
    return writer.table(writer.say("caption.units", species=species.settings["name"]), columns, rows)


def _under(names: list[str], writer: Writer) -> Markup:
    return Markup(' <span class="under">{}</span>').format(writer.listing(names))


def _breaks_table(breaks: pd.DataFrame, writer: Writer):
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


def evidence_section(study: StudyResults, species: SpeciesResults, writer: Writer, anchor: str) -> Section:
    """Return the section on what the genes show."""
    section = Section(writer.say("heading.evidence"), anchor)
    _add_ancestry(section, study, species, writer)
    section.say(*within_units_text(species, writer))
    pair = [d for d in (_distance(species, writer), _components(species, writer)) if d is not None]
    if pair:
        section.add("pair", pair)
    section.say(*axes_text(species.tables["pca_axes"], writer), _distance_text(species, writer))
    _add_fst(section, study, species, writer)
    odd_kinships(section, study, species, writer)
    return section


def _clusters(ancestry: pd.DataFrame) -> list[str]:
    return sorted((c for c in ancestry if c.startswith("cluster_")), key=lambda c: int(c.rsplit("_", 1)[1]))


def _add_ancestry(section: Section, study: StudyResults, species: SpeciesResults, writer: Writer) -> None:
    ancestry = species.tables["ancestry"]
    clusters = _clusters(ancestry)
    section.say(*clusters_text(species.tables["cluster_number"], writer))
    if not len(ancestry) or not clusters:
        section.say(writer.say("ancestry.none"))
        return
    if len(clusters) < 2:
        return
    role = dict(zip(species.tables["animals"]["materialSampleID"], species.tables["animals"]["role"], strict=True))
    roles = np.array([role.get(a, "baseline") for a in ancestry["materialSampleID"]])
    shares = ancestry[clusters].to_numpy(dtype=float)
    typed = np.isfinite(shares).all(axis=1)
    groups, texts = [], []
    for site in study.coast:
        for wanted in ("baseline", "query"):
            own = typed & (ancestry["locationID"].to_numpy() == site) & (roles == wanted)
            if own.any():
                label = writer.label(site)
                if wanted == "query":
                    label = writer.plain("figure.label_query", label=label)
                groups.append((label, int(own.sum()), shares[own]))
                mean = writer.numbers.percent(shares[own, 0].mean())
                texts.append(writer.plain("alt.ancestry.share", site=label, share=mean))
    if not groups:
        section.say(writer.say("ancestry.none"))
        return
    figure = draw_ancestry(groups, _cluster_colours(species, ancestry, clusters), writer.words)
    listed = writer.plain("format.comma").join(texts)
    alt = writer.plain("alt.ancestry", animals=int(typed.sum()), sites=len(groups), shares=listed)
    section.add("drawing", writer.drawing(figure, alt, writer.say("caption.ancestry", count=len(clusters))))


def _cluster_colours(species: SpeciesResults, ancestry: pd.DataFrame, clusters: list[str]) -> list[str]:
    """Return a colour for each cluster: that of the unit in which it is most frequent, where that is unambiguous."""
    units = ancestry["locationID"].map(species.unit_of)
    means = {u: ancestry.loc[units == u, clusters].mean().to_numpy() for u in species.unit_names if (units == u).any()}
    colours: dict[int, str] = {}
    for unit, mean in means.items():
        top = int(np.argmax(mean))
        if top not in colours:
            colours[top] = fs.unit_colour(unit)
    spare = iter([c for c in fs.UNIT_COLOURS if c not in colours.values()])
    return [colours.get(k) or next(spare, fs.FAINT) for k in range(len(clusters))]


def _add_fst(section: Section, study: StudyResults, species: SpeciesResults, writer: Writer) -> None:
    section.say(*overall_text(species, writer))
    table = species.tables["pairwise_fst"]
    known = table[table["fst"].notna()]
    sites = study.in_coast_order(set(known["site_a"]) | set(known["site_b"]))
    if len(sites) < 3:
        section.say(writer.say("fst.none"))
        return
    place = {site: i for i, site in enumerate(sites)}
    fst, q_value = np.full((2, len(sites), len(sites)), np.nan)
    for a, b, value, q in zip(known["site_a"], known["site_b"], known["fst"], known["q_value"], strict=True):
        i, j = place[a], place[b]
        fst[i, j] = fst[j, i] = value
        q_value[i, j] = q_value[j, i] = np.nan if is_missing(q) else q
    labels = [writer.cut(site, 14) for site in sites]
    figure = draw_fst_matrix(labels, fst, q_value, BOLD_LEVEL, writer.words, writer.numbers)
    top = known.loc[known["fst"].astype(float).idxmax()]
    values = known["fst"].astype(float)
    alt = writer.plain(
        "alt.fst",
        n=len(sites),
        low=writer.numbers.number(values.min()),
        median=writer.numbers.number(values.median()),
        high=writer.numbers.number(values.max()),
        a=writer.site(top["site_a"]),
        b=writer.site(top["site_b"]),
    )
    section.add("drawing", writer.drawing(figure, alt, writer.say("caption.fst")))


def _distance(species: SpeciesResults, writer: Writer):
    table = species.tables["pairwise_fst"]
    known = table[table["fst"].notna() & table["sea_km"].notna() & (table["fst"].astype(float) < 1)]
    if len(known) < 3:
        return None
    fst, km = known["fst"].to_numpy(dtype=float), known["sea_km"].to_numpy(dtype=float)
    unit_of = species.unit_of
    between = np.array(
        [unit_of.get(a) != unit_of.get(b) for a, b in zip(known["site_a"], known["site_b"], strict=True)]
    )
    line, y = None, fst / (1 - fst)
    if (~between).sum() >= 3 and np.ptp(km[~between]) > 0:
        slope, intercept = np.polyfit(km[~between], y[~between], 1)
        line = (float(slope), float(intercept))
    alt = writer.plain("alt.distance", n=len(known), km=writer.numbers.km(km.max()))
    figure = draw_distance(km, y, between, writer.words, line)
    return writer.drawing(figure, alt, writer.say("caption.distance"))


def _distance_text(species: SpeciesResults, writer: Writer) -> Markup:
    texts = []
    for row in species.tables["isolation_by_distance"].to_dict("records"):
        if is_missing(row["correlation"]):
            continue
        values = {
            "correlation": writer.numbers.fixed(row["correlation"], 2),
            "p": writer.numbers.p_value(row["p_value"]),
        }
        if row["scope"] == "all":
            texts.append(writer.say("distance.all", **values))
        elif species.n_units > 1:
            n = writer.numbers.count(row["n_sites"])
            texts.append(writer.say("distance.unit", unit=writer.unit(row["scope"]), n=n, **values))
    return Markup(" ").join(texts) if texts else writer.say("distance.none")


def _components(species: SpeciesResults, writer: Writer):
    pca, axes = species.tables["pca"], species.tables["pca_axes"]
    if "pc1" not in pca or "pc2" not in pca:
        return None
    known = pca[pca["pc1"].notna() & pca["pc2"].notna()]
    if not len(known):
        return None
    share = dict(zip(axes["axis"].astype(int), axes["variance_share"], strict=True))
    shares = [writer.numbers.percent(share[k]) if not is_missing(share.get(k)) else "" for k in (1, 2)]
    role = dict(zip(species.tables["animals"]["materialSampleID"], species.tables["animals"]["role"], strict=True))
    query = np.array([role.get(a) == "query" for a in known["materialSampleID"]], dtype=bool)
    units = [species.unit_of.get(s, "") for s in known["locationID"]]
    figure = draw_components(known[["pc1", "pc2"]].to_numpy(dtype=float), units, shares, writer.words, query)
    alt = writer.plain("alt.components", n=len(known))
    return writer.drawing(figure, alt, writer.say("caption.components"))


def diversity_section(study: StudyResults, species: SpeciesResults, writer: Writer, anchor: str) -> Section:
    """Return the section on the diversity of sites."""
    section = Section(writer.say("heading.diversity"), anchor)
    table = species.tables["site_diversity"].set_index("locationID")
    rows = []
    for site in study.in_coast_order(list(table.index)):
        row = table.loc[site]
        cells = [
            writer.numbers.interval(row[c], row.get(f"{c}_ci_low"), row.get(f"{c}_ci_high"))
            for c in ("observed_heterozygosity", "expected_heterozygosity", "inbreeding_coefficient")
        ]
        rows.append([writer.site(site), writer.numbers.count(row["n"]), *cells, _effective(row, writer)])
        rows[-1].append(writer.numbers.count(row["effective_size_left_out"]))
    columns = [writer.column("column.site")]
    columns += [
        writer.column(f"column.{c}", number=True)
        for c in ("n", "observed", "expected", "inbreeding", "effective", "left_out")
    ]
    section.add("table", writer.table(writer.say("caption.diversity"), columns, rows, "wide"))
    if rows:
        section.say(writer.say("diversity.caution"))
    unbounded = np.isfinite(table["effective_size_ci_low"].astype(float))  # bounded below, and not above
    unbounded &= ~np.isfinite(table["effective_size_ci_high"].astype(float))
    if unbounded.any():
        section.say(writer.say("diversity.unbounded", count=int(unbounded.sum())))
    return section


def _effective(row: pd.Series, writer: Writer) -> str:
    basis = row.get("effective_size_basis")
    low, high = row.get("effective_size_ci_low"), row.get("effective_size_ci_high")
    if is_missing(row["effective_size"]):
        if basis == "no_drift_signal" and not is_missing(low):
            return writer.plain("effective.above", low=writer.numbers.number(low, 2))
        return writer.plain("format.missing" if is_missing(basis) else f"effective.{basis}")
    if is_missing(high):
        high = np.inf  # an interval of effective size is open where the sample cannot bound it
    return writer.numbers.interval(row["effective_size"], low, high)
