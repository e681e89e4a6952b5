"""Figures of the panel and of the verdicts: size curve and rates of sites."""

from __future__ import annotations

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from homewater.report.figures import style as fs
from homewater.report.words.catalogue import Catalogue
from homewater.report.words.numbers import Numbers, is_missing

_LINES = {
    "nested_accuracy": {"color": fs.INK, "linewidth": 1.6, "marker": "o"},
    "resubstitution_accuracy": {"color": fs.SOFT, "linewidth": 0.9, "linestyle": (0, (4, 2)), "marker": "x"},
    "random_panel_accuracy": {"color": fs.SOFT, "linewidth": 0.9, "linestyle": (0, (1, 1.5)), "marker": "v"},
}
_SENSITIVITIES = {
    "f1_sensitivity": {"color": fs.INK, "linewidth": 1.4, "marker": "s"},
    "backcross_sensitivity": {"color": fs.UNIT_COLOURS[1], "linewidth": 1.4, "marker": "^"},
}


def draw_size_curve(curve: pd.DataFrame, chosen: int, words: Catalogue, numbers: Numbers) -> Figure:
    """Return accuracy against the number of markers, and beside it what share of crosses the panel finds.

    Args:
        curve: table size_curve.
        chosen: number of markers on the panel.
        words: the catalogue.
        numbers: writes the ticks.
    """
    with matplotlib.rc_context(fs.style()):
        figure = fs.new_figure(fs.TEXT_WIDTH_MM, 62)
        sizes = curve["n_markers"].astype(float).to_numpy()
        for left, lines, title in (
            (13, _LINES, "figure.curve.accuracy"),
            (101, _SENSITIVITIES, "figure.curve.sensitivity"),
        ):
            axes = fs.axes_mm(figure, left, 11, 68, 40)
            if lines is _LINES:
                ends = [curve[c].astype(float).to_numpy() for c in ("ci_low", "ci_high")]
                axes.fill_between(sizes, *ends, color=fs.FAINT, alpha=0.6, linewidth=0)
            shown = 0
            for column, look in lines.items():
                values = curve[column].astype(float).to_numpy() if column in curve else np.full(len(sizes), np.nan)
                if np.isfinite(values).any():
                    axes.plot(sizes, values, markersize=3.2, label=words.drawn(f"figure.curve.{column}"), **look)
                    shown += 1
            axes.axvline(chosen, color=fs.FAINT, linewidth=0.8, zorder=0)
            axes.set_xscale("log")
            axes.set_xticks(sizes, [numbers.count(s) for s in sizes])
            axes.minorticks_off()
            low = min((np.nanmin(line.get_ydata()) for line in axes.lines[:shown]), default=0)
            axes.set_ylim(min(0.9, np.floor(low * 20) / 20), 1.005)
            ticks = axes.get_yticks()
            ticks = ticks[(ticks <= 1) & (ticks >= axes.get_ylim()[0])]
            axes.set_yticks(ticks, [numbers.percent(t) for t in ticks])
            axes.set_xlabel(words.drawn("figure.curve.markers"))
            axes.set_title(words.drawn(title), fontsize=8, loc="left", pad=18, weight="semibold")
            if shown:
                axes.legend(loc="lower left", bbox_to_anchor=(0, 1.01), ncols=3, columnspacing=0.8, handlelength=1.8)
        return figure


def draw_site_rates(
    rates: pd.DataFrame, labels: list[str], colours: list[str], words: Catalogue, numbers: Numbers
) -> Figure:
    """Return the share of animals with foreign ancestry at each site, with its interval, raw share and counts.

    Args:
        rates: table site_rates in the order to be drawn.
        labels: label of each row.
        colours: fill of each row's mark.
        words: the catalogue.
        numbers: writes the counts.
    """
    with matplotlib.rc_context(fs.style()):
        n = len(rates)
        row_mm = 4.8 if n <= 30 else max(2.4, 150 / n)
        label_mm, table_mm = 34, 46
        figure = fs.new_figure(fs.TEXT_WIDTH_MM, row_mm * n + 20)
        width = fs.TEXT_WIDTH_MM - label_mm - table_mm - 4
        axes = fs.axes_mm(figure, label_mm, 11, width, row_mm * n)
        size = 7.5 if row_mm > 4 else 5.5
        high = np.nanmax(rates[["rate", "ci_high", "raw_rate"]].astype(float).to_numpy(), initial=0.05)
        axes.set(xlim=(-0.02 * high, min(1.0, 1.05 * high)), ylim=(n - 0.4, -0.6), yticks=[])
        axes.spines["left"].set_visible(False)
        axes.axvline(0, color=fs.SOFT, linewidth=0.6)
        for row, (label, colour, cells) in enumerate(zip(labels, colours, rates.to_dict("records"), strict=True)):
            if row % 2 == 0:
                axes.axhspan(row - 0.5, row + 0.5, color=fs.SEA, linewidth=0, zorder=0)
            axes.text(-0.025, row, label, transform=axes.get_yaxis_transform(), ha="right", va="center", fontsize=size,
                      parse_math=False)  # fmt: skip
            if not is_missing(cells["rate"]):
                if not is_missing(cells["ci_low"]):
                    axes.plot([cells["ci_low"], cells["ci_high"]], [row, row], color=fs.INK, linewidth=1.1)
                axes.scatter(cells["rate"], row, s=20, facecolor=colour, edgecolor=fs.INK, linewidth=0.6, zorder=3)
            if not is_missing(cells["raw_rate"]):
                axes.scatter(cells["raw_rate"], row, s=20, marker="|", color=fs.INK, linewidth=0.9, zorder=4)
            counts = [cells["n"], cells["n_non_local"], cells["n_mixed"], cells["expected_false"]]
            texts = [*map(numbers.count, counts[:3]), numbers.expected(counts[3])]
            for place, text in zip((9, 21, 31, 44), texts, strict=True):
                axes.text(1 + place / width, row, text, transform=axes.get_yaxis_transform(), ha="right", va="center",
                          fontsize=size)  # fmt: skip
        heads = ("figure.rates.n", "figure.rates.non_local", "figure.rates.mixed", "figure.rates.expected_false")
        for place, head in zip((9, 21, 31, 44), heads, strict=True):
            axes.text(1 + place / width, -0.75, words.drawn(head), transform=axes.get_yaxis_transform(), ha="right",
                      va="bottom", fontsize=6.8, color=fs.SOFT)  # fmt: skip
        ticks = [t for t in axes.get_xticks() if 0 <= t <= axes.get_xlim()[1]]
        axes.set_xticks(ticks, [numbers.percent(t) for t in ticks])
        axes.set_xlabel(words.drawn("figure.rates.axis"))
        return figure
