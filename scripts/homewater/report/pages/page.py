"""The report of a study as one HTML page that needs nothing outside itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import jinja2
from markupsafe import Markup

from homewater.report.pages.animals import animals_section
from homewater.report.pages.closing import cautions_section, methods_section, provenance_section, references_section
from homewater.report.pages.diversity import diversity_section
from homewater.report.pages.elements import Section, SpeciesPage, Writer
from homewater.report.pages.evidence import evidence_section
from homewater.report.pages.filters import filters_section
from homewater.report.pages.panel import panel_section
from homewater.report.pages.results import StudyResults
from homewater.report.pages.study import study_section
from homewater.report.pages.summary import Answer, answers
from homewater.report.pages.transfers import transfers_section
from homewater.report.pages.units import units_section
from homewater.report.words.catalogue import Catalogue

SHORT_CAUTIONS = ("permit", "lead", "units")


@dataclass(frozen=True)
class SpeciesChapter:
    """The pages on one species as the template prints them: its answers for page one and its sections."""

    title: Markup
    scientific_name: str
    anchor: str
    answers: list[Answer]
    sections: list[Section]


def render(study: StudyResults, catalogue: Mapping, template: str, styles: str) -> str:
    """Return the report as HTML.

    Args:
        study: everything that the report is made from.
        catalogue: entries of the message catalogue.
        template: Jinja template of the page; holds no prose.
        styles: style sheet.

    Raises:
        CatalogueError: where an id or a value is missing from the catalogue.
    """
    words = Catalogue(catalogue)
    writer = Writer(words, study)
    study_pages = study_section(study, writer)
    species = [_chapter(SpeciesPage(study, results, writer)) for results in study.species]
    closing = [
        methods_section(study, writer),
        references_section(writer),
        cautions_section(writer),
        provenance_section(study, writer),
    ]
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    title, date = study.settings["study"]["title"], writer.date(study.date)
    return environment.from_string(template).render(
        say=words.say,
        plain=words.plain,
        lang=words.plain("language"),
        title=title,
        date=date,
        iso_date=study.date,
        invented=bool(study.settings["study"].get("invented")),
        styles=Markup(styles),
        scope=_scope(study, writer),
        cautions=[writer.say(f"caution.short.{name}") for name in SHORT_CAUTIONS],
        study_section=study_pages,
        species=species,
        closing=closing,
    )


def _scope(study: StudyResults, writer: Writer) -> Markup:
    animals = sum(int((s.tables["animals"]["status"] == "kept").sum()) for s in study.species)
    return writer.say(
        "summary.scope",
        species=writer.say("scope.species", count=len(study.species)),
        sites=writer.say("scope.sites", count=len(study.sites)),
        animals=writer.say("scope.animals", count=animals),
        jurisdictions=writer.listing(dict.fromkeys(study.jurisdiction.values())),
    )


def _chapter(page: SpeciesPage) -> SpeciesChapter:
    """Return the pages on one species; figures and tables are numbered in the order in which sections are made."""
    sections = [
        units_section(page),
        evidence_section(page),
        panel_section(page),
        animals_section(page),
        transfers_section(page),
        diversity_section(page),
        filters_section(page),
    ]
    settings = page.species.settings
    return SpeciesChapter(
        title=Markup.escape(capitalised(settings["name"])),
        scientific_name=settings["scientific_name"],
        anchor=f"species-{settings['id']}",
        answers=answers(page),
        sections=sections,
    )


def capitalised(name: str) -> str:
    """Return a name as a heading begins it; the rest stays as written."""
    return name[:1].upper() + name[1:]
