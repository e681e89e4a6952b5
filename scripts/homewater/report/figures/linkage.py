"""Figure of linkage: squared correlation of markers beyond that of other chromosomes, by the distance between them."""

from __future__ import annotations

import matplotlib
import numpy as np
from matplotlib.figure import Figure

from homewater.report.figures import style as fs
from homewater.report.words.catalogue import Catalogue
from homewater.report.words.numbers import Numbers

LEAST_SPAN = (-0.02, 0.1)  # of r2 beyond that of other chromosomes


def draw_linkage(
    distance: np.ndarray, excess: np.ndarray, bounds: np.ndarray, window: float, axis: str, figures: tuple
) -> Figure:
    """Return the excess of r2 by distance, with its intervals and the window of thinning as an upright line.

    Args:
        distance: float64 (n,), of the classes, above 0.
        excess: float64 (n,).
        bounds: float64 (2, n), lower and upper bounds of the excess; NaN where not known.
        window: width of the window, in the unit of `distance`.
        axis: text below the axis of distance.
        figures: (Catalogue, Numbers), the words of the figure and what writes its numbers.
    """
    words: Catalogue = figures[0]
    numbers: Numbers = figures[1]
    with matplotlib.rc_context(fs.style()):
        figure, axes = fs.half_width_figure(58)
        known = np.isfinite(bounds).all(axis=0)
        axes.vlines(distance[known], *bounds[:, known], color=fs.UNIT_COLOURS[0], linewidth=0.8)
        axes.plot(distance, excess, color=fs.UNIT_COLOURS[0], linewidth=0.8)
        axes.scatter(
            distance, excess, s=14, marker="o", facecolor=fs.UNIT_COLOURS[0], edgecolor=fs.PAPER, linewidth=0.4,
            zorder=3, label=words.drawn("figure.linkage_pairs"),
        )  # fmt: skip
        axes.axvline(window, color=fs.INK, linewidth=0.9, linestyle=(0, (3, 2)), label=words.drawn("figure.window"))
        axes.axhline(0, color=fs.FAINT, linewidth=0.6, zorder=0)
        axes.set_xscale("log")
        reached = [*distance.tolist(), window]
        low, high = np.floor(np.log10(min(reached))), np.ceil(np.log10(max(reached)))
        decades = np.arange(low, max(high, low + 1) + 1)
        axes.set_xlim(10.0 ** decades[0], 10.0 ** decades[-1])
        marks = decades[: -1 : 1 + len(decades) // 6]  # the text of the last would not fit beside the axes
        axes.set_xticks(10.0**marks, [numbers.fixed(10.0**mark, max(0, -int(mark))) for mark in marks])
        axes.minorticks_off()
        # no less than LEAST_SPAN is shown: noise about 0 is not to be read as a curve
        ends = [*excess[np.isfinite(excess)].tolist(), *bounds[:, known].ravel().tolist()]
        axes.set_ylim(
            min(1.05 * min(ends, default=0.0), LEAST_SPAN[0]), max(1.05 * max(ends, default=0.0), LEAST_SPAN[1])
        )
        axes.set_xlabel(axis)
        axes.set_ylabel(words.drawn("figure.linkage_excess"))
        fs.legend_above(figure, 2, 1)
        return figure
