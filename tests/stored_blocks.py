"""A genotype store read back as the blocks from which it was written."""

from collections.abc import Iterator

import numpy as np

from homewater.genotypes.store import Genotypes, VariantBlock


def variant_blocks(store: Genotypes) -> Iterator[VariantBlock]:
    """Yield the whole store again as blocks of CHUNK markers, as `write_genotypes` takes them."""
    contig = np.array([store.contig_ids.tolist().index(name) for name in store.loci["chrom"]], dtype=np.int32)
    position, alleles = store.loci["pos"].to_numpy(np.int32), store.loci[["ref", "alt"]].to_numpy(object)
    for rows, dosages in store.blocks():
        yield VariantBlock(contig[rows], position[rows], store.identifiers[rows], alleles[rows], dosages)
