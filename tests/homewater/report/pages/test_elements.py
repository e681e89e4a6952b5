"""What pages are built of: what stands beside what, names of places, lists in running text, running numbers."""

import re

import pytest
from markupsafe import Markup
from tests.homewater.report.made_pages import WORDS, made

from homewater.report.figures.style import new_figure
from homewater.report.pages.elements import Drawing, Section, SpeciesPage, Writer, unit_or_none
from homewater.report.words.catalogue import Catalogue


def page() -> SpeciesPage:
    study = made("two units and one")[0]
    return SpeciesPage(study, study.species[0], Writer(Catalogue(WORDS), study))


@pytest.mark.parametrize(("width_mm", "kinds"), [(83, ["beside"]), (170, ["drawing", "paragraph"])])
def test_text_stands_beside_a_narrow_drawing_and_after_a_wide_one(width_mm, kinds):
    section, text = Section(Markup("a"), "a"), Section(Markup("b"), "b")
    text.say(Markup("words"))
    section.illustrate(Drawing("data:", "alt", Markup("caption"), width_mm), text)
    assert [kind for kind, _ in section.elements] == kinds


def test_an_empty_list_is_no_element():
    section = Section(Markup("a"), "a")
    section.listed([])
    section.listed([Markup("one")])
    assert section.elements == [("list", [Markup("one")])]


@pytest.mark.parametrize(("name", "unit"), [("unit_3", "unit_3"), ("none", ""), ("untraced", "")])
def test_what_is_no_unit_has_no_name(name, unit):
    assert unit_or_none(name) == unit


def test_sites_are_named_by_place_and_id_and_lists_end_in_and():
    writer = page().writer
    assert writer.site("V06") == "Noup Bay (V06)"
    assert writer.site("unknown") == "unknown"
    assert writer.listing(["a<", Markup("<b>"), "c"]) == "a&lt;, <b> and c"
    assert writer.cut("twelve letters", 8) == "twelve…"


def test_figures_and_tables_are_numbered_apart():
    writer = page().writer
    captions = [writer.drawing(new_figure(83, 20), "alt", Markup("x")).caption for _ in range(2)]
    captions.append(writer.table(Markup("x"), [], []).caption)
    assert [re.findall(r"[0-9]+", caption.striptags()) for caption in captions] == [["1"], ["2"], ["1"]]


def test_a_species_page_hands_on_what_its_parts_hold():
    made_page = page()
    section = made_page.section("units")
    assert section.anchor == "topshell-units"
    assert section.title == made_page.writer.say("heading.units")
    assert made_page.n_units == 2
    assert made_page.tables is made_page.species.tables
    assert made_page.records is made_page.species.records
