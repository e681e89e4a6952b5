"""Rule report: one HTML page and one PDF for the whole study.

Named inputs, one path each: check, sample_sheet, sites, transfers, sea_distance, site_positions, coastline, template,
style, catalogue. Named inputs, one path a species in the study file's order: animals, site_roles, filter_summary,
genotyping_error, file_conflicts, kin_thinning, batch_effects, site_diversity, pairwise_fst, pca, pca_axes,
cluster_number, ancestry, isolation_by_distance, breaks, overall_fst, clusters_within_units, variance_shares, clines,
cline_sites, units, units_summary, odd_kinships, panel, panel_order, size_curve, confusion, controls,
calibration, panel_proof, calls, origin_classes, class_power, site_rates, site_year_rates, unit_rates, mixture_shares,
natural_contact, mixing_dates, flows, source_ranking. Outputs: html, pdf. Params: study (the full settings).
"""

import gzip
import json
import os
import tempfile
from pathlib import Path

import font_source_sans_pro
import yaml

from homewater.report.pages.page import render
from homewater.report.pages.results import SPECIES_TABLES, SpeciesResults, StudyResults
from homewater.running.environment import fonts_configuration
from homewater.running.step import run_step
from homewater.running.versions import shown_versions, system_versions
from homewater.running.writer import write_bytes, write_text
from homewater.tables.schema_tables import read_table


def main(
    check: str,
    sample_sheet: str,
    sites: str,
    transfers: str,
    sea_distance: str,
    site_positions: str,
    coastline: str,
    template: str,
    style: str,
    catalogue: str,
    animals: list[str],
    site_roles: list[str],
    filter_summary: list[str],
    genotyping_error: list[str],
    file_conflicts: list[str],
    kin_thinning: list[str],
    batch_effects: list[str],
    site_diversity: list[str],
    pairwise_fst: list[str],
    pca: list[str],
    pca_axes: list[str],
    cluster_number: list[str],
    ancestry: list[str],
    isolation_by_distance: list[str],
    breaks: list[str],
    overall_fst: list[str],
    clusters_within_units: list[str],
    variance_shares: list[str],
    clines: list[str],
    cline_sites: list[str],
    units: list[str],
    units_summary: list[str],
    odd_kinships: list[str],
    panel: list[str],
    panel_order: list[str],
    size_curve: list[str],
    confusion: list[str],
    controls: list[str],
    calibration: list[str],
    panel_proof: list[str],
    calls: list[str],
    origin_classes: list[str],
    class_power: list[str],
    site_rates: list[str],
    site_year_rates: list[str],
    unit_rates: list[str],
    mixture_shares: list[str],
    natural_contact: list[str],
    mixing_dates: list[str],
    flows: list[str],
    source_ranking: list[str],
    html: str,
    pdf: str,
    study: dict,
) -> None:
    """Read everything, make the page, make the PDF; arguments carry the names that the rule gives them."""
    given = locals()
    of_species = []
    for place, settings in enumerate(study["species"]):
        tables = {name: read_table(given[name][place], schema) for name, schema in SPECIES_TABLES.items()}
        summary, error = _json(units_summary[place]), _json(genotyping_error[place])
        more = [_json(path[place]) for path in (panel_order, panel_proof)]
        of_species.append(SpeciesResults(settings, tables, summary, error, *more))
    results = StudyResults(
        settings=study,
        check=_json(check),
        samples=read_table(sample_sheet, "input_samples"),
        sites=read_table(sites, "input_sites"),
        transfers=read_table(transfers, "input_transfers"),
        sea_distance=read_table(sea_distance, "sea_distance"),
        site_positions=read_table(site_positions, "site_positions"),
        land=_json(coastline),
        species=of_species,
        versions=shown_versions(),
        system_versions=system_versions(),
    )
    text = {name: Path(path).read_text(encoding="utf-8") for name, path in (("page", template), ("style", style))}
    words = yaml.safe_load(Path(catalogue).read_text(encoding="utf-8"))
    page = render(results, words, text["page"], text["style"])
    write_text(page, html)
    with tempfile.TemporaryDirectory() as folder:
        _private_fonts(folder)
        from homewater.report.pages.pdf import to_pdf

        write_bytes(to_pdf(page, results.date), pdf)


def _json(path: str) -> dict:
    content = Path(path).read_bytes()
    return json.loads(gzip.decompress(content) if content[:2] == b"\x1f\x8b" else content)


def _private_fonts(folder: str) -> None:
    """Let the text libraries see the packaged fonts alone, also where the step runs without the launcher."""
    if "FONTCONFIG_FILE" not in os.environ:
        file = Path(folder) / "fonts.conf"
        write_text(fonts_configuration(font_source_sans_pro.font_directory, folder), file)
        os.environ["FONTCONFIG_FILE"] = str(file)


if __name__ == "__main__":
    run_step(main, snakemake)
