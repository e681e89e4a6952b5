"""Rule pca: axes of the animals that define units, all others projected."""

import numpy as np

from homewater.genotypes.store import open_genotypes
from homewater.running.seeds import generator
from homewater.running.step import run_step
from homewater.structure.axis_test import axis_p_values, genome_halves
from homewater.structure.pca import pca_tables, principal_axes
from homewater.structure.relationship import BLOCK, pair_means, pair_sums
from homewater.tables.kept_animals import kept_animals
from homewater.tables.schema_tables import read_table, write_table


def main(
    genotypes: str, samples: str, markers: str, table: str, axes: str, n_axes: int, seed: int, species: str
) -> None:
    """Read, compute, write; arguments carry the names that the rule gives them."""
    store = open_genotypes(genotypes)
    animals, place = kept_animals(read_table(samples), store.sample_ids)
    marker_table = read_table(markers)
    thinned = np.flatnonzero(marker_table["thinned"].to_numpy(dtype=bool))
    second = genome_halves(marker_table["chrom"].to_numpy()[thinned])
    defining = animals["defines"].to_numpy()
    sums = []
    for half in (~second, second):
        used = np.isin(np.arange(store.n_markers), thinned[half])
        sums.append(pair_sums((dosages for _, dosages in store.blocks(used, place, BLOCK)), defining))
    found = principal_axes(pair_means(*(a + b for a, b in zip(*sums, strict=True))), defining, n_axes)
    ours = np.ix_(defining, defining)
    halves = [pair_means(total[ours], shared[ours]) for total, shared in sums]
    p_values = axis_p_values((halves[0], halves[1]), n_axes, generator(seed, "pca", species))
    scores, summary = pca_tables(animals, found, p_values, n_axes)
    write_table(scores, table)
    write_table(summary, axes)


if __name__ == "__main__":
    run_step(main, snakemake)
