"""The tables of windows and blocks of the genome."""

from __future__ import annotations

import numpy as np
import pandas as pd

from homewater.genotypes.site_counts import SiteCounts
from homewater.statistics.fst import block_weights, joint_components
from homewater.statistics.intervals import chromosome_blocks, divide_or_nan, ratio_interval, t_quantile, wilson
from homewater.structure.block_axis import BlockAxis
from homewater.structure.genome_windows import WindowScan
from homewater.tables.schema_tables import empty_table


def windows_table(
    counts: SiteCounts,
    used: np.ndarray,
    scan: WindowScan,
    linkage: tuple[np.ndarray, np.ndarray],
    blocks: pd.DataFrame,
) -> pd.DataFrame:
    """Return table genome_windows.

    Args:
        counts: of the markers, for their places.
        used: int32 (n_markers, n_sites, 4), counts of the sites of the scan.
        scan: of the windows.
        linkage: strength and q value of each chromosome, in order of first appearance.
        blocks: table genome_blocks.
    """
    n = len(scan.q_value)
    if not n:
        return empty_table("genome_windows")
    first = np.searchsorted(scan.window, np.arange(n))
    last = np.searchsorted(scan.window, np.arange(n), side="right") - 1
    top, bottom = joint_components(used, scan.window, n) if used.shape[1] > 1 else np.zeros((2, n))
    chrom = counts.chrom[first]
    number = pd.factorize(counts.chrom)[0][first]
    table = pd.DataFrame(
        {
            "chrom": chrom,
            "start": counts.pos[first],
            "end": counts.pos[last],
            "n_markers": last - first + 1,
            "n_tested": np.bincount(scan.window[scan.tested], minlength=n),
            "fst": divide_or_nan(top, bottom),
            "detectable_fst": scan.detectable,
            "level": scan.level,
            "departure": scan.departure,
            "p_value": scan.p_value,
            "q_value": scan.q_value,
            "linkage": linkage[0][number],
            "linkage_q_value": linkage[1][number],
            "block": "",
        }
    )
    for block in blocks.to_dict("records"):
        inside = (counts.chrom == block["chrom"]) & (counts.pos >= block["start"]) & (counts.pos <= block["end"])
        share = np.bincount(scan.window[inside], minlength=n) / np.bincount(scan.window, minlength=n)
        table.loc[share >= 0.5, "block"] = block["block"]
    return table


def blocks_table(
    counts: SiteCounts, used: np.ndarray, found: list[tuple[int, int, float, str]], min_rest_share: float
) -> pd.DataFrame:
    """Return table genome_blocks.

    The smallest blocks are left out of the search for units first, as long as enough of the genome remains.

    Args:
        counts: of the markers, for their places.
        used: int32 (n_markers, n_sites, 4), counts of the sites of the scan.
        found: first and last marker, q value and reading of each block, along the genome.
        min_rest_share: least share of the markers that must remain.
    """
    if not found:
        return empty_table("genome_blocks")
    n_markers = len(used)
    inside = np.zeros(n_markers, dtype=bool)
    sizes = [last - first + 1 for first, last, _, _ in found]
    left_out, remaining = [False] * len(found), n_markers
    for number in sorted(range(len(found)), key=lambda k: (sizes[k], k)):
        if remaining - sizes[number] >= min_rest_share * n_markers:
            left_out[number] = True
            remaining -= sizes[number]
    for first, last, _, _ in found:
        inside[first : last + 1] = True
    rest = _fst(used[~inside], counts.chrom[~inside], counts.pos[~inside])
    rows = []
    for number, (first, last, q_value, reading) in enumerate(found):
        own = slice(first, last + 1)
        fst = _fst(used[own], counts.chrom[own], counts.pos[own])
        rows.append(
            {
                "block": f"block_{number + 1}",
                "chrom": counts.chrom[first],
                "start": int(counts.pos[first]),
                "end": int(counts.pos[last]),
                "n_markers": sizes[number],
                "q_value": q_value,
                "reading": reading,
                **dict(zip(("fst", "ci_low", "ci_high"), fst, strict=True)),
                **dict(zip(("rest_fst", "rest_ci_low", "rest_ci_high"), rest, strict=True)),
                "left_out": left_out[number],
            }
        )
    return pd.DataFrame(rows)


def _fst(counts: np.ndarray, chrom: np.ndarray, pos: np.ndarray) -> tuple[float, float, float]:
    """Return F_ST of all sites with its interval; NaN with under two sites or no marker."""
    if counts.shape[1] < 2 or not len(counts):
        return (float("nan"),) * 3
    block = chromosome_blocks(chrom, pos)
    estimate, low, high, _ = ratio_interval(*joint_components(counts, block), block_weights(block))
    return float(estimate), float(low), float(high)


def animal_rows(axes: list[tuple[str, BlockAxis]], animals: pd.DataFrame | None) -> pd.DataFrame:
    """Return table block_animals: the animals of each block with three arrangements.

    Args:
        axes: name and axis of each block.
        animals: materialSampleID, locationID, role.
    """
    rows = [
        animals.assign(block=name, arrangement=pd.array(axis.arrangement, dtype="Int64"), score=axis.score)
        for name, axis in axes
        if axis.arrangement is not None
    ]
    columns = empty_table("block_animals").columns
    return pd.concat(rows, ignore_index=True)[columns] if rows else empty_table("block_animals")


def site_rows(axes: list[tuple[str, BlockAxis]], site: np.ndarray | None, location_ids: np.ndarray) -> pd.DataFrame:
    """Return table block_sites: what each site carries of each block.

    Args:
        axes: name and axis of each block.
        site: int (n_animals,), -1 where an animal defines nothing.
        location_ids: str (n_sites,).
    """
    rows = []
    for name, axis in axes:
        for number, location in enumerate(np.asarray(location_ids).tolist()):
            own = (site == number) & np.isfinite(axis.score)
            row = {"block": name, "locationID": location, "n": int(own.sum())}
            of = _arrangement_row if axis.copies is not None else _axis_row
            rows.append(row | of(axis, own))
    return pd.DataFrame(rows) if rows else empty_table("block_sites")


def _arrangement_row(axis: BlockAxis, own: np.ndarray) -> dict:
    copies, n = float(axis.copies[own].sum()), 2 * int(own.sum())
    low, high = wilson(copies, n)
    frequency = copies / n if n else float("nan")
    return {"what": "arrangement", "frequency": frequency, "ci_low": float(low), "ci_high": float(high)}


def _axis_row(axis: BlockAxis, own: np.ndarray) -> dict:
    score = axis.score[own]
    mean = float(score.mean()) if score.size else float("nan")
    reach = float("nan")
    if score.size > 1:
        reach = float(score.std(ddof=1) / np.sqrt(score.size) * t_quantile(score.size - 1))
    low, high = max(mean - reach, 0.0), min(mean + reach, 1.0)
    if np.isnan(reach):
        low = high = float("nan")
    return {"what": "axis", "frequency": mean, "ci_low": low, "ci_high": high}
