"""Figure of a cline: ancestry of sites along the coast, with the fitted curve."""

from __future__ import annotations

from dataclasses import dataclass

import matplotlib
import numpy as np
from matplotlib.figure import Figure

from homewater.report.figures import style as fs
from homewater.report.words.catalogue import Catalogue
from homewater.tables.unit_names import unit_index

CURVE_POINTS = 200


@dataclass(frozen=True)
class DrawnCline:
    """One cline as drawn.

    Attributes:
        km: float64 (n_sites,), places of the sites along the coast, ascending.
        share: float64 (n_sites,), share of the second unit at each site, in [0, 1].
        low: float64 (n_sites,), lower bounds of the shares; NaN where the share is given by definition.
        high: float64 (n_sites,), upper bounds.
        units: unit of each site.
        names: first and second unit.
        centre_km: centre of the curve.
        width_km: width of the curve; NaN draws a step.
        centre_bounds_km: lower and upper bound of the centre; NaN where open.
    """

    km: np.ndarray
    share: np.ndarray
    low: np.ndarray
    high: np.ndarray
    units: list[str]
    names: tuple[str, str]
    centre_km: float
    width_km: float
    centre_bounds_km: tuple[float, float]


def draw_cline(cline: DrawnCline, words: Catalogue) -> Figure:
    """Return the shares of the second unit at sites along the coast, with the fitted curve.

    Args:
        cline: what is drawn.
        words: the catalogue.
    """
    km, share, low = cline.km, cline.share, cline.low
    with matplotlib.rc_context(fs.style()):
        figure, axes = fs.half_width_figure(58)
        margin = 0.04 * (km[-1] - km[0])
        ends = (km[0] - margin, km[-1] + margin)
        bounds = zip(cline.centre_bounds_km, ends, strict=True)
        band = [end if np.isnan(bound) else np.clip(bound, *ends) for bound, end in bounds]
        axes.axvspan(*band, color=fs.FAINT, alpha=0.5, linewidth=0, zorder=0)
        along = np.linspace(*ends, CURVE_POINTS)
        middle, width = cline.centre_km, cline.width_km
        if np.isnan(width):
            along, expected = np.array([ends[0], middle, middle, ends[1]]), np.array([0.0, 0.0, 1.0, 1.0])
        else:
            expected = 1 / (1 + np.exp(np.clip(-4 * (along - middle) / width, -60, 60)))
        axes.plot(along, expected, color=fs.INK, linewidth=0.9, zorder=1)
        axes.vlines(km, low, cline.high, color=fs.SOFT, linewidth=0.8, zorder=2)
        for unit in cline.names:
            chosen = np.array([u == unit for u in cline.units], dtype=bool)
            measured = chosen & np.isfinite(low)
            look = {"s": 16, "marker": fs.unit_mark(unit), "linewidth": 0.5, "zorder": 3, "clip_on": False}
            label = words.drawn("figure.unit", unit=str(unit_index(unit) + 1))
            axes.scatter(
                km[measured], share[measured], facecolor=fs.unit_colour(unit), edgecolor=fs.INK, label=label, **look
            )
            defined = chosen & ~measured
            axes.scatter(km[defined], share[defined], facecolor=fs.PAPER, edgecolor=fs.INK, **look)
        axes.set(xlim=ends, ylim=(-0.03, 1.03), yticks=[0, 0.5, 1])
        axes.set_xlabel(words.drawn("figure.along_km"))
        axes.set_ylabel(words.drawn("figure.share", number=unit_index(cline.names[1]) + 1))
        fs.legend_above(figure, 2, 1)
        return figure
