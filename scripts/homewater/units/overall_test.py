"""Whether sites or animals differ at all: the test that governs the headline.

Lines and gradients are patterns. Sites may differ without one, and then no test of a pattern finds anything. So three
further figures are asked before it is said that no structure was found: overall F_ST of the sites, the pairs of sites
after correction, and the axes along which animals fall.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from homewater.units.overall_fst import overall_table
from homewater.units.tested_sites import TestedSites


@dataclass(frozen=True)
class OtherEvidence:
    """Tables of what differs, made without lines.

    Attributes:
        pairs: table pairwise_fst.
        axes: table pca_axes.
        blocks: table genome_blocks.
    """

    pairs: pd.DataFrame
    axes: pd.DataFrame
    blocks: pd.DataFrame


@dataclass(frozen=True)
class OverallTest:
    """What differs at all.

    Attributes:
        fst: overall F_ST of the tested sites at equal sizes, outside blocks of the genome; ci_low, ci_high its 95 %
            interval; NaN with fewer than two sites.
        n_pairs: pairs of sites that differ after correction for the false-discovery rate.
        n_axes: axes beyond chance.
        n_blocks: blocks of the genome with a story of their own.
    """

    fst: float
    ci_low: float
    ci_high: float
    n_pairs: int
    n_axes: int
    n_blocks: int

    @property
    def sites_differ(self) -> bool:
        """Whether the interval of overall F_ST lies above 0."""
        return bool(self.ci_low > 0)

    @property
    def anything(self) -> bool:
        """Whether anything differs at all."""
        return self.sites_differ or self.n_pairs > 0 or self.n_axes > 0 or self.n_blocks > 0


def overall_test(tested: TestedSites, others: OtherEvidence, level: float) -> OverallTest:
    """Return what differs at all.

    Args:
        tested: the sites that have animals enough.
        others: tables of what differs, made without lines.
        level: false-discovery rate below which a pair counts.
    """
    overall = overall_table(tested.counts, tested.block, [""] * len(tested.ids)).iloc[0]
    pairs = others.pairs["q_value"].to_numpy(dtype=np.float64)
    return OverallTest(
        fst=float(overall["fst"]),
        ci_low=float(overall["ci_low"]),
        ci_high=float(overall["ci_high"]),
        n_pairs=int((pairs < level).sum()),
        n_axes=int(others.axes["beyond_chance"].astype(bool).sum()),
        n_blocks=len(others.blocks),
    )
