"""The table of what the genotype files of a species disagree in: animals first, then markers in genome order."""

from __future__ import annotations

import numpy as np
import pandas as pd

from homewater.intake.match_markers import KINDS, MISMATCH, Matched, wandering_identifiers

MAX_ROWS = 100_000  # rows that name a marker
COLUMNS = ["kind", "file", "chrom", "pos", "marker", "found", "expected", "materialSampleID", "n", "compared"]
_ORDER = [*KINDS.values(), "identifier_elsewhere", "genotype_conflict"]


def animal_conflicts(
    sample_ids: list[str], file_names: list[str], compared: np.ndarray, differing: np.ndarray
) -> pd.DataFrame:
    """Return one row for each animal and file in which genotypes differ from those of the files before.

    Args:
        sample_ids: (n_samples,), canonical order.
        file_names: (n_files,).
        compared: int64 (n_files, n_samples), genotypes called here and before.
        differing: int64 (n_files, n_samples), those of them that differ.
    """
    animal, file = np.nonzero(differing.T)
    return pd.DataFrame(
        {
            "kind": "animal_conflicts",
            "file": np.array(file_names, dtype=object)[file],
            "materialSampleID": np.array(sample_ids, dtype=object)[animal],
            "n": differing[file, animal],
            "compared": compared[file, animal],
        }
    )


def marker_conflicts(
    rows: pd.DataFrame,
    matched: Matched,
    identifier: np.ndarray,
    calls: pd.DataFrame,
    file_names: list[str],
    markers: pd.DataFrame,
    unlisted: int = 0,
) -> tuple[pd.DataFrame, dict[str, int]]:
    """Return one row for each marker, file and kind of conflict, in genome order and then in the files' order.

    Args:
        rows: the markers of all files: file, chrom, pos, ref, alt.
        matched: which of them are the same.
        identifier: object str (n_rows,), the ID column.
        calls: markers at which files call an animal differently: number (of the marker), file, materialSampleID, n.
        file_names: (n_files,).
        markers: the union's markers in genome order: marker, chrom, pos.
        unlisted: further such markers, behind those of `calls` in genome order.

    Returns:
        the table, at most MAX_ROWS rows and a last one of kind `not_listed` that counts those beyond;
        and the number of rows of each kind before any is left out.
    """
    file = rows["file"].to_numpy()
    ref, alt = (rows[column].to_numpy(dtype=object) for column in ("ref", "alt"))
    odd = np.flatnonzero(np.isin(matched.kind, list(KINDS)))
    against = matched.head[matched.beside[odd]]
    mismatch = matched.kind[odd] == MISMATCH
    if mismatch.any():
        place = rows.groupby(["chrom", "pos"], sort=False).ngroup().to_numpy()
        against[mismatch] = np.unique(place, return_index=True)[1][place[odd[mismatch]]]  # the first file's
    kind_of_code = np.array([KINDS.get(code, "") for code in range(max(KINDS) + 1)], dtype=object)
    chrom, pos = markers["chrom"].to_numpy(dtype=object), markers["pos"].to_numpy()
    moved, first = wandering_identifiers(identifier, file, matched.beside).T
    elsewhere = [f"{chrom[m]}:{pos[m]}" for m in matched.beside[first[:MAX_ROWS]].tolist()]
    frames = [
        pd.DataFrame(
            {
                "kind": kind_of_code[matched.kind[odd]],
                "number": matched.beside[odd],
                "file": file[odd],
                "found": ref[odd] + "/" + alt[odd],
                "expected": ref[against] + "/" + alt[against],
            }
        ),
        pd.DataFrame(
            {
                "kind": "identifier_elsewhere",
                "number": matched.beside[moved],
                "file": file[moved],
                "found": identifier[moved],
                "expected": pd.Series(elsewhere, dtype=object).reindex(range(moved.size), fill_value=""),
            }
        ),
        calls.assign(kind="genotype_conflict"),
    ]
    table = pd.concat([frame for frame in frames if len(frame)] or frames[:1], ignore_index=True)
    totals = {kind: int(n) for kind, n in table["kind"].value_counts().sort_index().items()}
    rank = table["kind"].map({kind: i for i, kind in enumerate(_ORDER)})
    table = table.assign(rank=rank).sort_values(["number", "file", "rank"], kind="stable", ignore_index=True)
    if unlisted:
        totals["genotype_conflict"] = totals.get("genotype_conflict", 0) + unlisted
    beyond, table = len(table) + unlisted - MAX_ROWS, table.head(MAX_ROWS)
    number = table["number"].to_numpy(dtype=np.int64)
    table = table.assign(
        chrom=chrom[number],
        pos=pos[number],
        marker=markers["marker"].to_numpy(dtype=object)[number],
        file=np.array(file_names, dtype=object)[table["file"].to_numpy(dtype=np.int64)],
    )
    if beyond > 0:
        table = pd.concat([table, pd.DataFrame([{"kind": "not_listed", "n": beyond}])], ignore_index=True)
    return table.drop(columns=["number", "rank"]), totals


def conflict_table(frames: list[pd.DataFrame]) -> pd.DataFrame:
    """Return the table file_conflicts from its pieces, every column present."""
    filled = [frame for frame in frames if len(frame)]
    table = pd.concat(filled, ignore_index=True) if filled else pd.DataFrame()
    return table.reindex(columns=COLUMNS)
