"""Whether anything differs at all, from the tables that are made without lines."""

import numpy as np
import pandas as pd
import pytest
from tests.made_replicates import on_a_line

from homewater.units.overall_test import OtherEvidence, overall_test
from homewater.units.tested_sites import TestedSites


def sites_of(shift, seed=0, n=20, markers=600):
    rng = np.random.default_rng(seed)
    p = rng.uniform(0.3, 0.7, (markers, 1)) + rng.choice([-1, 1], (markers, 1)) * np.asarray(shift)[None]
    genotypes = rng.binomial(2, p[:, :, None], (*p.shape, n))
    counts = np.stack([(genotypes == d).sum(axis=2) for d in (0, 1, 2, -1)], axis=2).astype(np.int32)
    k = p.shape[1]
    ids = [f"S{i}" for i in range(k)]
    return TestedSites(ids, counts, np.full(k, n), np.arange(markers) // 50, on_a_line(50 * np.arange(k)))


def evidence(q=(), axes=(), blocks=0):
    return OtherEvidence(
        pd.DataFrame({"q_value": list(q)}),
        pd.DataFrame({"beyond_chance": list(axes)}),
        pd.DataFrame(index=range(blocks)),
    )


@pytest.mark.parametrize(
    ("others", "anything"),
    [
        (evidence(), False),
        (evidence(q=[0.06, np.nan], axes=[False]), False),
        (evidence(q=[0.04]), True),
        (evidence(axes=[True, False]), True),
        (evidence(blocks=1), True),
    ],
)
def test_each_kind_of_evidence_is_enough(others, anything):
    found = overall_test(sites_of([0, 0, 0]), others, 0.05)
    assert found.ci_low < 0 < found.ci_high
    assert not found.sites_differ
    assert found.anything is anything


def test_sites_that_differ_are_told_by_overall_fst_alone():
    found = overall_test(sites_of([0, 0.15, -0.15]), evidence(), 0.05)
    assert found.ci_low > 0
    assert found.anything


def test_one_site_has_nothing_to_differ_from():
    found = overall_test(sites_of([0]), evidence(), 0.05)
    assert np.isnan(found.fst)
    assert not found.anything
