"""Genotypes of animals with planted shares in groups, and their log-likelihood, for the tests of shared ancestry."""

import numpy as np


def planted(seed, n_animals=40, n_markers=300, k=3, missing=0.05, fst=0.2):
    """Shares, frequencies and genotypes of a mixture model; a third of the animals pure."""
    rng = np.random.default_rng(seed)
    ancestral = rng.uniform(0.15, 0.85, n_markers)
    scale = (1 - fst) / fst
    frequencies = rng.beta(ancestral * scale, (1 - ancestral) * scale, (k, n_markers)).clip(0.01, 0.99)
    shares = rng.dirichlet(np.full(k, 0.5), n_animals)
    shares[: n_animals // 3] = np.eye(k)[np.arange(n_animals // 3) % k]
    genotypes = rng.binomial(2, shares @ frequencies).astype(np.int8)
    genotypes[rng.random(genotypes.shape) < missing] = -1
    return shares, frequencies, genotypes


def log_likelihood(genotypes, shares, frequencies):
    s, typed = shares @ frequencies, genotypes >= 0
    return (np.where(typed, genotypes * np.log(s) + (2 - genotypes) * np.log(1 - s), 0.0)).sum()
