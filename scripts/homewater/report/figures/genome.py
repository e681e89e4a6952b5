"""Figures of the genome: differences between sites along the chromosomes, and a block along the coast."""

from __future__ import annotations

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from homewater.report.figures import style as fs
from homewater.report.words.catalogue import Catalogue

GAP = 0.02  # between chromosomes, of the whole length
MOST_NAMES = 30  # chromosomes that are named below the axis; more would run into one another
MAX_VECTOR_POINTS = 2000


def draw_genome(windows: pd.DataFrame, block_names: dict[str, str], words: Catalogue) -> Figure:
    """Return F_ST of the sites window by window along the chromosomes, windows of blocks set apart.

    Args:
        windows: table genome_windows.
        block_names: what each block is called in the figure.
        words: the catalogue.
    """
    with matplotlib.rc_context(fs.style()):
        figure = fs.new_figure(fs.TEXT_WIDTH_MM, 58)
        axes = fs.axes_mm(figure, 13, 11, 155, 38)
        middle = ((windows["start"] + windows["end"]) / 2).to_numpy(dtype=float)
        chrom, names = pd.factorize(windows["chrom"])
        lengths = np.array([windows["end"].to_numpy(dtype=float)[chrom == c].max() for c in range(len(names))])
        gap = GAP * lengths.sum() / max(1, len(names) - 1)
        offset = np.concatenate([[0.0], np.cumsum(lengths + gap)])
        place = middle + offset[chrom]
        fst, block = windows["fst"].to_numpy(dtype=float), windows["block"].fillna("").to_numpy(dtype=str)
        plain = block == ""
        many = len(windows) > MAX_VECTOR_POINTS
        for c in range(len(names)):
            own = plain & (chrom == c)
            colour = fs.SOFT if c % 2 else fs.UNIT_COLOURS[0]
            axes.scatter(place[own], fst[own], s=7, marker="o", facecolor=colour, linewidth=0, rasterized=many)
        axes.scatter(
            place[~plain], fst[~plain], s=16, marker="D", facecolor=fs.UNIT_COLOURS[1], edgecolor=fs.INK, linewidth=0.4
        )
        for name, label in block_names.items():
            own = (block == name) & np.isfinite(fst)
            if own.any():
                top = (place[own].mean(), fst[own].max())
                axes.annotate(
                    label, top, xytext=(0, 4), textcoords="offset points", ha="center", va="bottom", fontsize=7
                )
        axes.axhline(0, color=fs.FAINT, linewidth=0.6, zorder=0)
        if len(names) <= MOST_NAMES:
            labels = [str(n) if len(str(n)) <= 5 else str(n)[:4] + "…" for n in names]
            axes.set_xticks(offset[:-1] + lengths / 2, labels)
            axes.tick_params(axis="x", length=0)
        else:
            axes.set_xticks([])
        axes.set_xlim(-gap, offset[-1])
        axes.margins(y=0.15)
        axes.set_xlabel(words.drawn("figure.genome.chromosomes"))
        axes.set_ylabel(words.drawn("figure.genome.fst"))
        return figure


def draw_block(
    labels: list[str], frequency: np.ndarray, low: np.ndarray, high: np.ndarray, colours: list[str], title: str
) -> Figure:
    """Return what sites carry of a block, in coastal order.

    Args:
        labels: name of each site.
        frequency: float64 (n_sites,), in [0, 1].
        low: float64 (n_sites,), lower bounds; NaN without one.
        high: float64 (n_sites,), upper bounds.
        colours: fill of each site.
        title: of the vertical axis.
    """
    with matplotlib.rc_context(fs.style()):
        figure = fs.new_figure(fs.HALF_WIDTH_MM, 58)
        axes = fs.axes_mm(figure, 13, 20, 68, 35)
        place = np.arange(len(labels))
        axes.vlines(place, low, high, color=fs.SOFT, linewidth=0.8, zorder=1)
        axes.plot(place, frequency, color=fs.FAINT, linewidth=0.9, zorder=0)
        axes.scatter(place, frequency, s=16, c=colours, edgecolor=fs.INK, linewidth=0.5, zorder=2, clip_on=False)
        axes.set(ylim=(-0.03, 1.03), yticks=[0, 0.5, 1], xlim=(-0.6, len(labels) - 0.4))
        axes.set_xticks(place, labels, rotation=90, fontsize=6 if len(labels) <= 24 else 4)
        axes.set_ylabel(title)
        return figure
