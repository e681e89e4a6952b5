"""Rule isolation_by_distance: how differentiation rises with the distance by water, overall and inside each unit."""

from homewater.contrasts import pair_replicates
from homewater.isolation_by_distance import isolation_table
from homewater.site_counts import open_site_counts
from homewater.step import run_step
from homewater.tables import read_table, write_table
from homewater.tested_sites import tested_sites


def main(site_counts: str, markers: str, units: str, sea_distance: str, table: str) -> None:
    """Read, compute, write; arguments carry the names that the rule gives them."""
    counts = open_site_counts(site_counts).subset(read_table(markers)["passes_technical"].to_numpy(dtype=bool))
    placed = read_table(units).set_index("locationID")
    own = [placed.loc[name, "basis"] == "own_animals" for name in counts.location_ids]
    found = tested_sites(counts.counts, counts.location_ids, counts.markers, read_table(sea_distance), own)
    labels = placed.loc[found.ids, "unit"].tolist()
    write_table(isolation_table(pair_replicates(found.counts, found.block), found.km, labels), table)


if __name__ == "__main__":
    run_step(main, snakemake)
