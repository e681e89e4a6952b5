"""A table class_power much like a real one, for the tests of rates."""

import numpy as np
import pandas as pd

from homewater.crosses.likelihood import CLASSES

CALLED = ("local", "non_local", "unresolved", "unsampled_origin", *CLASSES[2:])


def power_like_a_real_one():
    rows = np.zeros((8, len(CALLED)))
    for name, calls in {
        "pure_a": {"local": 0.9985, "backcross_a": 0.0005, "second_backcross_a": 0.0005, "unsampled_origin": 0.0005},
        "pure_b": {"non_local": 0.98, "unresolved": 0.01, "second_backcross_b": 0.01},
        "F1": {"F1": 0.98, "F2": 0.02},
        "F2": {"F2": 0.78, "F1": 0.04, "backcross_a": 0.1, "backcross_b": 0.08},
        "backcross_a": {"local": 0.1, "backcross_a": 0.74, "second_backcross_a": 0.12, "F2": 0.04},
        "backcross_b": {"non_local": 0.03, "backcross_b": 0.77, "second_backcross_b": 0.15, "F2": 0.05},
        "second_backcross_a": {"local": 0.55, "backcross_a": 0.22, "second_backcross_a": 0.23},
        "second_backcross_b": {"non_local": 0.3, "backcross_b": 0.24, "second_backcross_b": 0.46},
    }.items():
        for call, rate in calls.items():
            rows[CLASSES.index(name), CALLED.index(call)] = rate
    return rows


def power_frame(rows, n=1000):
    return pd.DataFrame(
        [(CLASSES[j], CALLED[k], rows[j, k], "unit_1", "unit_2", n) for j in range(8) for k in range(len(CALLED))],
        columns=["true_class", "called_class", "rate", "unit_a", "unit_b", "n"],
    )
