"""What the ledger of moved animals says about the units, and which source harms a destination least."""

from __future__ import annotations

import math

import pandas as pd

from homewater.tables.unit_names import unit_by_site
from homewater.transfers.flows import destinations

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
    n_units: int,
    pairwise_fst: pd.DataFrame,
    sea_distance: pd.DataFrame,
    site_rates: pd.DataFrame,
    species: str,
    high_rate: float,
) -> pd.DataFrame:
    """Rank every wild native site as a source for every destination.

    Sources of the destination's own unit come first; among them, sites without animals of their own come later, and
    after these contact zones and sites whose animals show ancestry of another unit (the interval of their rate lies
    above `high_rate`); then other units; closed sites last. Equal advice is ordered by F_ST to the destination's
    baseline (its own, or that of the nearest site by water in its unit), then by distance by water, then by site order.
    Where the whole range is one unit, or the destination has no local stock, F_ST holds no signal to rank by and
    distance by water comes first.

    Args:
        transfers: table transfers, all species.
        sites: table sites (locationID, kind, fishing, ...); its order breaks ties.
        units: table units of this species (locationID, unit, contact_zone, basis).
        n_units: number of units found.
        pairwise_fst: table pairwise_fst (site_a, site_b, fst, ci_low, ci_high).
        sea_distance: table sea_distance (site_a, site_b, sea_km), sea_km missing where no water joins the two.
        site_rates: table site_rates (locationID, rate, ci_low, ci_high); header only with one unit.
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
    fst, sea = _pairs(pairwise_fst, ["fst", "ci_low", "ci_high"]), _pairs(sea_distance, ["sea_km"])
    rate_columns = (site_rates[c].astype("float64") for c in ("rate", "ci_low", "ci_high"))
    rates = {site: values for site, *values in zip(site_rates["locationID"], *rate_columns, strict=True)}
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
                one_unit=n_units == 1,
            )
            measured = fst.get(frozenset((source, stand_in)), (math.nan,) * 3) if stand_in else (math.nan,) * 3
            sea_km = sea.get(frozenset((source, destination)), (math.nan,))[0]
            # A source that stands for the destination is at distance zero by definition, not by measurement.
            distance = (False, -math.inf) if source == stand_in else _last_if_missing(measured[0])
            keys = [distance, _last_if_missing(sea_km)]
            if n_units == 1 or not unit:
                keys.reverse()
            ranked.append(
                ((_TIER_OF[advice], same is False, *keys, order[source]), source, same, measured, sea_km, advice, rate)
            )
        for rank, (_, source, same, measured, sea_km, advice, rate) in enumerate(
            sorted(ranked, key=lambda r: r[0]), start=1
        ):
            values = (destination, rank, source, same, measured[0], sea_km, advice, *measured[1:], stand_in, *rate)
            rows.append(dict(zip(RANKING_COLUMNS, values, strict=True)))
    return pd.DataFrame(rows, columns=RANKING_COLUMNS)
