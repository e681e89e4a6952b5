"""Rule mixture_shares: the share of each unit among the query animals of a site, and of a site and year.

Named inputs: genotypes, panel, reference_animals, panel_summary, units_summary, genotyping_error, calls, sample_sheet
(dates), sites. Outputs: shares. Params: seed. Wildcard: species.
"""

from homewater.assignment.mixture_shares import catch_shares
from homewater.crosses.opened_panel import open_panel
from homewater.genotypes.store import open_genotypes
from homewater.running.seeds import generator
from homewater.running.step import run_step
from homewater.tables.schema_tables import empty_table, read_table, write_table


def main(
    genotypes: str,
    panel: str,
    reference_animals: str,
    panel_summary: str,
    units_summary: str,
    genotyping_error: str,
    calls: str,
    sample_sheet: str,
    sites: str,
    shares: str,
    species: str,
    seed: int,
) -> None:
    """Decide which share of the animals caught at each site each unit gave, and how sure that is."""
    store = open_genotypes(genotypes)
    chosen = open_panel(store, panel, reference_animals, panel_summary, units_summary, genotyping_error)
    found = empty_table("mixture_shares")
    if chosen is not None:
        sheet = read_table(sample_sheet, "input_samples")
        order = list(read_table(sites, "input_sites")["locationID"])
        rng = generator(seed, "mixture_shares", species)
        found = catch_shares(chosen, read_table(calls, "calls"), sheet, species, order, rng)
    write_table(found, shares, "mixture_shares")


if __name__ == "__main__":
    run_step(main, snakemake)
