"""Page one: the same questions about each species, each answered in plain words."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

from markupsafe import Markup

from homewater.report.pages.elements import SpeciesPage, Writer
from homewater.report.pages.results import SpeciesResults
from homewater.report.words.numbers import is_missing
from homewater.tables.unit_names import unit_index

MOST_RATES = 2
BROAD = 2  # sites from which on a contact is told as one, as in the statement on units
LINE_GRADES = ("strong", "moderate")  # grades of a break that parts two units


@dataclass(frozen=True)
class Answer:
    """A question and what this study says to it."""

    question: Markup
    texts: list[Markup]


def sites_of_unit(page: SpeciesPage, unit: str) -> list[str]:
    """Return the sites of a unit in coastal order."""
    units = page.tables["units"]
    return page.study.in_coast_order(list(units.loc[units["unit"] == unit, "locationID"]))


def neighbours_across(page: SpeciesPage) -> list[tuple[str, str]]:
    """Return the pairs of sites between which lines run: each break between two units, by its nearest sites.

    Where the breaks name no such pair, neighbours along the coast that lie in different units stand for the line. No
    line runs beside a site that stands apart.
    """
    breaks, unit_of, units = page.tables["breaks"], page.species.unit_of, page.tables["units"]
    lines = breaks[breaks["reading"] == "boundary"]
    pairs = list(zip(lines["side_a_nearest_site"], lines["side_b_nearest_site"], strict=True))
    own = units.loc[(units["basis"] == "own_animals") & ~units["locationID"].isin(sites_apart(page)), "locationID"]
    sampled = page.study.in_coast_order(list(own))
    for candidates in (pairs, pairwise(sampled)):
        found = [(a, b) for a, b in candidates if unit_of.get(a) and unit_of.get(b) and unit_of[a] != unit_of[b]]
        if found:
            return found
    return []


def sites_apart(page: SpeciesPage) -> list[str]:
    """Return the sites that stand apart by drift of their own, in coastal order."""
    drift = page.tables["site_drift"]
    return page.study.in_coast_order(list(drift.loc[drift["reading"] == "stands_apart", "locationID"]))


def statement_values(values: dict, writer: Writer) -> dict[str, object]:
    """Return the values of a statement as text: their kind follows from their name.

    Args:
        values: {name: value}; shares end in share, rate, power, level or posterior, distances in km, probabilities in
            p or p_value; units and sites go by their ids; other numbers are F_ST or counts.
        writer: the writer.
    """
    texts: dict[str, object] = {}
    for name, value in values.items():
        ending = name.rsplit("_", 1)[-1]
        if isinstance(value, list):
            texts[name] = writer.listing([_named(v, writer) for v in value])
        elif isinstance(value, str):
            texts[name] = _named(value, writer)
        elif isinstance(value, bool):
            texts[name] = writer.plain("format.yes" if value else "format.no")
        elif ending in ("share", "rate", "power", "level", "posterior"):
            texts[name] = writer.numbers.percent(value)
        elif ending in ("p", "value"):
            texts[name] = writer.numbers.p_value(value)
        elif ending == "km":
            texts[name] = writer.numbers.km(value)
        else:
            texts[name] = writer.numbers.count(value) if isinstance(value, int) else writer.numbers.number(value)
    return texts


def _named(value: object, writer: Writer) -> str:
    text = str(value)
    if text.startswith("unit_"):
        return writer.unit(text)
    return writer.site(text) if text in writer.study.locality else text


def statement(page: SpeciesPage) -> Markup:
    """Return the statement of units/summary.json in words."""
    return _stated(page, f"statement.{page.records['units_summary']['statement_id']}")


def further_statements(page: SpeciesPage) -> list[Markup]:
    """Return what units/summary.json says besides, in words."""
    return [_stated(page, f"further.{name}") for name in page.records["units_summary"]["further_statement_ids"]]


def _stated(page: SpeciesPage, identifier: str) -> Markup:
    given = dict(page.records["units_summary"].get("values", {}))
    texts = statement_values(given, page.writer)
    for name in [n.removesuffix("_ci_low") for n in given if n.endswith("_ci_low")]:
        texts[name] = page.numbers.interval(given[f"{name}_fst"], given[f"{name}_ci_low"], given[f"{name}_ci_high"])
    return page.say(identifier, **{k: texts[k] for k in page.writer.words.wanted(identifier)})


def detectable(page: SpeciesPage) -> Markup:
    """Return which difference could have been seen, and with what chance."""
    found = page.records["units_summary"]["smallest_detectable_fst"]
    if is_missing(found["value"]):
        few = found["reason"] == "no_edge_can_be_a_line"
        return page.say("summary.sure.too_few_sites" if few else "summary.sure.not_detectable")
    number, power = page.numbers.number, page.numbers.stated(page.records["units_summary"]["power"])
    texts = [page.say("summary.sure.detectable", fst=number(found["value"]), power=power)]
    if not is_missing(found["value_worst"]) and found["value_worst"] != found["value"]:
        texts.append(page.say("summary.sure.detectable.worst", fst=number(found["value_worst"])))
    if not is_missing(found["value_contact"]):
        texts.append(page.say("summary.sure.detectable.contact", fst=number(found["value_contact"])))
    return Markup(" ").join(texts)


def answers(page: SpeciesPage) -> list[Answer]:
    """Return the answers about one species."""
    asked = [
        ("question.stocks", _stocks(page)),
        ("question.lines", _lines(page)),
        ("question.sure", _sure(page)),
        ("question.mixing", _mixing(page)),
        ("question.moves", _moves(page)),
        ("question.do", _to_do(page)),
    ]
    return [Answer(page.say(question), texts) for question, texts in asked]


def _stocks(page: SpeciesPage) -> list[Markup]:
    if page.n_units < 2:
        one_by_one = page.records["units_summary"]["statement_id"] == "sites_differ_one_by_one"
        one = "summary.units.one_by_one" if one_by_one else "summary.units.one"
        return [page.say(one if page.n_units else "summary.units.zero"), statement(page), *further_statements(page)]
    units = page.writer.listing([page.writer.unit(u) for u in page.species.unit_names])
    texts = [page.say("summary.units.many", count=page.n_units, units=units)]
    for unit in page.species.unit_names:
        sites = sites_of_unit(page, unit)
        name = page.say("unit.title", number=unit_index(unit) + 1)
        if len(sites) == 1:
            texts.append(page.say("summary.unit_sites.one", unit=name, first=page.writer.site(sites[0])))
        elif sites:
            number = page.say("scope.sites", count=len(sites))
            ends = {"first": page.writer.site(sites[0]), "last": page.writer.site(sites[-1])}
            texts.append(page.say("summary.unit_sites", unit=name, sites=number, **ends))
    return texts


def _lines(page: SpeciesPage) -> list[Markup]:
    pairs = neighbours_across(page)
    if page.n_units < 2:
        return [page.say("summary.line.none")]
    texts = [_line_text(page, a, b) for a, b in pairs] or [page.say("summary.line.none")]
    apart = sites_apart(page)
    if apart:
        names = page.writer.listing([page.writer.site(s) for s in apart])
        texts.append(page.say("summary.line.apart", count=len(apart), sites=names))
    units = page.tables["units"]
    if page.species.contact_sites:
        texts.append(page.say("summary.contact", **_contact_names(page)))
    placed = units[units["basis"] == "own_animals"]
    shared = [u for u in page.species.unit_names if placed.loc[placed["unit"] == u, "jurisdiction"].nunique() > 1]
    split = placed.groupby("jurisdiction")["unit"].nunique().gt(1).any()
    if shared:
        names = page.writer.listing([page.writer.unit(u) for u in shared])
        texts.append(page.say("summary.line.border_differs", shared=names))
    elif split:
        texts.append(page.say("summary.line.border_splits"))
    else:
        texts.append(page.say("summary.line.border_same"))
    return texts


def _line_text(page: SpeciesPage, a: str, b: str) -> Markup:
    """Return where a line runs: between two sites, or through the middle of a contact of several."""
    breaks, names = page.tables["breaks"], {"a": page.writer.site(a), "b": page.writer.site(b)}
    here = (breaks["side_a_nearest_site"] == a) & (breaks["side_b_nearest_site"] == b)
    mixed = breaks.loc[here, "n_contact_sites"].max()
    if is_missing(mixed) or mixed < BROAD:
        return page.say("summary.line", **names)
    return page.say("summary.line.broad", count=int(mixed), **names)


def _sure(page: SpeciesPage) -> list[Markup]:
    numbers, texts = page.numbers, []
    if page.n_units > 1:
        breaks = page.tables["breaks"]
        breaks = breaks[breaks["grade"].isin(LINE_GRADES) & breaks["fst_beyond_distance"].notna()]
        if len(breaks):
            top = breaks.loc[breaks["fst_beyond_distance"].astype(float).idxmax()]
            interval = numbers.interval(top["fst_beyond_distance"], top["ci_low"], top["ci_high"])
            texts.append(page.say("summary.sure.break", interval=interval))
        chosen = chosen_size(page.species)
        if chosen is not None:
            accuracy = numbers.interval(chosen["nested_accuracy"], chosen["ci_low"], chosen["ci_high"], percent=True)
            count = n_panel_markers(page.species)
            texts.append(page.say("summary.sure.panel", count=count, accuracy=accuracy))
    texts.append(detectable(page))
    return texts


def n_panel_markers(species: SpeciesResults) -> int:
    """Return how many markers the panel has, reserves left out."""
    panel = species.tables["panel"]
    return int((panel["use"] == "panel").sum()) if "use" in panel else len(panel)


def chosen_size(species: SpeciesResults) -> dict | None:
    """Return the row of the size curve that stands for the panel as made, or None without one."""
    curve, n = species.tables["size_curve"], n_panel_markers(species)
    if not len(curve) or not n:
        return None
    nearest = (curve["n_markers"].astype(float) - n).abs().to_numpy().argmin()
    return curve.iloc[int(nearest)].to_dict()


def _mixing(page: SpeciesPage) -> list[Markup]:
    if page.n_units < 2:
        return [page.say("summary.mixing.one_unit" if page.n_units else "summary.mixing.no_unit")]
    rates = page.tables["site_rates"]
    if not len(rates):
        return [page.say("summary.mixing.empty")]
    rates = rates[~rates["locationID"].isin(page.species.contact_sites)]
    clear = rates[rates["ci_low"].astype(float) * rates["n"].astype(float) > rates["expected_false"].astype(float)]
    clear = clear.sort_values("rate", ascending=False, kind="stable")
    texts = []
    for row in clear.head(MOST_RATES).to_dict("records"):
        rate = page.numbers.interval(row["rate"], row["ci_low"], row["ci_high"], percent=True)
        texts.append(page.say("summary.mixing.rate", site=page.writer.site(row["locationID"]), rate=rate))
    if len(clear) > MOST_RATES:
        texts.append(page.say("summary.mixing.more", count=len(clear) - MOST_RATES))
    texts = texts or [page.say("summary.mixing.none")]
    if page.species.contact_sites:
        texts.append(page.say("summary.mixing.contact", **_contact_names(page)))
    return texts


def _contact_names(page: SpeciesPage) -> dict[str, object]:
    sites = page.study.in_coast_order(page.species.contact_sites)
    return {"count": len(sites), "sites": page.writer.listing([page.writer.site(s) for s in sites])}


def _moves(page: SpeciesPage) -> list[Markup]:
    flows = page.tables["flows"]
    if not len(flows):
        return [page.say("summary.moves.none")]
    individuals = flows["individuals"].astype("Float64").fillna(0).astype(int)
    if not individuals.sum():
        return [page.say("summary.moves.empty")]
    untraced = flows["source_unit"] == "untraced"
    beyond = ~untraced & ((flows["source_unit"] == "none") | (flows["destination_unit"] == "none"))
    crossing = flows["crosses_boundary"].fillna(False).astype(bool)
    sums = {"crossing": crossing, "beyond": beyond, "untraced": untraced}
    total = page.say("summary.moves.total", count=int(individuals.sum()))
    texts = {k: page.numbers.count(individuals[v].sum()) for k, v in sums.items()}
    return [page.say("summary.moves.parts", total=total, **texts)]


def _to_do(page: SpeciesPage) -> list[Markup]:
    if not page.n_units:
        return [page.say("summary.do.sample")]
    texts = [page.say("summary.do.separate" if page.n_units > 1 else "summary.do.one")]
    ranking = page.tables["source_ranking"]
    empty = set(ranking["destination"]) - {d for d in ranking["destination"] if page.species.unit_of.get(d)}
    if empty:
        names = page.writer.listing([page.writer.site(s) for s in page.study.in_coast_order(empty)])
        texts.append(page.say("summary.do.no_stock", count=len(empty), sites=names))
    flagged = int(page.tables["calls"]["outcome"].isin(["non_local", "mixed", "unsampled_origin"]).sum())
    if flagged:
        texts.append(page.say("summary.do.recheck", count=flagged))
    return texts
