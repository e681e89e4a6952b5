"""Figure of a cline: ancestry of sites along the coast, with the fitted curve."""

from __future__ import annotations

import matplotlib
import numpy as np
from matplotlib.figure import Figure

from homewater.report.figures import style as fs
from homewater.report.words.catalogue import Catalogue
from homewater.tables.unit_names import unit_index

CURVE_POINTS = 200


def draw_cline(
    km: np.ndarray,
    share: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
    units: list[str],
    names: tuple[str, str],
    curve: tuple[float, float],
    centre: tuple[float, float],
    words: Catalogue,
) -> Figure:
    """Return the shares of the second unit at sites along the coast.

    Args:
        km: float64 (n_sites,), places, ascending.
        share: float64 (n_sites,), in [0, 1].
        low: float64 (n_sites,), lower bounds; NaN where the share is given by definition.
        high: float64 (n_sites,), upper bounds.
        units: unit of each site.
        names: first and second unit.
        curve: centre and width, km; no width (NaN) draws a step.
        centre: bounds of the centre, km; NaN where open.
        words: the catalogue.
    """
    with matplotlib.rc_context(fs.style()):
        figure = fs.new_figure(83, 58)
        axes = fs.axes_mm(figure, 13, 11, 68, 38)
        margin = 0.04 * (km[-1] - km[0])
        ends = (km[0] - margin, km[-1] + margin)
        band = [end if np.isnan(bound) else np.clip(bound, *ends) for bound, end in zip(centre, ends, strict=True)]
        axes.axvspan(*band, color=fs.FAINT, alpha=0.5, linewidth=0, zorder=0)
        along = np.linspace(*ends, CURVE_POINTS)
        middle, width = curve
        if np.isnan(width):
            along, expected = np.array([ends[0], middle, middle, ends[1]]), np.array([0.0, 0.0, 1.0, 1.0])
        else:
            expected = 1 / (1 + np.exp(np.clip(-4 * (along - middle) / width, -60, 60)))
        axes.plot(along, expected, color=fs.INK, linewidth=0.9, zorder=1)
        axes.vlines(km, low, high, color=fs.SOFT, linewidth=0.8, zorder=2)
        for unit in names:
            chosen = np.array([u == unit for u in units], dtype=bool)
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
        axes.set_ylabel(words.drawn("figure.share", number=unit_index(names[1]) + 1))
        figure.legend(loc="upper left", bbox_to_anchor=(13 / 83, 1.0), ncols=2, columnspacing=1)
        return figure
