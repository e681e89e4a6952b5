"""Overall F_ST of many sites at equal sample sizes, beside the value at the sizes as they are.

Weir & Cockerham weigh sites by their animals, so the value depends on where most animals were taken. At equal sizes
every site counts the same. No animal is drawn for this. The components are quadratic in the counts, so their mean over
all draws without replacement has a closed form. The ratio of those means is what ever more draws would come to.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from homewater.genotypes.site_counts import SiteCounts
from homewater.statistics.allele_counts import HET, HOM_ALT, n_called
from homewater.statistics.fst import block_weights, joint_components
from homewater.statistics.intervals import chromosome_blocks, ratio_interval
from homewater.tables.unit_names import sorted_units
from homewater.units.tested_sites import has_own_animals, units_of_sites

CHUNK = 16384  # markers held at once as float64
_NOTHING = (np.nan, np.nan, np.nan)


def equal_size_components(counts: np.ndarray, block: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the sums over markers of Weir & Cockerham's components, expected over equal subsamples of all sites.

    At each marker as many typed animals are taken of every site as the site with the fewest has; markers at which that
    is under two are left out.

    Args:
        counts: int32 (n_markers, n_sites, 4): homozygous reference, heterozygous, homozygous alternate, missing.
        block: int (n_markers,), jackknife blocks.

    Returns:
        (numerator, denominator), float64 (n_blocks,): sums of a and of a + b + c; markers used, int64 (n_blocks,).

    Source: Weir & Cockerham (1984) Evolution 38:1358-1370, equations 2 to 4 with equal sizes; the variance of a mean
        drawn without replacement is (1 - m / n) s^2 / m (Cochran 1977, Sampling Techniques, theorem 2.2; from memory).
    """
    n_blocks, r = (int(block.max()) + 1 if block.size else 0), counts.shape[1]
    top, bottom, used = np.zeros(n_blocks), np.zeros(n_blocks), np.zeros(n_blocks, dtype=np.int64)
    if r < 2:
        return top, bottom, used
    for start in range(0, len(counts), CHUNK):
        part, where = counts[start : start + CHUNK], block[start : start + CHUNK]
        typed = n_called(part)
        keep = typed.min(axis=1) >= 2
        n, het, hom = (x[keep].astype(np.float64) for x in (typed, part[:, :, HET], part[:, :, HOM_ALT]))
        m = n.min(axis=1)
        p, h = (hom + het / 2) / n, het / n
        spread_of_animals = (hom + het / 4 - n * p * p) / (n - 1)
        drawn = ((1 - m[:, None] / n) * spread_of_animals / m[:, None]).sum(axis=1)
        p_mean, h_mean = p.mean(axis=1), h.mean(axis=1)
        between = ((p - p_mean[:, None]) ** 2).sum(axis=1) / (r - 1) + drawn / r
        within = p_mean * (1 - p_mean) - drawn / r**2 - (r - 1) / r * between
        a = between - (within - h_mean / 4) / (m - 1)
        b = m / (m - 1) * (within - (2 * m - 1) / (4 * m) * h_mean)
        top += np.bincount(where[keep], weights=a, minlength=n_blocks)
        bottom += np.bincount(where[keep], weights=a + b + h_mean / 2, minlength=n_blocks)
        used += np.bincount(where[keep], minlength=n_blocks)
    return top, bottom, used


def overall_of_units(counts: SiteCounts, units: pd.DataFrame) -> pd.DataFrame:
    """Return table overall_fst of the sites that have a unit by their own animals.

    Args:
        counts: counts by site, over the markers that pass the technical filters.
        units: table units.
    """
    placed = units_of_sites(counts.location_ids, units)
    own = has_own_animals(placed)
    block = chromosome_blocks(counts.chrom, counts.pos)
    alone = placed["unit"].where(~placed["contact_zone"].astype(bool), "")  # mixtures of two units are no unit's
    return overall_table(counts.counts[:, own], block, alone[own].tolist())


def overall_table(counts: np.ndarray, block: np.ndarray, units: list[str]) -> pd.DataFrame:
    """Return table overall_fst: a row for all sites and one for each unit.

    Args:
        counts: int32 (n_markers, n_sites, 4), of the sites with animals enough.
        block: int (n_markers,), jackknife blocks.
        units: unit of each site, empty where it has none or two meet.
    """
    names = sorted_units(units)
    scopes = [("all", np.arange(len(units)))] + [(u, np.flatnonzero(np.array(units) == u)) for u in names]
    rows = []
    for scope, sites in scopes:
        some = np.ascontiguousarray(counts[:, sites])
        animals = some[0].sum(axis=1) if len(some) and len(sites) else np.zeros(1, dtype=np.int64)
        top, bottom, used = equal_size_components(some, block)
        equal = _estimate(top, bottom, used)
        as_they_are = _estimate(*joint_components(some, block), block_weights(block)) if len(sites) > 1 else _NOTHING
        rows.append(
            {
                "scope": scope,
                "n_sites": len(sites),
                "animals_a_site": int(animals.min()),
                "n_markers": int(used.sum()),
                **dict(zip(("fst", "ci_low", "ci_high"), equal, strict=True)),
                "n_animals": int(animals.sum()),
                **dict(zip(("fst_all_animals", "ci_low_all_animals", "ci_high_all_animals"), as_they_are, strict=True)),
            }
        )
    return pd.DataFrame(rows)


def _estimate(top: np.ndarray, bottom: np.ndarray, markers: np.ndarray) -> tuple[float, float, float]:
    if not markers.sum() or not bottom.sum():
        return _NOTHING
    estimate, low, high, _ = ratio_interval(top[:, None], bottom[:, None], markers)
    return float(estimate[0]), float(low[0]), float(high[0])
