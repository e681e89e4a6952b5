"""Rule pairwise_fst: F_ST of every pair of sites with interval and permutation test, beside the distance by water."""

import numpy as np

from homewater.genotypes.site_counts import open_site_counts
from homewater.genotypes.store import open_genotypes
from homewater.running.step import run_step
from homewater.structure.pairwise_fst import MAX_TEST_MARKERS, pairwise_table, permutation_p_values
from homewater.tables.kept_animals import evenly_spaced, kept_animals
from homewater.tables.schema_tables import read_table, write_table


def main(
    genotypes: str,
    site_counts: str,
    markers: str,
    samples: str,
    sea_distance: str,
    table: str,
    permutations: int,
    min_individuals: int,
    seed: int,
    species: str,
) -> None:
    """Read, compute, write; arguments carry the names that the rule gives them."""
    marker_table = read_table(markers)
    passes = marker_table["passes_technical"].to_numpy(dtype=bool)
    counts = open_site_counts(site_counts).subset(passes)
    store = open_genotypes(genotypes)
    animals, place = kept_animals(read_table(samples), store.sample_ids)
    number = {name: i for i, name in enumerate(counts.location_ids.tolist())}
    site = animals["locationID"].map(number).fillna(-1).to_numpy(dtype=np.int64)
    ours = animals["defines"].to_numpy() & (site >= 0)
    size = np.bincount(site[ours], minlength=len(number))
    ours[ours] = size[site[ours]] >= min_individuals
    thinned = evenly_spaced(np.flatnonzero(marker_table["thinned"].to_numpy(dtype=bool)), MAX_TEST_MARKERS)
    p_values = permutation_p_values(
        store.select(thinned, place[ours]), site[ours], len(number), permutations, seed, species, list(number)
    )
    result = pairwise_table(
        counts.counts,
        counts.location_ids,
        counts.markers["chrom"].to_numpy(),
        counts.markers["pos"].to_numpy(),
        p_values,
        read_table(sea_distance),
        min_individuals,
    )
    write_table(result, table)


if __name__ == "__main__":
    run_step(main, snakemake)
