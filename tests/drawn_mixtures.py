"""Sites drawn as mixtures of two stocks."""

import numpy as np

from homewater.units.replicates import pair_replicates


def counts_of(frequencies, n, seed):
    rng = np.random.default_rng(seed)
    genotypes = rng.binomial(2, frequencies[:, :, None], (*frequencies.shape, n))
    return np.stack([(genotypes == d).sum(axis=2) for d in (0, 1, 2, -1)], axis=2).astype(np.int32)


def mixtures(shares, seed, n_markers=1500, n=20, drift=0.12):
    """Replicates of sites whose frequencies are mixtures of two stocks with those shares of the second."""
    rng = np.random.default_rng(seed)
    base = rng.uniform(0.2, 0.8, n_markers)
    one, other = (np.clip(base + rng.normal(0, drift, n_markers), 0.03, 0.97) for _ in range(2))
    p = one[:, None] + np.asarray(shares, float)[None] * (other - one)[:, None]
    return pair_replicates(counts_of(p, n, seed + 1000), np.arange(n_markers) * 15 // n_markers)
