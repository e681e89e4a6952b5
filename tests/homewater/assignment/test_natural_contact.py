"""Ancestry beside what the cline lets expect: no bias, own copies taken out, intervals, readings, the step itself."""

import numpy as np
import pandas as pd
import pytest
from tests.drawn_genotypes import drifted, with_errors

from homewater.assignment.natural_contact import ancestry_of_animals, clines_of, contact_table, reading_of
from homewater.statistics.allele_counts import AlleleCounts


def measured(seed, shares, n_each=40, n_reference=15, n_markers=2000, fst=0.1):
    """Shares found in animals with given shares of the second unit, the references among them, last."""
    rng = np.random.default_rng(seed)
    p = drifted(rng, n_markers, fst)
    drawn = [rng.binomial(2, p[:, [0]] * (1 - h) + p[:, [1]] * h, (n_markers, n_each)) for h in shares]
    own = [rng.binomial(2, p[:, [u]], (n_markers, n_reference)) for u in (0, 1)]
    dosages = with_errors(rng, np.concatenate([*drawn, *own], axis=1), error=0)
    reference = np.concatenate([np.full(n_each * len(shares), -1), np.repeat([0, 1], n_reference)])
    alternate = np.stack([np.maximum(dosages[:, reference == u], 0).sum(1) for u in (0, 1)], axis=1)
    counts = AlleleCounts(alternate, np.stack([2 * (dosages[:, reference == u] >= 0).sum(1) for u in (0, 1)], axis=1))
    everyone = np.ones(reference.size, dtype=bool)
    blocks = [(counts.take(slice(i, i + 700)), dosages[i : i + 700]) for i in range(0, n_markers, 700)]
    return ancestry_of_animals(blocks, reference, everyone), reference


def test_shares_are_without_bias_though_references_are_small():
    """Shares of 0, 0.2, 0.5 and 1, and the references' own: 12 studies, tolerance four standard errors."""
    shares, found, own = (0.0, 0.2, 0.5, 1.0), [], []
    for seed in range(12):
        share, reference = measured(seed, shares)
        found.append([share[40 * k : 40 * (k + 1)].mean() for k in range(4)])
        own.append([share[reference == u].mean() for u in (0, 1)])
    for values, expected in ((found, shares), (own, (0.0, 1.0))):
        error = np.std(values, axis=0, ddof=1) / np.sqrt(len(values))
        assert (np.abs(np.mean(values, axis=0) - expected) < 4 * error).all()
        assert (error < 0.01).all()


def test_equals_plain_sums():
    """Second version: one animal of the first unit's references, marker by marker."""
    rng = np.random.default_rng(3)
    dosages = rng.integers(-1, 3, (50, 6)).astype(np.int8)
    copies = np.stack([rng.integers(4, 10, (50, 2)), np.full((50, 2), 14)], axis=2).astype(float)
    reference = np.array([0, 1, -1, -1, -1, -1])
    wanted = np.array([True, True, True, False, True, True])
    got = ancestry_of_animals([(AlleleCounts(*np.moveaxis(copies, 2, 0)), dosages)], reference, wanted)
    for i in range(6):
        top = bottom = 0.0
        for m in range(50):
            g = int(dosages[m, i])
            if g < 0:
                continue
            up, total = copies[m, :, 0].copy(), copies[m, :, 1].copy()
            if reference[i] >= 0:
                up[reference[i]] -= g
                total[reference[i]] -= 2
            p = up / total
            noise = p * (1 - p) / (total - 1)
            top += (p[1] - p[0]) * (g / 2 - p[0]) - noise[0]
            bottom += (p[1] - p[0]) ** 2 - noise.sum()
        expected = top / bottom if wanted[i] and bottom > 0 else np.nan
        assert got[i] == pytest.approx(expected, nan_ok=True)


def site(name, expected, low, high):
    return {"locationID": name, "unit_a": "unit_1", "unit_b": "unit_2", "expected_share": expected,
            "expected_ci_low": low, "expected_ci_high": high}  # fmt: skip


def group(name, role, local, shares):
    return pd.DataFrame({"locationID": name, "role": role, "unit_a": "unit_1", "unit_b": "unit_2", "share": shares,
                         "local_unit": local})  # fmt: skip


def test_a_group_beyond_the_cline_is_told_from_one_that_follows_it():
    along = pd.DataFrame([site("far", 0.01, 0.005, 0.02), site("near", 0.4, 0.3, 0.5), site("beyond", 0.97, 0.9, 0.99)])
    noise = np.linspace(-0.03, 0.03, 20)
    animals = pd.concat([
        group("far", "query", "unit_1", np.r_[noise, np.full(6, 0.5)]),
        group("far", "baseline", "unit_1", noise + 0.01),
        group("near", "query", "unit_1", 0.42 + 3 * noise),
        group("beyond", "query", "unit_2", 0.8 + noise),
        group("beyond", "baseline", "unit_2", [0.97, 0.96, np.nan]),
    ])  # fmt: skip
    table = contact_table(along, animals).set_index(["locationID", "role"])
    assert table["reading"].to_dict() == {
        ("far", "baseline"): "as_the_cline",
        ("far", "query"): "more_than_the_cline",
        ("near", "query"): "as_the_cline",
        ("beyond", "baseline"): "few_animals",
        ("beyond", "query"): "more_than_the_cline",
    }
    far = table.loc[("far", "query")]
    shares = np.r_[noise, np.full(6, 0.5)]
    assert far["observed_share"] == pytest.approx(shares.mean())
    assert far["ci_high"] - far["observed_share"] == pytest.approx(2.0595 * shares.std(ddof=1) / np.sqrt(26), rel=1e-4)
    assert (far["other_unit"], far["n"]) == ("unit_2", 26)
    beyond = table.loc[("beyond", "query")]
    assert beyond["observed_share"] == pytest.approx(0.2)  # of unit_1, which is foreign there
    assert beyond[["expected_share", "expected_ci_low", "expected_ci_high"]].tolist() == pytest.approx(
        [0.03, 0.01, 0.1]
    )
    assert beyond["other_unit"] == "unit_1"
    few = table.loc[("beyond", "baseline")]
    assert few["n"] == 2
    assert np.isnan(few["excess_ci_low"])


@pytest.mark.parametrize(
    ("low", "high", "told"),
    [(0.01, 0.2, "more_than_the_cline"), (-0.2, -0.01, "less_than_the_cline"), (-0.1, 0.1, "as_the_cline"),
     (float("nan"), float("nan"), "few_animals")],
)  # fmt: skip
def test_reading(low, high, told):
    assert reading_of(low, high) == told


def test_clines_stand_in_the_order_of_their_units():
    along = pd.DataFrame({"unit_a": ["unit_10", "unit_2", "unit_2"], "unit_b": ["unit_11", "unit_3", "unit_3"]})
    assert clines_of(along) == [("unit_2", "unit_3"), ("unit_10", "unit_11")]
