"""Page on what the genes show: groups, axes, differences between sites, and sites of odd kinship."""

from __future__ import annotations

import numpy as np
import pandas as pd
from markupsafe import Markup

from homewater.report.figures import style as fs
from homewater.report.figures.structure import draw_ancestry, draw_components, draw_distance, draw_fst_matrix
from homewater.report.pages.elements import Drawing, Section, SpeciesPage, Writer
from homewater.report.pages.frequency_spectrum import fst_caution
from homewater.report.pages.genome_blocks import add_genome_blocks
from homewater.report.pages.odd_kinships import add_odd_kinships
from homewater.report.pages.results import SpeciesResults
from homewater.report.pages.site_years import add_site_years
from homewater.report.words.numbers import is_missing

BOLD_LEVEL = 0.05  # false-discovery rate below which F_ST of two sites is printed bold


def evidence_section(page: SpeciesPage) -> Section:
    """Return the section on what the genes show."""
    section = page.section("evidence")
    _add_ancestry(section, page)
    section.say(*_within_units_text(page))
    pair = [d for d in (_distance(page), _components(page)) if d is not None]
    if pair:
        section.add("pair", pair)
    section.say(*_axes_text(page.tables["pca_axes"], page.writer), _distance_text(page))
    _add_fst(section, page)
    add_site_years(section, page)
    add_odd_kinships(section, page)
    add_genome_blocks(section, page)
    return section


def _groups(ancestry: pd.DataFrame) -> list[str]:
    return sorted((c for c in ancestry if c.startswith("group_")), key=lambda c: int(c.rsplit("_", 1)[1]))


def _add_ancestry(section: Section, page: SpeciesPage) -> None:
    ancestry = page.tables["ancestry"]
    groups = _groups(ancestry)
    section.say(*_groups_text(page.tables["group_number"], page.writer))
    if not len(ancestry) or not groups:
        section.say(page.say("ancestry.none"))
        return
    if len(groups) < 2:
        return
    role = dict(zip(page.tables["animals"]["materialSampleID"], page.tables["animals"]["role"], strict=True))
    roles = np.array([role.get(a, "baseline") for a in ancestry["materialSampleID"]])
    shares = ancestry[groups].to_numpy(dtype=float)
    typed = np.isfinite(shares).all(axis=1)
    bands, texts = [], []
    for site in page.study.coast:
        for wanted in ("baseline", "query"):
            own = typed & (ancestry["locationID"].to_numpy() == site) & (roles == wanted)
            if own.any():
                label = page.writer.label(site)
                if wanted == "query":
                    label = page.plain("figure.label_query", label=label)
                bands.append((label, int(own.sum()), shares[own]))
                mean = page.numbers.percent(shares[own, 0].mean())
                texts.append(page.plain("alt.ancestry.share", site=label, share=mean))
    if not bands:
        section.say(page.say("ancestry.none"))
        return
    figure = draw_ancestry(bands, _group_colours(page.species, ancestry, groups), page.writer.words)
    listed = page.plain("format.comma").join(texts)
    alt = page.plain("alt.ancestry", animals=int(typed.sum()), sites=len(bands), shares=listed)
    section.add("drawing", page.writer.drawing(figure, alt, page.say("caption.ancestry", count=len(groups))))


def _group_colours(species: SpeciesResults, ancestry: pd.DataFrame, groups: list[str]) -> list[str]:
    """Return a colour for each group: that of the unit in which it is most frequent, where that is unambiguous."""
    units = ancestry["locationID"].map(species.unit_of)
    means = {u: ancestry.loc[units == u, groups].mean().to_numpy() for u in species.unit_names if (units == u).any()}
    colours: dict[int, str] = {}
    for unit, mean in means.items():
        top = int(np.argmax(mean))
        if top not in colours:
            colours[top] = fs.unit_colour(unit)
    spare = iter([c for c in fs.UNIT_COLOURS if c not in colours.values()])
    return [colours.get(k) or next(spare, fs.FAINT) for k in range(len(groups))]


def _add_fst(section: Section, page: SpeciesPage) -> None:
    section.say(*_overall_text(page), *fst_caution(page))
    table = page.tables["pairwise_fst"]
    known = table[table["fst"].notna()]
    sites = page.study.in_coast_order(set(known["site_a"]) | set(known["site_b"]))
    if len(sites) < 3:
        section.say(page.say("fst.none"))
        return
    place = {site: i for i, site in enumerate(sites)}
    fst, q_value = np.full((2, len(sites), len(sites)), np.nan)
    for a, b, value, q in zip(known["site_a"], known["site_b"], known["fst"], known["q_value"], strict=True):
        i, j = place[a], place[b]
        fst[i, j] = fst[j, i] = value
        q_value[i, j] = q_value[j, i] = np.nan if is_missing(q) else q
    labels = [page.writer.cut(site, 14) for site in sites]
    figure = draw_fst_matrix(labels, fst, q_value, BOLD_LEVEL, page.writer.words, page.numbers)
    top = known.loc[known["fst"].astype(float).idxmax()]
    values = known["fst"].astype(float)
    alt = page.plain(
        "alt.fst",
        n=len(sites),
        low=page.numbers.number(values.min()),
        median=page.numbers.number(values.median()),
        high=page.numbers.number(values.max()),
        a=page.writer.site(top["site_a"]),
        b=page.writer.site(top["site_b"]),
    )
    section.add("drawing", page.writer.drawing(figure, alt, page.say("caption.fst")))


def _distance(page: SpeciesPage) -> Drawing | None:
    table = page.tables["pairwise_fst"]
    known = table[table["fst"].notna() & table["sea_km"].notna() & (table["fst"].astype(float) < 1)]
    if len(known) < 3:
        return None
    fst, km = known["fst"].to_numpy(dtype=float), known["sea_km"].to_numpy(dtype=float)
    unit_of = page.species.unit_of
    between = np.array(
        [unit_of.get(a) != unit_of.get(b) for a, b in zip(known["site_a"], known["site_b"], strict=True)]
    )
    line, y = None, fst / (1 - fst)
    if (~between).sum() >= 3 and np.ptp(km[~between]) > 0:
        slope, intercept = np.polyfit(km[~between], y[~between], 1)
        line = (float(slope), float(intercept))
    alt = page.plain("alt.distance", n=len(known), km=page.numbers.km(km.max()))
    figure = draw_distance(km, y, between, page.writer.words, line)
    return page.writer.drawing(figure, alt, page.say("caption.distance"))


def _distance_text(page: SpeciesPage) -> Markup:
    texts = []
    for row in page.tables["isolation_by_distance"].to_dict("records"):
        if is_missing(row["correlation"]) or (row["scope"] != "all" and page.n_units < 2):
            continue
        values = {
            "place": page.say("distance.all")
            if row["scope"] == "all"
            else page.say("distance.unit", unit=page.writer.unit(row["scope"]), n=page.numbers.count(row["n_sites"])),
            "correlation": page.numbers.fixed(row["correlation"], 2),
            "p": page.numbers.p_value(row["p_value_stated"]),
        }
        if row["reading"] == "one_site_alone":
            values |= {"site": page.writer.site(row["site_that_matters_most"])}
            values |= {"p_without": page.numbers.p_value(row["p_value_without_one"])}
        if row["reading"] == "not_detected":
            values["most"] = page.numbers.number(max(0.0, 100 * float(row["ci_high_site_effects"])))
        identifier = f"distance.{row['reading']}"
        texts.append(page.say(identifier, **{name: values[name] for name in page.writer.words.wanted(identifier)}))
    return Markup(" ").join(texts) if texts else page.say("distance.none")


def _components(page: SpeciesPage) -> Drawing | None:
    pca, axes = page.tables["pca"], page.tables["pca_axes"]
    if "pc1" not in pca or "pc2" not in pca:
        return None
    known = pca[pca["pc1"].notna() & pca["pc2"].notna()]
    if not len(known):
        return None
    share = dict(zip(axes["axis"].astype(int), axes["variance_share"], strict=True))
    shares = [page.numbers.percent(share[k]) if not is_missing(share.get(k)) else "" for k in (1, 2)]
    role = dict(zip(page.tables["animals"]["materialSampleID"], page.tables["animals"]["role"], strict=True))
    query = np.array([role.get(a) == "query" for a in known["materialSampleID"]], dtype=bool)
    units = [page.species.unit_of.get(s, "") for s in known["locationID"]]
    figure = draw_components(known[["pc1", "pc2"]].to_numpy(dtype=float), units, shares, page.writer.words, query)
    alt = page.plain("alt.components", n=len(known))
    return page.writer.drawing(figure, alt, page.say("caption.components"))


def _groups_text(numbers: pd.DataFrame, writer: Writer) -> list[Markup]:
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


def _axes_text(axes: pd.DataFrame, writer: Writer) -> list[Markup]:
    """Return how many of the axes are more than chance gives; nothing where none could be tested."""
    if not axes["p_value"].notna().any():
        return []
    found = int(axes["beyond_chance"].fillna(False).astype(bool).sum())
    return [
        writer.say("axes.all" if found == len(axes) else "axes.found", count=found)
        if found
        else writer.say("axes.none")
    ]


def _within_units_text(page: SpeciesPage) -> list[Markup]:
    """Return how many groups are supported inside each stock; with one stock that is what was said of all animals."""
    table = page.tables["groups_within_units"]
    chosen = table[table["chosen"].fillna(False).astype(bool)]
    if page.n_units < 2 or not len(chosen):
        return []
    texts = []
    for row in chosen.to_dict("records"):
        animals = page.numbers.count(row["n_animals"])
        texts.append(page.say("within.unit", unit=page.writer.unit(row["unit"]), count=int(row["k"]), animals=animals))
    return [Markup(" ").join([page.say("within.start"), *texts, page.say("within.caution")])]


def _overall_text(page: SpeciesPage) -> list[Markup]:
    """Return overall F_ST over all sites and within stocks, at equal sample sizes."""
    texts = []
    for row in page.tables["overall_fst"].to_dict("records"):
        if is_missing(row["fst"]) or (row["scope"] != "all" and page.n_units < 2):
            continue
        interval = page.numbers.interval(row["fst"], row["ci_low"], row["ci_high"])
        sites = page.numbers.count(row["n_sites"])
        if row["scope"] != "all":
            texts.append(page.say("overall.unit", unit=page.writer.unit(row["scope"]), interval=interval, sites=sites))
            continue
        texts.append(
            page.say(
                "overall.all",
                interval=interval,
                sites=sites,
                animals=page.numbers.count(row["animals_a_site"]),
                as_sampled=page.numbers.interval(
                    row["fst_all_animals"], row["ci_low_all_animals"], row["ci_high_all_animals"]
                ),
            )
        )
    return [Markup(" ").join(texts)] if texts else []
