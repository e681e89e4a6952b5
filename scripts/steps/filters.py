"""Rule filters: which animals and markers stay, what is flagged, counts by site, and the genotyping error."""

from homewater.filters.filter_species import filter_species
from homewater.filters.settings import FilterSettings
from homewater.genotypes.site_counts import write_site_counts
from homewater.genotypes.store import open_genotypes
from homewater.inputs.polygons import read_native_range
from homewater.running.step import run_step
from homewater.running.writer import write_json
from homewater.tables.schema_tables import read_table, write_table


def main(
    genotypes: str,
    sample_sheet: str,
    sites: str,
    native_range: list[str],
    recombination_map: list[str],
    samples: str,
    markers: str,
    summary: str,
    site_roles: str,
    site_counts: str,
    genotyping_error: str,
    kin_thinning: str,
    batch_effects: str,
    settings: dict,
    species: str,
) -> None:
    """Decide which animals and markers the study uses, and which animals define units and frequencies."""
    store = open_genotypes(genotypes)
    sheet, site_list = read_table(sample_sheet, "input_samples"), read_table(sites, "input_sites")
    limits = FilterSettings.of_study(settings)
    genetic_map = read_table(recombination_map[0], "input_recombination_map") if recombination_map else None
    found = filter_species(store, species, sheet, site_list, read_native_range(native_range), limits, genetic_map)
    write_table(found.animals, samples, "samples")
    write_table(found.markers, markers, "markers")
    write_table(found.summary, summary, "filter_summary")
    write_table(found.site_roles, site_roles, "site_roles")
    write_table(found.batch_effects, batch_effects)
    write_table(found.kin_thinning, kin_thinning)
    write_site_counts(site_counts, found.site_counts)
    write_json(found.genotyping_error, genotyping_error)
    print(found.summary.to_string(index=False))


if __name__ == "__main__":
    run_step(main, snakemake)
