"""The one look of all figures: type, colours that also differ in grey, marks, and the way to deterministic SVG."""

from __future__ import annotations

import io
import re
from functools import cache

import font_source_sans_pro
import matplotlib
from matplotlib import font_manager
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from homewater.tables.unit_names import unit_index

MM = 1 / 25.4
TEXT_WIDTH_MM, HALF_WIDTH_MM = 170, 83
_AXES_LEFT_MM = 13
INK, SOFT, FAINT, PAPER = "#1d2b33", "#5c6b73", "#c9d0d3", "#ffffff"
LAND, SHORE, SEA = "#e8e4da", "#9a958a", "#f7f9fa"
# Neighbours in the list lie far apart in lightness, so that they also part in grey; marks part them once more.
UNIT_COLOURS = ["#173f54", "#e2a640", "#4a8c7f", "#ead9e0", "#7a2f45", "#9fb8d6", "#5b7a33", "#b58a72"]
UNIT_MARKS = ["o", "s", "^", "D", "v", "P", "X", "p"]
NO_UNIT_COLOUR = "#ffffff"

STYLE = {
    "font.family": "Source Sans Pro",
    "font.size": 8,
    "mathtext.fontset": "custom",
    "mathtext.rm": "Source Sans Pro",
    "mathtext.it": "Source Sans Pro:italic",
    "mathtext.bf": "Source Sans Pro:bold",
    "mathtext.bfit": "Source Sans Pro:bold",
    "mathtext.sf": "Source Sans Pro",
    "mathtext.tt": "Source Sans Pro",
    "mathtext.cal": "Source Sans Pro",
    "mathtext.fallback": None,
    "mathtext.default": "regular",
    "text.color": INK,
    "axes.edgecolor": SOFT,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "xtick.color": SOFT,
    "ytick.color": SOFT,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "xtick.major.size": 2.5,
    "ytick.major.size": 2.5,
    "xtick.major.width": 0.6,
    "ytick.major.width": 0.6,
    "xtick.labelsize": 7.5,
    "ytick.labelsize": 7.5,
    "legend.frameon": False,
    "legend.fontsize": 7.5,
    "legend.handletextpad": 0.4,
    "legend.borderaxespad": 0,
    "figure.facecolor": "none",
    "savefig.facecolor": "none",
    "axes.facecolor": "none",
    "svg.fonttype": "path",
    "svg.hashsalt": "homewater",
    "path.simplify": False,
    "hatch.linewidth": 0.5,
}


@cache
def _use_fonts() -> None:
    # The faces of the locked package and those that come with the drawing library; the machine's own are left out,
    # since another copy of the same family there would change the figures.
    manager, own = font_manager.fontManager, matplotlib.get_data_path()
    manager.ttflist = [face for face in manager.ttflist if face.fname.startswith(own)]
    for file in sorted(font_source_sans_pro.font_files_ttf.values()):
        if re.search(r"SourceSansPro-(Regular|It|Semibold|Bold)\.ttf$", file):
            manager.addfont(file)


def style() -> dict:
    """Return the settings under which every figure is drawn (for ``matplotlib.rc_context``)."""
    _use_fonts()
    return STYLE


def new_figure(width_mm: float, height_mm: float) -> Figure:
    """Return an empty figure of that size with a canvas that can measure text."""
    figure = Figure(figsize=(width_mm * MM, height_mm * MM))
    FigureCanvasAgg(figure)
    return figure


def axes_mm(figure: Figure, left: float, bottom: float, width: float, height: float) -> Axes:
    """Return axes at that place, all in millimetres from the lower left corner."""
    figure_width, figure_height = (inches / MM for inches in figure.get_size_inches())
    return figure.add_axes((left / figure_width, bottom / figure_height, width / figure_width, height / figure_height))


def half_width_figure(height_mm: float) -> tuple[Figure, Axes]:
    """Return a figure of half the text's width with its axes, and room above them for a legend."""
    figure = new_figure(HALF_WIDTH_MM, height_mm)
    return figure, axes_mm(figure, _AXES_LEFT_MM, 11, 68, height_mm - 20)


def legend_above(figure: Figure, n_columns: int, spacing: float) -> None:
    """Put the legend above the axes of a figure of half the text's width.

    Args:
        figure: from `half_width_figure`.
        n_columns: entries side by side.
        spacing: between them, in letters' sizes.
    """
    anchor = (_AXES_LEFT_MM / HALF_WIDTH_MM, 1.0)
    figure.legend(loc="upper left", bbox_to_anchor=anchor, ncols=n_columns, columnspacing=spacing)


def hide_frame(axes: Axes) -> None:
    """Draw no line around the axes."""
    for spine in axes.spines.values():
        spine.set_visible(False)


def svg(figure: Figure) -> str:
    """Return the figure as SVG text with no date and no random names."""
    buffer = io.StringIO()
    with matplotlib.rc_context(style()):
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = buffer.getvalue()
    return text[text.index("<svg") :]


def unit_colour(unit: str) -> str:
    """Return the fill of a unit; white where there is no unit."""
    return UNIT_COLOURS[unit_index(unit) % len(UNIT_COLOURS)] if unit else NO_UNIT_COLOUR


def unit_mark(unit: str) -> str:
    """Return the mark of a unit; a ring where there is no unit."""
    return UNIT_MARKS[unit_index(unit) % len(UNIT_MARKS)] if unit else "o"
