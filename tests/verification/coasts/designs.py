"""Twelve designs of a study, on which the power that the detection limit states is set against the power reached."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from tests.verification.coasts.additive import CHROMOSOME_BP, drifted
from tests.verification.coasts.study import KM, Study, Truth, along


@dataclass(frozen=True)
class Design:
    """What a study can see with.

    Attributes:
        animals: of each site along the coast.
        chromosomes: inherited independently.
        markers: of each chromosome.
        own_drift: of each site.
        step: drift of the walk of frequencies from one site to the next.
    """

    animals: tuple[int, ...]
    chromosomes: int = 20
    markers: int = 100
    own_drift: float = 0.0
    step: float = 0.0


DESIGNS = {
    "plain": Design((30,) * 8),
    "few_animals": Design((8,) * 8),
    "many_animals": Design((80,) * 8, markers=50),
    "few_markers": Design((30,) * 8, markers=15),
    "few_chromosomes": Design((30,) * 8, chromosomes=6, markers=150),
    "many_markers": Design((20,) * 8, markers=400),
    "four_sites": Design((30,) * 4),
    "sixteen_sites": Design((15,) * 16),
    "thin_end": Design((8, 10, 30, 30, 30, 30, 30, 30)),
    "own_drift": Design((30,) * 8, own_drift=0.01),
    "distance": Design((30,) * 8, step=0.004),
    "own_drift_and_distance": Design((20,) * 10, own_drift=0.005, step=0.002),
}


def designed(seed: int, design: Design, fst: float = 0.0, place: int = 0) -> Study:
    """Return a study of a design, with a line of this F_ST beyond distance, or none.

    Args:
        seed: of everything drawn.
        design: sites, animals, markers, own drift and distance.
        fst: drift of either side from their ancestor; 0 for no line.
        place: step at which the line lies, from 0: between site `place` and the next.
    """
    rng = np.random.default_rng([seed, 51])
    n = len(design.animals)
    start = rng.uniform(0.1, 0.9, design.chromosomes * design.markers)
    sides = drifted(rng, start, fst), drifted(rng, start, fst)
    frequencies = [None] * n
    # the walk goes out from the line to both ends, so that the line adds the same at any place
    for side, numbers in zip(sides, (range(place, -1, -1), range(place + 1, n)), strict=True):
        now = side
        for site in numbers:
            now = drifted(rng, now, design.step / 2 if site in (place, place + 1) else design.step)
            frequencies[site] = drifted(rng, now, design.own_drift)
    p, animals = np.stack(frequencies, axis=1), np.array(design.animals)
    both = rng.binomial(animals, p**2)
    with np.errstate(invalid="ignore"):
        het = rng.binomial(animals - both, np.nan_to_num(2 * p * (1 - p) / (1 - p**2)))
    counts = np.stack([animals - both - het, het, both, 0 * het], axis=-1).astype(np.int32)
    unit = (np.arange(n) > place).astype(np.int64) if fst else np.zeros(n, dtype=np.int64)
    pos = np.linspace(1, CHROMOSOME_BP, design.markers).astype(np.int64)
    block = np.repeat(np.arange(design.chromosomes), design.markers)
    return Study(counts, block, np.tile(pos, design.chromosomes), along(KM * np.arange(n)), Truth(unit, line_fst=fst))
