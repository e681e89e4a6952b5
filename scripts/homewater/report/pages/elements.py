"""What pages are built of: sections, tables, figures, the writer that words them, and what a species' pages share."""

from __future__ import annotations

import base64
from collections.abc import Iterable
from dataclasses import dataclass, field

import pandas as pd
from markupsafe import Markup
from matplotlib.figure import Figure

from homewater.report.figures.style import MM, UNIT_MARKS, svg, unit_colour
from homewater.report.pages.results import SpeciesResults, StudyResults
from homewater.report.words.catalogue import Catalogue
from homewater.report.words.numbers import Numbers
from homewater.tables.unit_names import unit_index

LONGEST_LABEL = 24
NARROW_MM = 100


@dataclass(frozen=True)
class Column:
    """One column of a table: its head and whether it holds numbers (set to the right)."""

    head: Markup
    is_number: bool = False


@dataclass(frozen=True)
class Table:
    """A table as printed. The first cell of each row is its head."""

    caption: Markup
    columns: list[Column]
    rows: list[list[Markup | str]]
    style: str = ""


@dataclass(frozen=True)
class Drawing:
    """A figure as printed: SVG as a data address, its alternative text, its caption and its width."""

    address: str
    alt: str
    caption: Markup
    width_mm: float


@dataclass
class Section:
    """A heading and what stands under it, in order: paragraphs, tables and drawings.

    Attributes:
        title: text of the heading.
        anchor: id of the heading, to which links lead.
        elements: (kind, content) of each; the template prints every kind in its way.
    """

    title: Markup
    anchor: str
    elements: list[tuple[str, object]] = field(default_factory=list)

    def say(self, *texts: Markup) -> None:
        """Add paragraphs."""
        self.elements += [("paragraph", text) for text in texts]

    def listed(self, texts: Iterable[Markup]) -> None:
        """Add a list."""
        items = list(texts)
        if items:
            self.elements.append(("list", items))

    def illustrate(self, drawing: Drawing, text: Section) -> None:
        """Add a drawing and the elements of `text`: beside it where it is narrow, else after it."""
        if drawing.width_mm < NARROW_MM:
            self.add("beside", (drawing, text.elements))
        else:
            self.add("drawing", drawing)
            self.elements += text.elements

    def add(self, kind: str, element: object) -> None:
        """Add an element of that kind.

        Kinds: ``table``; ``drawing``; ``pair``, drawings side by side; ``beside``, a narrow drawing and the elements
        that stand next to it; ``heading``; ``numbered``, a numbered list.
        """
        self.elements.append((kind, element))


class Writer:
    """Words, numbers and running numbers of figures and tables.

    Args:
        words: the catalogue.
        study: the results, for the names of sites.
    """

    def __init__(self, words: Catalogue, study: StudyResults):
        self.words, self.study = words, study
        self.say, self.plain = words.say, words.plain
        self.numbers = Numbers(words.plain)
        self._figures = self._tables = 0

    def table(self, caption: Markup, columns: list[Column], rows: list[list], style: str = "") -> Table:
        """Return a table with its running number."""
        self._tables += 1
        return Table(self.say("number.table", number=self._tables, text=caption), columns, rows, style)

    def drawing(self, figure: Figure, alt: str, caption: Markup) -> Drawing:
        """Return a figure with its running number."""
        self._figures += 1
        address = "data:image/svg+xml;base64," + base64.b64encode(svg(figure).encode()).decode()
        caption = self.say("number.figure", number=self._figures, text=caption)
        return Drawing(address, alt, caption, round(float(figure.get_size_inches()[0]) / MM, 3))

    def column(self, identifier: str, number: bool = False, **values: object) -> Column:
        """Return a column with the head of that id."""
        return Column(self.say(identifier, **values), number)

    def number_columns(self, *names: str) -> list[Column]:
        """Return columns of numbers, by the ends of their ids."""
        return [self.column(f"column.{name}", number=True) for name in names]

    def unit(self, unit: str) -> str:
        """Return the name of a unit."""
        return self.plain("unit.name", number=unit_index(unit) + 1) if unit else self.plain("unit.none")

    def chip(self, unit: str) -> Markup:
        """Return the name of a unit as a title behind a dab of its colour."""
        if not unit:
            return self.say("unit.none")
        dab = Markup('<span class="dab mark-{}" style="background:{}"></span>').format(
            UNIT_MARKS[unit_index(unit) % len(UNIT_MARKS)], unit_colour(unit)
        )
        return dab + self.say("unit.title", number=unit_index(unit) + 1)

    def site(self, site: str) -> str:
        """Return a site's name with its id, or the id alone where they are the same."""
        locality = self.study.locality.get(site, site)
        return site if locality == site else self.plain("site.named", locality=locality, site=site)

    def label(self, site: str) -> str:
        """Return a short label for figures: id and name, cut to length."""
        locality = self.study.locality.get(site, site)
        return self.cut(site if locality == site else f"{site} {locality}")

    def cut(self, text: str, length: int = LONGEST_LABEL) -> str:
        """Return the text, cut with an ellipsis where it is longer than `length`."""
        return text if len(text) <= length else text[: length - 1].rstrip() + self.plain("format.ellipsis")

    def listing(self, items: Iterable[object]) -> Markup:
        """Return items as a list in running text: a, b and c."""
        items = [i if isinstance(i, Markup) else Markup.escape(str(i)) for i in items]
        if len(items) < 2:
            return Markup("").join(items)
        comma, joint = self.say("format.comma"), self.say("format.and")
        return comma.join(items[:-1]) + joint + items[-1]

    def date(self, date: str) -> str:
        """Return YYYY-MM-DD as a date in words."""
        year, month, day = date.split("-")
        return self.plain("format.date", day=int(day), month=self.plain(f"month.{month}"), year=year)


@dataclass(frozen=True)
class SpeciesPage:
    """What every page on one species is made with.

    Attributes:
        study: results of the whole study, among them its sites and their coastal order.
        species: results of the species.
        writer: words, numbers, and running numbers of figures and tables.
    """

    study: StudyResults
    species: SpeciesResults
    writer: Writer

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """Tables of the species, by their names in REPORT_FILES."""
        return self.species.tables

    @property
    def records(self) -> dict[str, dict]:
        """Records of the species, by their names in REPORT_FILES."""
        return self.species.records

    @property
    def n_units(self) -> int:
        """Number of units found in the species."""
        return self.species.n_units

    @property
    def numbers(self) -> Numbers:
        """What writes numbers."""
        return self.writer.numbers

    def say(self, identifier: str, **values: object) -> Markup:
        """Return an entry of the catalogue as HTML."""
        return self.writer.say(identifier, **values)

    def plain(self, identifier: str, **values: object) -> str:
        """Return an entry of the catalogue without marks."""
        return self.writer.plain(identifier, **values)

    def section(self, name: str) -> Section:
        """Return a section of that name, still empty, with its heading and with an anchor of its own."""
        return Section(self.say(f"heading.{name}"), f"{self.species.settings['id']}-{name}")


def unit_or_none(name: str) -> str:
    """Return the name of a unit; empty for what is none, such as `none` and `untraced`."""
    return name if name.startswith("unit_") else ""
