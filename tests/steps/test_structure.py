"""The steps of the structure stage as plain functions: what they write, and that odd studies run."""

import numpy as np
import pandas as pd
import pytest
from tests.drawn_genotypes import drawn_dosages
from tests.made_studies import write_structure_intake

from homewater.tables.schema_tables import read_table, write_table
from steps import ancestry, diversity, groups_within_units, linkage_decay, pairwise_fst, pca

TABLES = (
    "site_diversity", "pairwise_fst", "linkage_decay", "linkage_reach", "pca", "pca_axes", "ancestry", "group_number",
)  # fmt: skip


def run(folder, given, min_individuals=5, max_groups=3):
    """Run the five steps; returns their tables by name."""
    counts, out = str(folder / "site_counts.zarr"), {name: str(folder / f"{name}.csv") for name in TABLES}
    diversity.main(**given, site_counts=counts, table=out["site_diversity"], min_individuals=min_individuals)
    pairwise_fst.main(
        **given,
        site_counts=counts,
        sea_distance=str(folder / "sea_distance.csv"),
        table=out["pairwise_fst"],
        permutations=99,
        min_individuals=min_individuals,
        seed=3,
        species="topshell",
    )
    linkage_decay.main(
        **given,
        recombination_map=[],
        decay=out["linkage_decay"],
        reach=out["linkage_reach"],
        thinning_distance_kb=1000.0,
        thinning_distance_cm=1.0,
    )
    pca.main(**given, table=out["pca"], axes=out["pca_axes"], n_axes=3, seed=3, species="topshell")
    ancestry.main(
        **given,
        ancestry=out["ancestry"],
        group_number=out["group_number"],
        max_groups=max_groups,
        n_starts=2,
        seed=3,
        species="topshell",
    )
    return {name: read_table(path) for name, path in out.items()}


SITES = ["öst", "S-01/a", "kelp", "farm"]


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """Two stocks at one wild site each, a wild site of two animals, a farm that defines nothing; 8 query animals."""
    folder = tmp_path_factory.mktemp("study")
    dosages = drawn_dosages(31, [24, 24, 2, 10], 1200, fst=0.08)
    dosages[7] = -1
    sites = np.repeat(SITES, [24, 24, 2, 10])
    query = [20, 21, 22, 23, 44, 45, 46, 47]
    given = write_structure_intake(folder, dosages, sites, query=query, farm_sites=["farm"], removed=[19])
    return folder, given, run(folder, given)


def test_every_site_with_defining_animals_has_its_row(study):
    table = study[2]["site_diversity"]
    assert table["locationID"].tolist() == ["öst", "S-01/a", "kelp"]
    assert table["n"].tolist() == [19, 20, 2]
    assert table["effective_size_basis"].iloc[2] == "too_few_animals"
    for name in ("observed_heterozygosity", "expected_heterozygosity", "inbreeding_coefficient"):
        assert ((table[f"{name}_ci_low"] < table[name]) & (table[name] < table[f"{name}_ci_high"])).all()


def test_strangers_stay_out_of_effective_size_and_are_counted(tmp_path):
    """Six animals of another stock among 30: flagged, the site's effective size is that of the 30 alone."""
    dosages = drawn_dosages(8, [30, 6], 800, fst=0.1)
    sites = ["kelp"] * 36
    given = write_structure_intake(tmp_path, dosages, sites)
    samples = read_table(given["samples"])
    samples.loc[30:, "flags"] = ["fits_another_site", "kin;label_swap", "unlike_any_site"] * 2
    samples.loc[:5, "flags"] = "kin"
    write_table(samples, given["samples"])
    got = run(tmp_path, given)["site_diversity"].iloc[0]
    (tmp_path / "alone").mkdir()
    alone = run(tmp_path / "alone", write_structure_intake(tmp_path / "alone", dosages[:, :30], sites[:30]))[
        "site_diversity"
    ]
    assert (got["n"], got["effective_size_left_out"], alone["effective_size_left_out"][0]) == (36, 6, 0)
    for name in ("effective_size", "effective_size_ci_low", "effective_size_ci_high"):
        assert str(got[name]) == str(alone[name][0])
    (tmp_path / "unflagged").mkdir()
    mixed = run(tmp_path / "unflagged", write_structure_intake(tmp_path / "unflagged", dosages, sites))[
        "site_diversity"
    ]
    assert mixed["effective_size"][0] < 200
    assert not got["effective_size"] < 5 * mixed["effective_size"][0]


def test_pairs_are_those_of_defining_sites_and_small_sites_stay_empty(study):
    table = study[2]["pairwise_fst"]
    assert table[["site_a", "site_b"]].to_numpy().tolist() == [["öst", "S-01/a"], ["öst", "kelp"], ["S-01/a", "kelp"]]
    assert table["fst"].notna().tolist() == [True, False, False]
    assert table["ci_low"][0] < 0.08 < table["ci_high"][0]
    assert (table["p_value"][0], table["q_value"][0]) == (0.01, 0.01)
    assert table["sea_km"].tolist() == [10, 20, 10]


def test_animals_that_define_nothing_are_projected_and_placed(study):
    scores, shares = study[2]["pca"], study[2]["ancestry"]
    assert len(scores) == len(shares) == 59
    moved = (shares["role"] == "query") | (shares["locationID"] == "farm")
    assert (shares["placed"] == moved).all()
    assert (scores["projected"] == moved).all()
    assert shares["materialSampleID"].tolist() == scores["materialSampleID"].tolist()
    first = shares[["group_1", "group_2"]].to_numpy(dtype=float)
    site = shares["locationID"].to_numpy()
    for name, own in (("öst", first[:, 0]), ("S-01/a", first[:, 1])):  # query animals too
        assert own[site == name].min() > 0.5
        assert own[site == name].mean() > 0.9
    assert first.sum(axis=1) == pytest.approx(1, abs=1e-12)
    ours = scores["pc1"].to_numpy(dtype=float)
    assert np.sign(np.median(ours[site == "öst"])) == -np.sign(np.median(ours[site == "S-01/a"]))


def test_markers_drawn_one_by_one_show_no_linkage(study):
    """Pairs are 100 bp apart and more; sites of ten animals and more are two of three."""
    decay, reach = study[2]["linkage_decay"], study[2]["linkage_reach"].iloc[0]
    assert (reach["reading"], reach["n_sites"], reach["window"]) == ("no_linkage_found", 2, 1000)
    assert decay["r2"].abs().max() < 0.02
    assert decay["n_pairs"].max() <= 2000


def test_number_of_groups_is_chosen_once_and_starts_agree(study):
    table = study[2]["group_number"]
    row = table[table["chosen"].astype(bool)].iloc[0]
    assert (row["k"], row["n_starts"], row["n_starts_agree"], row["n_animals"]) == (2, 2, 2, 41)
    assert table["reported"].tolist() == table["chosen"].tolist()


def test_shares_on_which_starts_differ_are_not_written(study, tmp_path, monkeypatch):
    """No two starts agree: the supported number stays on record with its starts, shares are those of one group."""
    monkeypatch.setattr("homewater.structure.ancestry.AGREEMENT", -1.0)
    out = {name: str(tmp_path / f"{name}.csv") for name in ("ancestry", "group_number")}
    ancestry.main(**study[1], **out, max_groups=3, n_starts=2, seed=3, species="topshell")
    table, shares = (read_table(out[name]) for name in ("group_number", "ancestry"))
    assert table.loc[table["chosen"].astype(bool), "k"].tolist() == [2]
    assert table.loc[table["reported"].astype(bool), "k"].tolist() == [1]
    assert table["n_starts"].tolist()[:3] == [1, 6, 0]
    assert table["n_starts_agree"].tolist()[1] == 0
    assert "group_2" not in shares


def test_what_query_animals_carry_changes_nothing_that_others_define(study, tmp_path):
    """Other genotypes in query and farm animals: diversity, F_ST, axes and groups stay to the byte."""
    folder, _, before = study
    dosages = drawn_dosages(31, [24, 24, 2, 10], 1200, fst=0.08)
    dosages[7] = -1
    query = [20, 21, 22, 23, 44, 45, 46, 47]
    dosages[:, [*query, *range(50, 60)]] = 2
    given = write_structure_intake(
        tmp_path, dosages, np.repeat(SITES, [24, 24, 2, 10]), query=query, farm_sites=["farm"], removed=[19]
    )
    after = run(tmp_path, given)
    for name in ("site_diversity", "pairwise_fst", "group_number"):
        assert (folder / f"{name}.csv").read_bytes() == (tmp_path / f"{name}.csv").read_bytes()
    defining = ~before["ancestry"]["placed"].astype(bool)
    assert before["ancestry"][defining].equals(after["ancestry"][defining])
    assert (before["pca_axes"]["eigenvalue"] - after["pca_axes"]["eigenvalue"]).abs().max() < 1e-6


def test_the_same_study_gives_the_same_bytes(study, tmp_path):
    folder, given, _ = study
    names = [f"{name}.csv" for name in TABLES]
    before = [(folder / name).read_bytes() for name in names]
    run(folder, given)
    assert [(folder / name).read_bytes() for name in names] == before


@pytest.mark.parametrize(
    ("sizes", "options"),
    [
        ([6, 6, 6], {"n_chrom": 1}),
        ([6, 1, 2], {}),
        ([1], {}),
        ([2, 2], {"farm_sites": ["öst", "S-01/a"]}),
        ([4, 4], {"query": range(8)}),
        ([6, 6], {"thinned": np.zeros(60, dtype=bool)}),
        ([6, 6], {"n_markers": 0}),
        ([6, 6], {"n_markers": 1, "n_chrom": 1}),
    ],
)
def test_odd_studies_run(tmp_path, sizes, options):
    """One chromosome, lone animals, one site, farms only, query animals only, no markers: tables, never a crash."""
    options = dict(options)
    n_markers = options.pop("n_markers", 60)
    dosages = drawn_dosages(1, sizes, max(n_markers, 1))[:n_markers]
    tables = run(tmp_path, write_structure_intake(tmp_path, dosages, np.repeat(SITES[: len(sizes)], sizes), **options))
    assert len(tables["pca"]) == len(tables["ancestry"]) == sum(sizes)
    assert tables["group_number"]["chosen"].sum() == 1
    assert {"pc1", "pc2", "pc3"} <= set(tables["pca"].columns)
    assert "group_1" in tables["ancestry"].columns


def within(folder, given, units, max_groups=3):
    """Run groups_within_units with these units, contact-zone sites marked by a star; returns its table."""
    rows = {"locationID": [site.rstrip("*") for site in units], "unit": list(units.values()), "jurisdiction": "x"}
    more = {"contact_zone": [site.endswith("*") for site in units], "basis": "own_animals"}
    write_table(pd.DataFrame(rows | more), folder / "units.csv", "units")
    table = folder / "groups_within_units.csv"
    groups_within_units.main(
        **given,
        units=str(folder / "units.csv"),
        table=str(table),
        max_groups=max_groups,
        seed=3,
        species="topshell",
    )
    return read_table(table)


def chosen_in(table):
    return dict(table.loc[table["chosen"].astype(bool), ["unit", "k"]].itertuples(index=False))


def test_groups_are_counted_inside_each_unit(tmp_path):
    """Four drifted sites: a unit of two of them holds two groups, a unit of one holds one."""
    dosages = drawn_dosages(5, [20, 20, 20, 20], 1500, fst=0.06)
    given = write_structure_intake(tmp_path, dosages, np.repeat(["a", "b", "c", "d"], 20))
    table = within(tmp_path, given, {"a": "unit_1", "b": "unit_1", "c": "unit_2", "d*": "unit_2"})
    assert chosen_in(table) == {"unit_1": 2, "unit_2": 1}  # d lies in a contact zone and is left out
    assert table.groupby("unit")["n_animals"].first().tolist() == [40, 20]
    assert table.groupby("unit")["n_sites"].first().tolist() == [2, 1]
    assert chosen_in(within(tmp_path, given, {"a": "unit_1", "b": "unit_1", "c": "unit_2", "d": "unit_2"})) == {
        "unit_1": 2,
        "unit_2": 2,
    }


def test_animals_from_elsewhere_make_no_group_inside_a_unit(tmp_path):
    dosages = drawn_dosages(6, [30, 8], 1500, fst=0.1)
    given = write_structure_intake(tmp_path, dosages, ["a"] * 38)
    assert chosen_in(within(tmp_path, given, {"a": "unit_1"})) == {"unit_1": 2}
    samples = read_table(given["samples"])
    samples.loc[30:, "flags"] = "fits_another_site"
    write_table(samples, given["samples"])
    assert chosen_in(within(tmp_path, given, {"a": "unit_1"})) == {"unit_1": 1}


@pytest.mark.parametrize(("sizes", "units"), [([9], ["unit_1"]), ([12], [""]), ([10, 2, 1], ["unit_1", "unit_1", ""])])
def test_units_without_animals_enough_have_no_rows(tmp_path, sizes, units):
    given = write_structure_intake(tmp_path, drawn_dosages(7, sizes, 60), np.repeat(SITES[: len(sizes)], sizes))
    table = within(tmp_path, given, dict(zip(SITES, units, strict=False)))
    assert sorted(set(table["unit"])) == (["unit_1"] if len(sizes) == 3 else [])
