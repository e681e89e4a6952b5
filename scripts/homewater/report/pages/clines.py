"""Clines between adjacent stocks: what the page on stocks says and draws of them."""

from __future__ import annotations

import math

import pandas as pd
from markupsafe import Markup

from homewater.report.figures.cline import DrawnCline, draw_cline
from homewater.report.pages.elements import Drawing, Section, SpeciesPage, Writer
from homewater.report.words.numbers import is_missing


def add_clines(section: Section, page: SpeciesPage) -> None:
    """Add a paragraph on each pair of adjacent stocks and a figure of each fitted cline; nothing where none adjoin.

    Args:
        section: section on stocks and lines.
        page: the species, its study and the writer.
    """
    text, drawings = Section(section.title, section.anchor), []
    sites = page.tables["cline_sites"]
    for row in page.tables["clines"].to_dict("records"):
        own = sites[(sites["unit_a"] == row["unit_a"]) & (sites["unit_b"] == row["unit_b"])]
        if row["status"] == "fitted":
            said = _text(row, str(own["locationID"].iloc[0]), page.writer)
            if not is_missing(row["dispersion"]) and row["dispersion"] > 1:
                said += Markup(" ") + page.say("cline.scatter")
            text.say(said)
            own = own[own["km_along"].notna() & own["observed_share"].notna()]
            if len(own) > 1 and not is_missing(row["centre_km"]):
                drawings.append(_drawing(page, row, own))
        else:
            reason = page.say(f"cline.status.{row['status']}")
            text.say(page.say("cline.none", reason=reason, **_units(row, page.writer)))
    if drawings:
        text.say(page.say("cline.width"))
    if len(drawings) == 1:
        section.illustrate(drawings[0], text)
        return
    for first in range(0, len(drawings), 2):
        section.add("pair", drawings[first : first + 2])
    section.elements += text.elements


def _units(row: dict, writer: Writer) -> dict[str, str]:
    return {name: writer.unit(row[name]) for name in ("unit_a", "unit_b")}


def _text(row: dict, first: str, writer: Writer) -> Markup:
    values = _units(row, writer)
    a, b = row["centre_between_a"], row["centre_between_b"]
    beyond = is_missing(a) or is_missing(b)
    if not beyond:
        values |= {"a": writer.site(a), "b": writer.site(b)}
    low, high = row["width_ci_low"], row["width_ci_high"]
    if is_missing(row["width_km"]):
        if is_missing(high):
            return writer.say("cline.step.open", **values)
        return writer.say("cline.step", high=writer.numbers.km(high), **values)
    low, high = 0.0 if is_missing(low) else low, math.inf if is_missing(high) else high
    values["width"] = writer.numbers.interval(row["width_km"], low, high)
    values["centre"] = writer.numbers.interval(row["centre_km"], row["centre_ci_low"], row["centre_ci_high"])
    return writer.say("cline.beyond" if beyond else "cline.curve", first=writer.site(first), **values)


def _drawing(page: SpeciesPage, row: dict, sites: pd.DataFrame) -> Drawing:
    columns = ("km_along", "observed_share", "observed_ci_low", "observed_ci_high")
    km, share, low, high = (sites[column].to_numpy(dtype=float) for column in columns)

    def fitted(name: str) -> float:
        return float("nan") if is_missing(row[name]) else float(row[name])

    cline = DrawnCline(
        km=km,
        share=share,
        low=low,
        high=high,
        units=[page.species.unit_of.get(site, "") for site in sites["locationID"]],
        names=(row["unit_a"], row["unit_b"]),
        centre_km=fitted("centre_km"),
        width_km=fitted("width_km"),
        centre_bounds_km=(fitted("centre_ci_low"), fitted("centre_ci_high")),
    )
    figure = draw_cline(cline, page.writer.words)
    shares = [
        page.plain("alt.ancestry.share", site=site, share=page.numbers.percent(value))
        for site, value in zip(sites["locationID"], share, strict=True)
    ]
    listed = page.plain("format.comma").join(shares)
    alt = page.plain("alt.cline", n=len(sites), shares=listed, **_units(row, page.writer))
    caption = page.say("caption.cline", unit_b=page.writer.unit(row["unit_b"]))
    if (sites["basis"] == "by_definition").any():
        caption += Markup(" ") + page.say("caption.cline.alone")
    return page.writer.drawing(figure, alt, caption)
