"""Which markers stay.

Technical filters first: called often enough, overall and at every site, variable, the same in all batches and in both
sexes. Then those of frequency and of Hardy-Weinberg proportions within sites.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from homewater.filters.hardy_weinberg import hardy_weinberg_p
from homewater.filters.heterozygote_excess import heterozygote_excess_p
from homewater.filters.settings import FilterSettings
from homewater.running.errors import InputError, Problem
from homewater.statistics.allele_counts import NOT_CALLED, AlleleCounts, n_animals, n_called
from homewater.statistics.intervals import divide_or_nan, false_discovery

MIN_SITE_ANIMALS = 10  # of a site whose call rate counts: of fewer, one lost call is too large a share
BLOCK = 65536
SETTINGS = {
    "call_rate": "min_call_rate",
    "site_call_rate": "min_site_call_rate",
    "monomorphic": "",
    "batch": "batch_fdr",
    "sex_linked": "sex_linked_fdr",
    "minor_allele_frequency": "min_minor_allele_frequency",
    "minor_allele_count": "min_minor_allele_count",
    "excess_heterozygosity": "hardy_weinberg_fdr",
    "hardy_weinberg": "hardy_weinberg_fdr",
}


def filter_markers(
    markers: pd.DataFrame,
    counts: np.ndarray,
    settings: FilterSettings,
    differences: dict[str, np.ndarray] | None = None,
) -> tuple[pd.DataFrame, list[dict]]:
    """Go through all filters of markers but linkage thinning.

    Args:
        markers: marker, chrom, pos, ref, alt.
        counts: int32 (n_markers, n_sites, 4), genotype counts of the defining animals by site: homozygous reference,
            heterozygous, homozygous alternate, missing.
        settings: limits of the filters; SETTINGS says which limit belongs to which filter.
        differences: float64 (n_markers,) p values of tests of batches (`batch`) and sexes (`sex_linked`), NaN where not
            tested; none by default.

    Returns:
        The table of schema `markers` but for `thinned`, and the rows of schema `filter_summary`.

    Raises:
        InputError: where no marker is left, naming the filter that took the most.
    """
    total = counts.sum(axis=1, dtype=np.int64)
    called, alleles = n_called(total), AlleleCounts.of_genotypes(total)
    call_rate = divide_or_nan(called, total.sum(axis=1))
    minor = np.minimum(alleles.frequency, 1 - alleles.frequency)
    minor_count = np.minimum(alleles.alternate, alleles.reference)
    table = markers[["marker", "chrom", "pos", "ref", "alt"]].assign(
        status="kept", reason="", call_rate=call_rate, minor_allele_frequency=minor
    )
    left = np.ones(len(table), dtype=bool)
    reason = np.full(len(table), "", dtype=object)
    value, limit = np.full(len(table), np.nan), np.full(len(table), np.nan)
    summary = []

    def remove(name: str, rows: np.ndarray, values: np.ndarray) -> None:
        rows = rows & left
        reason[rows] = name
        value[rows], limit[rows] = values[rows], getattr(settings, SETTINGS[name]) if SETTINGS[name] else 0
        before, gone = int(left.sum()), int(rows.sum())
        summary.append({"step": name, "before": before, "removed": gone, "after": before - gone, "what": "markers"})
        left[rows] = False

    def tested(name: str, p: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        q = false_discovery(np.where(left, p, np.nan))
        return np.nan_to_num(q, nan=2.0) <= getattr(settings, SETTINGS[name]), q

    remove("call_rate", ~(np.nan_to_num(call_rate) >= settings.min_call_rate) | (called == 0), call_rate)
    lowest = lowest_site_call_rate(counts)
    remove("site_call_rate", lowest < settings.min_site_call_rate, lowest)
    remove("monomorphic", ~(np.nan_to_num(minor) > 0), np.nan_to_num(minor))
    for name in ("batch", "sex_linked"):
        remove(name, *tested(name, (differences or {}).get(name, np.full(len(table), np.nan))))
    technical = left.copy()
    remove("minor_allele_frequency", np.nan_to_num(minor) < settings.min_minor_allele_frequency, minor)
    remove("minor_allele_count", minor_count < settings.min_minor_allele_count, minor_count)
    excess_p, p = np.full((2, len(table)), np.nan)
    rows = np.flatnonzero(left)
    for start in range(0, rows.size, BLOCK):  # no copy of all counts
        some = rows[start : start + BLOCK]
        excess_p[some], p[some] = heterozygote_excess_p(counts[some]), hardy_weinberg_p(counts[some])
    in_excess, excess_q = tested("excess_heterozygosity", excess_p)
    departs, q = tested("hardy_weinberg", p)  # both over the same markers, before either takes any
    remove("excess_heterozygosity", in_excess, excess_q)
    remove("hardy_weinberg", departs, q)
    if not left.any():
        raise InputError(_none_left(summary))
    table = table.assign(
        status=np.where(left, "kept", "removed"),
        reason=reason,
        passes_technical=technical,
        hardy_weinberg_p=p,
        hardy_weinberg_q=q,
        excess_heterozygosity_q=excess_q,
        value=value,
        limit=limit,
    )
    return table, summary


def lowest_site_call_rate(counts: np.ndarray) -> np.ndarray:
    """Return the lowest call rate over sites with MIN_SITE_ANIMALS and more, float64 (n_markers,); 1 without any.

    Args:
        counts: int32 (n_markers, n_sites, 4), as in `filter_markers`.
    """
    large = n_animals(counts) >= MIN_SITE_ANIMALS
    lowest = np.ones(len(counts))
    for start in range(0, len(counts), BLOCK):
        part = counts[start : start + BLOCK, large]
        called = n_called(part)
        lowest[start : start + BLOCK] = divide_or_nan(called, called + part[..., NOT_CALLED]).min(axis=1, initial=1.0)
    return lowest


def _none_left(summary: list[dict]) -> Problem:
    worst = max(summary, key=lambda row: row["removed"])
    key = SETTINGS[worst["step"]]
    found = f"no marker left: {worst['step']} removed {worst['removed']} of {worst['before']}, the most of all filters"
    allowed = f"a looser markers.{key}, or better genotypes" if key else "markers that vary among the baseline animals"
    return Problem("genotypes", "", f"markers.{key}" if key else "", found, allowed)
