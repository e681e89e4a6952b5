"""Rule ancestry: the number of clusters that held-out genotypes support, and each animal's shares in them."""

import numpy as np

from homewater.ancestry import MAX_MARKERS, ancestry_table, best_fit, cluster_order, intervals, place
from homewater.cluster_number import MAX_MARKERS as MAX_HELD_OUT_MARKERS
from homewater.cluster_number import choose_number, held_out_losses
from homewater.selection import evenly_spaced, kept_animals
from homewater.statistics import chromosome_blocks
from homewater.step import run_step
from homewater.store import open_genotypes
from homewater.tables import read_table, write_table

ANIMALS_A_CLUSTER = 3  # fewer say nothing about a cluster's frequencies


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
    tried = max(1, min(max_clusters, int(defines.sum()) // ANIMALS_A_CLUSTER)) if some.size else 1
    held_out = held_out_losses(np.ascontiguousarray(store.select(some, at[defines]).T), block, tried, seed, species)
    numbers = choose_number(*held_out)
    k = int(numbers.loc[numbers["chosen"], "k"].iloc[0])

    used = evenly_spaced(thinned, MAX_MARKERS)
    everyone = np.ascontiguousarray(store.select(used, at).T)
    best = best_fit(everyone[defines], k, n_starts, seed, species)
    order = cluster_order(best.fit.shares, animals.loc[defines, "locationID"].tolist())
    frequencies = np.ascontiguousarray(best.fit.frequencies[order])
    shares = np.empty((len(animals), k))
    shares[defines] = place(everyone[defines], frequencies, best.fit.shares[:, order])
    shares[~defines] = place(everyone[~defines], frequencies)
    shares /= shares.sum(axis=1, keepdims=True)
    low, high = intervals(everyone, shares, frequencies)
    write_table(ancestry_table(animals, shares, low, high), ancestry)
    chosen = numbers["chosen"].to_numpy()
    numbers = numbers.assign(
        log_likelihood=np.where(chosen, best.fit.log_likelihood, np.nan),
        n_starts=np.where(chosen, len(best.log_likelihoods), 0),
        n_starts_agree=np.where(chosen, best.n_agree, 0),
        n_animals=int(defines.sum()),
        n_markers=int(used.size),
    )
    write_table(numbers, cluster_number)


if __name__ == "__main__":
    run_step(main, snakemake)
