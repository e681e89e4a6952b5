"""Rule overall_fst: one F_ST over all sites and one over those of each unit, at equal sample sizes and as sampled."""

from homewater.genotypes.site_counts import open_site_counts
from homewater.running.step import run_step
from homewater.statistics.intervals import chromosome_blocks
from homewater.tables.schema_tables import read_table, write_table
from homewater.units.overall_fst import overall_table


def main(site_counts: str, markers: str, units: str, table: str) -> None:
    """Read, compute, write; arguments carry the names that the rule gives them."""
    counts = open_site_counts(site_counts).subset(read_table(markers)["passes_technical"].to_numpy(dtype=bool))
    placed = read_table(units).set_index("locationID").loc[counts.location_ids]
    own = (placed["basis"] == "own_animals").to_numpy()
    block = chromosome_blocks(counts.markers["chrom"].to_numpy(), counts.markers["pos"].to_numpy())
    write_table(overall_table(counts.counts[:, own], block, placed.loc[own, "unit"].tolist()), table)


if __name__ == "__main__":
    run_step(main, snakemake)
