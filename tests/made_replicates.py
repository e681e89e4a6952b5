"""Sites on a line or a grid, and pairwise figures made by hand, in which all blocks agree but for a known noise."""

import numpy as np

from homewater.units.break_rules import BreakRules
from homewater.units.replicates import Replicates

RULES = BreakRules(min_break_fst=0.01, break_level=0.05, median_step_multiple=3.0)


def on_a_line(places):
    x = np.asarray(places, dtype=float)
    return np.abs(x[:, None] - x[None, :])


def on_a_grid(columns, rows, x_km=50.0, y_km=55.0):
    """Distances between sites of a grid, row by row; the tree runs along the rows, which lie nearer."""
    x, y = (axis.ravel() for axis in np.meshgrid(x_km * np.arange(columns), y_km * np.arange(rows)))
    return np.hypot(x[:, None] - x[None, :], y[:, None] - y[None, :])


def made(linear, noise=0.0005, n_blocks=12, seed=1):
    n = len(linear)
    shake = np.random.default_rng(seed).normal(0, noise, (n_blocks + 1, n, n))
    shake = np.triu(shake, 1)
    shake = shake + shake.transpose(0, 2, 1)
    shake[0] = 0
    values = np.asarray(linear, dtype=float)[None] + shake
    return Replicates(values, values.copy(), np.full(n_blocks, 100))
