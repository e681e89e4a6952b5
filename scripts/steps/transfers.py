"""Rule transfers: flows of moved animals between units, and the ranking of sources for each destination.

Named inputs: transfers, sites, units, units_summary, pairwise_fst, sea_distance, site_rates. Outputs: flows, ranking.
Params: high_rate (transfers_advice.high_rate). Wildcard: species.
"""

import json
from pathlib import Path

from homewater.running.step import run_step
from homewater.tables.schema_tables import read_table, write_table
from homewater.transfers.flows import flows as flows_of
from homewater.transfers.source_ranking import source_ranking


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
    """Read, compute, write; arguments carry the names that the rule gives them."""
    ledger, site_table, unit_table = (
        read_table(transfers, "input_transfers"),
        read_table(sites, "input_sites"),
        read_table(units, "units"),
    )
    n_units = json.loads(Path(units_summary).read_text(encoding="utf-8"))["n_units"]
    write_table(flows_of(ledger, unit_table, species), flows, "flows")
    write_table(
        source_ranking(
            ledger,
            site_table,
            unit_table,
            n_units,
            read_table(pairwise_fst, "pairwise_fst"),
            read_table(sea_distance, "sea_distance"),
            read_table(site_rates, "site_rates"),
            species,
            high_rate,
        ),
        ranking,
        "source_ranking",
    )


if __name__ == "__main__":
    run_step(main, snakemake)
