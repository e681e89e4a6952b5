"""What closes the report: methods, references, cautions, and where the numbers come from."""

from __future__ import annotations

import json
from collections.abc import Mapping

from markupsafe import Markup

from homewater.report.pages.elements import Section, Writer
from homewater.report.pages.results import StudyResults

# In the order of the list of references, which is that of the authors' names.
REFERENCES = (
    "anderson", "benjamini", "excoffier", "fu", "gravel", "holm", "jorde", "koster", "mantel", "millar", "naeini",
    "nei", "patterson", "rannala", "rogan", "rousset", "ruger", "waples_temporal", "waples", "weir", "wigginton",
)  # fmt: skip
CAUTIONS = ("permit", "health", "law", "practice", "lead", "conditional", "absence", "time")
SHOWN_DIGITS = 16  # of a checksum


def methods_section(study: StudyResults, writer: Writer) -> Section:
    """Return the section with how each stage works, with the settings that were used and the sources."""
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
        "thinning_kb": numbers.number(markers["thinning_distance_kb"]),
        "thinning_cm": numbers.number(markers["thinning_distance_cm"]),
        "thinning_r2": numbers.number(markers["thinning_r2"]),
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
    for stage in ("filters", "structure", "units", "panel", "transfers", "workflow"):
        section.add("heading", writer.say(f"methods.{stage}.title"))
        identifier = f"methods.{stage}"
        section.say(writer.say(identifier, **{k: values[k] for k in writer.words.wanted(identifier)}))
    return section


def references_section(writer: Writer) -> Section:
    """Return the section with the works that the methods cite."""
    section = Section(writer.say("heading.references"), "references")
    section.add("numbered", [writer.say(f"reference.{name}") for name in REFERENCES])
    return section


def cautions_section(writer: Writer) -> Section:
    """Return the section with the cautions that stand behind every advice."""
    section = Section(writer.say("heading.cautions"), "cautions")
    section.listed(writer.say(f"caution.{name}") for name in CAUTIONS)
    return section


def provenance_section(study: StudyResults, writer: Writer) -> Section:
    """Return the section with versions, input files with their checksums, and every setting."""
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


def flat_settings(settings: object, prefix: str = "") -> list[tuple[str, str]]:
    """Return every setting on a line of its own, in the order given.

    Args:
        settings: a mapping, a list or a single value.
        prefix: dotted key under which it stands.

    Returns:
        (dotted key, value as in the study file) of each.
    """
    if isinstance(settings, Mapping):
        named = [(f"{prefix}.{key}" if prefix else str(key), value) for key, value in settings.items()]
    elif isinstance(settings, list) and any(isinstance(value, Mapping) for value in settings):
        named = [(f"{prefix}[{place}]", value) for place, value in enumerate(settings, start=1)]
    else:
        text = settings if isinstance(settings, str) else json.dumps(settings, ensure_ascii=False)
        return [(prefix, text)]
    return [row for key, value in named for row in flat_settings(value, key)]
