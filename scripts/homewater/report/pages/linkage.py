"""How far linkage reaches in the study, and whether the window of linkage thinning is wide enough for it."""

from __future__ import annotations

import numpy as np
from markupsafe import Markup

from homewater.report.figures.linkage import draw_linkage
from homewater.report.pages.elements import Drawing, Section, SpeciesPage
from homewater.report.words.numbers import is_missing


def add_linkage(section: Section, page: SpeciesPage) -> None:
    """Say how far linkage reaches and what that means for the window, with a figure where there is anything to draw."""
    if not len(page.tables["linkage_reach"]):
        return
    row = page.tables["linkage_reach"].iloc[0].to_dict()
    section.say(Markup(" ").join(_reach_text(page, row)))
    drawing = _drawing(page, row)
    if drawing is not None:
        section.add("drawing", drawing)


def _distance(page: SpeciesPage, row: dict, name: str) -> Markup:
    """Return a distance of table linkage_reach with its unit, and its interval where it has one."""
    value, low, high = row[name], row.get(f"{name}_ci_low"), row.get(f"{name}_ci_high")
    if is_missing(low) or is_missing(high):
        text = page.numbers.number(value)
    else:
        low, high = page.numbers.number(low), page.numbers.number(high)
        text = page.plain("format.interval", estimate=page.numbers.number(value), low=low, high=high)
    return page.say(f"linkage.in.{row['unit']}", value=text)


def _reach_text(page: SpeciesPage, row: dict) -> list[Markup]:
    """Return what was measured, then what it means for the window."""
    reading, window = row["reading"], _distance(page, row, "window")
    if reading == "too_few_pairs":
        return [page.say("linkage.too_few_pairs", window=window)]
    against = page.say(f"linkage.against.{row['against']}")
    excess = page.numbers.interval(row["nearest_excess"], row["nearest_excess_ci_low"], row["nearest_excess_ci_high"])
    near = {"nearest": _distance(page, row, "nearest_distance"), "excess": excess, "against": against}
    if reading == "no_linkage_found":
        return [page.say("linkage.no_linkage_found", window=window, **near)]
    texts = [page.say("linkage.nearest", **near)]
    if not is_missing(row["half_distance"]):
        texts.append(page.say("linkage.half", half=_distance(page, row, "half_distance")))
    reached = not is_missing(row["reach"])
    texts.append(page.say("linkage.reach", reach=_distance(page, row, "reach")) if reached else page.say("linkage.far"))
    values = {"window": window}
    if reading != "wide_enough":
        values["setting"] = page.plain(f"linkage.setting.{row['unit']}")
    texts.append(page.say(f"linkage.{reading}", **values))
    return texts


def _drawing(page: SpeciesPage, row: dict) -> Drawing | None:
    table = page.tables["linkage_decay"]
    known = table[table["distance"].notna() & table["excess"].notna()]
    if len(known) < 2:
        return None
    columns = ("distance", "excess", "excess_ci_low", "excess_ci_high")
    distance, excess, low, high = (known[name].to_numpy(dtype=float) for name in columns)
    axis = page.writer.words.drawn(f"figure.linkage_distance_{row['unit']}")
    figures = (page.writer.words, page.numbers)
    figure = draw_linkage(distance, excess, np.array([low, high]), float(row["window"]), axis, figures)
    alt = page.plain(
        "alt.linkage", n=len(known), low=page.numbers.number(excess.min()), high=page.numbers.number(excess.max())
    )
    return page.writer.drawing(figure, alt, page.say("caption.linkage"))
