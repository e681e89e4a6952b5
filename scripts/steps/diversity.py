"""Rule diversity: heterozygosity, allele numbers and effective size with intervals, one row a site."""

import numpy as np

from homewater.genotypes.site_counts import open_site_counts
from homewater.genotypes.store import open_genotypes
from homewater.running.step import run_step
from homewater.structure.diversity import site_diversity
from homewater.structure.effective_size import effective_size
from homewater.tables.kept_animals import kept_animals, not_of_its_site
from homewater.tables.schema_tables import read_table, write_table


def main(genotypes: str, site_counts: str, markers: str, samples: str, table: str, min_individuals: int) -> None:
    """Read, compute, write; arguments carry the names that the rule gives them."""
    passes = read_table(markers)["passes_technical"].to_numpy(dtype=bool)
    counts = open_site_counts(site_counts).subset(passes)
    chrom, pos = counts.markers["chrom"].to_numpy(), counts.markers["pos"].to_numpy()
    store = open_genotypes(genotypes)
    animals, place = kept_animals(read_table(samples), store.sample_ids)
    number = np.unique(chrom, return_inverse=True)[1]
    stranger = not_of_its_site(animals)
    sizes, left_out = [], []
    for location in counts.location_ids.tolist():
        ours = (animals["locationID"] == location).to_numpy() & animals["defines_with_kin"].to_numpy()
        # with kin: they are the trace that few parents leave; without strangers: two stocks mixed look like few parents
        dosages = store.select(np.flatnonzero(passes), place[ours & ~stranger])
        left_out.append(int((ours & stranger).sum()))
        sizes.append(effective_size(dosages, number, min_individuals))
    result = site_diversity(counts.counts, counts.location_ids, chrom, pos, sizes, min_individuals)
    write_table(result.assign(effective_size_left_out=np.array(left_out, dtype=np.int64)), table)


if __name__ == "__main__":
    run_step(main, snakemake)
