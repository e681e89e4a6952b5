"""Diversity of each site from genotype counts, before any filter on frequency, Hardy-Weinberg or linkage."""

from __future__ import annotations

import allel
import numpy as np
import pandas as pd
from scipy import special

from homewater.genotypes.opened_species import OpenedSpecies
from homewater.genotypes.site_counts import SiteCounts
from homewater.statistics.allele_counts import HET, AlleleCounts, expected_heterozygosity, n_animals, n_called
from homewater.statistics.intervals import chromosome_blocks, divide_or_nan, ratio_interval
from homewater.structure.effective_size import EffectiveSize, effective_size
from homewater.tables.kept_animals import not_of_its_site

CHUNK = 16384  # markers worked on at once


def chance_absent(count: np.ndarray, copies: np.ndarray, drawn: np.ndarray | int) -> np.ndarray:
    """Return the chance that an allele seen `count` times in `copies` is not among `drawn` copies without replacement.

    Args:
        count: copies of the allele, any shape.
        copies: all copies typed.
        drawn: copies drawn, at most `copies`.

    Source: Hurlbert (1971) Ecology 52:577-586; El Mousadik & Petit (1996) Theor Appl Genet 92:832-839.
    """
    rest = copies - count
    possible = rest >= drawn
    top = np.where(possible, rest, drawn).astype(np.float64)

    def ways(n):  # the factorial of `drawn` cancels
        return special.gammaln(n + 1.0) - special.gammaln(n - drawn + 1.0)

    return np.where(possible, np.exp(ways(top) - ways(np.maximum(copies, drawn).astype(np.float64))), 0.0)


def diversity_sums(counts: np.ndarray, block: np.ndarray, copies_drawn: int) -> dict[str, np.ndarray]:
    """Return sums over markers by block and site.

    Args:
        counts: int32 (n_markers, n_sites, 4): homozygous reference, heterozygous, homozygous alternate, missing.
        block: int (n_markers,), as `chromosome_blocks` gives it.
        copies_drawn: copies to which allele numbers are rarefied.

    Returns:
        float64 (n_blocks, n_sites) each: `markers` typed in anybody, `observed` and `expected` heterozygosity over
        them; `rarefied` markers with at least `copies_drawn` copies, `alleles` and `private` expected in such a draw.
        A private allele is one that no other site would show in a draw of as many copies (or of all it has).
    """
    n_blocks, n_sites = (int(block.max()) + 1 if block.size else 0), counts.shape[1]
    names = ("markers", "observed", "expected", "rarefied", "alleles", "private")
    sums = {name: np.zeros((n_blocks, n_sites)) for name in names}
    for start in range(0, len(counts), CHUNK):
        part, where = counts[start : start + CHUNK], block[start : start + CHUNK]
        alleles, typed = AlleleCounts.of_genotypes(part), n_called(part)
        known, enough = typed > 0, alleles.copies >= copies_drawn
        drawn = np.minimum(alleles.copies, copies_drawn)
        values = {
            "markers": known,
            "observed": np.where(known, divide_or_nan(part[:, :, HET], typed), 0.0),
            "expected": np.where(known, expected_heterozygosity(alleles), 0.0),
            "rarefied": enough,
            "alleles": np.zeros(typed.shape),
            "private": np.zeros(typed.shape),
        }
        for count in (alleles.alternate, alleles.reference):
            absent = chance_absent(count, alleles.copies, drawn)
            values["alleles"] += np.where(enough, 1 - absent, 0.0)
            values["private"] += np.where(enough, (1 - absent) * _product_of_others(absent), 0.0)
        for name, value in values.items():
            np.add.at(sums[name], where, value)
    return sums


def _product_of_others(values: np.ndarray) -> np.ndarray:
    """For each column the product of the other columns, by running products from both ends (no division by zero)."""
    ones = np.ones((len(values), 1))
    before = np.concatenate([ones, np.cumprod(values, axis=1)[:, :-1]], axis=1)
    after = np.concatenate([np.cumprod(values[:, ::-1], axis=1)[:, ::-1][:, 1:], ones], axis=1)
    return before * after[:, : values.shape[1]]


def private_allele_counts(counts: np.ndarray) -> np.ndarray:
    """Return int64 (n_sites,): alleles seen at one site and at no other, over all markers; grows with sample size.

    Args:
        counts: int32 (n_markers, n_sites, 4).
    """
    total = np.zeros(counts.shape[1], dtype=np.int64)
    for start in range(0, len(counts) if total.size else 0, CHUNK):
        by_site = count_arrays(AlleleCounts.of_genotypes(counts[start : start + CHUNK]))
        private = allel.locate_private_alleles(*by_site)
        total += [int(((site > 0) & private).sum()) for site in by_site]
    return total


def count_arrays(alleles: AlleleCounts) -> list[allel.AlleleCountsArray]:
    """Return the counts of each group as scikit-allel holds them: (n_markers, 2), the reference allele first.

    Args:
        alleles: counts (n_markers, n_groups).
    """
    pairs = np.stack([alleles.reference, alleles.alternate], axis=2)
    return [allel.AlleleCountsArray(pairs[:, group]) for group in range(alleles.n_groups)]


def species_diversity(species: OpenedSpecies, counts: SiteCounts, min_individuals: int) -> pd.DataFrame:
    """Return table site_diversity of a species, effective sizes from its animals among the rest.

    The effective size of a site comes from its animals with close kin, for kin are the trace that few parents leave.
    Animals from elsewhere are left out of it: two stocks mixed look like few parents.

    Args:
        species: genotypes, animals and markers.
        counts: over the markers that pass the technical filters.
        min_individuals: alleles are counted in draws of twice as many copies; smaller sites have no such values.
    """
    animals, passes = species.kept, np.flatnonzero(species.technical_markers)
    chromosome = np.unique(counts.chrom, return_inverse=True)[1]
    stranger = not_of_its_site(animals)
    sizes, left_out = [], []
    for location in counts.location_ids.tolist():
        ours = (animals["locationID"] == location).to_numpy() & animals["defines_with_kin"].to_numpy()
        dosages = species.store.select(passes, species.place[ours & ~stranger])
        left_out.append(int((ours & stranger).sum()))
        sizes.append(effective_size(dosages, chromosome, min_individuals))
    table = site_diversity(counts, sizes, min_individuals)
    return table.assign(effective_size_left_out=np.array(left_out, dtype=np.int64))


def site_diversity(counts: SiteCounts, sizes: list[EffectiveSize], min_individuals: int) -> pd.DataFrame:
    """Return one row a site.

    Intervals are t intervals of the jackknife over chromosomes (or contiguous blocks where these are few): they cover
    which markers were typed, and hold as far as the animals are a random sample.

    Args:
        counts: over the markers that pass the technical filters.
        sizes: effective size of each site.
        min_individuals: alleles are counted in draws of twice as many copies; smaller sites have no such values.

    Returns:
        Table site_diversity; NaN where undefined, and where a bound of the effective size is infinite.
    """
    block = chromosome_blocks(counts.chrom, counts.pos)
    sums = diversity_sums(counts.counts, block, 2 * min_individuals)
    table = {"locationID": [str(name) for name in counts.location_ids], "n": n_animals(counts.counts)}
    for name, top, bottom, weights in (
        ("observed_heterozygosity", sums["observed"], sums["markers"], sums["markers"]),
        ("expected_heterozygosity", sums["expected"], sums["markers"], sums["markers"]),
        ("inbreeding_coefficient", sums["expected"] - sums["observed"], sums["expected"], sums["markers"]),
        ("allelic_richness", sums["alleles"], sums["rarefied"], sums["rarefied"]),
        ("private_allelic_richness", sums["private"], sums["rarefied"], sums["rarefied"]),
    ):
        estimate, low, high, _ = ratio_interval(top, bottom, weights)
        table |= {name: estimate, f"{name}_ci_low": low, f"{name}_ci_high": high}
    table["private_alleles"] = private_allele_counts(counts.counts)
    for name, attribute in (("", "estimate"), ("_ci_low", "low"), ("_ci_high", "high")):
        values = np.array([getattr(size, attribute) for size in sizes], dtype=np.float64)
        table[f"effective_size{name}"] = np.where(np.isfinite(values), values, np.nan)
    table["effective_size_basis"] = [size.basis for size in sizes]
    table["effective_size_markers"] = np.array([size.n_markers for size in sizes], dtype=np.int64)
    return pd.DataFrame(table)
