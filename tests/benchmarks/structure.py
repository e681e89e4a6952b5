"""Differentiation, axes and shared ancestry against general-purpose libraries, side by side in one run.

`scripts/test --benchmark structure` writes structure.json beside this file (some minutes; `--small` writes nothing).
1,100 invented animals of 22 sites and 200,000 markers, 5 % of calls missing; least of three timings but for the slow
ones, which are timed once on a part and scaled up (said beside them).
"""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor

import allel
import numpy as np
from tests.benchmarks.timing import keep, provenance, small_asked, timed

from homewater.statistics.fst import group_pairs, pairwise_fst
from homewater.structure.admixture_fit import fit, improve, solve, start_frequencies
from homewater.structure.admixture_start import animal_axes, start_shares
from homewater.structure.relationship import BLOCK, leading_axes, relationship_matrix

N_ANIMALS, N_SITES, PAIRS_TIMED = 1100, 22, 4
K, FIT_MARKERS, FIT_STARTS = 4, 20_000, 6


def drawn(n_markers: int) -> np.ndarray:
    """Return int8 (n_markers, n_animals): four stocks, F_ST 0.05 between them and 0.01 between sites of one."""
    rng = np.random.default_rng(0)
    site = np.repeat(np.arange(N_SITES), N_ANIMALS // N_SITES)
    stock = np.arange(N_SITES) * K // N_SITES
    dosages = np.empty((n_markers, N_ANIMALS), dtype=np.int8)
    for start in range(0, n_markers, 20_000):
        n = min(20_000, n_markers - start)
        ancestral = rng.uniform(0.05, 0.95, (n, 1))
        of_stock = rng.beta(ancestral * 19, (1 - ancestral) * 19, (n, K)).clip(0.001, 0.999)[:, stock]
        p = rng.beta(of_stock * 99, (1 - of_stock) * 99)[:, site]
        block = rng.binomial(2, p).astype(np.int8)
        block[rng.random(block.shape) < 0.05] = -1
        dosages[start : start + n] = block
    return dosages


def differentiation(dosages: np.ndarray) -> dict:
    site = np.repeat(np.arange(N_SITES), N_ANIMALS // N_SITES)
    counts = np.stack(
        [
            np.stack([(dosages[:, site == s] == code).sum(axis=1) for code in (0, 1, 2, -1)], axis=1)
            for s in range(N_SITES)
        ],
        axis=1,
    ).astype(np.int32)
    block = np.arange(len(dosages)) * 20 // len(dosages)
    ours, (fst, *_) = timed(pairwise_fst, counts, block)
    first, second = group_pairs(N_SITES)
    alleles = np.stack([dosages >> 1, np.where(dosages < 0, -1, (dosages + 1) >> 1)], axis=2)
    genotypes = allel.GenotypeArray(alleles)
    theirs = 0.0
    for pair in np.linspace(0, len(first) - 1, PAIRS_TIMED).astype(int):
        groups = [np.flatnonzero(site == s) for s in (first[pair], second[pair])]
        started = time.perf_counter()
        a, b, c = allel.weir_cockerham_fst(genotypes, groups, max_allele=1)
        expected = np.nansum(a) / (np.nansum(a) + np.nansum(b) + np.nansum(c))
        theirs += time.perf_counter() - started
        assert abs(expected - fst[pair]) < 1e-12, (expected, fst[pair])
    theirs *= len(first) / PAIRS_TIMED
    return {"pairs": len(first), "markers": len(dosages), "seconds_with_intervals": ours, "scikit_allel": theirs,
            "scikit_allel_pairs_timed": PAIRS_TIMED, "times_faster": theirs / ours}  # fmt: skip


def axes(dosages: np.ndarray) -> dict:
    everyone = np.ones(N_ANIMALS, dtype=bool)
    blocks = [dosages[start : start + BLOCK] for start in range(0, len(dosages), BLOCK)]
    ours, matrix = timed(relationship_matrix, blocks, everyone)
    factors = [np.where(b >= 0, b, 0).astype(np.float32) for b in blocks]

    def product(factor):
        return factor.T @ factor

    def products():
        with ThreadPoolExecutor(2) as pool:  # one-thread products of the same blocks, two a block, on all cores
            for _ in pool.map(product, [f for f in factors for _ in range(2)]):
                pass

    bare, _ = timed(products)
    total, shared = np.zeros((2, N_ANIMALS, N_ANIMALS))
    for block in blocks:
        typed = block >= 0
        p = np.where(typed, block, 0).sum(axis=1) / (2 * typed.sum(axis=1))
        used = (p > 0) & (p < 1)
        scaled = (block[used] - 2 * p[used, None]) / np.sqrt(2 * p * (1 - p))[used, None]
        scaled = np.where(typed[used], scaled, 0.0)
        total += scaled.T @ scaled
        shared += typed[used].T.astype(float) @ typed[used].astype(float)
    exact = np.linalg.eigvalsh(total / shared)[::-1][:10]
    found = leading_axes(matrix, 10)[0]
    return {"seconds": ours, "bare_products": bare, "share_of_product_rate": bare / ours,
            "largest_relative_error_of_10_eigenvalues": float(np.abs(found / exact - 1).max())}  # fmt: skip


def numpy_step(by_animal: np.ndarray, shares: np.ndarray, frequencies: np.ndarray):
    """One EM step by matrix products (Tang et al. 2005), all animals and markers at once, missing calls left out."""
    typed = by_animal >= 0
    copies = np.where(typed, by_animal, 0).astype(float)
    s = shares @ frequencies
    up, down = copies / s, np.where(typed, 2 - by_animal, 0) / (1 - s)
    new_shares = shares * (up @ frequencies.T + down @ (1 - frequencies).T)
    new_shares /= new_shares.sum(axis=1, keepdims=True)
    alternate = frequencies * (shares.T @ up)
    reference = (1 - frequencies) * (shares.T @ down)
    return new_shares, alternate / (alternate + reference)


def numpy_derivatives(genotypes: np.ndarray, left: np.ndarray, right: np.ndarray):
    """Derivatives and log-likelihood of each column by matrix products, as `admixture_fit.derivatives`."""
    typed = genotypes >= 0
    copies, others = np.where(typed, genotypes, 0).astype(float), np.where(typed, 2 - genotypes, 0)
    s = left @ right
    up, down = copies / s, others / (1 - s)
    pairs = np.stack([left[:, a] * left[:, b] for a in range(left.shape[1]) for b in range(a + 1)], axis=1)
    value = (copies * np.log(s) + others * np.log(1 - s)).sum(axis=0)
    return left.T @ (up - down), pairs.T @ (up / s + down / (1 - s)), value


def numpy_log_likelihood(genotypes: np.ndarray, left: np.ndarray, right: np.ndarray) -> np.ndarray:
    typed = genotypes >= 0
    s = left @ right
    return (np.where(typed, genotypes, 0) * np.log(s) + np.where(typed, 2 - genotypes, 0) * np.log(1 - s)).sum(axis=0)


def numpy_round(by_animal: np.ndarray, shares: np.ndarray, frequencies: np.ndarray, floor: float):
    """The round of ours by matrix products: a Newton step of the frequencies, then one of the shares, each checked."""
    pieces = [slice(start, start + 10_000) for start in range(0, by_animal.shape[1], 10_000)]  # as memory allows
    new = np.empty_like(frequencies)
    for piece in pieces:
        mine = np.ascontiguousarray(frequencies[:, piece])
        gradient, curvature, before = numpy_derivatives(by_animal[:, piece], shares, mine)
        new[:, piece] = mine + solve(gradient, curvature, mine, floor)
        after = numpy_log_likelihood(by_animal[:, piece], shares, new[:, piece])
        new[:, piece] = np.where(after < before, mine, new[:, piece])
    right = np.ascontiguousarray(shares.T)
    parts = [numpy_derivatives(by_animal[:, piece].T, new[:, piece].T, right) for piece in pieces]
    gradient, curvature, before = (sum(part) for part in zip(*parts, strict=True))
    stepped = right + solve(gradient, curvature, right, None)
    after = sum(numpy_log_likelihood(by_animal[:, piece].T, new[:, piece].T, stepped) for piece in pieces)
    return new, np.where(after < before, right, stepped).T


def ancestry(dosages: np.ndarray) -> dict:
    rng = np.random.default_rng(1)
    by_animal = np.ascontiguousarray(dosages.T)
    by_marker = np.ascontiguousarray(dosages)
    shares = rng.dirichlet(np.ones(K), N_ANIMALS)
    floor = 0.25 / N_ANIMALS
    frequencies = start_frequencies(by_animal, shares, floor)

    def ours():
        new, _ = improve(by_animal, shares, frequencies, floor)
        return new, improve(by_marker, np.ascontiguousarray(new.T), np.ascontiguousarray(shares.T))[0].T

    def theirs():  # in pieces of markers, as memory allows
        return [numpy_step(by_animal[:, i : i + 10_000], shares, frequencies[:, i : i + 10_000])
                for i in range(0, by_animal.shape[1], 10_000)]  # fmt: skip

    newton, found = timed(ours)
    same, expected = timed(numpy_round, by_animal, shares, frequencies, floor, repeats=1)
    assert all(np.abs(one - other).max() < 1e-8 for one, other in zip(found, expected, strict=True))
    em, _ = timed(theirs, repeats=1)
    some = np.ascontiguousarray(by_animal[:, :: max(1, len(dosages) // FIT_MARKERS)])
    coordinates = animal_axes(some, K - 1)
    started = time.perf_counter()
    fits = [
        fit(some, start_shares(coordinates, K, np.random.default_rng(seed), seed == 0), 60, 0.0)
        for seed in range(FIT_STARTS)
    ]
    best = max(one.log_likelihood for one in fits)
    within = [one.log_likelihood for one in fits]
    return {
        "markers": len(dosages),
        "groups": K,
        "newton_round_both_ways": newton,
        "same_round_by_numpy_products": same,
        "times_faster_than_the_same_round": same / newton,
        "em_step_by_numpy_products": em,
        "times_faster_than_an_em_step": em / newton,
        "fit_markers": some.shape[1],
        "fit_rounds_at_most": 60,
        "first_start_below_the_best_of_all": best - within[0],
        "starts_within_1_of_the_best": int(sum(best - value < 1 for value in within)),
        "starts": FIT_STARTS,
        "fit_seconds_each": (time.perf_counter() - started) / FIT_STARTS,
    }


def main() -> None:
    """Run the comparison and write its figures."""
    small = small_asked(__doc__)
    dosages = drawn(10_000 if small else 200_000)
    figures = {
        **provenance("structure"),
        "pairwise_fst": differentiation(dosages),
        "axes": axes(dosages),
        "ancestry": ancestry(dosages),
    }
    keep("structure", figures, small)


if __name__ == "__main__":
    main()
