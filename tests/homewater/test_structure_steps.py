"""The steps of the structure stage as plain functions: what they write, and that odd studies run."""

import numpy as np
import pytest
from structure_study import drawn_dosages, write_study

from homewater.tables import read_table
from steps import ancestry, diversity, pairwise_fst, pca

TABLES = ("site_diversity", "pairwise_fst", "pca", "pca_axes", "ancestry", "cluster_number")


def run(folder, given, min_individuals=5, max_clusters=3):
    """Run the four steps; returns their tables by name."""
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
    pca.main(**given, table=out["pca"], axes=out["pca_axes"], n_axes=3)
    ancestry.main(
        **given,
        ancestry=out["ancestry"],
        cluster_number=out["cluster_number"],
        max_clusters=max_clusters,
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
    given = write_study(folder, dosages, sites, query=query, farm_sites=["farm"], removed=[19])
    return folder, given, run(folder, given)


def test_every_site_with_defining_animals_has_its_row(study):
    table = study[2]["site_diversity"]
    assert table["locationID"].tolist() == ["öst", "S-01/a", "kelp"]
    assert table["n"].tolist() == [19, 20, 2]
    assert table["effective_size_basis"].iloc[2] == "too_few_animals"
    for name in ("observed_heterozygosity", "expected_heterozygosity", "inbreeding_coefficient"):
        assert ((table[f"{name}_ci_low"] < table[name]) & (table[name] < table[f"{name}_ci_high"])).all()


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
    first = shares[["cluster_1", "cluster_2"]].to_numpy(dtype=float)
    site = shares["locationID"].to_numpy()
    for name, own in (("öst", first[:, 0]), ("S-01/a", first[:, 1])):  # query animals too
        assert own[site == name].min() > 0.5
        assert own[site == name].mean() > 0.9
    assert first.sum(axis=1) == pytest.approx(1, abs=1e-12)
    ours = scores["pc1"].to_numpy(dtype=float)
    assert np.sign(np.median(ours[site == "öst"])) == -np.sign(np.median(ours[site == "S-01/a"]))


def test_number_of_clusters_is_chosen_once_and_starts_agree(study):
    table = study[2]["cluster_number"]
    row = table[table["chosen"].astype(bool)].iloc[0]
    assert (row["k"], row["n_starts"], row["n_starts_agree"], row["n_animals"]) == (2, 2, 2, 41)


def test_what_query_animals_carry_changes_nothing_that_others_define(study, tmp_path):
    """Other genotypes in query and farm animals: diversity, F_ST, axes and clusters stay to the byte."""
    folder, _, before = study
    dosages = drawn_dosages(31, [24, 24, 2, 10], 1200, fst=0.08)
    dosages[7] = -1
    query = [20, 21, 22, 23, 44, 45, 46, 47]
    dosages[:, [*query, *range(50, 60)]] = 2
    given = write_study(
        tmp_path, dosages, np.repeat(SITES, [24, 24, 2, 10]), query=query, farm_sites=["farm"], removed=[19]
    )
    after = run(tmp_path, given)
    for name in ("site_diversity", "pairwise_fst", "cluster_number"):
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
    tables = run(tmp_path, write_study(tmp_path, dosages, np.repeat(SITES[: len(sizes)], sizes), **options))
    assert len(tables["pca"]) == len(tables["ancestry"]) == sum(sizes)
    assert tables["cluster_number"]["chosen"].sum() == 1
    assert {"pc1", "pc2", "pc3"} <= set(tables["pca"].columns)
    assert "cluster_1" in tables["ancestry"].columns
