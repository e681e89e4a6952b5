"""The report of a study as one HTML page that needs nothing outside itself."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass

import jinja2
from markupsafe import Markup

from homewater.report.figures.map import draw_map
from homewater.report.pages.animals import animals_section
from homewater.report.pages.elements import Section, Writer
from homewater.report.pages.filters import filters_section
from homewater.report.pages.panel import panel_section
from homewater.report.pages.results import SpeciesResults, StudyResults
from homewater.report.pages.summary import Answer, answers
from homewater.report.pages.transfers import transfers_section
from homewater.report.pages.units import diversity_section, evidence_section, map_sites, units_section
from homewater.report.words.catalogue import Catalogue
from homewater.report.words.numbers import is_missing

# In the order of the list of references, which is that of the authors' names.
REFERENCES = (
    "anderson", "benjamini", "excoffier", "gravel", "koster", "millar", "naeini", "nei", "patterson", "rannala",
    "rogan", "rousset", "waples", "weir", "wigginton",
)  # fmt: skip
CAUTIONS = ("permit", "health", "law", "practice", "lead", "conditional", "absence", "time")
SHORT_CAUTIONS = ("permit", "lead", "units")
SHOWN_DIGITS = 16
MAP_HEIGHT_MM = (70, 112)  # the more sites, the lower, so that map and table of sites share a page


@dataclass(frozen=True)
class SpeciesPages:
    """The pages on one species."""

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
    study_pages = _study_section(study, writer)
    species = [_species_pages(study, results, writer) for results in study.species]
    closing = [_methods(study, writer), _references(writer), _cautions(writer), _provenance(study, writer)]
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


def _species_pages(study: StudyResults, species: SpeciesResults, writer: Writer) -> SpeciesPages:
    name = species.settings["id"]
    sections = [
        units_section(study, species, writer, f"{name}-units"),
        evidence_section(study, species, writer, f"{name}-evidence"),
        panel_section(species, writer, f"{name}-panel"),
        animals_section(study, species, writer, f"{name}-animals"),
        transfers_section(study, species, writer, f"{name}-transfers"),
        diversity_section(study, species, writer, f"{name}-diversity"),
        filters_section(study, species, writer, f"{name}-filters"),
    ]
    return SpeciesPages(
        title=Markup.escape(capitalised(species.settings["name"])),
        scientific_name=species.settings["scientific_name"],
        anchor=f"species-{name}",
        answers=answers(study, species, writer),
        sections=sections,
    )


def _study_section(study: StudyResults, writer: Writer) -> Section:
    section, text = (Section(writer.say("heading.study"), "study") for _ in range(2))
    text.say(writer.say("study.text"))
    farms = sum(kind != "wild" for kind in study.kind.values())
    if farms:
        text.say(writer.say("study.farms", count=farms))
    shift = study.site_positions["shift_km"].astype(float)
    if (shift > 0).any():
        text.say(writer.say("study.shifted", count=int((shift > 0).sum()), km=writer.numbers.km(shift.max())))
    cut_off = int(study.sea_distance["sea_km"].isna().sum())
    if cut_off:
        text.say(writer.say("study.cut_off", count=cut_off))
    jurisdictions = writer.listing(dict.fromkeys(study.jurisdiction.values()))
    height_mm = max(MAP_HEIGHT_MM[0], MAP_HEIGHT_MM[1] - 1.5 * max(0, len(study.sites) - 8))
    figure = draw_map(map_sites(study, None), study.land, writer.words, show_units=False, max_height_mm=height_mm)
    alt = writer.plain("alt.study_map", count=len(study.sites), jurisdictions=jurisdictions.unescape())
    section.illustrate(writer.drawing(figure, alt, writer.say("caption.study_map")), text)
    section.add("table", _sites_table(study, writer))
    return section


def _sites_table(study: StudyResults, writer: Writer):
    sites = study.sites.set_index("locationID")
    rows, under = [], None
    for site in study.coast:
        if study.jurisdiction[site] != under:  # said once a stretch of coast, so that each site takes one line
            under = study.jurisdiction[site]
            rows.append([Markup.escape(under)])
        fishing = sites.loc[site, "fishing"] if "fishing" in sites else None
        cells = [
            Markup.escape(site),
            Markup.escape(study.locality[site]),
            writer.say(f"kind.{study.kind[site]}"),
            writer.say("format.missing" if is_missing(fishing) else f"fishing.{fishing}"),
        ]
        for species in study.species:
            animals = species.tables["animals"]
            own = animals[(animals["locationID"] == site) & (animals["status"] == "kept")]
            baseline, query = (int((own["role"] == role).sum()) for role in ("baseline", "query"))
            texts = {"baseline": writer.numbers.count(baseline), "query": writer.numbers.count(query)}
            cells.append(writer.say("cell.animals", **texts) if query else texts["baseline"])
        rows.append(cells)
    columns = [writer.column(f"column.{name}") for name in ("site", "name", "kind", "fishing")]
    columns += [writer.column("heading.species", number=True, name=s.settings["name"]) for s in study.species]
    return writer.table(writer.say("caption.sites"), columns, rows, "dense")


def _methods(study: StudyResults, writer: Writer) -> Section:
    numbers, settings = writer.numbers, study.settings
    section = Section(writer.say("heading.methods"), "methods")
    cited = {name: str(place) for place, name in enumerate(REFERENCES, start=1)}
    markers, units, assignment = settings["markers"], settings["units"], settings["assignment"]
    values = {
        **cited,
        "min_call_rate": numbers.stated(markers["min_call_rate"]),
        "min_site_call_rate": numbers.stated(markers["min_site_call_rate"]),
        "batch_fdr": numbers.stated(markers["batch_fdr"]),
        "sex_linked_fdr": numbers.stated(markers["sex_linked_fdr"]),
        "min_minor_allele_frequency": numbers.stated(markers["min_minor_allele_frequency"]),
        "hardy_weinberg_fdr": numbers.stated(markers["hardy_weinberg_fdr"]),
        "permutations": numbers.count(settings["structure"]["permutations"]),
        "min_break_fst": numbers.number(units["min_break_fst"]),
        "median_step_multiple": numbers.number(units["median_step_multiple"]),
        "break_level": numbers.stated(units["break_level"]),
        "detectable_power": numbers.stated(units["detectable_power"]),
        "folds": numbers.count(settings["panel"]["folds"]),
        "false_flag_rate": numbers.stated(assignment["false_flag_rate"]),
        "high_rate": numbers.stated(settings["transfers_advice"]["high_rate"]),
    }
    section.say(writer.say("methods.intro", seed=str(settings["study"]["seed"])))
    for part in ("filters", "structure", "units", "panel", "transfers", "workflow"):
        section.add("heading", writer.say(f"methods.{part}.title"))
        identifier = f"methods.{part}"
        section.say(writer.say(identifier, **{k: values[k] for k in writer.words.wanted(identifier)}))
    return section


def _references(writer: Writer) -> Section:
    section = Section(writer.say("heading.references"), "references")
    section.add("numbered", [writer.say(f"reference.{name}") for name in REFERENCES])
    return section


def _cautions(writer: Writer) -> Section:
    section = Section(writer.say("heading.cautions"), "cautions")
    section.listed(writer.say(f"caution.{name}") for name in CAUTIONS)
    return section


def _provenance(study: StudyResults, writer: Writer) -> Section:
    section = Section(writer.say("heading.provenance"), "provenance")
    section.say(writer.say("provenance.text"))
    versions = [[Markup.escape(name), Markup.escape(version)] for name, version in study.versions.items()]
    system = study.system_versions.items()
    versions += [[writer.say("version.system", name=name), Markup.escape(version)] for name, version in system]
    columns = [writer.column("column.item"), writer.column("column.version")]
    section.add("table", writer.table(writer.say("caption.versions"), columns, versions, "dense"))
    files = [
        [Markup.escape(name), Markup('<span class="code">{}</span>').format(checksum[:SHOWN_DIGITS])]
        for name, checksum in study.check.get("files", {}).items()
    ]
    columns = [writer.column("column.file"), writer.column("column.checksum")]
    section.add("table", writer.table(writer.say("caption.inputs"), columns, files, "dense"))
    rows = [[Markup.escape(key), Markup.escape(value)] for key, value in flat_settings(study.settings)]
    columns = [writer.column("column.setting"), writer.column("column.value")]
    section.add("table", writer.table(writer.say("caption.settings"), columns, rows, "dense"))
    return section


def capitalised(name: str) -> str:
    """Return a name as a heading begins it; the rest stays as written."""
    return name[:1].upper() + name[1:]


def flat_settings(settings: object, prefix: str = "") -> list[tuple[str, str]]:
    """Return every setting as (dotted key, value as in the study file), in the order given."""
    if isinstance(settings, Mapping):
        parts = [(f"{prefix}.{key}" if prefix else str(key), value) for key, value in settings.items()]
    elif isinstance(settings, list) and any(isinstance(value, Mapping) for value in settings):
        parts = [(f"{prefix}[{place}]", value) for place, value in enumerate(settings, start=1)]
    else:
        text = settings if isinstance(settings, str) else json.dumps(settings, ensure_ascii=False)
        return [(prefix, text)]
    return [row for key, value in parts for row in flat_settings(value, key)]
