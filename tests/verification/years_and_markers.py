"""Years before they are pooled, and markers that were chosen in one stock: how often each rule is right.

`scripts/test --verify years_and_markers` writes years_and_markers.json beside this file, seeds 0 to n-1 all counted.
Sites are bred forward with linkage (Wright-Fisher, 20 chromosomes of 50 centimorgan, 600 markers) or drawn from
coalescent histories (msprime), never by the formulae that are judged.

Limits: no change is called no more often than the level (one-sided binomial, 1 %); a change as large as stated is seen
in 72 to 88 % where 80 % are stated; temporal effective size within a tenth, its intervals covering in 90 % or more;
markers of files that were not chosen called chosen in at most one study of 40, but where the whole species went
through a bottleneck and one stock stayed small (recorded, no limit); markers found in two to eight animals of one stock
called so in 95 % from F_ST 0.05 on, at 0.02 recorded.
"""

from functools import partial

import numpy as np
import pytest
from tests.drawn_lineages import lineages, readings
from tests.drifted_years import drifting_site, linked_animals
from tests.verification.counted import none_too_often, p_at_most, share, spread_over_cores
from tests.verification.records import provenance

from homewater.statistics.intervals import chromosome_blocks
from homewater.structure.temporal_size import drift_sums, size_from_drift, temporal_size
from homewater.structure.year_change import change_test

COMMAND = "scripts/test --verify years_and_markers"
LEVEL, PERMUTATIONS = 0.05, 299
# name: animals of either year, chromosomes of 2 centimorgan, effective size
UNCHANGED = {"ten_chromosomes": (20, 20, 10, 200), "uneven": (10, 30, 3, 200), "one_chromosome": (8, 8, 1, 200)}
# name: breeders, generations, animals of either year; the change is about that which these samples are said to see
CHANGED = {"n_15": (31, 1, 15), "n_20": (99, 2, 20), "n_30": (159, 2, 30), "n_50": (135, 1, 50)}
# breeders, generations, animals of the two years
SIZES = {
    f"{size}_breeders_{generations}_generations": (size, generations, sampled)
    for size, generations, sampled in (
        (50, 1, (30, 15)), (50, 3, (30, 50)), (50, 6, (40, 40)), (100, 2, (25, 25)), (100, 4, (30, 60)),
        (200, 2, (50, 50)), (200, 5, (30, 30)), (500, 5, (40, 40)),
    )
}  # fmt: skip
FST = (0.02, 0.05, 0.1, 0.2)
# name: animals of each lineage, size of the later ones, bottleneck of their ancestor
HISTORIES = {
    "two": ((40, 40), 1.0, 1.0),
    "three": ((40, 40, 40), 1.0, 1.0),
    "uneven_one_small": ((60, 15), 0.1, 1.0),
    "few_animals": ((12, 12), 1.0, 1.0),
    "bottleneck_and_one_small": ((40, 40), 0.2, 0.05),
}
NOT_CHOSEN = {
    "all": {},
    "without_singletons": {"least_count": 2},
    "filtered_01": {"least_frequency": 0.01},
    "filtered_05": {"least_frequency": 0.05},
}
ANIMALS = (2, 4, 8)


def counts_of(dosages: np.ndarray) -> np.ndarray:
    """Return genotype counts (n_markers, 4) of one sample."""
    return np.stack([(dosages == value).sum(axis=1) for value in (0, 1, 2, -1)], axis=1)


def p_unchanged(first: int, second: int, n_chromosomes: int, size: int, seed: int) -> float:
    """Return p of change between two samples of one population."""
    animals = linked_animals(seed, first + second, n_chromosomes, size)[:1500]
    return change_test(animals, first, PERMUTATIONS, LEVEL, np.random.default_rng(seed))[0]


def changed_site(size: int, generations: int, n: int, seed: int) -> tuple[float, float]:
    """Return p of change at a site that drifted, and the change that it is said to see."""
    first, second, _ = drifting_site(seed, size, generations, (n, n), 600)
    dosages = np.concatenate([first, second], axis=1)
    return change_test(dosages, n, PERMUTATIONS, LEVEL, np.random.default_rng(seed))


def size_again(size: int, generations: int, sampled: tuple[int, int], seed: int) -> tuple[float, float, float, float]:
    """Return drift, and the effective size with its bounds."""
    first, second, chrom = drifting_site(seed, size, generations, sampled, 600)
    block = chromosome_blocks(chrom, np.arange(chrom.size))
    top, bottom = drift_sums(counts_of(first), counts_of(second), block, 20)
    found = temporal_size(top, bottom, np.bincount(block), generations, sampled[1])
    return top.sum() / bottom.sum(), found.estimate, found.low, found.high


def spectra(fst: float, name: str, seed: int) -> dict[str, list[str]]:
    """Return the readings of all units, for every way in which the markers may have come about."""
    drawn = lineages(seed, fst, *HISTORIES[name])
    files = {way: drawn.in_file(**options) for way, options in NOT_CHOSEN.items()}
    files |= {f"found_in_{n}": drawn.found_in(n) for n in ANIMALS}
    files["found_in_4_filtered_05"] = drawn.found_in(4).in_file(least_frequency=0.05)
    return {way: readings(file)["reading"].tolist() for way, file in files.items()}


@pytest.mark.parametrize("name", UNCHANGED)
def test_no_change(record, name):
    found = p_at_most(np.array(spread_over_cores(partial(p_unchanged, *UNCHANGED[name]), 400)))
    record[f"no_change_{name}"] = provenance(COMMAND) | {"p_at_most": found}
    none_too_often(found)


@pytest.mark.parametrize("name", CHANGED)
def test_change(record, name):
    size, generations, _ = CHANGED[name]
    p, stated = np.array(spread_over_cores(partial(changed_site, *CHANGED[name]), 200)).T
    true = size_drift(size, generations) / 2  # F_ST of two samples is half of the drift between them
    seen = share(int((p <= LEVEL).sum()), p.size)
    record[f"change_{name}"] = provenance(COMMAND) | {"true": true, "stated": float(stated.mean()), "seen": seen}
    assert stated.mean() == pytest.approx(true, rel=0.1)
    assert 0.72 <= seen["count"] / p.size <= 0.88


def size_drift(size: int, generations: int) -> float:
    """Return the drift that so many breeders leave."""
    return 1 - (1 - 1 / (2 * size)) ** generations


@pytest.mark.parametrize("name", SIZES)
def test_size(record, name):
    size, generations, _ = SIZES[name]
    drift, estimate, low, high = np.array(spread_over_cores(partial(size_again, *SIZES[name]), 200)).T
    covered = share(int(((low <= size) & (size <= high)).sum()), drift.size)
    mean = size_from_drift(float(drift.mean()), generations)
    record[f"size_{name}"] = provenance(COMMAND) | {
        "true": size,
        "from_mean_drift": mean,
        "median": float(np.median(estimate)),
        "intervals_cover": covered,
        "without_upper_end": share(int(np.isinf(high).sum()), drift.size),
    }
    assert mean == pytest.approx(size, rel=0.1)
    assert covered["count"] >= 0.9 * covered["of"]


@pytest.mark.parametrize("name", HISTORIES)
@pytest.mark.parametrize("fst", FST)
def test_markers(record, fst, name):
    found = spread_over_cores(partial(spectra, fst, name), 40)
    figures = {}
    for way in found[0]:
        of_way = [one[way] for one in found]
        figures[way] = {
            "chosen_in_the_first": share(sum(one[0] == "chosen_here" for one in of_way), len(of_way)),
            "chosen_in_another": share(sum("chosen_here" in one[1:] for one in of_way), len(of_way)),
            "rare_alleles_missing_in_the_first": share(
                sum(one[0] == "rare_alleles_missing" for one in of_way), len(of_way)
            ),
        }
    record[f"markers_{name}_{fst}"] = provenance(COMMAND) | figures
    if name == "bottleneck_and_one_small":
        return
    for way in NOT_CHOSEN:
        assert figures[way]["chosen_in_the_first"]["count"] + figures[way]["chosen_in_another"]["count"] <= 1, way
    if fst >= 0.05 and name in ("two", "three"):
        assert min(figures[f"found_in_{n}"]["chosen_in_the_first"]["count"] for n in ANIMALS) >= 38
