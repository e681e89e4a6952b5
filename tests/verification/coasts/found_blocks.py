"""The blocks of the genome that the library finds in a simulated study, and the study without them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from tests.verification.coasts.study import Study

from homewater.genotypes.site_counts import SiteCounts, without_blocks
from homewater.structure.genome_blocks import BlockAnimals, BlockRules, find_blocks

RULES = BlockRules()  # the defaults of config/README.md
BP_A_CM = 1e6


def blocks_in(study: Study) -> pd.DataFrame:
    """Return table genome_blocks of a study, as rule genome_blocks makes it.

    Args:
        study: with its animals, or with counts alone; then only windows are looked at, not linkage.
    """
    names = np.array([f"site-{i:02d}" for i in range(study.n_sites)])
    animals = None
    if study.dosages is not None:
        table = pd.DataFrame({"materialSampleID": [f"a{i}" for i in range(study.site.size)]})
        table = table.assign(locationID=names[study.site], role="baseline")
        animals = BlockAnimals(table, study.site, lambda rows: study.dosages[rows])
    return find_blocks(SiteCounts(study.counts, names, markers_of(study)), study.pos / BP_A_CM, animals, RULES).blocks


def markers_of(study: Study) -> pd.DataFrame:
    """Return table markers of a study, as far as blocks look at it."""
    names = [f"m{i}" for i in range(len(study.pos))]
    table = pd.DataFrame({"marker": names, "chrom": study.block.astype(str), "pos": study.pos})
    return table.assign(passes_technical=True, thinned=True)


def places(blocks: pd.DataFrame) -> tuple[tuple[int, int, int, str], ...]:
    """Return chromosome, first and last base pair and reading of each block.

    Args:
        blocks: table genome_blocks.
    """
    return tuple((int(b["chrom"]), int(b["start"]), int(b["end"]), b["reading"]) for b in blocks.to_dict("records"))


def outside(study: Study, blocks: pd.DataFrame) -> Study:
    """Return a study without the markers of the blocks that are left out of the search for units.

    Args:
        study: with all its markers.
        blocks: table genome_blocks.
    """
    rest = without_blocks(markers_of(study), blocks)["passes_technical"].to_numpy(dtype=bool)
    dosages = None if study.dosages is None else study.dosages[rest]
    return replace(study, counts=study.counts[rest], block=study.block[rest], pos=study.pos[rest], dosages=dosages)
