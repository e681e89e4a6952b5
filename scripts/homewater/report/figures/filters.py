"""Figure of the ledger of filters: what is left after each filter, as a ladder of bars."""

from __future__ import annotations

from dataclasses import dataclass

import matplotlib
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.transforms import Transform, blended_transform_factory

from homewater.report.figures import style as fs
from homewater.report.words.catalogue import Catalogue
from homewater.report.words.numbers import Numbers

ROW_MM, BAR_MM = 4.6, 3.0
LABEL_MM_A_LETTER = 1.3
NUMBERS_MM = 27  # beside the bars: left and removed


@dataclass(frozen=True)
class Rung:
    """One filter: its name and how many were there before, removed by it, and left."""

    label: str
    before: int
    removed: int
    after: int


def draw_ladders(ladders: list[tuple[str, list[Rung]]], words: Catalogue, numbers: Numbers) -> Figure:
    """Return one ladder below the other: a dark bar for what is left, its hatched end for what the filter removed.

    Args:
        ladders: (title, rungs in the order of the filters); each ladder has a scale of its own.
        words: the catalogue.
        numbers: writes the counts.
    """
    with matplotlib.rc_context(fs.style()):
        longest = max(len(rung.label) for _, rungs in ladders for rung in rungs)
        label_mm = min(75, 4 + LABEL_MM_A_LETTER * longest)
        heights = [ROW_MM * len(rungs) for _, rungs in ladders]
        head_mm, gap_mm = 5.5, 3
        total = sum(heights) + len(ladders) * head_mm + (len(ladders) - 1) * gap_mm + 1
        figure = fs.new_figure(fs.TEXT_WIDTH_MM, total)
        width = fs.TEXT_WIDTH_MM - label_mm - NUMBERS_MM
        top = total
        for (title, rungs), height in zip(ladders, heights, strict=True):
            top -= head_mm + height
            axes = fs.axes_mm(figure, label_mm, top, width, height)
            most = max(1, *(rung.before for rung in rungs))
            axes.set(xlim=(0, most), ylim=(len(rungs), 0), xticks=[], yticks=[])
            for side in ("left", "bottom", "top", "right"):
                axes.spines[side].set_visible(side == "left")
            left, gone = 1 + 13 / width, 1 + 26 / width  # right edges of the two columns of numbers
            for at, name in ((left, "figure.left"), (gone, "figure.removed")):
                axes.text(at, -0.2, words.drawn(name), transform=_beside(axes), ha="right", va="bottom",
                          fontsize=6.8, color=fs.SOFT)  # fmt: skip
            axes.text(0, -0.2, title, transform=_beside(axes), ha="left", va="bottom", fontweight="semibold")
            for row, rung in enumerate(rungs):
                y = row + 0.5
                axes.barh(y, rung.after, BAR_MM / ROW_MM, color=fs.UNIT_COLOURS[0], linewidth=0)
                if rung.removed:
                    axes.barh(y, rung.removed, BAR_MM / ROW_MM, left=rung.after, color=fs.PAPER, edgecolor=fs.INK,
                              hatch="//////", linewidth=0.5)  # fmt: skip
                axes.text(-2 / width, y, rung.label, transform=_beside(axes), ha="right", va="center", fontsize=7.5,
                          parse_math=False)  # fmt: skip
                removed = numbers.count(rung.removed) if rung.removed else words.drawn("format.missing")
                for at, text in ((left, numbers.count(rung.after)), (gone, removed)):
                    axes.text(at, y, text, transform=_beside(axes), ha="right", va="center", fontsize=7.5)
            top -= gap_mm
        return figure


def _beside(axes: Axes) -> Transform:
    """Return the transform with x as a share of the bars' width and y in rows."""
    return blended_transform_factory(axes.transAxes, axes.transData)
