"""The steps of panel and assignment as plain functions on small studies, and on those with next to nothing in them."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from tests.drawn_genotypes import drifted, with_errors
from tests.made_studies import write_panel_intake

from homewater.crosses.gene_drop import draw_class_from_frequencies
from homewater.genotypes.genetic_map import RecombinationMap
from homewater.genotypes.store import open_genotypes
from homewater.inputs.settings import check_settings
from homewater.running.errors import InputError
from homewater.tables.schema_tables import empty_table, read_table, write_table
from steps import (
    assign,
    class_power,
    mixing_dates,
    mixture_shares,
    natural_contact,
    panel,
    panel_order,
    panel_validation,
    site_rates,
)

TABLES = (
    "panel",
    "size_curve",
    "confusion",
    "controls",
    "calibration",
    "calls",
    "origin_classes",
    "class_power",
    "site_rates",
    "site_year_rates",
    "unit_rates",
    "mixture_shares",
)


def defaults():
    """The settings that an empty study file gives, with fewer simulations."""
    settings = check_settings(
        {
            "study": {"id": "s", "title": "s", "seed": 1}, "samples": "a", "sites": "b", "coastline": "global",
            "species": [{"id": "topshell", "name": "n", "scientific_name": "N n", "genotypes": ["g"],
                         "generation_years": 2}],
        },
        "study.yaml",
    )  # fmt: skip
    chosen = {"n_markers": 48, "sizes": [12, 48], "folds": 4, "min_call_rate": 0.9, "min_spacing_bp": 1000}
    return settings["panel"] | chosen, settings["assignment"] | {"simulated_locals": 4000, "simulated_crosses": 200}


def run(folder: Path, paths: dict, **of_panel_too) -> dict[str, pd.DataFrame]:
    out = {name: str(folder / f"{name}.csv") for name in (*TABLES, "reference_animals")}
    of_panel, of_assignment = defaults()
    of_panel |= of_panel_too
    drawn = {"recombination_map": [], "species": "topshell", "cm_per_chromosome": 50.0, "seed": 3}
    rate = of_assignment["false_flag_rate"]

    def some(*names):
        return {name: paths[name] for name in names}

    of_intake = {name: path for name, path in paths.items() if name != "reference"}
    panel.main(**of_intake, **drawn, panel=out["panel"], reference_animals=out["reference_animals"],
               summary=str(folder / "panel.json"), settings=of_panel, assignment=of_assignment)  # fmt: skip
    panel_order.main(**some("genotypes"), panel=out["panel"], panel_summary=str(folder / "panel.json"),
                     reference=paths.get("reference", []), vcf=str(folder / "panel.vcf"),
                     flanks=str(folder / "panel_flanks.fasta"), summary=str(folder / "order.json"), flank_bases=20,
                     min_clear_bases=of_panel["min_clear_bases"], reference_name="r.fa")  # fmt: skip
    made = {"panel": out["panel"], "reference_animals": out["reference_animals"],
            "panel_summary": str(folder / "panel.json"), "units_summary": paths["units_summary"],
            "genotyping_error": paths["genotyping_error"], "genotypes": paths["genotypes"]}  # fmt: skip
    panel_validation.main(**made, **drawn, **some("samples", "markers", "blocks"), size_curve_table=out["size_curve"],
                          confusion=out["confusion"], controls=out["controls"],
                          calibration=out["calibration"], summary=str(folder / "validation.json"), settings=of_panel,
                          assignment=of_assignment)  # fmt: skip
    class_power.main(**made, **drawn, **some("markers"), class_power=out["class_power"],
                     cutoffs=str(folder / "cutoffs.json"), settings=of_assignment)  # fmt: skip
    assign.main(**made, **some("samples", "markers", "units"), cutoffs=str(folder / "cutoffs.json"), calls=out["calls"],
                origin_classes=out["origin_classes"], summary=str(folder / "summary_of_calls.json"),
                settings=of_assignment)  # fmt: skip
    site_rates.main(calls=out["calls"], origin_classes=out["origin_classes"], class_power=out["class_power"],
                    sample_sheet=str(folder / "input_samples.csv"), units=paths["units"],
                    sites=str(folder / "input_sites.csv"), units_summary=paths["units_summary"],
                    site_rates=out["site_rates"], site_year_rates=out["site_year_rates"], unit_rates=out["unit_rates"],
                    species="topshell",
                    false_flag_rate=rate)  # fmt: skip
    of_store = ("genotypes", "panel", "reference_animals", "panel_summary", "units_summary", "genotyping_error")
    mixture_shares.main(**{name: made[name] for name in of_store}, calls=out["calls"],
                        sample_sheet=str(folder / "input_samples.csv"), sites=str(folder / "input_sites.csv"),
                        shares=out["mixture_shares"], species="topshell", seed=3)  # fmt: skip
    return {name: read_table(path, name) for name, path in out.items()}


def stocks(seed, sites, fst=0.15, n_markers=1200):
    """Dosages of sites given as (locationID, unit of the animals, n) and the sites' ids."""
    rng = np.random.default_rng(seed)
    n_units = max(unit for _, unit, _ in sites) + 1
    frequency = drifted(rng, n_markers, fst, n_units)
    stock = np.concatenate([np.full(n, unit, dtype=int) for _, unit, n in sites])
    names = np.concatenate([np.full(n, name) for name, _, n in sites])
    return with_errors(rng, rng.binomial(2, frequency[:, stock])), names, stock


@pytest.fixture(scope="module")
def two_units(tmp_path_factory):
    """Two units, a farm beyond the range, movers at S-05/ä, an animal that is not typed, a site without animals."""
    folder = tmp_path_factory.mktemp("two")
    layout = [("S-05/ä", 1, 30), ("S-05/ä", 0, 6), ("F1", 0, 12), ("S1", 0, 30), ("S4", 1, 30), ("S2", 0, 1)]
    dosages, names, stock = stocks(1, layout)
    dosages[5] = -1
    dosages[:, 40] = -1  # nothing typed
    units = {"S-05/ä": "unit_1", "F1": "", "S1": "unit_2", "S4": "unit_1", "S2": "unit_2", "empty": "unit_1"}
    paths = write_panel_intake(folder, dosages, names, units, query=range(30, 36))
    return run(folder, paths), names, stock, folder


def test_movers_are_found_and_locals_left_alone(two_units):
    tables, names, stock, _ = two_units
    calls = tables["calls"]
    assert calls["materialSampleID"].tolist() == [f"S-{i:03d}/ä" for i in range(109)]
    home = calls["local_unit"].replace("", "none").to_numpy()
    mover = (names == "S-05/ä") & (stock == 0)
    assert set(calls.loc[mover, "outcome"]) == {"non_local"}
    at_home = (home != "none") & ~mover
    assert (calls.loc[at_home, "outcome"] == "local").mean() > 0.97
    farm = names == "F1"
    assert not (calls.loc[farm, "outcome"] == "local").any()
    assert calls.loc[farm, "log_likelihood_ratio"].isna().all()
    assert calls.loc[40, ["best_unit", "outcome", "reason"]].tolist() == ["", "unresolved", "too_few_markers"]
    typed_farm = farm & (np.arange(109) != 40)
    assert set(calls.loc[typed_farm, "best_unit"]) == {"unit_2"}
    classes = tables["origin_classes"]
    assert classes.loc[mover, "unit_b"].eq("unit_2").all()
    assert classes.loc[calls["outcome"] == "local", "unit_b"].eq("").all()
    assert classes.loc[farm, "hybrid_index"].isna().all()
    assert classes.loc[mover, "hybrid_index"].mean() > 0.85
    assert (classes.loc[mover, "hybrid_index_ci_high"] > 0.95).sum() >= 5  # six intervals of 95 %
    assert classes.loc[mover, "hybrid_index_ci_low"].min() > 0.5
    assert classes.loc[at_home, "hybrid_index"].mean() < 0.1
    shares = classes[[c for c in classes if c.startswith("p_")]].dropna().sum(axis=1)
    assert shares.to_numpy() == pytest.approx(np.ones(108))


def test_tables_agree_with_one_another(two_units):
    tables, _, _, folder = two_units
    assert (tables["panel"]["use"] == "panel").sum() == 48
    assert tables["size_curve"]["n_markers"].tolist() == [12, 48]
    assert tables["size_curve"]["nested_accuracy"].iloc[1] > 0.95
    assert tables["confusion"]["n"].sum() == tables["size_curve"]["n_tested"].iloc[1] == 91
    of_method = tables["controls"].set_index("method")
    assert set(of_method["n_animals"]) == {91} == {tables["calibration"]["n_animals"].sum()}
    assert of_method.loc["nested", "accuracy"] == tables["size_curve"]["nested_accuracy"].iloc[1]
    assert of_method.loc["resubstitution", "accuracy"] == tables["size_curve"]["resubstitution_accuracy"].iloc[1]
    rates = tables["site_rates"].set_index("locationID")
    assert rates.index.tolist() == ["S-05/ä", "F1", "S1", "S4", "S2", "empty"]
    assert rates.loc["empty", "n"] == 0
    assert rates["n"].sum() == 109
    assert rates.loc["S-05/ä", "ci_low"] <= 6 / 36 <= rates.loc["S-05/ä", "ci_high"]
    assert pd.isna(rates.loc["F1", "rate"])
    counts = rates[["n_local", "n_non_local", "n_mixed", "n_unresolved", "n_unsampled_origin"]].sum(axis=1)
    assert (counts == rates["n"]).all()
    of_unit = tables["unit_rates"].set_index("unit")
    assert of_unit["n"].to_dict() == {"unit_1": 66, "unit_2": 31}  # all but the farm's twelve
    assert of_unit["n_sites"].to_dict() == {"unit_1": 2, "unit_2": 2}
    assert of_unit.loc["unit_1", "ci_low"] <= 6 / 66 <= of_unit.loc["unit_1", "ci_high"]
    mixed = tables["mixture_shares"]
    whole = mixed[mixed["scope"] == "site"].set_index(["locationID", "unit"])
    assert whole.loc[("S-05/ä", "unit_2"), ["n", "share"]].tolist() == pytest.approx([6, 1])  # the six movers
    assert whole.loc[("F1", "unit_2"), ["n", "n_used", "n_too_few_markers"]].tolist() == [12, 11, 1]
    assert set(mixed["locationID"]) == {"S-05/ä", "F1"}
    of_catch = mixed.groupby(["scope", "locationID", "year"], dropna=False)["share"].sum()
    assert of_catch.to_numpy() == pytest.approx(np.ones(6))
    years = tables["site_year_rates"]
    assert set(years["year"]) == {2019, 2021}
    assert years.groupby("locationID")["n"].sum().to_dict() == rates.loc[rates["n"] > 0, "n"].to_dict()
    power = tables["class_power"].groupby(["unit_a", "unit_b", "true_class"])["rate"].sum()
    assert power.to_numpy() == pytest.approx(np.ones(16))
    told = json.loads((folder / "summary_of_calls.json").read_text(encoding="utf-8"))
    assert sum(told["outcomes"].values()) == 109
    assert sum(told["class_prior"].values()) == pytest.approx(1)
    assert told["ratio_level"] + told["exclusion_level"] == pytest.approx(told["false_flag_rate"])


def test_the_order_lists_panel_and_reserves(two_units):
    tables, _, _, folder = two_units
    order = json.loads((folder / "order.json").read_text(encoding="utf-8"))
    records = [line for line in (folder / "panel.vcf").read_text(encoding="utf-8").splitlines() if line[0] != "#"]
    assert sorted(line.split("\t")[2] for line in records) == sorted(tables["panel"]["marker"])
    assert (order["n_markers"], order["n_reserve"], order["why_no_flanks"]) == (48, 12, "no_reference")
    assert (folder / "panel_flanks.fasta").read_bytes() == b""


def test_the_order_has_flanks_where_there_is_a_reference(tmp_path):
    dosages, names, _ = stocks(7, [("S1", 0, 12), ("S2", 1, 12)], n_markers=60)
    paths = write_panel_intake(tmp_path, dosages, names, {"S1": "unit_1", "S2": "unit_2"}, n_chromosomes=1)
    paths["reference"] = [str(tmp_path / "r.fa")]
    (tmp_path / "r.fa").write_text(">chr1\n" + "A" * 20_000_050 + "\n")
    chosen = run(tmp_path, paths)["panel"]
    lines = (tmp_path / "panel_flanks.fasta").read_text().splitlines()
    assert [line.split()[0][1:] for line in lines[::2]] == chosen["marker"].tolist()
    assert {line.count("M") for line in lines[1::2]} == {1}
    assert json.loads((tmp_path / "order.json").read_text())["flanks"] == len(chosen) >= 48
    assert "##contig=<ID=chr1,length=20000050>" in (tmp_path / "panel.vcf").read_text()


def test_another_assembly_is_refused_as_bad_input(tmp_path):
    dosages, names, _ = stocks(7, [("S1", 0, 12), ("S2", 1, 12)], n_markers=60)
    paths = write_panel_intake(tmp_path, dosages, names, {"S1": "unit_1", "S2": "unit_2"}, n_chromosomes=1)
    paths["reference"] = [str(tmp_path / "r.fa")]
    (tmp_path / "r.fa").write_text(">chr1\n" + "G" * 20_000_050 + "\n")
    with pytest.raises(InputError, match=r"r.fa, record chr1:\d+: found G; allowed: A, the REF of the genotypes"):
        run(tmp_path, paths)


def test_markers_next_to_another_are_passed_over(tmp_path):
    """With 60 markers every 338,983 bp on one chromosome, a limit of 1,000,000 bp leaves none; the run still ends."""
    dosages, names, _ = stocks(7, [("S1", 0, 12), ("S2", 1, 12)], n_markers=60)
    paths = write_panel_intake(tmp_path, dosages, names, {"S1": "unit_1", "S2": "unit_2"}, n_chromosomes=1)
    of_panel, of_assignment = defaults()
    told = {}
    for clear in (20, 1_000_000):
        panel.main(**paths, recombination_map=[], species="topshell", cm_per_chromosome=50.0, seed=3,
                   panel=str(tmp_path / "panel.csv"), reference_animals=str(tmp_path / "r.csv"),
                   summary=str(tmp_path / "panel.json"), settings=of_panel | {"min_clear_bases": clear},
                   assignment=of_assignment)  # fmt: skip
        told[clear] = json.loads((tmp_path / "panel.json").read_text())
    assert (told[20]["n_near_others"], told[20]["n_markers"]) == (0, 48)
    assert (told[1_000_000]["n_near_others"], told[1_000_000]["n_markers"]) == (60, 0)


def test_run_again_gives_the_same_bytes(two_units, tmp_path):
    _, _, _, folder = two_units
    paths = {name: str(folder / file) for name, file in {
        "genotypes": "genotypes.zarr", "samples": "samples.csv", "markers": "markers.parquet", "units": "units.csv",
        "units_summary": "summary.json", "genotyping_error": "genotyping_error.json",
        "blocks": "genome_blocks.csv"}.items()}  # fmt: skip
    for name in ("input_samples.csv", "input_sites.csv"):
        (tmp_path / name).write_bytes((folder / name).read_bytes())
    run(tmp_path, paths)
    for name in (*TABLES, "reference_animals"):
        assert (tmp_path / f"{name}.csv").read_bytes() == (folder / f"{name}.csv").read_bytes(), name


@pytest.mark.parametrize("n_units", [0, 1])
def test_one_unit_gives_headers_only(tmp_path, n_units):
    dosages, names, _ = stocks(2, [("S1", 0, 10), ("S2", 0, 10)], n_markers=80)
    tables = run(
        tmp_path, write_panel_intake(tmp_path, dosages, names, {"S1": "unit_1", "S2": "unit_1"}, n_units=n_units)
    )
    assert all(table.empty for table in tables.values())


def test_four_lineages(tmp_path):
    layout = [(f"S{u}", u, 25) for u in range(4)] + [("S4", 2, 4)]
    dosages, names, _ = stocks(3, layout, fst=0.2)
    units = {f"S{u}": f"unit_{u + 1}" for u in range(4)} | {"S4": "unit_1"}
    tables = run(tmp_path, write_panel_intake(tmp_path, dosages, names, units, query=range(100, 104), n_units=4))
    calls = tables["calls"]
    assert tables["mixture_shares"].query("scope == 'site' and unit == 'unit_3'")["share"].tolist() == pytest.approx(
        [1]
    )
    assert (calls["outcome"][:100] == "local").mean() > 0.96
    assert calls["outcome"][100:].tolist() == ["non_local"] * 4
    assert set(calls["best_unit"][100:]) == {"unit_3"}
    assert set(tables["origin_classes"]["unit_b"][100:]) == {"unit_3"}
    assert len(tables["class_power"]) == 12 * 8 * 10
    assert len(tables["confusion"]) == 16
    assert {f"frequency_unit_{u}" for u in (1, 2, 3, 4)} <= set(tables["panel"].columns)


@pytest.mark.parametrize(
    "layout",
    [
        [("S1", 0, 2), ("S2", 1, 2), ("S3", 1, 1)],  # next to nobody
        [("S1", 0, 1), ("S2", 1, 20), ("S3", 1, 1)],
        [("S1", 0, 8), ("S2", 1, 8), ("S3", 1, 8)],
    ],
)
def test_few_animals_run(tmp_path, layout):
    dosages, names, _ = stocks(4, layout, n_markers=150)
    units = {"S1": "unit_1", "S2": "unit_2", "S3": "unit_2"}
    tables = run(tmp_path, write_panel_intake(tmp_path, dosages, names, units, n_chromosomes=1))
    assert len(tables["calls"]) == len(names)
    assert set(tables["site_rates"]["n"]) == {n for _, _, n in layout}


def test_markers_without_a_call_give_no_panel_and_no_crash(tmp_path):
    dosages = np.full((60, 20), -1, dtype=np.int8)
    names = np.repeat(["S1", "S2"], 10)
    tables = run(tmp_path, write_panel_intake(tmp_path, dosages, names, {"S1": "unit_1", "S2": "unit_2"}))
    assert all(tables[name].empty for name in TABLES)


def test_contact_zone_animals_are_judged_but_do_not_define(tmp_path):
    dosages, names, _ = stocks(5, [("S1", 0, 20), ("Z", 0, 10), ("S2", 1, 20)])
    units = {"S1": "unit_1", "Z": "unit_1", "S2": "unit_2"}
    tables = run(tmp_path, write_panel_intake(tmp_path, dosages, names, units, contact=("Z",)))
    assert set(tables["reference_animals"]["locationID"]) == {"S1", "S2"}
    assert (tables["calls"]["locationID"] == "Z").sum() == 10
    assert tables["site_rates"].set_index("locationID")["contact_zone"].tolist() == [False, True, False]
    rows = tables["unit_rates"][["unit", "contact_zone", "n"]].to_numpy().tolist()
    assert rows == [["unit_1", False, 20], ["unit_2", False, 20], ["unit_1", True, 10]]


def test_the_size_may_come_from_the_curve(tmp_path):
    dosages, names, _ = stocks(7, [("S1", 0, 24), ("S2", 1, 24)])
    paths = write_panel_intake(tmp_path, dosages, names, {"S1": "unit_1", "S2": "unit_2"})
    tables = run(tmp_path, paths, size_from="curve")
    told, proof = (json.loads((tmp_path / f"{name}.json").read_text()) for name in ("panel", "validation"))
    assert told["size_from"] == proof["size_from"] == "curve"
    assert told["size_choice"]["sizes"] == [12, 48]
    assert told["n_wanted"] in (12, 48)
    assert proof["n_markers"] == told["n_wanted"] == (tables["panel"]["use"] == "panel").sum()
    assert len(proof["at_own_size"]["sizes"]) == 4
    assert proof["at_own_size"]["backcrosses"] == 800  # 4 parts x 2 ordered pairs x 100


def test_movers_at_a_far_site_are_more_than_its_cline_explains(tmp_path):
    """Site S1 lies far from the line: its baseline follows the cline, its query animals (6 of 16 moved) do not."""
    dosages, names, _ = stocks(8, [("S1", 0, 24), ("S1", 0, 10), ("S1", 1, 6), ("S4", 1, 24)])
    paths = write_panel_intake(tmp_path, dosages, names, {"S1": "unit_1", "S4": "unit_2"}, query=range(24, 40))
    run(tmp_path, paths)
    along = [("S1", 0.0, 0.01, 0.002, 0.03), ("S4", 200.0, 0.99, 0.97, 0.998)]
    columns = ["locationID", "km_along", "expected_share", "expected_ci_low", "expected_ci_high"]
    table = pd.DataFrame(along, columns=columns).assign(unit_a="unit_1", unit_b="unit_2", observed_share=0.0)
    table = table.assign(observed_ci_low=0.0, observed_ci_high=0.1, effective_copies=40.0, basis="reference")
    write_table(table, tmp_path / "cline_sites.csv")
    given = {name: paths[name] for name in ("genotypes", "samples", "markers", "units")}
    given |= {"reference_animals": str(tmp_path / "reference_animals.csv"), "table": str(tmp_path / "contact.csv")}
    given["blocks"] = paths["blocks"]
    natural_contact.main(**given, cline_sites=str(tmp_path / "cline_sites.csv"))
    told = read_table(tmp_path / "contact.csv", "natural_contact").set_index(["locationID", "role"])
    assert told["reading"].to_dict() == {
        ("S1", "baseline"): "as_the_cline",
        ("S1", "query"): "more_than_the_cline",
        ("S4", "baseline"): "as_the_cline",
    }
    assert told.loc[("S1", "query"), "observed_share"] == pytest.approx(6 / 16, abs=0.05)
    write_table(table.iloc[:0], tmp_path / "cline_sites.csv")
    natural_contact.main(**given, cline_sites=str(tmp_path / "cline_sites.csv"))
    assert read_table(tmp_path / "contact.csv", "natural_contact").empty


def test_mixing_is_dated_where_there_is_a_map(tmp_path):
    """Site S1: 6 hybrids of the first generation and 6 backcrosses among its query animals; nothing without a map."""
    rng = np.random.default_rng(9)
    n, n_markers = {"pure_a": 24, "F1": 6, "backcross_a": 6, "pure_b": 24}, 2400
    frequency = drifted(rng, n_markers, 0.2, 2)
    chrom = np.repeat(np.arange(12), n_markers // 12)
    at = RecombinationMap(chrom, np.tile(np.linspace(0, 50, n_markers // 12), 12))
    drawn = [draw_class_from_frequencies(name, *frequency.T, at, size, rng)[0] for name, size in n.items()]
    dosages, names = np.concatenate(drawn, axis=1), np.repeat(["S1", "S4"], [36, 24])
    paths = write_panel_intake(
        tmp_path, dosages, names, {"S1": "unit_1", "S4": "unit_2"}, query=range(24, 36), n_chromosomes=12
    )
    run(tmp_path, paths)
    markers = open_genotypes(paths["genotypes"]).markers
    along = [(name, int(here["pos"].iloc[k]), cm) for name, here in markers.groupby("chrom", sort=False)
             for k, cm in ((0, 0.0), (-1, 50.0))]  # fmt: skip
    map_file = tmp_path / "map.csv"
    pd.DataFrame(along, columns=["chrom", "pos", "cm"]).to_csv(map_file, index=False)
    write_table(empty_table("cline_sites"), tmp_path / "cline_sites.csv", "cline_sites")
    given = {name: paths[name] for name in ("genotypes", "samples", "markers", "units", "genotyping_error")}
    given |= {
        name: str(tmp_path / f"{name}.csv") for name in ("reference_animals", "calls", "origin_classes", "cline_sites")
    }
    given |= {"table": str(tmp_path / "dates.csv"), "cm_per_chromosome": 50.0}
    given |= {"generation_years": 2.0, "recent_generations": 10.0}
    mixing_dates.main(**given, recombination_map=[str(map_file)])
    told = read_table(tmp_path / "dates.csv", "mixing_dates").set_index(["locationID", "role"])
    row = told.loc[("S1", "query")]
    assert row[["local_unit", "other_unit", "reading"]].tolist() == ["unit_1", "unit_2", "recent"]
    assert row["n_mixed"] >= 11
    assert 5 <= row["n_first_generation"] <= 6
    assert 1.3 < row["generations"] < 3.5
    assert row["years"] == 2 * row["generations"]
    mixing_dates.main(**given, recombination_map=[])
    assert read_table(tmp_path / "dates.csv", "mixing_dates").empty


def test_a_panel_takes_few_markers_of_a_block_and_says_what_it_would_be_without(tmp_path):
    dosages, names, _ = stocks(9, [("S1", 0, 24), ("S2", 1, 24)])
    paths = write_panel_intake(tmp_path, dosages, names, {"S1": "unit_1", "S2": "unit_2"})
    free = run(tmp_path, paths)["panel"]
    told = json.loads((tmp_path / "panel.json").read_text())
    assert (told["n_blocks"], told["n_in_blocks"], told["share_without_blocks"]) == (0, 0, 1.0)
    row = {"block": "block_1", "chrom": "chr1", "start": 1, "end": 10**9, "n_markers": 120, "q_value": 0.001}
    table = pd.DataFrame([row | {"reading": "arrangement", "left_out": True}])
    write_table(table.reindex(columns=empty_table("genome_blocks").columns), paths["blocks"], "genome_blocks")
    held = run(tmp_path, paths)["panel"]
    told = json.loads((tmp_path / "panel.json").read_text())
    assert (free["chrom"] == "chr1").sum() > 2
    assert (held["chrom"] == "chr1").sum() == 2  # reserves counted
    assert (told["n_blocks"], told["max_block_markers"]) == (1, 2)
    assert told["n_in_blocks"] == ((held["chrom"] == "chr1") & (held["use"] == "panel")).sum()
    assert 0.8 < told["share_without_blocks"] <= 1
