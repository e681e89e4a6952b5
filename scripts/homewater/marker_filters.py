"""Which markers stay: called often enough, variable, not too rare, in Hardy-Weinberg proportions within sites."""

from __future__ import annotations

import numpy as np
import pandas as pd

from homewater.errors import InputError, Problem
from homewater.hardy_weinberg import hardy_weinberg_p
from homewater.statistics import divide_or_nan, false_discovery

SETTINGS = {
    "call_rate": "min_call_rate",
    "monomorphic": "",
    "minor_allele_frequency": "min_minor_allele_frequency",
    "hardy_weinberg": "hardy_weinberg_fdr",
}


def filter_markers(markers: pd.DataFrame, counts: np.ndarray, settings: dict) -> tuple[pd.DataFrame, list[dict]]:
    """Go through all filters of markers but linkage thinning.

    Args:
        markers: marker, chrom, pos, ref, alt.
        counts: int32 (n_markers, n_sites, 4), genotype counts of the defining animals by site: homozygous reference,
            heterozygous, homozygous alternate, missing.
        settings: min_call_rate, min_minor_allele_frequency, hardy_weinberg_fdr.

    Returns:
        The table of schema `markers` but for `thinned`, and the rows of schema `filter_summary`.

    Raises:
        InputError: where no marker is left, naming the filter that took the most.
    """
    total = counts.sum(axis=1, dtype=np.int64)
    called = total[:, :3].sum(axis=1)
    call_rate = divide_or_nan(called, total.sum(axis=1))
    alternate = divide_or_nan(total[:, 1] + 2 * total[:, 2], 2 * called)
    minor = np.minimum(alternate, 1 - alternate)
    table = markers[["marker", "chrom", "pos", "ref", "alt"]].assign(
        status="kept", reason="", call_rate=call_rate, minor_allele_frequency=minor
    )
    left = np.ones(len(table), dtype=bool)
    reason = np.full(len(table), "", dtype=object)
    value, limit = np.full(len(table), np.nan), np.full(len(table), np.nan)
    summary = []

    def remove(name: str, rows: np.ndarray, values: np.ndarray | None = None) -> None:
        rows = rows & left
        reason[rows] = name
        if values is not None:
            value[rows], limit[rows] = values[rows], settings[SETTINGS[name]]
        before, gone = int(left.sum()), int(rows.sum())
        summary.append({"step": name, "before": before, "removed": gone, "after": before - gone, "what": "markers"})
        left[rows] = False

    remove("call_rate", ~(np.nan_to_num(call_rate) >= settings["min_call_rate"]) | (called == 0), call_rate)
    remove("monomorphic", ~(np.nan_to_num(minor) > 0))
    technical = left.copy()
    remove("minor_allele_frequency", np.nan_to_num(minor) < settings["min_minor_allele_frequency"], minor)
    p = np.full(len(table), np.nan)
    p[left] = hardy_weinberg_p(counts[left])
    q = false_discovery(p)
    remove("hardy_weinberg", np.nan_to_num(q, nan=2.0) <= settings["hardy_weinberg_fdr"], q)
    if not left.any():
        raise InputError(_none_left(summary))
    table = table.assign(
        status=np.where(left, "kept", "removed"),
        reason=reason,
        passes_technical=technical,
        hardy_weinberg_p=p,
        hardy_weinberg_q=q,
        value=value,
        limit=limit,
    )
    return table, summary


def _none_left(summary: list[dict]) -> Problem:
    worst = max(summary, key=lambda row: row["removed"])
    key = SETTINGS[worst["step"]]
    found = f"no marker left: {worst['step']} removed {worst['removed']} of {worst['before']}, the most of all filters"
    allowed = f"a looser markers.{key}, or better genotypes" if key else "markers that vary among the baseline animals"
    return Problem("genotypes", "", f"markers.{key}" if key else "", found, allowed)
