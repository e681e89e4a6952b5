"""Pages made from invented results, and what reads them, for the tests of the report."""

import re
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import yaml
from tests.homewater.report.made_results import study

from homewater.report.pages.page import render
from homewater.report.pages.results import StudyResults

ROOT = Path(__file__).resolve().parents[3]
TEMPLATES = ROOT / "workflow" / "templates"
WORDS = yaml.safe_load((TEMPLATES / "catalogue" / "en.yaml").read_text(encoding="utf-8"))


def page_of(results: StudyResults) -> str:
    template = (TEMPLATES / "report.html.j2").read_text(encoding="utf-8")
    return render(results, WORDS, template, (TEMPLATES / "style.css").read_text(encoding="utf-8"))


class Reader(HTMLParser):
    """Collects text, headings, tags that stay open, addresses, alternative texts and anchors."""

    def __init__(self, page: str):
        super().__init__()
        self.text, self.headings, self.open, self.addresses, self.alts, self.ids, self.tags = [], [], [], [], [], [], []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        values = dict(attrs)
        self.tags.append(tag)
        if tag not in ("meta", "img", "br", "link"):
            self.open.append(tag)
        if re.fullmatch("h[1-6]", tag):
            self.headings.append(int(tag[1]))
        self.addresses += [values[name] for name in ("src", "href") if name in values]
        self.ids += [values["id"]] if "id" in values else []
        if tag == "img":
            self.alts.append(values.get("alt", ""))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open:
            self.text.append(data)

    @property
    def words(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.text))


VARIANTS = {
    "two units and one": {"units": (2, 1)},
    "four units, no query, odd ids": {"units": (4,), "query": False, "moved": False, "odd": True},
    "one unit alone": {"units": (1,), "query": False, "moved": False},
    "three sites, no farm": {"units": (1, 2), "n_wild": 3, "n_farm": 0},
}


@cache
def made(name: str) -> tuple[StudyResults, str]:
    """Return the results and the page of one variant, made once; callers change neither."""
    results = study(**VARIANTS[name])
    return results, page_of(results)
