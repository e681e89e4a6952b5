"""Rule pca: axes of the animals that define units, all others projected."""

from homewater.pca import pca_tables, principal_axes
from homewater.relationship import BLOCK, relationship_matrix
from homewater.selection import kept_animals
from homewater.step import run_step
from homewater.store import open_genotypes
from homewater.tables import read_table, write_table


def main(genotypes: str, samples: str, markers: str, table: str, axes: str, n_axes: int) -> None:
    """Read, compute, write; arguments carry the names that the rule gives them."""
    store = open_genotypes(genotypes)
    animals, place = kept_animals(read_table(samples), store.sample_ids)
    thinned = read_table(markers)["thinned"].to_numpy(dtype=bool)
    defining = animals["defines"].to_numpy()
    blocks = (dosages for _, dosages in store.blocks(thinned, place, BLOCK))
    found = principal_axes(relationship_matrix(blocks, defining), defining, n_axes)
    scores, summary = pca_tables(animals, found, n_axes)
    write_table(scores, table)
    write_table(summary, axes)


if __name__ == "__main__":
    run_step(main, snakemake)
