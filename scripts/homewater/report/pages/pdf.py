"""From the report's HTML to a tagged PDF whose bytes depend on nothing but the HTML, the fonts and the libraries."""

from __future__ import annotations

import io
import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

import font_source_sans_pro
import pikepdf
import weasyprint
from weasyprint.urls import URLFetcher

from homewater.running.environment import fonts_configuration
from homewater.running.writer import write_text

VARIANT = "pdf/ua-1"


class _NothingOutside(URLFetcher):
    """Fetches data addresses alone: a page that is made from files or the network is not the same everywhere."""

    def __init__(self):
        super().__init__()
        self.refused: list[str] = []

    def fetch(self, url: str, headers: dict | None = None):
        """Return the content of a data address; refuse every other one and remember it."""
        if not url.startswith("data:"):
            self.refused.append(url)
            raise ValueError(url)
        return super().fetch(url, headers)


@contextmanager
def _variable(name: str, value: str) -> Iterator[None]:
    """Set a variable of the environment for a while."""
    before = os.environ.get(name)
    os.environ[name] = value
    try:
        yield
    finally:
        if before is None:
            del os.environ[name]
        else:
            os.environ[name] = before


@contextmanager
def _clock_stands_at(date: str) -> Iterator[None]:
    """Let the libraries that stamp fonts and documents take the time from the report's date (YYYY-MM-DD)."""
    seconds = int(datetime.fromisoformat(date).replace(tzinfo=UTC).timestamp())
    with _variable("SOURCE_DATE_EPOCH", str(seconds)):
        yield


@contextmanager
def _packaged_fonts_alone() -> Iterator[None]:
    """Let the text libraries see the packaged fonts and no others, also where the launcher did not see to it."""
    if "FONTCONFIG_FILE" in os.environ:
        yield
        return
    with tempfile.TemporaryDirectory() as folder:
        file = f"{folder}/fonts.conf"
        write_text(fonts_configuration(font_source_sans_pro.font_directory, folder), file)
        with _variable("FONTCONFIG_FILE", file):
            yield


def to_pdf(html: str, date: str) -> bytes:
    """Return the page as PDF, tagged for assistive technology.

    Args:
        html: a whole document that refers to nothing outside itself.
        date: YYYY-MM-DD, taken for every time stamp.

    Raises:
        ValueError: where the page refers to a file or to the network.
    """
    fetcher = _NothingOutside()
    with _clock_stands_at(date), _packaged_fonts_alone():
        raw = weasyprint.HTML(string=html, url_fetcher=fetcher).write_pdf(pdf_variant=VARIANT)
    if fetcher.refused:  # the library goes on without what it cannot fetch
        raise ValueError(f"the report refers to something outside itself: {fetcher.refused[0]}")
    with pikepdf.open(io.BytesIO(raw)) as pdf:
        set_header_scopes(pdf)
        out = io.BytesIO()
        pdf.save(out, deterministic_id=True, object_stream_mode=pikepdf.ObjectStreamMode.generate)
    return out.getvalue()


def structure_elements(pdf: pikepdf.Pdf) -> Iterator[tuple[pikepdf.Dictionary, tuple[str, ...]]]:
    """Yield every structure element of a tagged PDF in reading order, with the kinds of its ancestors, nearest last."""
    stack = [(pdf.Root.StructTreeRoot, ())]
    while stack:
        node, above = stack.pop()
        kind = str(node.get("/S", ""))
        if kind:
            yield node, above
        kids = node.get("/K", [])
        kids = list(kids) if isinstance(kids, pikepdf.Array) else [kids]
        inside = (*above, kind) if kind else above
        elements = [k for k in kids if isinstance(k, pikepdf.Dictionary) and "/S" in k]
        stack += [(k, inside) for k in reversed(elements)]


def set_header_scopes(pdf: pikepdf.Pdf) -> None:
    """Say of each table head whether it heads a column (in the table's head) or a row (in its body)."""
    for element, above in structure_elements(pdf):
        if str(element.S) == "/TH":
            scope = "/Column" if "/THead" in above else "/Row"
            attributes = element.get("/A", pikepdf.Dictionary(O=pikepdf.Name.Table))
            attributes["/Scope"] = pikepdf.Name(scope)
            element["/A"] = attributes
