"""Controls of the proof and the reliability of posteriors: published values, naive versions, planted truth."""

import numpy as np
import pytest
from sklearn.impute import SimpleImputer
from sklearn.linear_model import LogisticRegression
from sklearn.pipeline import make_pipeline
from tests.drawn_genotypes import drifted, with_errors
from tests.homewater.panel.test_proof import study, validate

from homewater.panel.controls import (
    BINS,
    RANDOM_PANELS,
    HeldOut,
    calibration_error,
    calibration_table,
    controls_table,
    logistic_calls,
    paired_difference,
)


def held_with(posterior, unit):
    """A record in which every animal was judged."""
    posterior, unit = np.asarray(posterior, float), np.asarray(unit)
    called = posterior.argmax(axis=1)
    return HeldOut(unit, posterior, called, np.tile(called, (RANDOM_PANELS, 1)))


@pytest.mark.parametrize(
    ("cells", "expected"),
    [((36, 12, 2, 0), (0.2, 0.0569, 0.3404)), ((54, 0, 0, 0), (0.0, -0.0664, 0.0664))],
)
def test_interval_of_a_paired_difference(cells, expected):
    """Newcombe (1998) Stat Med 17:2635-2650, method 10, two of its examples, from memory."""
    both, one, other, neither = cells
    first = np.repeat([True, True, False, False], cells)
    second = np.repeat([True, False, True, False], [both, one, other, neither])
    assert paired_difference(first, second) == pytest.approx(expected, abs=5e-5)


def test_difference_turns_with_its_order_and_is_nothing_without_animals():
    rng = np.random.default_rng(0)
    first, second = rng.random((2, 40)) < [[0.9], [0.7]]
    there, back = paired_difference(first, second), paired_difference(second, first)
    assert there == pytest.approx((-back[0], -back[2], -back[1]))
    assert np.isnan(paired_difference(first[:0], second[:0])).all()


@pytest.mark.parametrize("n_units", [2, 4])
def test_logistic_regression_equals_a_pipeline_of_the_library(n_units):
    rng = np.random.default_rng(n_units)
    unit = rng.integers(0, n_units, 160)
    dosages = with_errors(rng, rng.binomial(2, drifted(rng, 40, 0.1, n_units)[:, unit])).T
    training = np.where(np.arange(160) < 120, unit, -1)
    training[:3] = -1  # left out as foreign: neither taught nor tested
    tested = np.arange(160) >= 120
    filled = dosages.astype(float)
    filled[dosages < 0] = np.nan
    model = make_pipeline(SimpleImputer(), LogisticRegression(max_iter=2000))
    model.fit(filled[training >= 0], training[training >= 0])
    assert logistic_calls(dosages, training, tested).tolist() == model.predict(filled[tested]).tolist()
    assert logistic_calls(dosages, np.where(training == 1, 1, -1), tested).tolist() == [1] * 40


def test_controls_of_a_study_with_real_differences():
    store, unit, site = study(1, 0.08)
    tally = validate(store, unit, site, 1)
    table = controls_table(tally.held, unit, 40).set_index("method")
    assert table.loc["nested", "accuracy"] == tally.right[1] / tally.tested[1]
    assert (table["n_animals"] == 120).all()
    assert table.loc["resubstitution", "accuracy"] == 1
    optimism = table.loc["resubstitution", ["difference_from_nested", "difference_ci_low", "difference_ci_high"]]
    assert optimism.iloc[0] == pytest.approx(1 - table.loc["nested", "accuracy"])
    assert optimism.iloc[1] <= optimism.iloc[0] <= optimism.iloc[2]
    draws = table.loc["random_panels"]
    assert draws["lowest"] <= draws["accuracy"] <= draws["highest"] < table.loc["nested", "accuracy"]
    assert table.loc["logistic_regression", "accuracy"] > draws["accuracy"]
    again = validate(store, unit, site, 1)
    assert controls_table(again.held, unit, 40).equals(table.reset_index())


def test_no_control_sees_the_labels_of_left_out_animals():
    """Labels that mean nothing: every control does as a coin does."""
    shares = []
    for seed in range(3):
        store, unit, site = study(seed, 0.0)
        table = controls_table(validate(store, unit, site, seed).held, unit, 40).set_index("method")
        shares.append(table.loc[["random_panels", "logistic_regression"], "accuracy"])
    assert np.mean(shares, axis=0) == pytest.approx([0.5, 0.5], abs=0.1)  # 360 animals, as for the panel itself


def test_reliability_worked_by_hand():
    held = held_with([[0.97, 0.03], [0.96, 0.04], [0.45, 0.55], [0.0, 1.0]], [0, 1, 1, 1])
    table = calibration_table(held).set_index("posterior_low")
    assert table["n_animals"].to_dict() == dict.fromkeys(BINS[:-1], 0) | {0.95: 2, 0.5: 1, 0.999: 1}
    assert table.loc[0.95, ["mean_posterior", "share_right"]].tolist() == pytest.approx([0.965, 0.5])
    error = calibration_error(held, np.random.default_rng(1))
    assert error["expected_calibration_error"] == pytest.approx((2 * 0.465 + 0.45 + 0) / 4)


@pytest.mark.parametrize("seed", range(3))
def test_posteriors_that_keep_their_word_and_those_that_boast(seed):
    rng = np.random.default_rng(seed)
    said = rng.uniform(0.5, 1, 3000)
    right = rng.random(3000) < said
    honest = held_with(np.stack([said, 1 - said], axis=1), np.where(right, 0, 1))
    error = calibration_error(honest, rng)
    assert error["expected_calibration_error"] < 1.3 * error["if_calibrated_high"]
    louder = 1 - (1 - said) / 4
    boast = held_with(np.stack([louder, 1 - louder], axis=1), np.where(right, 0, 1))
    error = calibration_error(boast, rng)
    assert error["expected_calibration_error"] > 3 * error["if_calibrated_high"]


def test_nobody_judged_gives_empty_shares():
    held = HeldOut.nobody_yet(np.zeros(4, dtype=np.int64), 2)
    assert controls_table(held, np.zeros(4), 12)["accuracy"].isna().all()
    assert (calibration_table(held)["n_animals"] == 0).all()
    assert set(calibration_error(held, np.random.default_rng(0)).values()) == {None}
