"""Rule ancestry: the clusters that held-out genotypes support, and shares in as many as starts agree on."""

import numpy as np

from homewater.genotypes.store import open_genotypes
from homewater.running.step import run_step
from homewater.statistics.intervals import chromosome_blocks
from homewater.structure.ancestry import MAX_MARKERS, agreed_fits, ancestry_table, cluster_order, intervals, place
from homewater.structure.cluster_number import MAX_MARKERS as MAX_HELD_OUT_MARKERS
from homewater.structure.cluster_number import choose_number, held_out_losses, most_clusters
from homewater.tables.kept_animals import evenly_spaced, kept_animals
from homewater.tables.schema_tables import read_table, write_table


def main(
    genotypes: str,
    samples: str,
    markers: str,
    ancestry: str,
    cluster_number: str,
    max_clusters: int,
    n_starts: int,
    seed: int,
    species: str,
) -> None:
    """Read, compute, write; arguments carry the names that the rule gives them."""
    store = open_genotypes(genotypes)
    animals, at = kept_animals(read_table(samples), store.sample_ids)
    defines = animals["defines"].to_numpy()
    thinned = np.flatnonzero(read_table(markers)["thinned"].to_numpy(dtype=bool))

    some = evenly_spaced(thinned, MAX_HELD_OUT_MARKERS)
    block = chromosome_blocks(store.markers["chrom"].to_numpy()[some], store.markers["pos"].to_numpy()[some])
    tried = most_clusters(max_clusters, int(defines.sum())) if some.size else 1
    held_out = held_out_losses(np.ascontiguousarray(store.select(some, at[defines]).T), block, tried, seed, species)
    numbers = choose_number(*held_out)
    supported = int(numbers.loc[numbers["chosen"], "k"].iloc[0])

    used = evenly_spaced(thinned, MAX_MARKERS)
    everyone = np.ascontiguousarray(store.select(used, at).T)
    tries = agreed_fits(everyone[defines], supported, n_starts, seed, species)
    best = tries[-1]
    order = cluster_order(best.fit.shares, animals.loc[defines, "locationID"].tolist())
    frequencies = np.ascontiguousarray(best.fit.frequencies[order])
    shares = np.empty((len(animals), best.k))
    shares[defines] = place(everyone[defines], frequencies, best.fit.shares[:, order])
    shares[~defines] = place(everyone[~defines], frequencies)
    shares /= shares.sum(axis=1, keepdims=True)
    low, high = intervals(everyone, shares, frequencies)
    write_table(ancestry_table(animals, shares, low, high), ancestry)
    made = {one.k: one for one in tries}
    numbers = numbers.assign(
        log_likelihood=[made[k].fit.log_likelihood if k in made else np.nan for k in numbers["k"]],
        n_starts=[len(made[k].log_likelihoods) if k in made else 0 for k in numbers["k"]],
        n_starts_agree=[made[k].n_agree if k in made else 0 for k in numbers["k"]],
        reported=numbers["k"] == best.k,
        n_animals=int(defines.sum()),
        n_markers=int(used.size),
    )
    write_table(numbers, cluster_number)


if __name__ == "__main__":
    run_step(main, snakemake)
