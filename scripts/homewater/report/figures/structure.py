"""Figures of structure: ancestry, F_ST matrix, isolation by distance, principal components."""

from __future__ import annotations

import matplotlib
import numpy as np
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure

from homewater.report.figures import style as fs
from homewater.report.words.catalogue import Catalogue
from homewater.report.words.numbers import Numbers
from homewater.tables.unit_names import unit_index

DIFFERENCE = LinearSegmentedColormap.from_list("difference", ["#f6f4ee", "#cfdcd9", "#7fa5a5", "#2f6673", "#143747"])
MAX_VECTOR_POINTS = 4000
LABEL_MM_A_LETTER = 1.25  # at 7.5 points


def draw_ancestry(bands: list[tuple[str, int, np.ndarray]], colours: list[str], words: Catalogue) -> Figure:
    """Return one band a site, south to north or as given, with the ancestry shares of its animals.

    Args:
        bands: (label, number of animals, float64 (n_animals, n_groups), rows sum to 1), in the order to be drawn.
        colours: fill of each group.
        words: the catalogue.
    """
    with matplotlib.rc_context(fs.style()):
        row_mm = 5.2 if len(bands) <= 26 else max(2.6, 135 / len(bands))
        label_mm = min(60, max(34, 3 + LABEL_MM_A_LETTER * max(len(label) for label, _, _ in bands)))
        right_mm, foot_mm = 10, 7
        height = row_mm * len(bands) + foot_mm + 4
        figure = fs.new_figure(fs.TEXT_WIDTH_MM, height)
        axes = fs.axes_mm(figure, label_mm, foot_mm, fs.TEXT_WIDTH_MM - label_mm - right_mm, row_mm * len(bands))
        axes.set(xlim=(0, 1), ylim=(len(bands), 0), xticks=[], yticks=[])
        fs.hide_frame(axes)
        size = 7.5 if row_mm > 4 else 5.5
        for row, (label, n, shares) in enumerate(bands):
            axes.text(-0.012, row + 0.5, label, ha="right", va="center", fontsize=size, parse_math=False)
            axes.text(1.012, row + 0.5, str(n), ha="left", va="center", fontsize=size, color=fs.SOFT)
            main = np.argmax(shares.mean(axis=0))
            ordered = shares[np.argsort(-shares[:, main], kind="stable")]
            edges = np.linspace(0, 1, n + 1)
            floor = np.full(n, row + 0.88)
            # The most frequent group of the site lies at the bottom, so that the upper edge shows what is foreign.
            for group in [main, *[k for k in range(shares.shape[1]) if k != main]]:
                top = floor - 0.76 * ordered[:, group]
                axes.stairs(top, edges, baseline=floor, fill=True, color=colours[group], linewidth=0)
                floor = top
            axes.plot([0, 1, 1, 0, 0], row + np.array([0.12, 0.12, 0.88, 0.88, 0.12]), color=fs.SOFT, linewidth=0.4)
        axes.text(1.012, -0.1, words.drawn("figure.animals"), fontsize=6.8, color=fs.SOFT, va="bottom")
        handles = [matplotlib.patches.Patch(facecolor=c, edgecolor=fs.SOFT, linewidth=0.4) for c in colours]
        labels = [words.drawn("figure.group", number=k + 1) for k in range(len(colours))]
        figure.legend(
            handles, labels, loc="lower left", bbox_to_anchor=(label_mm / fs.TEXT_WIDTH_MM, 0.0), ncols=len(colours)
        )
        return figure


def draw_fst_matrix(
    labels: list[str], fst: np.ndarray, q_value: np.ndarray, level: float, words: Catalogue, numbers: Numbers
) -> Figure:
    """Return the lower triangle of F_ST between sites, darker where larger, with the values in thousandths.

    Args:
        labels: sites in the order to be drawn.
        fst: float64 (n, n), symmetric; NaN where not measured.
        q_value: float64 (n, n), p adjusted for the false-discovery rate; NaN where not tested.
        level: false-discovery rate at which a value is printed bold.
        words: the catalogue.
        numbers: writes the values.
    """
    with matplotlib.rc_context(fs.style()):
        n = len(labels)
        label_mm = 4 + 1.5 * max(map(len, labels))
        side = min(5.6 * n + 4, 112)
        figure = fs.new_figure(fs.TEXT_WIDTH_MM, side + label_mm + 1)
        axes = fs.axes_mm(figure, label_mm, label_mm, side, side)
        top = np.nanmax(fst[np.isfinite(fst)], initial=0.001)
        image = np.ma.masked_where(~np.tril(np.ones((n, n), bool), -1) | ~np.isfinite(fst), fst)
        axes.pcolormesh(
            np.arange(n + 1),
            np.arange(n + 1),
            image,
            cmap=DIFFERENCE,
            vmin=0,
            vmax=top,
            edgecolor="white",
            linewidth=0.5,
        )
        axes.set(xlim=(0, n - 1), ylim=(n, 1), aspect="equal")
        axes.set_xticks(np.arange(n - 1) + 0.5, labels[:-1], rotation=90, parse_math=False)
        axes.set_yticks(np.arange(1, n) + 0.5, labels[1:], parse_math=False)
        axes.tick_params(length=0, labelsize=7.5 if n <= 26 else 5)
        fs.hide_frame(axes)
        cell = side / max(n - 1, 1)
        if cell >= 3.8:
            size = min(7, cell * 1.1)
            for i in range(1, n):
                for j in range(i):
                    if np.isfinite(fst[i, j]):
                        axes.text(
                            j + 0.5,
                            i + 0.52,
                            numbers.count(1000 * fst[i, j]),
                            ha="center",
                            va="center",
                            fontsize=size,
                            color=fs.PAPER if fst[i, j] > 0.55 * top else fs.INK,
                            weight="bold" if q_value[i, j] < level else "normal",
                        )
        bar = fs.axes_mm(figure, label_mm + side * 0.62, label_mm + side - 9, 34, 3)
        steps = np.linspace(0, top, 65)
        look = {"cmap": DIFFERENCE, "vmin": 0, "vmax": top, "edgecolor": "face", "linewidth": 0.3}
        bar.pcolormesh(steps, [0, 1], steps[None, :-1], **look)
        bar.set_yticks([])
        bar.set_xticks([0, top / 2, top], [numbers.count(1000 * t) for t in (0, top / 2, top)])
        bar.tick_params(length=2, labelsize=6.5)
        bar.set_title(words.drawn("figure.fst_thousandths"), fontsize=7, loc="left", pad=2)
        fs.hide_frame(bar)
        return figure


def draw_distance(
    sea_km: np.ndarray, linearised: np.ndarray, between: np.ndarray, words: Catalogue, line: tuple[float, float] | None
) -> Figure:
    """Return F_ST/(1-F_ST) of pairs of sites against their distance by water.

    Args:
        sea_km: float64 (n_pairs,).
        linearised: float64 (n_pairs,), F_ST/(1-F_ST).
        between: bool (n_pairs,), whether the two sites lie in different units.
        words: the catalogue.
        line: slope per km and intercept of the pairs within units, or None.
    """
    with matplotlib.rc_context(fs.style()):
        figure, axes = fs.half_width_figure(66)
        if between.any():
            axes.scatter(
                sea_km[between], linearised[between], s=13, marker="s", facecolor=fs.UNIT_COLOURS[1],
                edgecolor=fs.INK, linewidth=0.4, label=words.drawn("figure.pairs_between"),
            )  # fmt: skip
        axes.scatter(
            sea_km[~between], linearised[~between], s=13, marker="o", facecolor=fs.UNIT_COLOURS[0],
            edgecolor=fs.PAPER, linewidth=0.4, label=words.drawn("figure.pairs_within"),
        )  # fmt: skip
        if line is not None and len(sea_km):
            ends = np.array([sea_km[~between].min(initial=np.inf), sea_km[~between].max(initial=0)])
            if np.isfinite(ends).all():
                axes.plot(ends, line[1] + line[0] * ends, color=fs.INK, linewidth=0.9)
        axes.axhline(0, color=fs.FAINT, linewidth=0.6, zorder=0)
        axes.set_xlim(left=0)
        axes.set_xlabel(words.drawn("figure.sea_km"))
        axes.set_ylabel(words.drawn("figure.linearised"))
        fs.legend_above(figure, 2, 1)
        return figure


def draw_components(
    scores: np.ndarray, units: list[str], shares: list[str], words: Catalogue, query: np.ndarray
) -> Figure:
    """Return the first two principal components, one mark an animal.

    Args:
        scores: float64 (n_animals, 2).
        units: unit of each animal's site, or empty.
        shares: for each axis the text of its share of the variance, or empty where not known.
        words: the catalogue.
        query: bool (n_animals,), animals that did not make the axes and were projected.
    """
    with matplotlib.rc_context(fs.style()):
        figure, axes = fs.half_width_figure(66)
        units_array = np.array(units, dtype=str)
        many = len(scores) > MAX_VECTOR_POINTS
        entries = []
        if query.any():
            entries.append((query, "figure.query", "", {"marker": "o", "facecolor": "none", "edgecolor": fs.SOFT}))
        for unit in sorted(set(units), key=lambda u: unit_index(u) if u else 99):
            look = {"marker": fs.unit_mark(unit), "facecolor": fs.unit_colour(unit), "edgecolor": fs.INK}
            name = "figure.unit" if unit else "figure.no_unit"
            entries.append((~query & (units_array == unit), name, unit, look))
        for chosen, name, unit, look in entries:
            if not chosen.any():
                continue
            values = {"unit": str(unit_index(unit) + 1)} if unit else {}
            axes.scatter(
                *scores[chosen].T, s=9, linewidth=0.3, label=words.drawn(name, **values), rasterized=many, **look
            )
        for axis, number in ((axes.xaxis, 1), (axes.yaxis, 2)):
            share = shares[number - 1]
            label = (
                words.drawn("figure.axis_share", number=number, share=share)
                if share
                else words.drawn("figure.axis", number=number)
            )
            axis.set_label_text(label)
        axes.axhline(0, color=fs.FAINT, linewidth=0.5, zorder=0)
        axes.axvline(0, color=fs.FAINT, linewidth=0.5, zorder=0)
        fs.legend_above(figure, min(4, len(entries)), 0.8)
        return figure
