"""Overall F_ST at equal sizes against drawing animals, and against the plain estimator where sizes are equal."""

import numpy as np
import pytest
from tests.drawn_genotypes import drawn_dosages

from homewater.statistics.fst import joint_by_marker, joint_components
from homewater.tables.schema_tables import check_table
from homewater.units.overall_fst import equal_size_components, overall_table


def counts_of(dosages, site, n_sites):
    tally = [[(dosages[:, site == s] == d).sum(axis=1) for d in (0, 1, 2, -1)] for s in range(n_sites)]
    return np.array(tally).transpose(2, 0, 1).astype(np.int32)


def test_closed_form_equals_the_mean_over_drawn_animals():
    """Second version: each marker's typed animals drawn without replacement, 4,000 times; within 4 standard errors."""
    rng = np.random.default_rng(1)
    dosages, site = drawn_dosages(2, [12, 5, 8], 6, fst=0.1, missing=0.1), np.repeat(range(3), [12, 5, 8])
    counts = counts_of(dosages, site, 3)
    drawn = []
    for _ in range(4000):
        part = np.zeros_like(counts)
        for marker in range(6):
            m = counts[marker, :, :3].sum(axis=1).min()
            part[marker, :, :3] = [rng.multivariate_hypergeometric(counts[marker, s, :3], m) for s in range(3)]
        a, b, c = joint_by_marker(part)
        drawn.append([a.sum(), (a + b + c).sum()])
    mean, error = np.mean(drawn, axis=0), np.std(drawn, axis=0) / np.sqrt(4000)
    top, bottom, used = equal_size_components(counts, np.zeros(6, dtype=np.int64))
    assert used.tolist() == [6]
    assert abs(top[0] - mean[0]) < 4 * error[0]
    assert abs(bottom[0] - mean[1]) < 4 * error[1]


def test_equal_sizes_are_the_plain_estimator():
    dosages, site = drawn_dosages(3, [9, 9, 9], 200, missing=0), np.repeat(range(3), 9)
    counts, block = counts_of(dosages, site, 3), np.arange(200) // 20
    got, plain = equal_size_components(counts, block), joint_components(counts, block)
    assert got[0] == pytest.approx(plain[0], rel=1e-9)
    assert got[1] == pytest.approx(plain[1], rel=1e-9)


@pytest.mark.parametrize("seed", range(3))
def test_a_large_sample_of_one_kind_does_not_decide(seed):
    """One site of four is of another lineage; 300 animals there raise the plain value and leave the equal one."""
    rng = np.random.default_rng(seed)
    base = rng.uniform(0.2, 0.8, 2000)
    p = [rng.beta(base * 9, (1 - base) * 9) for _ in range(2)]

    def table(sizes):
        sites = [rng.binomial(2, p[i > 0][:, None], (2000, n)) for i, n in enumerate(sizes)]
        counts = counts_of(np.concatenate(sites, axis=1), np.repeat(range(4), sizes), 4)
        return check_table(overall_table(counts, np.arange(2000) // 100, ["unit_1"] + ["unit_2"] * 3), "overall_fst")

    even, odd = table([20] * 4), table([300, 20, 20, 20])
    assert odd["fst"][0] == pytest.approx(even["fst"][0], abs=0.01)
    assert odd["fst_all_animals"][0] > odd["fst"][0] + 0.02
    assert odd["ci_low"][0] < odd["fst"][0] < odd["ci_high"][0]
    assert odd["animals_a_site"].tolist() == [20, 300, 20]
    assert odd["scope"].tolist() == ["all", "unit_1", "unit_2"]
    assert np.isnan(odd["fst"][1])
    assert abs(odd["fst"][2]) < 0.01


@pytest.mark.parametrize(("n_sites", "units"), [(0, []), (1, ["unit_1"]), (2, ["unit_1", "unit_2"])])
def test_few_sites_and_no_markers_run(n_sites, units):
    for n_markers in (0, 5):
        counts = np.ones((n_markers, n_sites, 4), dtype=np.int32)
        table = check_table(overall_table(counts, np.zeros(n_markers, dtype=np.int64), units), "overall_fst")
        assert table["n_sites"][0] == n_sites
        assert table["fst"].notna().tolist()[0] == (n_sites > 1 and n_markers > 0)
