"""The steps of distance, breaks, units, isolation by distance and variance shares, called as plain functions."""

import importlib.util
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from homewater.genotypes.site_counts import SiteCounts, write_site_counts
from homewater.running.errors import InputError
from homewater.tables.schema_tables import read_table, write_table

STEPS = Path(__file__).resolve().parents[2] / "scripts" / "steps"
SETTINGS = {
    "min_break_fst": 0.01,
    "break_level": 0.05,
    "median_step_multiple": 3.0,
    "detectable_power": 0.8,
    "detectable_replicates": 50,
}


def step(name):
    spec = importlib.util.spec_from_file_location(f"{name}_step", STEPS / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def site_table(ids, latitude, longitude, jurisdiction, kind):
    columns = {"locationID": ids, "locality": ids, "decimalLatitude": latitude, "decimalLongitude": longitude}
    return pd.DataFrame({**columns, "jurisdiction": jurisdiction, "waterBody": "", "kind": kind, "fishing": ""})


def study(folder, animals, shift, *, n_markers=1200, n_chrom=10, seed=0):
    """Write what intake writes: wild sites w0.. with frequencies moved by `shift`, a farm, a site out of range."""
    rng = np.random.default_rng(seed)
    ids = [f"w{i}/ä" for i in range(len(animals))]
    base = rng.uniform(0.2, 0.8, (n_markers, 1))
    p = np.clip(base + rng.normal(0, 1, (n_markers, 1)) * np.array(shift)[None], 0.02, 0.98)
    tally = []
    for i, n in enumerate(animals):
        genotypes = rng.binomial(2, p[:, i : i + 1], (n_markers, n))
        tally.append(np.stack([(genotypes == d).sum(axis=1) for d in (0, 1, 2, -1)], axis=1))
    present = [i for i, n in enumerate(animals) if n]
    counts = np.stack(tally, axis=1).astype(np.int32)[:, present] if present else np.zeros((n_markers, 0, 4), np.int32)
    markers = pd.DataFrame(
        {
            "marker": [f"m{k}" for k in range(n_markers)],
            "chrom": [f"chr{k * n_chrom // n_markers}" for k in range(n_markers)],
            "pos": np.arange(n_markers) + 1,
        }
    )
    write_site_counts(folder / "site_counts.zarr", SiteCounts(counts, np.array(ids, dtype=str)[present], markers))
    rest = {"ref": "A", "alt": "C", "status": "kept", "reason": "", "call_rate": 1.0, "minor_allele_frequency": 0.3}
    unknown = ("hardy_weinberg_p", "hardy_weinberg_q", "excess_heterozygosity_q", "value", "limit")
    rest |= dict.fromkeys(unknown, np.nan)
    markers = markers.assign(**rest, thinned=True, passes_technical=np.arange(n_markers) > 0)
    write_table(markers, folder / "markers.parquet")
    everyone = [*ids, "farm", "abroad"]
    n = len(everyone)
    at = np.array([*(40.0 * np.arange(n - 2)), 4.0, 40.0 * n])
    agency = ["Aldermark"] * (n - 3) + ["Vessland"] * 3
    kind = ["wild"] * (n - 2) + ["farm", "wild"]
    write_table(site_table(everyone, 55.0, -10.0, agency, kind), folder / "sites.csv", "input_sites")
    native = [True] * (n - 1) + [False]
    roles = {"locationID": everyone, "kind": kind, "in_native_range": native, "defines": [True] * (n - 2) + [False] * 2}
    write_table(pd.DataFrame(roles), folder / "site_roles.csv")
    pairs = [(a, b, abs(at[i] - at[j])) for i, a in enumerate(everyone) for j, b in enumerate(everyone) if i < j]
    write_table(pd.DataFrame(pairs, columns=["site_a", "site_b", "sea_km"]), folder / "sea_distance.csv")
    return everyone


def run(folder):
    inputs = {name: str(folder / file) for name, file in {
        "site_counts": "site_counts.zarr", "markers": "markers.parquet", "sea_distance": "sea_distance.csv",
    }.items()}  # fmt: skip
    step("breaks").main(**inputs, table=str(folder / "breaks.csv"), settings=SETTINGS, min_individuals=5)
    step("units").main(
        **inputs,
        breaks=str(folder / "breaks.csv"),
        sites=str(folder / "sites.csv"),
        site_roles=str(folder / "site_roles.csv"),
        units=str(folder / "units.csv"),
        summary=str(folder / "summary.json"),
        settings=SETTINGS,
        min_individuals=5,
        seed=1,
        species="topshell",
    )
    for name in ("isolation_by_distance", "variance_shares"):
        step(name).main(**inputs, units=str(folder / "units.csv"), table=str(folder / f"{name}.csv"))
    placed = {"units": str(folder / "units.csv")}
    counted = {name: inputs[name] for name in ("site_counts", "markers")}
    step("overall_fst").main(**counted, **placed, table=str(folder / "overall_fst.csv"))
    odd = str(folder / "odd_kinships.csv")
    step("odd_kinships").main(**inputs, **placed, breaks=str(folder / "breaks.csv"), table=odd)
    step("clines").main(**inputs, **placed, **{n: str(folder / f"{n}.csv") for n in ("clines", "cline_sites")})
    names = ("breaks", "units", "isolation_by_distance", "variance_shares", "overall_fst", "odd_kinships")
    names += ("clines", "cline_sites")
    return {n: read_table(folder / f"{n}.csv") for n in names}, json.loads((folder / "summary.json").read_text())


def test_two_stocks_from_counts_to_summary(tmp_path):
    study(tmp_path, [15, 15, 15, 15, 15, 15], [0, 0, 0, 0.12, 0.12, 0.12])
    tables, summary = run(tmp_path)
    assert tables["units"]["unit"].tolist() == ["unit_1"] * 3 + ["unit_2"] * 3 + ["unit_1", ""]
    assert tables["units"]["basis"].tolist() == ["own_animals"] * 6 + ["nearest_by_water", "none"]
    best = tables["breaks"].iloc[0]
    assert (best["side_a_nearest_site"], best["side_b_nearest_site"]) == ("w2/ä", "w3/ä")
    assert best["grade"] in ("strong", "moderate")
    assert (summary["n_units"], summary["panel"], summary["statement_id"]) == (2, "yes", "two_or_more_units")
    assert summary["values"]["largest_break_side_a"] == "w2/ä"
    assert 0 < summary["smallest_detectable_fst"]["value"] < 0.01
    assert summary["shared_units"] == ["unit_1", "unit_2"]
    assert tables["isolation_by_distance"]["scope"].tolist() == ["all", "unit_1", "unit_2"]
    assert tables["variance_shares"]["share"].tolist()[1] > 0.01
    cline = tables["clines"].iloc[0]
    assert (cline["status"], cline["centre_between_a"], cline["centre_between_b"]) == ("fitted", "w2/ä", "w3/ä")
    assert np.isnan(cline["width_ci_low"])  # no site lies between the stocks
    assert cline["width_ci_high"] < 80
    assert tables["cline_sites"]["locationID"].tolist() == [f"w{i}/ä" for i in range(6)]
    border = tables["variance_shares"].iloc[0]  # it divides unit_2; of the five edges the break has no pair across it
    assert border["n_placements"] == 4
    assert border["beyond_ci_low"] < 0 < border["beyond_ci_high"]
    overall = tables["overall_fst"].set_index("scope")
    assert overall["n_sites"].tolist() == [6, 3, 3]
    assert overall.loc["all", "fst"] > 0.01 > overall.loc["unit_1", "fst"]
    assert not tables["odd_kinships"]["odd"].astype(bool).any()


@pytest.mark.parametrize(
    ("animals", "shift", "statement", "n_units"),
    [
        ([15] * 5, [0] * 5, "no_structure_found", 1),
        ([15] * 3, [0] * 3, "no_structure_found", 1),
        ([15, 15], [0, 0.15], "difference_not_told_from_distance", 1),
        ([20], [0], "one_site_only", 1),
        ([20, 2, 1, 0, 20], [0] * 5, "no_structure_found", 1),
        ([2, 1, 3], [0] * 3, "too_few_animals", 0),
        ([0, 0], [0, 0], "too_few_animals", 0),
    ],
)
def test_small_and_empty_studies_run_and_say_what_they_are(tmp_path, animals, shift, statement, n_units):
    # at its level of 5 % the test of the gradient calls one seed in twenty (3 is one); its rate is tested elsewhere
    everyone = study(tmp_path, animals, shift, seed=0)
    tables, summary = run(tmp_path)
    assert summary["statement_id"] == statement
    assert summary["n_units"] == n_units
    assert summary["panel"] == "no_one_unit"
    assert tables["units"]["locationID"].tolist() == everyone
    assert tables["units"]["basis"].iloc[-1] == "none"
    assert len(tables["variance_shares"]) == 2
    assert len(tables["clines"]) == len(tables["cline_sites"]) == 0
    assert len(tables["breaks"]) == max(0, sum(n >= 5 for n in animals) - 1)
    assert tables["overall_fst"]["scope"].tolist() == ["all", "unit_1"][: 1 + n_units]
    assert tables["overall_fst"]["n_sites"].tolist()[0] == sum(n >= 5 for n in animals)


def test_one_chromosome_and_no_usable_marker(tmp_path):
    study(tmp_path, [15] * 6, [0, 0, 0, 0.12, 0.12, 0.12], n_chrom=1)
    assert run(tmp_path)[1]["n_units"] == 2
    none = tmp_path / "none"
    none.mkdir()
    study(none, [15] * 4, [0] * 4)
    write_table(read_table(none / "markers.parquet").assign(passes_technical=False), none / "markers.parquet")
    tables, summary = run(none)
    assert summary["n_units"] == 1
    assert summary["smallest_detectable_fst"]["value"] is None
    assert set(tables["breaks"]["grade"]) == {"none"}


def test_same_bytes_twice(tmp_path):
    written = []
    for part in ("a", "b"):
        folder = tmp_path / part
        folder.mkdir()
        study(folder, [12] * 5, [0, 0, 0.1, 0.1, 0.1])
        run(folder)
        written.append({p.name: p.read_bytes() for p in sorted(folder.iterdir()) if p.is_file()})
    assert written[0] == written[1]


COAST = {
    "type": "FeatureCollection",
    "features": [
        {
            "type": "Feature",
            "properties": {},
            "geometry": {"type": "Polygon", "coordinates": [[[-8, 54], [-5, 54], [-5, 57], [-8, 57], [-8, 54]]]},
        }
    ],
}


def test_sea_distance_step_writes_every_pair_and_place(tmp_path):
    (tmp_path / "coast.geojson").write_text(json.dumps(COAST), encoding="utf-8")
    ids = ["b", "a", "S-01/ä"]
    table = site_table(ids, [55.0, 55.5, 56.0], [-8.2, -8.3, -7.95], ["Aldermark"] * 3, ["wild"] * 3)
    write_table(table, tmp_path / "sites.csv", "input_sites")
    arguments = {"distances": str(tmp_path / "sea_distance.csv"), "positions": str(tmp_path / "site_positions.csv")}
    coastline = str(tmp_path / "coast.geojson")
    main = step("sea_distance").main
    main(sites=str(tmp_path / "sites.csv"), coastline=coastline, cell_degrees=0.02, max_snap_km=20, **arguments)
    pairs, places = read_table(tmp_path / "sea_distance.csv"), read_table(tmp_path / "site_positions.csv")
    assert list(zip(pairs["site_a"], pairs["site_b"], strict=True)) == [("b", "a"), ("b", ids[2]), ("a", ids[2])]
    assert pairs["sea_km"].between(50, 130).all()
    assert places["shift_km"].tolist()[:2] == [0, 0]
    assert 2 < places["shift_km"].tolist()[2] < 7
    table["decimalLongitude"] = [-8.2, -6.0, -6.5]
    write_table(table, tmp_path / "sites.csv", "input_sites")
    with pytest.raises(InputError) as caught:
        main(sites=str(tmp_path / "sites.csv"), coastline=coastline, cell_degrees=0.02, max_snap_km=20, **arguments)
    assert [p.place for p in caught.value.problems] == ["locationID a", "locationID S-01/ä"]
    assert "no water within 20 km" in caught.value.problems[0].found


def test_a_coastline_that_is_no_json_is_told(tmp_path):
    (tmp_path / "coast.geojson").write_bytes(b"\xff\xfe not json")
    with pytest.raises(InputError, match=r"coast\.geojson"):
        step("sea_distance").read_land(str(tmp_path / "coast.geojson"))
