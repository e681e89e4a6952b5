"""Flows between units: how many animals the ledger says were moved from each unit to each."""

from __future__ import annotations

import pandas as pd

from homewater.tables.unit_names import unit_by_site, unit_index

NO_UNIT, UNTRACED = "none", "untraced"


FLOW_COLUMNS = [
    "species",
    "source_unit",
    "destination_unit",
    "individuals",
    "crosses_boundary",
    "transfers",
    "transfers_without_count",
    "lost_or_dead",
]


def _unit_order(unit: str) -> tuple[int, int]:
    if unit == UNTRACED:
        return (2, 0)
    return (1, 0) if unit == NO_UNIT else (0, unit_index(unit))


def _sum_or_missing(values: pd.Series) -> int | None:
    known = values.dropna()
    return int(known.sum()) if len(known) else None


def flows(transfers: pd.DataFrame, units: pd.DataFrame, species: str) -> pd.DataFrame:
    """Sum the ledger by unit of source and unit of destination.

    Args:
        transfers: table transfers, all species; sourceLocationID empty where a move cannot be traced.
        units: table units of this species; every site of the ledger is in it.
        species: species id; rows of other species are left out.

    Returns:
        Table flows: one row for each pair of units that occurs, in unit order, then no unit, then untraced. A boundary
        is crossed where both units are known and differ; where either is not known the cell is missing, never false.
    """
    unit_of = {site: unit or NO_UNIT for site, unit in unit_by_site(units).items()}
    own = transfers[transfers["species"] == species]
    sources = [unit_of[site] if site else UNTRACED for site in own["sourceLocationID"].fillna("")]
    destinations = [unit_of[site] for site in own["destinationLocationID"]]
    lost = own["lost_or_dead"] if "lost_or_dead" in own else pd.Series(pd.NA, index=own.index, dtype="Int64")
    rows = []
    for pair in sorted(
        set(zip(sources, destinations, strict=True)), key=lambda p: (_unit_order(p[0]), _unit_order(p[1]))
    ):
        chosen = [(s, d) == pair for s, d in zip(sources, destinations, strict=True)]
        counts = own.loc[chosen, "individualCount"]
        units_known = NO_UNIT not in pair and pair[0] != UNTRACED
        rows.append(
            {
                "species": species,
                "source_unit": pair[0],
                "destination_unit": pair[1],
                "individuals": _sum_or_missing(counts),
                "crosses_boundary": (pair[0] != pair[1]) if units_known else None,
                "transfers": sum(chosen),
                "transfers_without_count": int(counts.isna().sum()),
                "lost_or_dead": _sum_or_missing(lost[chosen]),
            }
        )
    return pd.DataFrame(rows, columns=FLOW_COLUMNS)
