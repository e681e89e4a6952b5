"""Source ranking: hand-worked cases, and a second version written the slow way."""

import itertools
import math

import numpy as np
import pandas as pd
import pytest
from tests.made_ledger import LEDGER, SITES, UNITS

from homewater.tables.schema_tables import check_table, read_table, write_table
from homewater.transfers.source_ranking import RANKING_COLUMNS, Measured, destinations, source_ranking


def sea_table(kilometres: dict[str, float]) -> pd.DataFrame:
    """Return distances by water along one line from positions in km; NaN for a site that no water joins."""
    pairs = itertools.combinations(kilometres, 2)
    return pd.DataFrame(
        [(a, b, abs(kilometres[a] - kilometres[b])) for a, b in pairs], columns=["site_a", "site_b", "sea_km"]
    )


SEA = sea_table(dict(zip(SITES["locationID"], [0.0, 40, 100, 140, 60, 30, 400], strict=True)))
FST = pd.DataFrame(
    [
        ("holm", "skerry", 0.001),
        ("holm", "voe", 0.05),
        ("holm", "noup", 0.06),
        ("holm", "geo", 0.002),
        ("skerry", "voe", 0.045),
        ("skerry", "noup", 0.04),
        ("skerry", "geo", 0.0005),
        ("voe", "noup", 0.003),
        ("voe", "geo", 0.05),
        ("noup", "geo", 0.055),
    ],
    columns=["site_a", "site_b", "fst"],
).assign(ci_low=lambda t: t["fst"] - 0.001, ci_high=lambda t: t["fst"] + 0.001)
NO_RATES = pd.DataFrame({"locationID": [], "rate": [], "ci_low": [], "ci_high": []})


def rank(destination: str, ledger=LEDGER, sites=SITES, units=UNITS, n_units=2, fst=FST, sea=SEA, rates=NO_RATES):
    table = source_ranking(ledger, sites, units, Measured(n_units, fst, sea, rates), "topshell", high_rate=0.05)
    return table[table["destination"] == destination].set_index("rank")


def test_without_a_ledger_every_farm_gets_advice():
    assert destinations(LEDGER.iloc[:0], SITES, "topshell") == ["farm_s", "farm_n"]


def test_every_site_is_a_destination_where_there_is_no_farm_and_no_ledger():
    wild = SITES[SITES["locationID"].isin(["holm", "skerry", "voe"])]
    assert destinations(LEDGER.iloc[:0], wild, "topshell") == ["holm", "skerry", "voe"]
    assert destinations(LEDGER.assign(destinationLocationID="voe"), SITES, "topshell") == ["voe", "farm_s", "farm_n"]


def test_ranking_by_hand():
    # farm_s (30 km) lies nearest to skerry (40 km), which stands for it; holm follows at 0.001; geo is closed.
    table = rank("farm_s")
    assert list(table["source"]) == ["skerry", "holm", "noup", "voe", "geo"]
    assert list(table["advice"]) == ["same_unit"] * 2 + ["other_unit_not_advised"] * 2 + ["source_closed"]
    assert set(table["fst_site"]) == {"skerry"}
    assert math.isnan(table.loc[1, "fst"])  # a site against itself is not a measurement
    assert table.loc[2, "fst"] == 0.001
    assert list(table["sea_km"]) == [10, 30, 110, 70, 30]


def test_a_farm_beyond_the_range_has_no_local_stock_and_is_listed_by_distance():
    table = rank("farm_n")
    assert set(table["advice"]) == {"no_local_stock", "source_closed"}
    assert list(table["source"]) == ["noup", "voe", "skerry", "holm", "geo"]
    assert table["same_unit"].isna().all()
    assert table["fst"].isna().all()


def test_foreign_ancestry_at_a_source_counts_only_where_its_interval_shows_it():
    rates = pd.DataFrame(
        {"locationID": ["holm", "skerry"], "rate": [0.2, 0.2], "ci_low": [0.051, 0.05], "ci_high": [0.3, 0.3]}
    )
    table = rank("farm_s", rates=rates)
    assert list(table["source"][:2]) == ["skerry", "holm"]
    assert list(table["advice"][:2]) == ["same_unit", "source_has_foreign_ancestry"]
    swapped = rank("farm_s", rates=rates.assign(locationID=["skerry", "holm"]))
    assert list(swapped["source"][:2]) == ["holm", "skerry"]


def test_contact_zones_and_sites_without_animals_come_after_sampled_ones():
    units = UNITS.assign(contact_zone=UNITS["locationID"] == "skerry")
    assert list(rank("farm_s", units=units)["advice"][:2]) == ["same_unit", "source_in_contact_zone"]
    units = UNITS.assign(basis=UNITS["basis"].where(UNITS["locationID"] != "skerry", "nearest_by_water"))
    table = rank("farm_s", units=units)
    assert list(table["source"][:2]) == ["holm", "skerry"]
    assert table.loc[2, "advice"] == "source_not_sampled"


def test_one_unit_is_ranked_by_distance_by_water():
    units = UNITS.assign(unit="unit_1")
    table = rank("farm_s", units=units, n_units=1)
    assert list(table["source"]) == ["skerry", "holm", "voe", "noup", "geo"]
    assert set(table["advice"][:4]) == {"one_unit_distance_only"}


def test_a_source_without_a_way_by_water_is_listed_last_of_its_kind():
    sea = SEA.assign(sea_km=SEA["sea_km"].where((SEA["site_a"] != "skerry") & (SEA["site_b"] != "skerry")))
    table = rank("farm_s", sea=sea, units=UNITS.assign(unit="unit_1"), n_units=1)
    assert list(table["source"]) == ["holm", "voe", "noup", "skerry", "geo"]
    assert math.isnan(table.loc[4, "sea_km"])


def naive_ranking(units, n_units, fst, sea, rates, kind, closed, high_rate):
    """Rank by comparing every two sources, sentence by sentence as the rule is worded."""
    sites = list(units.index)

    def number(table, a, b, column):
        for row in table.to_dict("records"):
            if {row["site_a"], row["site_b"]} == {a, b}:
                return row[column]
        return math.nan

    result = {}
    for destination in [s for s in sites if kind[s] != "wild"]:
        unit = units.loc[destination, "unit"]
        speaks = None
        if unit != "":
            best = math.inf
            for s in sites:
                usable = kind[s] == "wild" and units.loc[s, "basis"] == "own_animals" and units.loc[s, "unit"] == unit
                if usable and number(sea, destination, s, "sea_km") < best:
                    best, speaks = number(sea, destination, s, "sea_km"), s

        def group(s, unit=unit):
            if closed[s]:
                return 9
            if unit == "" or units.loc[s, "unit"] != unit:
                return 5
            high = any(r["locationID"] == s and r["ci_low"] > high_rate for r in rates.to_dict("records"))
            if units.loc[s, "contact_zone"] or high:
                return 3
            return 1 if units.loc[s, "basis"] == "own_animals" else 2

        def better(a, b, unit=unit, group=group, speaks=speaks, destination=destination):
            if group(a) != group(b):
                return group(a) < group(b)
            if unit != "" and (units.loc[a, "unit"] == unit) != (units.loc[b, "unit"] == unit):
                return units.loc[a, "unit"] == unit
            genetic = []
            for s in (a, b):
                value = -1e9 if s == speaks else (number(fst, s, speaks, "fst") if speaks else math.nan)
                genetic.append(1e9 if math.isnan(value) else value)
            water = [number(sea, destination, s, "sea_km") for s in (a, b)]
            water = [1e9 if math.isnan(w) else w for w in water]
            order = [water, genetic] if n_units == 1 or unit == "" else [genetic, water]
            for x, y in order:
                if x != y:
                    return x < y
            return sites.index(a) < sites.index(b)

        sources = [s for s in sites if kind[s] == "wild" and units.loc[s, "unit"] != "" and s != destination]
        wins = {s: sum(better(s, t) for t in sources if t != s) for s in sources}
        result[destination] = sorted(sources, key=lambda s: -wins[s])
    return result


@pytest.mark.parametrize("seed", range(30))
def test_ranking_agrees_with_comparing_every_two_sources(seed):
    random = np.random.default_rng(seed)
    n = int(random.integers(4, 10))
    names = [f"s{i}" for i in range(n)]
    kind = np.where(random.random(n) < 0.3, "farm", "wild")
    kind[0] = "farm"
    n_units = int(random.integers(1, 4))
    units = pd.DataFrame(
        {
            "locationID": names,
            "unit": [f"unit_{u}" for u in random.integers(1, n_units + 1, n)],
            "jurisdiction": "Vessland",
            "contact_zone": random.random(n) < 0.2,
            "basis": np.where((kind == "wild") & (random.random(n) < 0.8), "own_animals", "nearest_by_water"),
        }
    )
    lost = random.random(n) < 0.15
    units.loc[lost, "unit"], units.loc[lost, "basis"] = "", "none"
    sites = pd.DataFrame(
        {"locationID": names, "kind": kind, "fishing": np.where(random.random(n) < 0.2, "closed", "open")}
    )
    pairs = list(itertools.combinations(names, 2))
    fst = pd.DataFrame(pairs, columns=["site_a", "site_b"])
    fst["fst"] = random.integers(0, 4, len(pairs)) / 100  # ties on purpose
    fst = fst.assign(ci_low=fst["fst"], ci_high=fst["fst"])[random.random(len(pairs)) < 0.8]
    sea = pd.DataFrame(pairs, columns=["site_a", "site_b"])
    sea["sea_km"] = np.where(random.random(len(pairs)) < 0.1, np.nan, random.integers(1, 5, len(pairs)) * 10.0)
    rates = pd.DataFrame({"locationID": names, "rate": 0.2, "ci_low": random.random(n) / 5, "ci_high": 0.9})
    table = source_ranking(LEDGER.iloc[:0], sites, units, Measured(n_units, fst, sea, rates), "topshell", high_rate=0.1)
    expected = naive_ranking(
        units.set_index("locationID"),
        n_units,
        fst,
        sea,
        rates,
        dict(zip(names, kind, strict=True)),
        dict(zip(names, sites["fishing"] == "closed", strict=True)),
        0.1,
    )
    found = {d: list(t["source"]) for d, t in table.groupby("destination", sort=False)}
    assert found == {d: s for d, s in expected.items() if s}
    check_table(table, "source_ranking")


def test_the_table_matches_its_schema(tmp_path):
    ranking = source_ranking(LEDGER, SITES, UNITS, Measured(2, FST, SEA, NO_RATES), "topshell", 0.05)
    assert list(ranking.columns) == RANKING_COLUMNS
    write_table(ranking, tmp_path / "source_ranking.csv")
    again = read_table(tmp_path / "source_ranking.csv")
    assert list(again["source"]) == list(ranking["source"])
    assert again["same_unit"].isna().sum() == ranking["same_unit"].isna().sum()
