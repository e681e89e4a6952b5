"""Odd kinships: a planted founder event far from home is found; gradients, breaks and their neighbours give none."""

import numpy as np
import pytest

from homewater.tables.schema_tables import check_table, empty_table, read_table, write_table
from homewater.units.odd_kinships import comparisons, odd_kinships_table
from homewater.units.replicates import pair_replicates

N_MARKERS, N_CHROM, STEP_KM = 2000, 10, 50.0


def coast(seed, n_sites=12, step=0.03, founded=None, break_after=None, animals=20):
    """Frequencies walk along the coast; a site may be founded from another; a break shifts all beyond it."""
    rng = np.random.default_rng(seed)
    p = [rng.uniform(0.2, 0.8, N_MARKERS)]
    for i in range(1, n_sites):
        size = 0.2 if break_after == i - 1 else step
        p.append(np.clip(p[-1] + rng.normal(0, 1, N_MARKERS) * size, 0.02, 0.98))
    if founded is not None:
        site, source = founded
        p[site] = np.clip(p[source] + rng.normal(0, 1, N_MARKERS) * step, 0.02, 0.98)
    genotypes = [rng.binomial(2, q[:, None], (N_MARKERS, animals)) for q in p]
    counts = np.stack([np.stack([(g == d).sum(axis=1) for d in (0, 1, 2, -1)], axis=1) for g in genotypes], axis=1)
    at = STEP_KM * np.arange(n_sites)
    km = np.abs(at[:, None] - at[None])
    return pair_replicates(counts.astype(np.int32), np.arange(N_MARKERS) * N_CHROM // N_MARKERS), km


def odd_sites(replicates, km, segment=None):
    ids = [f"S-{i}/ä" for i in range(len(km))]
    segment = np.zeros(len(km), dtype=int) if segment is None else segment
    table = odd_kinships_table(replicates, km, segment, ids)
    table = check_table(table, "odd_kinships")
    return table, [ids.index(name) for name in table.loc[table["odd"].astype(bool), "locationID"]]


@pytest.mark.parametrize("seed", range(5))
def test_a_site_founded_from_far_away_is_found_with_its_source_and_nobody_else(seed):
    """Site 3 was founded from site 10: found, though its founders drifted too; its neighbours 2 and 4 are not."""
    table, odd = odd_sites(*coast(seed, founded=(3, 10)))
    assert odd == [3]
    row = table.set_index("locationID").loc["S-3/ä"]
    assert row["far_site"] in ("S-9/ä", "S-10/ä", "S-11/ä")
    assert row["near_site"] in ("S-2/ä", "S-4/ä")
    assert 0 < row["detectable_excess"] < row["excess"]
    assert row["fst_near"] > row["fst_far"]


def test_a_founded_site_within_its_own_boundaries_is_still_found():
    """The search for breaks cuts on both sides of such a site: the far site then lies in another part."""
    segment = np.repeat([0, 1, 2], [3, 1, 8])
    assert odd_sites(*coast(1, founded=(3, 10)), segment)[1] == [3]


@pytest.mark.parametrize("step", [0.0, 0.03])
def test_no_structure_and_a_uniform_gradient_give_none_in_95_of_100_studies(step):
    """Without structure the level is what is promised: 5 of 100 studies expected at most; over 11 by chance in 1 %."""
    found = [len(odd_sites(*coast(seed, step=step, animals=10))[1]) for seed in range(100)]
    assert sum(n > 0 for n in found) <= (11 if step == 0 else 5)


def test_sites_beside_a_break_are_explained_by_it():
    """Two sites beyond the break, one of them nearer to the other side: neighbours across, no odd kinship."""
    for seed in range(20):
        replicates, km = coast(seed, step=0.005, break_after=5)
        segment = (np.arange(12) > 5).astype(int)
        assert odd_sites(replicates, km, segment)[1] == []
        km = km.copy()  # site 6 is moved close to 4 and 5: both of its neighbours lie across
        km[6, [4, 5]] = km[[4, 5], 6] = 10.0
        assert odd_sites(replicates, km, segment)[1] == []
        assert 6 in odd_sites(replicates, km)[1]  # it is the boundary that explains it


def test_a_site_with_much_drift_of_its_own_is_not_odd():
    rng = np.random.default_rng(3)
    for seed in range(10):
        replicates, km = coast(seed)
        linear = replicates.linear.copy()
        drift = 0.05 + rng.normal(0, 0.001, len(linear))
        linear[:, 5, :] += drift[:, None]
        linear[:, :, 5] += drift[:, None]
        linear[:, 5, 5] = 0
        moved = type(replicates)(linear, replicates.drift, replicates.weights)
        assert odd_sites(moved, km)[1] == []


def test_comparisons_are_those_of_a_naive_search():
    replicates, km = coast(2, n_sites=9)
    km = np.round(km + np.random.default_rng(0).uniform(0, 30, km.shape))
    km = np.triu(km, 1) + np.triu(km, 1).T
    km[8, :] = km[:, 8] = np.nan  # no water joins the last site
    segment = np.array([0, 0, 1, 1, 1, 0, 0, 0, 0])
    expected = set()
    joined = [km[i, j] for i in range(8) for j in range(i)]
    for i in range(8):
        near = sorted((j for j in range(8) if j != i), key=lambda j: (km[i, j], j))[:2]
        for k in range(8):
            far = k != i and km[i, k] >= 3 * max(km[i, j] for j in near) and km[i, k] > np.median(joined)
            if far and not (segment[k] == segment[i] and any(segment[j] != segment[i] for j in near)):
                expected.add((i, k))
    got = comparisons(replicates, km, segment)
    assert {(c.site, c.far) for c in got} == expected
    assert expected
    for c in got:
        least = replicates.linear[0, c.site, c.near] - replicates.linear[0, c.site, c.far]
        assert c.excess[0] == least


@pytest.mark.parametrize("n_sites", [0, 1, 2, 3])
def test_few_sites_give_a_table_without_rows(n_sites, tmp_path):
    counts = np.ones((50, n_sites, 4), dtype=np.int32)
    replicates = pair_replicates(counts, np.arange(50) // 5)
    table = odd_kinships_table(replicates, np.zeros((n_sites, n_sites)), np.zeros(n_sites, int), ["a"] * n_sites)
    assert table.empty
    write_table(empty_table("odd_kinships"), tmp_path / "odd_kinships.csv")
    assert read_table(tmp_path / "odd_kinships.csv").empty


def test_no_data_and_no_water_run():
    km = np.full((5, 5), np.nan)
    np.fill_diagonal(km, 0)
    replicates, far = coast(0, n_sites=5)
    assert comparisons(replicates, km, np.zeros(5, int)) == []
    empty = pair_replicates(np.zeros((50, 5, 4), dtype=np.int32), np.arange(50) // 5)
    assert comparisons(empty, far, np.zeros(5, int)) == []
