"""Coasts drawn from frequencies that drift along them: quick, and near to what an additive coast assumes.

Every site has frequencies; drift of size F takes a frequency p to a draw from the beta distribution with mean p and
variance p (1 - p) F (Balding & Nichols 1995 Genetica 96:3-12). 20 chromosomes of 150 markers, inherited one by one;
30 animals a site; sites 50 km apart.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from tests.verification.coasts.study import (
    KM,
    PlantedBlock,
    Study,
    Truth,
    along,
    contact_truth,
    counts_of,
    logistic_shares,
)

CHROMOSOMES, MARKERS, ANIMALS = 20, 150, 30
CHROMOSOME_BP = 50_000_000  # 50 cM
ARRANGEMENT_FST = 0.3  # of the two arrangements of a block


def drifted(rng: np.random.Generator, p: np.ndarray, f: float) -> np.ndarray:
    """Return frequencies after drift of size F; fixed ones stay."""
    if f <= 0:
        return p
    scale, out = (1 - f) / f, p.copy()
    open_ = (p > 0) & (p < 1)
    out[open_] = rng.beta(p[open_] * scale, (1 - p[open_]) * scale)
    return out


def ancestral(rng: np.random.Generator) -> np.ndarray:
    """Return frequencies of the ancestor, float64 (n_markers,)."""
    return rng.uniform(0.1, 0.9, CHROMOSOMES * MARKERS)


def drawn(
    rng: np.random.Generator, sites: list[np.ndarray], own_drift, truth: Truth, places: np.ndarray | None = None
) -> Study:
    """Return a study of sites with given frequencies, after drift of their own.

    Args:
        rng: draws everything.
        sites: frequencies of each site before its own drift.
        own_drift: F of each site, or one for all.
        truth: what was planted.
        places: km along the coast; KM apart if left out.
    """
    own = np.broadcast_to(own_drift, len(sites))
    p = np.stack([drifted(rng, one, f) for one, f in zip(sites, own, strict=True)], axis=1)
    both = rng.binomial(ANIMALS, p**2)
    with np.errstate(invalid="ignore"):
        het = rng.binomial(ANIMALS - both, np.nan_to_num(2 * p * (1 - p) / (1 - p**2)))
    counts = np.stack([ANIMALS - both - het, het, both, 0 * het], axis=-1).astype(np.int32)
    places = KM * np.arange(len(sites)) if places is None else places
    return Study(counts, *genome(), along(places), truth)


def genome() -> tuple[np.ndarray, np.ndarray]:
    """Return the chromosome and the position of every marker."""
    pos = np.linspace(1, CHROMOSOME_BP, MARKERS).astype(np.int64)
    return np.repeat(np.arange(CHROMOSOMES), MARKERS), np.tile(pos, CHROMOSOMES)


def one_unit(n_sites: int) -> Truth:
    """Return the truth of a coast without stocks."""
    return Truth(np.zeros(n_sites, dtype=np.int64))


def step_fst(step: float, own_drift: float = 0.0) -> float:
    """Return what a step adds beyond distance and own drift, F of F / (1 - F), where each of two lineages drifted so.

    With both lineages at drift F from their ancestor and sites at drift D from their lineage, expected heterozygosity
    within sites is H (1 - F) (1 - D), between lineages H, between sites of one lineage H (1 - F). F / (1 - F) of two
    sites is (between - within) / within, so that one lineage's sites differ by D / (1 - D), and the step adds
    F / ((1 - F) (1 - D)) to it.
    """
    linear = step / ((1 - step) * (1 - own_drift))
    return linear / (1 + linear)


def one_population(seed: int, n_sites: int = 8) -> Study:
    """Return samples of one population."""
    rng = np.random.default_rng([seed, 10])
    return drawn(rng, [ancestral(rng)] * n_sites, 0.0, one_unit(n_sites))


def islands(seed: int, fst: float, n_sites: int, kind: str) -> Study:
    """Return sites that each drifted from one ancestor, so that distance has no part in it.

    Args:
        seed: of everything drawn.
        fst: drift of every site (`even`) or its mean over sites (`exponential`).
        n_sites: sites.
        kind: `even` or `exponential`.
    """
    rng = np.random.default_rng([seed, 11])
    own = own_drifts(rng, fst, n_sites, kind)
    return drawn(rng, [ancestral(rng)] * n_sites, own, one_unit(n_sites))


def own_drifts(rng: np.random.Generator, fst: float, n_sites: int, kind: str) -> np.ndarray:
    """Return the own drift of each site, float64 (n_sites,), all equal or exponential."""
    return np.full(n_sites, fst) if kind == "even" else np.minimum(rng.exponential(fst, n_sites), 0.9)


def lineages(seed: int, fst: float, own_drift: float, n_left: int = 5, n_right: int = 7, gap: float = 1.0) -> Study:
    """Return two lineages whose sites drifted on their own.

    Args:
        seed: of everything drawn.
        fst: drift of either lineage from their ancestor: F_ST of the two.
        own_drift: of each site from its lineage.
        n_left: sites of the first lineage.
        n_right: sites of the second.
        gap: spacings between the facing sites.
    """
    rng = np.random.default_rng([seed, 12])
    start = ancestral(rng)
    sides = [drifted(rng, start, fst) for _ in range(2)]
    sites = [sides[0]] * n_left + [sides[1]] * n_right
    truth = Truth(np.repeat([0, 1], [n_left, n_right]), line_fst=step_fst(fst, own_drift))
    return drawn(rng, sites, own_drift, truth, with_gap(n_left, n_right, gap))


def with_gap(n_left: int, n_right: int, gap: float) -> np.ndarray:
    """Return places along a coast with a gap of so many spacings, km."""
    number = np.arange(n_left + n_right)
    return KM * (number + (gap - 1) * (number >= n_left))


def gradient(seed: int, steps: np.ndarray, own_drift: float = 0.0, places: np.ndarray | None = None) -> Study:
    """Return a coast along which frequencies walk.

    Args:
        seed: of everything drawn.
        steps: drift of each step, float64 (n_sites - 1,).
        own_drift: of each site.
        places: km along the coast; KM apart if left out.
    """
    rng = np.random.default_rng([seed, 13])
    sites = [ancestral(rng)]
    for f in steps:
        sites.append(drifted(rng, sites[-1], float(f)))
    return drawn(rng, sites, own_drift, one_unit(len(sites)), places)


def even_gradient(seed: int, step: float, n_sites: int = 16, own_drift: float = 0.0) -> Study:
    """Return a walk with equal steps."""
    return gradient(seed, np.full(n_sites - 1, step), own_drift)


def gradient_with_gap(seed: int, step: float, gap: int, n_side: int = 6, own_drift: float = 0.0) -> Study:
    """Return a walk of equal steps a spacing, with a stretch of `gap` spacings where nobody sampled: no line."""
    steps = np.full(2 * n_side - 1, step)
    steps[n_side - 1] = 1 - (1 - step) ** gap  # so many steps one after another
    return gradient(seed, steps, own_drift, with_gap(n_side, n_side, gap))


def uneven_steps(seed: int, median: float = 0.005, sd: float = 0.5, n_sites: int = 16) -> Study:
    """Return a walk whose steps are log-normal about their median."""
    rng = np.random.default_rng([seed, 23])
    return gradient(seed, np.minimum(median * np.exp(rng.normal(0, sd, n_sites - 1)), 0.5))


def steeper_half(seed: int, step: float = 0.0025, times: float = 4.0, n_sites: int = 16) -> Study:
    """Return a walk whose steps are so many times as large from half-way on."""
    number = np.arange(n_sites - 1)
    return gradient(seed, np.where(number >= (n_sites - 1) // 2, times * step, step))


def uneven_spacing(seed: int, step: float = 0.005, n_sites: int = 16) -> Study:
    """Return a walk at one rate a km, with sites at uneven distances."""
    spacing = np.random.default_rng([seed, 24]).choice([0.4, 1.0, 2.5], n_sites - 1)
    places = KM * np.concatenate([[0.0], np.cumsum(spacing)])
    return gradient(seed, 1 - (1 - step) ** spacing, 0.0, places)


def gradient_with_break(seed: int, step: float = 0.005, fst: float = 0.05, own_drift: float = 0.01) -> Study:
    """Return twelve sites along a gradient, with a line in mid-coast that a walk cannot explain."""
    steps = np.full(11, step)
    steps[5] = 2 * fst  # one side drifts on from the other, which makes half of the drift of two
    study = gradient(seed, steps, own_drift)
    return replace(study, truth=Truth(np.repeat([0, 1], 6)))


def isolate(seed: int, fst: float, place: int, n_sites: int = 8, own_drift: float = 0.0) -> Study:
    """Return samples of one population, one site of which drifted on its own.

    Args:
        seed: of everything drawn.
        fst: drift of that site.
        place: its number along the coast.
        n_sites: sites.
        own_drift: of every other site.
    """
    rng = np.random.default_rng([seed, 14])
    own = np.full(n_sites, own_drift)
    own[place] = fst
    unit = (np.arange(n_sites) == place).astype(np.int64)
    return drawn(rng, [ancestral(rng)] * n_sites, own, Truth(unit, isolates=(place,)))


def contact(seed: int, width: int, fst: float, own_drift: float, n_flank: int = 5) -> Study:
    """Return two stocks that mix over some sites, along a logistic cline.

    Args:
        seed: of everything drawn.
        width: sites whose share lies between a tenth and nine tenths.
        fst: F_ST of the two sources.
        own_drift: of each site.
        n_flank: sites beyond, on either side.
    """
    rng = np.random.default_rng([seed, 15])
    start = ancestral(rng)
    one, other = (drifted(rng, start, fst) for _ in range(2))
    share = logistic_shares(n_flank, width)
    return drawn(rng, [q * one + (1 - q) * other for q in share], own_drift, contact_truth(share, fst))


NESTED = ((0, 1, 2, 3), (4, 5, 6)), ((0, 1), (2, 3), (4, 5), (6,)), ((0,), (1,), (2,), (3,), (4,), (5,), (6,))


def nested(seed: int, n_each: int = 3, own_drift: float = 0.003) -> Study:
    """Return seven stocks, split in three levels (F .06, .04 and .03), of some sites each."""
    rng = np.random.default_rng([seed, 16])
    p = dict.fromkeys(range(7), ancestral(rng))
    for level, f in zip(NESTED, (0.06, 0.04, 0.03), strict=True):
        for group in level:
            moved = drifted(rng, p[group[0]], f)
            p |= dict.fromkeys(group, moved)
    unit = np.repeat(np.arange(7), n_each)
    return drawn(rng, [p[u] for u in unit.tolist()], own_drift, Truth(unit))


# --- blocks of the genome ---

STRETCHES = {  # chromosome and its share, from and to
    "whole": ((3, 0.0, 1.0),),
    "half": ((3, 0.25, 0.75),),
    "three": ((2, 0.0, 0.33), (7, 0.4, 0.75), (12, 0.6, 1.0)),
    "none": (),
}


def genome_blocks(seed: int, what: str, line: bool, n_sites: int = 12, line_fst: float = 0.05) -> Study:
    """Return a coast where an arrangement of part of the genome goes from .1 to .9 in mid-coast.

    The rest of the genome is one population, or two lineages with their line elsewhere. The copies of a block that an
    animal carries are of one arrangement or the other over the block's whole length.

    Args:
        seed: of everything drawn.
        what: `whole` chromosome, `half` of one, `three` blocks on three, or `none`.
        line: whether the rest has two lineages.
        n_sites: sites.
        line_fst: F_ST of these lineages.
    """
    rng = np.random.default_rng([seed, 17])
    block, pos = genome()
    start = ancestral(rng)
    sides = [drifted(rng, start, line_fst) if line else start for _ in range(2)]
    place = np.arange(n_sites)
    unit = (place >= n_sites // 4).astype(np.int64) if line else np.zeros(n_sites, dtype=np.int64)
    site = np.repeat(place, ANIMALS)
    p = np.stack([sides[u] for u in unit.tolist()], axis=1)[:, site]
    dosages = rng.binomial(2, p).astype(np.int8)
    frequency = arrangement_frequency(n_sites)
    planted = []
    for chromosome, low, high in STRETCHES[what]:
        within = (block == chromosome) & (pos > low * CHROMOSOME_BP) & (pos <= high * CHROMOSOME_BP + 1)
        arrangements = np.stack([drifted(rng, start[within], ARRANGEMENT_FST) for _ in range(2)], axis=1)
        copies = rng.random((2, site.size)) < frequency[site]
        dosages[within] = sum(rng.binomial(1, arrangements[:, one.astype(int)]) for one in copies)
        planted.append(PlantedBlock(chromosome, int(pos[within][0]), int(pos[within][-1])))
    truth = Truth(unit, blocks=tuple(planted), line_fst=step_fst(line_fst) if line else float("nan"))
    return Study(counts_of(dosages, site, n_sites), block, pos, along(KM * place), truth, dosages, site)


def arrangement_frequency(n_sites: int, centre: float | None = None) -> np.ndarray:
    """Return how frequent the second arrangement is at each site: from .1 to .9, over about two sites.

    Args:
        n_sites: sites.
        centre: place of the change, in sites from the first; mid-coast if left out.
    """
    place = np.arange(n_sites) - ((n_sites - 1) / 2 if centre is None else centre)
    return 0.1 + 0.8 / (1 + np.exp(-2.0 * place))
