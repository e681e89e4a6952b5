"""Leave-one-out, the nested choice of a panel and many query animals, each beside a plain way, side by side in one run.

`scripts/test --benchmark assignment` writes assignment.json beside this file (some minutes; `--small` writes nothing).
1,100 invented animals of 22 sites and 200,000 markers, 5 % of calls missing; least of three timings but for the slow
ones, which are timed once.
"""

from __future__ import annotations

import resource
import time

import numpy as np
import pandas as pd
from tests.benchmarks.timing import keep, provenance, small_asked, timed

from homewater.assignment.origin_classes import hybrid_coordinates
from homewater.assignment.verdict import VerdictRules, verdicts
from homewater.crosses.frequency_prior import fit_prior, flat_prior
from homewater.crosses.likelihood import (
    ClassList,
    KnownUnits,
    class_list,
    class_table,
    log_likelihoods,
    log_likelihoods_left_out,
)
from homewater.crosses.odds import class_posterior, counts_by_unit, pair_log_likelihoods
from homewater.panel.candidates import candidates, rank_markers
from homewater.panel.ranking import backcross_information
from homewater.statistics.allele_counts import AlleleCounts

N_ANIMALS, N_SITES, PANEL, FOLDS, ERROR = 1100, 22, 84, 10, 0.005


def drawn(rng: np.random.Generator, n_markers: int, n_groups: int, group: np.ndarray) -> np.ndarray:
    """Return int8 (n_animals, n_markers): groups drifted by F_ST 0.05 from one ancestor."""
    ancestral = rng.uniform(0.05, 0.95, (n_markers, 1))
    p = rng.beta(ancestral * 19, (1 - ancestral) * 19, (n_markers, n_groups)).clip(0.001, 0.999)
    out = np.empty((len(group), n_markers), dtype=np.int8)
    for start in range(0, n_markers, 20_000):
        part = slice(start, start + 20_000)
        out[:, part] = rng.binomial(2, p[part][:, group]).T
    out[rng.random(out.shape) < 0.05] = -1
    return out


def refits(dosages: np.ndarray, unit: np.ndarray, n_units: int) -> np.ndarray:
    """Return log likelihoods of pure units by numpy, everything counted again without each animal."""
    out = np.empty((len(dosages), n_units))
    for i, own in enumerate(dosages):
        rest, of_rest = np.delete(dosages, i, axis=0), np.delete(unit, i)
        typed = np.flatnonzero(own >= 0)
        for u in range(n_units):
            here = rest[of_rest == u][:, typed]
            up = np.where(here > 0, here, 0).sum(axis=0) + 0.5
            down = 2 * (here >= 0).sum(axis=0) + 1 - up
            total = up + down
            chance = np.stack([down * (down + 1), 2 * up * down, up * (up + 1)]) / (total * (total + 1))
            chance = (1 - ERROR) * chance + ERROR / 2 * (1 - chance)
            out[i, u] = np.log(chance[own[typed], np.arange(typed.size)]).sum()
    return out


def leave_one_out() -> dict:
    rng, unit = np.random.default_rng(0), np.repeat(np.arange(N_SITES), N_ANIMALS // N_SITES)
    dosages = drawn(rng, PANEL, N_SITES, unit)
    whole = class_list(N_SITES)
    pure = ClassList(N_SITES, whole.kind[:N_SITES], whole.unit_a[:N_SITES], whole.unit_b[:N_SITES],
                     whole.weights[:, :N_SITES])  # fmt: skip

    def ours():
        known = KnownUnits(counts_by_unit(dosages, unit, N_SITES), ERROR, flat_prior(N_SITES))
        return log_likelihoods_left_out(dosages, unit, known, pure)

    closed, found = timed(ours, repeats=20)  # some milliseconds: of three the least is chance
    plain, expected = timed(refits, dosages, unit, N_SITES, repeats=1)
    difference = float(np.abs(found - expected).max())
    assert difference < 1e-10, difference
    return {"animals": N_ANIMALS, "units": N_SITES, "markers": PANEL, "closed_form": closed, "numpy_refits": plain,
            "times_faster": plain / closed, "largest_difference": difference}  # fmt: skip


def nested_choice(n_markers: int) -> dict:
    rng, unit = np.random.default_rng(1), np.repeat([0, 1], N_ANIMALS // 2)
    dosages = np.ascontiguousarray(drawn(rng, n_markers, 2, unit).T)
    fold, kept = np.arange(N_ANIMALS) % FOLDS, np.ones(n_markers, dtype=bool)
    chrom, pos = np.arange(n_markers) * 20 // n_markers, 1000 * np.arange(n_markers)

    def count(rows: np.ndarray) -> np.ndarray:
        return np.stack([(dosages[:, rows] == code).sum(axis=1) for code in (0, 1, 2, -1)], axis=1)

    by_fold = np.stack([np.stack([count((fold == f) & (unit == u)) for u in (0, 1)], 1) for f in range(FOLDS)], 1)
    total = by_fold.sum(axis=1)
    prior = fit_prior(AlleleCounts.of_genotypes(total))

    def choice(counts: np.ndarray) -> np.ndarray:
        usable = candidates(counts, kept, 0.9)
        return rank_markers(backcross_information(counts, usable, PANEL, prior, ERROR), usable, chrom, pos, PANEL, 0)

    def subtracted():
        return [choice(total - by_fold[:, f]) for f in range(FOLDS)]

    def recounted():
        return [choice(np.stack([count((fold != f) & (unit == u)) for u in (0, 1)], 1)) for f in range(FOLDS)]

    ours, found = timed(subtracted)
    plain, expected = timed(recounted, repeats=1)
    assert all(np.array_equal(a, b) for a, b in zip(found, expected, strict=True))
    fitted, _ = timed(lambda: fit_prior(AlleleCounts.of_genotypes(total - by_fold[:, 0]), prior))
    return {"markers": n_markers, "folds": FOLDS, "by_subtraction": ours, "recounting": plain,
            "times_faster": plain / ours, "prior_of_one_fold": fitted,
            "times_faster_with_the_prior_fitted": (plain + FOLDS * fitted) / (ours + FOLDS * fitted),
            "a_thousand_replicates": 100 * ours}  # fmt: skip


def query_animals(n: int) -> dict:
    """Verdict, class and hybrid index of many animals in pieces, as a library call; memory is that of the process."""
    rng, classes = np.random.default_rng(2), class_list(2)
    reference, unit = drawn(rng, PANEL, 2, np.repeat([0, 1], 100)), np.repeat([0, 1], 100)
    counts = counts_by_unit(reference, unit, 2)
    known = KnownUnits(counts, ERROR, fit_prior(counts))
    table, rules = class_table(known, classes), VerdictRules(np.full(2, np.log(10.0)), 58, 0.9)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    seconds, tally, piece = 0.0, pd.Series(dtype=int), 50_000
    for start in range(0, n, piece):
        some = drawn(rng, PANEL, 2, rng.integers(0, 2, min(piece, n - start)))
        started = time.perf_counter()
        likelihood = log_likelihoods(some, table)
        home, away = np.zeros(len(some), dtype=int), np.ones(len(some), dtype=int)
        found = verdicts(likelihood, (some >= 0).sum(axis=1), home, classes, rules)
        class_posterior(pair_log_likelihoods(likelihood, home, away, classes))
        hybrid_coordinates(some, np.full(len(some), -1), home, away, known)
        seconds += time.perf_counter() - started
        tally = tally.add(pd.Series(found.outcome).value_counts(), fill_value=0)
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    return {"animals": n, "markers": PANEL, "microseconds_an_animal": 1e6 * seconds / n, "seconds": seconds,
            "memory_grown_mb": grown, "outcomes": {k: int(v) for k, v in sorted(tally.items())}}  # fmt: skip


def main() -> None:
    """Run the comparison and write its figures."""
    small = small_asked(__doc__)
    figures = {
        **provenance("assignment"),
        "query_animals": query_animals(20_000 if small else 1_000_000),  # first: memory is the most ever held
        "leave_one_out": leave_one_out(),
        "nested_choice": nested_choice(10_000 if small else 200_000),
    }
    keep("assignment", figures, small)


if __name__ == "__main__":
    main()
