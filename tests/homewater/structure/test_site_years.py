"""Table site_years: which years are compared, what each row says, and that odd studies have their table."""

import numpy as np
import pandas as pd
import pytest
from tests.drawn_genotypes import drawn_dosages
from tests.drifted_years import drifting_site
from tests.made_studies import write_structure_intake

from homewater.structure.site_years import compared_years
from homewater.tables.schema_tables import empty_table, read_table, write_table
from steps import site_years


def run(folder, dosages, sites, years, *, flags=None, **options):
    """Write an intake and run the step; returns its table."""
    more = {key: options.pop(key) for key in ("permutations", "min_individuals") if key in options}
    given = write_structure_intake(folder, dosages, sites, **options)
    samples = read_table(given["samples"])
    if flags is not None:
        write_table(samples.assign(flags=flags), given["samples"])
    sheet = pd.DataFrame(
        {
            "materialSampleID": samples["materialSampleID"],
            "species": "topshell",
            "locationID": samples["locationID"],
            "eventDate": [f"{year}-05-01" for year in years],
            "role": samples["role"],
        }
    )
    names = empty_table("input_samples").columns
    write_table(sheet.reindex(columns=names), folder / "sheet.csv", "input_samples")
    table = str(folder / "site_years.csv")
    chosen = {"permutations": 99, "min_individuals": 5, "generation_years": 2.0} | more
    site_years.main(**given, sample_sheet=str(folder / "sheet.csv"), table=table, seed=3, species="topshell", **chosen)
    return read_table(table)


@pytest.mark.parametrize(
    ("sizes", "pairs"),
    [
        ({2019: 9}, []),
        ({2021: 9, 2019: 9}, [(2019, 2021)]),
        ({2019: 9, 2020: 9, 2022: 9}, [(2019, 2020), (2019, 2022), (2020, 2022)]),
        ({2019: 9, 2020: 1, 2022: 9, 2023: 9}, [(2019, 2020), (2019, 2022), (2019, 2023), (2020, 2022), (2022, 2023)]),
        ({2019: 1, 2020: 1}, [(2019, 2020)]),
        ({}, []),
    ],
)
def test_years_that_follow_one_another_and_the_first_with_the_last_are_compared(sizes, pairs):
    assert compared_years(sizes, 5) == pairs


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """A site of 40 breeders six generations apart, one that did not change, one with three animals in a year."""
    first, second, _ = drifting_site(1, 40, 6, (20, 20), 600)
    rest = drawn_dosages(3, [43], 600)
    rest[rest < 0] = 0
    dosages = np.concatenate([first, second, rest], axis=1)
    sites = np.repeat(["öst", "S-01/a", "kelp"], [40, 20, 23])
    years = np.repeat([2010, 2022, 2019, 2021, 2019, 2021], [20, 20, 10, 10, 20, 3])
    folder = tmp_path_factory.mktemp("study")
    return folder, (dosages, sites, years), run(folder, dosages, sites, years)


def test_a_site_that_changed_is_told_from_one_that_did_not(study):
    table = study[2].set_index("locationID")
    assert table["reading"].to_dict() == {"öst": "changed", "S-01/a": "no_change_found", "kelp": "too_few"}
    changed, same, small = (table.loc[site] for site in ("öst", "S-01/a", "kelp"))
    assert changed["ci_low"] < (1 - (1 - 1 / 80) ** 6) / 2 < changed["ci_high"]
    assert (changed["p_value"], changed["p_adjusted"]) == (0.01, 0.02)
    assert (changed["generations"], changed["n_tests"]) == (6, 2)
    assert changed["temporal_size_ci_low"] < 40 < changed["temporal_size_ci_high"]
    assert changed["fst"] > changed["detectable_fst"] > 0
    assert same["ci_low"] < 0 < same["detectable_fst"]
    assert (small["n_a"], small["n_b"]) == (20, 3)
    assert pd.isna(small[["fst", "p_value", "detectable_fst", "temporal_size"]]).all()


def test_fst_is_that_of_the_two_years_alone(study):
    """Against scikit-allel's components of the same animals."""
    allel = pytest.importorskip("allel")
    dosages = study[1][0][:, :40]
    genotypes = allel.GenotypeArray(np.stack([dosages > 0, dosages > 1], axis=2).astype(np.int8))
    a, b, c = allel.weir_cockerham_fst(genotypes, [range(20), range(20, 40)])
    assert study[2]["fst"][0] == pytest.approx(np.nansum(a) / np.nansum(a + b + c), rel=1e-12)


def test_the_same_study_gives_the_same_bytes(study, tmp_path):
    run(tmp_path, *study[1])
    assert (tmp_path / "site_years.csv").read_bytes() == (study[0] / "site_years.csv").read_bytes()


def test_a_change_that_flagged_animals_make_is_gone_without_them(tmp_path):
    """Eight of twenty animals of the later year come from a drifted stock and are flagged."""
    dosages = drawn_dosages(8, [32, 8], 800, fst=0.15)
    flags = ["kin"] * 32 + ["fits_another_site"] * 8
    table = run(tmp_path, dosages, ["öst"] * 40, np.repeat([2019, 2021], 20), flags=flags).iloc[0]
    assert table["reading"] == "changed"
    assert (table["n_flagged_a"], table["n_flagged_b"]) == (0, 8)
    assert table["p_value_unflagged"] > 0.05
    assert table["ci_low_unflagged"] < 0 < table["ci_high_unflagged"] < table["fst"]


def test_query_animals_and_farms_have_no_part(tmp_path):
    dosages = drawn_dosages(2, [30, 10], 300)
    years = np.repeat([2019, 2021, 2023, 2019, 2021], [10, 10, 10, 5, 5])
    table = run(tmp_path, dosages, np.repeat(["a", "farm"], [30, 10]), years, query=range(20, 30), farm_sites=["farm"])
    assert table[["locationID", "year_a", "year_b"]].to_numpy().tolist() == [["a", 2019, 2021]]


@pytest.mark.parametrize(
    ("sizes", "options", "rows"),
    [
        ([12], {"n_chrom": 1}, 1),
        ([2], {}, 1),
        ([12, 12], {"farm_sites": ["a", "b"]}, 0),
        ([12], {"query": range(12)}, 0),
        ([12], {"thinned": np.zeros(60, dtype=bool)}, 1),
        ([12], {"n_markers": 0}, 1),
        ([12], {"n_markers": 1, "n_chrom": 1}, 1),
    ],
)
def test_odd_studies_have_their_table(tmp_path, sizes, options, rows):
    options = dict(options)
    n_markers = options.pop("n_markers", 60)
    dosages = drawn_dosages(1, sizes, max(n_markers, 1))[:n_markers]
    sites = np.repeat(["a", "b"][: len(sizes)], sizes)
    table = run(tmp_path, dosages, sites, [2019 + 2 * (i % 2) for i in range(sum(sizes))], **options)
    assert len(table) == rows
    assert set(table["reading"]) <= {"too_few", "no_change_found", "changed"}
