"""Ranking of sources: from which wild sites animals are best taken for each destination, and which not at all."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from homewater.tables.unit_names import unit_by_site

RANKING_COLUMNS = [
    "destination",
    "rank",
    "source",
    "same_unit",
    "fst",
    "sea_km",
    "advice",
    "fst_ci_low",
    "fst_ci_high",
    "fst_site",
    "foreign_rate",
    "foreign_rate_ci_low",
    "foreign_rate_ci_high",
]
# The order in which advice is listed: advised, known less well, not advised, not to be fished.
_TIERS = [
    ("same_unit", "one_unit_distance_only"),
    ("source_not_sampled",),
    ("source_in_contact_zone", "source_has_foreign_ancestry"),
    ("other_unit_not_advised",),
    ("no_local_stock",),
    ("source_closed",),
]
_TIER_OF = {advice: tier for tier, members in enumerate(_TIERS) for advice in members}


@dataclass(frozen=True)
class Measured:
    """What earlier stages measured at the sites and between them.

    Attributes:
        n_units: number of units found.
        pairwise_fst: table pairwise_fst (site_a, site_b, fst, ci_low, ci_high).
        sea_distance: table sea_distance (site_a, site_b, sea_km), sea_km missing where no water joins the two.
        site_rates: table site_rates (locationID, rate, ci_low, ci_high); header only with one unit.
    """

    n_units: int
    pairwise_fst: pd.DataFrame
    sea_distance: pd.DataFrame
    site_rates: pd.DataFrame


def destinations(transfers: pd.DataFrame, sites: pd.DataFrame, species: str) -> list[str]:
    """Return the sites that advice is given for, in site order.

    These are every farm and hatchery, and every destination that the ledger names for this species. Where there is
    neither, they are all sites.

    Args:
        transfers: table transfers, all species.
        sites: table sites (locationID, kind).
        species: species id.
    """
    named = set(transfers.loc[transfers["species"] == species, "destinationLocationID"])
    kind = sites["kind"].replace("", "wild").fillna("wild")
    chosen = [s for s, k in zip(sites["locationID"], kind, strict=True) if k != "wild" or s in named]
    return chosen or list(sites["locationID"])


def _pairs(table: pd.DataFrame, columns: list[str]) -> dict[frozenset, tuple]:
    values = zip(*(table[c].astype(float) for c in columns), strict=True)
    return {frozenset(pair): v for *pair, v in zip(table["site_a"], table["site_b"], values, strict=True)}


def _last_if_missing(value: float) -> tuple[bool, float]:
    return (True, 0.0) if math.isnan(value) else (False, value)


def _stand_in(site: str, unit: str, sampled: dict[str, str], sea: dict[frozenset, tuple]) -> str:
    """Return the site whose baseline speaks for `site`: itself, or the nearest by water of the same unit, or none."""
    if site in sampled:
        return site
    near = [
        (sea.get(frozenset((site, s)), (math.nan,))[0], i, s) for i, (s, u) in enumerate(sampled.items()) if u == unit
    ]
    near = [n for n in near if not math.isnan(n[0])]
    return min(near)[2] if near else ""


def _advice(
    closed: bool, same_unit: bool | None, contact_zone: bool, foreign: bool, sampled: bool, one_unit: bool
) -> str:
    if closed:
        return "source_closed"
    if same_unit is None:
        return "no_local_stock"
    if not same_unit:
        return "other_unit_not_advised"
    if contact_zone:
        return "source_in_contact_zone"
    if foreign:
        return "source_has_foreign_ancestry"
    if not sampled:
        return "source_not_sampled"
    return "one_unit_distance_only" if one_unit else "same_unit"


def source_ranking(
    transfers: pd.DataFrame,
    sites: pd.DataFrame,
    units: pd.DataFrame,
    measured: Measured,
    species: str,
    high_rate: float,
) -> pd.DataFrame:
    """Rank every wild native site as a source for every destination.

    Sources of the destination's own unit come first. Among them, sites without animals of their own come later. After
    these come contact zones, and sites whose animals show ancestry of another unit (the interval of their rate lies
    above `high_rate`). Then come other units, and closed sites last.

    Equal advice is ordered by F_ST to the destination's baseline, which is its own or that of the nearest site by water
    in its unit; then by distance by water; then by site order. Where the whole range is one unit, or the destination
    has no local stock, F_ST says nothing to rank by, and distance by water comes first.

    Args:
        transfers: table transfers, all species.
        sites: table sites (locationID, kind, fishing, ...); its order breaks ties.
        units: table units of this species (locationID, unit, contact_zone, basis).
        measured: what earlier stages measured.
        species: species id.
        high_rate: share in [0, 1] above which a source's foreign ancestry speaks against it.

    Returns:
        Table source_ranking, destinations in site order, each with ranks 1..n.
    """
    unit_of = unit_by_site(units)
    basis = dict(zip(units["locationID"], units["basis"], strict=True))
    contact = dict(zip(units["locationID"], units["contact_zone"].fillna(False).astype(bool), strict=True))
    kind = dict(zip(sites["locationID"], sites["kind"].replace("", "wild").fillna("wild"), strict=True))
    closed = set(sites.loc[sites["fishing"] == "closed", "locationID"]) if "fishing" in sites else set()
    fst = _pairs(measured.pairwise_fst, ["fst", "ci_low", "ci_high"])
    sea, one_unit = _pairs(measured.sea_distance, ["sea_km"]), measured.n_units == 1
    rate_columns = (measured.site_rates[c].astype("float64") for c in ("rate", "ci_low", "ci_high"))
    rates = {site: values for site, *values in zip(measured.site_rates["locationID"], *rate_columns, strict=True)}
    sources = [s for s in sites["locationID"] if kind[s] == "wild" and unit_of[s]]
    sampled = {s: unit_of[s] for s in sources if basis[s] == "own_animals"}
    order = {s: i for i, s in enumerate(sites["locationID"])}
    rows = []
    for destination in destinations(transfers, sites, species):
        unit = unit_of[destination]
        stand_in = _stand_in(destination, unit, sampled, sea) if unit else ""
        ranked = []
        for source in (s for s in sources if s != destination):
            same = unit_of[source] == unit if unit else None
            rate = rates.get(source, (math.nan,) * 3)
            advice = _advice(
                closed=source in closed,
                same_unit=same,
                contact_zone=contact[source],
                foreign=rate[1] > high_rate,
                sampled=source in sampled,
                one_unit=one_unit,
            )
            differs = fst.get(frozenset((source, stand_in)), (math.nan,) * 3) if stand_in else (math.nan,) * 3
            sea_km = sea.get(frozenset((source, destination)), (math.nan,))[0]
            # A source that stands for the destination is at distance zero by definition, not by measurement.
            distance = (False, -math.inf) if source == stand_in else _last_if_missing(differs[0])
            keys = [distance, _last_if_missing(sea_km)]
            if one_unit or not unit:
                keys.reverse()
            ranked.append(
                ((_TIER_OF[advice], same is False, *keys, order[source]), source, same, differs, sea_km, advice, rate)
            )
        for rank, (_, source, same, differs, sea_km, advice, rate) in enumerate(
            sorted(ranked, key=lambda r: r[0]), start=1
        ):
            values = (destination, rank, source, same, differs[0], sea_km, advice, *differs[1:], stand_in, *rate)
            rows.append(dict(zip(RANKING_COLUMNS, values, strict=True)))
    return pd.DataFrame(rows, columns=RANKING_COLUMNS)
