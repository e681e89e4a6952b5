"""Rule clusters_within_units: how many clusters held-out genotypes support inside each unit."""

import numpy as np
import pandas as pd

from homewater.genotypes.store import open_genotypes
from homewater.running.step import run_step
from homewater.statistics.intervals import chromosome_blocks
from homewater.structure.cluster_number import MAX_MARKERS, MIN_ANIMALS, choose_number, held_out_losses, most_clusters
from homewater.tables.kept_animals import evenly_spaced, kept_animals, not_of_its_site
from homewater.tables.schema_tables import empty_table, read_table, write_table
from homewater.tables.unit_names import sorted_units


def main(
    genotypes: str,
    samples: str,
    markers: str,
    units: str,
    table: str,
    max_clusters: int,
    seed: int,
    species: str,
) -> None:
    """Read, compute, write; arguments carry the names that the rule gives them."""
    store = open_genotypes(genotypes)
    animals, place = kept_animals(read_table(samples), store.sample_ids)
    sites = read_table(units)
    sites = sites[(sites["basis"] == "own_animals") & ~sites["contact_zone"].astype(bool)]
    unit = animals["locationID"].map(dict(zip(sites["locationID"], sites["unit"], strict=True)))
    # a contact zone, and animals from elsewhere, would show the clusters of other units again
    usable = animals["defines"].to_numpy() & ~not_of_its_site(animals)
    some = evenly_spaced(np.flatnonzero(read_table(markers)["thinned"].to_numpy(dtype=bool)), MAX_MARKERS)
    block = chromosome_blocks(store.markers["chrom"].to_numpy()[some], store.markers["pos"].to_numpy()[some])
    found = [empty_table("clusters_within_units")]
    for name in sorted_units(sites["unit"]):
        ours = usable & (unit == name).to_numpy()
        if ours.sum() < MIN_ANIMALS or not some.size:
            continue
        by_animal = np.ascontiguousarray(store.select(some, place[ours]).T)
        most = most_clusters(max_clusters, int(ours.sum()))
        losses = held_out_losses(by_animal, block, most, seed, species, f"clusters_within_units {name}")
        numbers = choose_number(*losses)
        size = {"n_animals": int(ours.sum()), "n_sites": animals.loc[ours, "locationID"].nunique()}
        found.append(numbers.assign(unit=name, **size, n_markers=int(some.size)))
    columns = found[0].columns
    rows = pd.concat([part[columns] for part in found[1:]], ignore_index=True) if len(found) > 1 else found[0]
    write_table(rows, table)


if __name__ == "__main__":
    run_step(main, snakemake)
