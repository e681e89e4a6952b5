"""The simulated coasts of the long verification are what they say, and what is found is judged rightly."""

import numpy as np
import pytest
from tests.verification.coasts import additive, designs, histories, study
from tests.verification.coasts.found import Found, Line, as_tested_sites
from tests.verification.coasts.judged import block_hits, f3_t, outcome, zones_rand
from tests.verification.coasts.scenarios import SCENARIOS
from tests.verification.coasts.settings import SETTINGS

SEEDS = 12


def mean_linear(draw) -> np.ndarray:
    """Mean over seeds of F / (1 - F) of every pair of sites."""
    return np.mean([as_tested_sites(draw(seed)).replicates.linear[0] for seed in range(SEEDS)], axis=0)


@pytest.mark.parametrize(
    ("simulator", "fst", "own"),
    [(additive, 0.1, 0.0), (additive, 0.1, 0.04), (histories, 0.1, 0.0), (histories, 0.1, 0.04)],
)
def test_what_a_line_adds_is_the_stated_truth(simulator, fst, own):
    """Weir & Cockerham's estimates between lineages less those within, averaged over seeds, against the formula.

    Tolerance a fifteenth, from about three standard errors of the mean over these seeds.
    """

    def draw(seed):
        return simulator.lineages(seed, fst, own)

    linear, unit = mean_linear(draw), draw(0).truth.unit
    first, second = np.triu_indices(len(unit), 1)
    across = unit[first] != unit[second]
    added = linear[first, second][across].mean() - linear[first, second][~across].mean()
    assert added / (1 + added) == pytest.approx(draw(0).truth.line_fst, rel=1 / 15)


@pytest.mark.parametrize("simulator", [additive, histories])
def test_an_isolate_alone_stands_apart(simulator):
    """A site at drift F from the common pool of the others is at F_ST F / 2 from each: half of the pair drifted."""
    linear = mean_linear(lambda seed: simulator.isolate(seed, 0.15, 3))
    fst = linear / (1 + linear)
    others = np.setdiff1d(np.arange(8), 3)
    assert fst[3, others].mean() == pytest.approx(0.15 / 2, rel=0.1)
    assert abs(fst[np.ix_(others, others)].mean()) < 0.001


def test_mutations_on_a_hand_made_genealogy_are_carried_by_what_descends():
    """Copies 0 and 1 meet in 3, node 3 and copy 2 in 4; a branch without length is never hit."""
    parent = np.array([[3, 3, 4, 4, 4]])
    only = {0: [1, 0, 0], 1: [0, 1, 0], 2: [0, 0, 1], 3: [1, 1, 0]}
    for node, carriers in only.items():
        length = (np.arange(5) == node)[None].astype(float)
        (variants,) = histories.mutated(parent, length, 3, np.random.default_rng(0))
        assert len(variants)
        assert (variants == carriers).all()


def test_neutral_histories_have_the_neutral_spectrum():
    """Of the sites of one population, those with i derived copies are in proportion to 1 / i (Fu 1995 TPB 48:172)."""
    demography = histories.msprime.Demography()
    demography.add_population(name="all", initial_size=1000)
    sample = [histories.msprime.SampleSet(20, population="all", ploidy=1)]
    variants = np.concatenate(histories.locus_variants(sample, demography, 3, n_loci=2000))
    copies = np.arange(1, 20)
    observed = np.array([(variants.sum(axis=1) == i).mean() for i in copies])
    expected = (1 / copies) / (1 / copies).sum()
    assert np.abs(observed - expected).max() < 0.012  # sites of a locus share a tree: about three standard errors


@pytest.mark.parametrize("width", [1, 2, 5, 20])
def test_a_cline_is_as_wide_as_it_says(width):
    share = study.logistic_shares(5, width)
    assert ((share > 0.1) & (share < 0.9)).sum() == width
    assert share == pytest.approx(1 - share[::-1])
    truth = study.contact_truth(share, 0.1)
    assert set(truth.contact) | set(truth.unclear) >= set(np.flatnonzero((share > 0.1) & (share < 0.9)).tolist())
    assert truth.n_units == 2


def test_exchange_after_a_contact_is_generation_by_generation():
    """A naive second version: every generation each site takes MIXING from either neighbour."""
    share = study.logistic_shares(3, 2)
    now = share.copy()
    for _ in range(50):
        before = now.copy()
        for i in range(len(now)):
            for j in (i - 1, i + 1):
                if 0 <= j < len(now):
                    now[i] += histories.MIXING * (before[j] - before[i])
    assert histories.mixed_since(share, 50) == pytest.approx(now)


@pytest.mark.parametrize("simulator", [additive, histories])
def test_a_block_goes_from_a_tenth_to_nine_tenths_and_the_rest_does_not(simulator):
    drawn = simulator.genome_blocks(0, "half", line=False)
    (planted,) = drawn.truth.blocks
    inside = (drawn.block == planted.chromosome) & (drawn.pos >= planted.start) & (drawn.pos <= planted.end)
    frequency = (drawn.counts[..., 1] + 2 * drawn.counts[..., 2]) / (2 * drawn.counts.sum(axis=-1))
    change = np.abs(frequency[:, -3:].mean(axis=1) - frequency[:, :3].mean(axis=1))
    assert change[inside].mean() > 3 * change[~inside].mean()
    assert 0 < inside.sum() < 0.7 * (drawn.block == planted.chromosome).sum()
    assert np.array_equal(study.counts_of(drawn.dosages, drawn.site, drawn.n_sites), drawn.counts)


def one_a_kind() -> list[str]:
    kinds: dict[tuple, str] = {}
    for name, setting in SETTINGS.items():
        kinds.setdefault((setting.group, setting.by_history), name)
    return sorted(kinds.values())


@pytest.mark.parametrize("name", one_a_kind())
def test_a_seed_tells_a_study(name):
    one, again, other = (SETTINGS[name].draw(seed) for seed in (0, 0, 1))
    assert np.array_equal(one.counts, again.counts)
    assert one.counts.shape != other.counts.shape or not np.array_equal(one.counts, other.counts)
    assert one.km.shape == (one.n_sites, one.n_sites) == (len(one.truth.unit),) * 2
    assert len(one.block) == len(one.pos) == len(one.counts)
    for chromosome in np.unique(one.block):
        assert (np.diff(one.pos[one.block == chromosome]) > 0).all()


def test_at_least_half_of_the_settings_are_histories():
    n = len(SETTINGS) + len(SCENARIOS)
    assert sum(setting.by_history for setting in SETTINGS.values()) + len(SCENARIOS) >= n / 2


@pytest.mark.parametrize("place", [0, 3, 6])
def test_a_designed_line_adds_the_same_at_any_place(place):
    """Between the facing sites lie the line and one step: F of both sides and half of the walk's drift of a step."""
    design = designs.Design((30,) * 8, markers=150, own_drift=0.0, step=0.01)
    linear = mean_linear(lambda seed: designs.designed(seed, design, 0.05, place))
    assert linear[place, place + 1] == pytest.approx(0.05 / 0.95 + 0.005, rel=0.1)
    none = mean_linear(lambda seed: designs.designed(seed, design, 0.0, place))
    assert np.diag(none, 1) == pytest.approx(0.005, rel=0.25)


# --- what is judged ---


def a_study(unit, **truth) -> study.Study:
    """A study of one marker, of which only the truth matters."""
    n = len(unit)
    counts = np.zeros((1, n, 4), dtype=np.int32)
    zero = np.zeros(1, dtype=np.int64)
    return study.Study(counts, zero, zero, study.along(50.0 * np.arange(n)), study.Truth(np.array(unit), **truth))


def found(unit, contact=(), blocks=(), lines=(), isolates=()) -> Found:
    return Found(np.array(unit), lines, isolates, contact, "two_or_more_units", 0.5, blocks)


def test_sites_of_a_contact_may_go_with_either_side():
    truth = a_study([0, 0, -1, -1, 1, 1], contact=(2,), unclear=(3,))
    assert outcome(truth, found([0, 0, 1, 1, 1, 1], contact=(2,)))["units_right"]
    assert not outcome(truth, found([0, 0, 0, 1, 0, 1], contact=(2,)))["units_right"]
    assert not outcome(truth, found([0, 0, 2, 1, 1, 1], contact=(2,)))["units_right"]  # a unit too many


def test_rand_index_of_zones():
    """By hand: of six sites one is put into the contact beside its own, so of 15 pairs 1 + 1 disagree, and so on."""
    truth = a_study([0, 0, -1, -1, 1, 1], contact=(2, 3))
    assert zones_rand(truth, found([0, 0, 0, 1, 1, 1], contact=(2, 3))) == 1.0
    # site 1 put into the contact: apart from 0 (was together), together with 2 and 3 (were apart): 3 pairs of 15
    assert zones_rand(truth, found([0, 0, 0, 1, 1, 1], contact=(1, 2, 3))) == pytest.approx(12 / 15)
    unclear = a_study([0, -1, -1, -1, 1, 1], contact=(2, 3), unclear=(1,))
    assert zones_rand(unclear, found([0, 0, 0, 1, 1, 1], contact=(1, 2, 3))) == 1.0


def test_blocks_are_hit_by_half():
    planted = (study.PlantedBlock(3, 1, 100), study.PlantedBlock(7, 1, 100))
    truth = a_study([0, 0], blocks=planted)

    def hits(*blocks) -> tuple[int, int]:
        return block_hits(truth, found([0, 0], blocks=blocks))

    def told(chromosome, start, end, reading="arrangement"):
        return chromosome, start, end, reading

    assert hits() == (0, 0)
    assert hits(told(3, 41, 100)) == (1, 0)
    assert hits(told(3, 1, 30), told(3, 40, 70)) == (1, 0)  # two parts of one
    assert hits(told(3, 61, 100), told(8, 1, 9, "difference")) == (0, 1)
    assert hits(told(3, 90, 1000)) == (0, 1)
    assert hits(told(3, 1, 100, "difference")) == (0, 0)  # found, not named


def test_the_interval_is_that_of_the_one_line():
    line = Line((0, 1), 0.05, 0.04, 0.06)
    truth = a_study([0, 1], line_fst=0.05)
    assert outcome(truth, found([0, 1], lines=(line,)))["low"] == 0.04
    assert np.isnan(outcome(truth, found([0, 1], lines=(line, line)))["fst"])


def test_f3_tells_a_mixture_from_drift():
    """Patterson et al. (2012): far below 0 at the centre of a cline, above it where a site drifted on its own."""
    assert f3_t(additive.contact(0, 8, 0.1, 0.003)) < -30
    drawn = additive.lineages(0, 0.1, 0.02)
    as_contact = study.Truth(np.repeat([0, -1, 1], [4, 4, 4]), contact=(4, 5, 6, 7))
    assert f3_t(study.Study(drawn.counts, drawn.block, drawn.pos, drawn.km, as_contact)) == 0.0
