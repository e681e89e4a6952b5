"""Rule report: what the study found, told in one HTML page and one PDF that people can read, keep and print."""

from pathlib import Path

import yaml

from homewater.report.pages.page import render
from homewater.report.pages.pdf import to_pdf
from homewater.report.pages.results import SpeciesResults, StudyResults
from homewater.running.step import run_step
from homewater.running.versions import shown_versions, system_versions
from homewater.running.writer import write_bytes, write_text
from homewater.tables.schema_tables import read_json, read_result, read_table


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
    html: str,
    pdf: str,
    study: dict,
    **species_files: list[str],
) -> None:
    """Tell the results of all species in the words of the catalogue; the PDF is the page itself, set on paper.

    Args:
        check: what the checks of the input found: checksums, date of the report (JSON).
        sample_sheet: table of the samples in its normal form.
        sites: table of the sites, likewise.
        transfers: table of the moves, likewise.
        sea_distance: distances between sites by water.
        site_positions: where on the water each site was put.
        coastline: land, GeoJSON.
        template: structure of the page (Jinja), without words.
        style: style sheet of the page.
        catalogue: words of the page, in the language of the report.
        html: the page to write.
        pdf: the PDF to write.
        study: the full settings.
        species_files: for each name in REPORT_FILES one path a species, in the study file's order.
    """
    results = StudyResults(
        settings=study,
        check=read_json(check),
        samples=read_table(sample_sheet, "input_samples"),
        sites=read_table(sites, "input_sites"),
        transfers=read_table(transfers, "input_transfers"),
        sea_distance=read_table(sea_distance, "sea_distance"),
        site_positions=read_table(site_positions, "site_positions"),
        land=read_json(coastline),
        species=[
            SpeciesResults.of_files(settings, {name: read_result(paths[k]) for name, paths in species_files.items()})
            for k, settings in enumerate(study["species"])
        ],
        versions=shown_versions(),
        system_versions=system_versions(),
    )
    words, structure, styles = (Path(path).read_text(encoding="utf-8") for path in (catalogue, template, style))
    page = render(results, yaml.safe_load(words), structure, styles)
    write_text(page, html)
    write_bytes(to_pdf(page, results.date), pdf)


if __name__ == "__main__":
    run_step(main, snakemake)
