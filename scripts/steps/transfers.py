"""Rule transfers: flows of moved animals between units, and the ranking of sources for each destination."""

from homewater.running.step import run_step
from homewater.tables.schema_tables import read_json, read_table, write_table
from homewater.transfers.flows import flows as flows_of
from homewater.transfers.source_ranking import Measured, source_ranking


def main(
    transfers: str,
    sites: str,
    units: str,
    units_summary: str,
    pairwise_fst: str,
    sea_distance: str,
    site_rates: str,
    flows: str,
    ranking: str,
    species: str,
    high_rate: float,
) -> None:
    """Add up the ledger by unit, and say for each destination which sources harm it least."""
    ledger, of_units = read_table(transfers, "input_transfers"), read_table(units, "units")
    measured = Measured(
        read_json(units_summary)["n_units"],
        read_table(pairwise_fst, "pairwise_fst"),
        read_table(sea_distance, "sea_distance"),
        read_table(site_rates, "site_rates"),
    )
    ranked = source_ranking(ledger, read_table(sites, "input_sites"), of_units, measured, species, high_rate)
    write_table(flows_of(ledger, of_units, species), flows, "flows")
    write_table(ranked, ranking, "source_ranking")


if __name__ == "__main__":
    run_step(main, snakemake)
