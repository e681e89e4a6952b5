"""Contamination from simulated reads of known mixtures, and that no cross is taken for one."""

import numpy as np
import pytest
from scipy import stats
from tests.homewater.filters.drawn_coast import Coast
from tests.homewater.filters.drawn_reads import called_from_reads, reads_of

from homewater.filters.contamination import _outcomes, contamination, second_genome

ERROR, DEPTH, N_MARKERS = 0.004, 20, 3000


def balance_of(dosages, reference, alternate):
    """Return reads by allele of one animal as the store holds them, by plain counting and scipy's binomial."""
    depth = reference + alternate
    low, high = stats.binom.ppf(0.025, depth, 0.5), stats.binom.ppf(0.975, depth, 0.5)
    hom, alt, het = dosages == 0, dosages == 2, (dosages == 1) & (depth >= 8)
    outside = het & ((reference < low) | (reference > high))
    return [depth[hom].sum(), alternate[hom].sum(), depth[alt].sum(), reference[alt].sum(), het.sum(), outside.sum()]


class ReadCoast(Coast):
    """A coast whose animals are called from reads."""

    def __init__(self, seed=1):
        super().__init__(seed, N_MARKERS)
        for row, dosages in zip(self.rows, list(self.dosages), strict=True):
            self.read(row[0], dosages, dosages, 0.0)

    def read(self, name, own, other, share):
        """Read an animal of the list from a tube that holds another's DNA too."""
        place = [row[0] for row in self.rows].index(name)
        reads = reads_of(own, other, share, DEPTH, ERROR, self.rng)
        self.dosages[place] = called_from_reads(*reads, ERROR)
        self.reads[name] = balance_of(self.dosages[place], *reads)

    def with_reads(self, name, place, role, own, other=None, share=0.0):
        self.add(name, place, role, own)
        self.read(name, own, own if other is None else other, share)


def estimate(coast):
    dosages = np.array(coast.dosages).T
    locals_ = np.arange(dosages.shape[1]) < 60
    p = np.where(dosages >= 0, dosages, 0)[:, locals_].sum(axis=1) / (2 * (dosages >= 0)[:, locals_].sum(axis=1))
    balance = np.array([coast.reads[row[0]] for row in coast.rows])
    return contamination(balance, second_genome(dosages, p), locals_)


@pytest.mark.parametrize("seed", [1, 2])
def test_chances_agree_with_plain_sums(seed):
    rng = np.random.default_rng(seed)
    dosages, p = rng.integers(-1, 3, (40, 5)).astype(np.int8), rng.random(40)
    p[3] = np.nan
    found = second_genome(dosages, p)
    for i in range(5):
        rows = [(g, q) for g, q in zip(dosages[:, i], p, strict=True) if q == q]
        # the other animal is drawn from the population: copies of the allele that this one has not
        other = [stats.binom(2, q if g == 0 else 1 - q) for g, q in rows if g in (0, 2)]
        het = [q**2 + (1 - q) ** 2 for g, q in rows if g == 1]
        plain = [len(other), sum(o.pmf(1) for o in other), sum(o.pmf(2) for o in other), len(het), sum(het)]
        assert found[i] == pytest.approx(plain)


@pytest.mark.parametrize(
    ("share", "tolerance"), [(0.05, 1 / 3), (0.1, 1 / 3), (0.15, 1 / 3), (0.2, 1 / 2), (0.3, 1 / 3), (0.5, 1 / 3)]
)
def test_the_share_of_another_animals_reads_is_estimated(share, tolerance):
    """Roughly, since nobody knows from which stock the other animal is; near 0.2 stray reads say least."""
    coast = ReadCoast()
    for i in range(20):
        own, other = coast.local(coast.north), coast.local(coast.south if i % 2 else coast.north)
        coast.with_reads(f"mixed {i}", "north", "query", own, other, share)
    found = estimate(coast)
    mixed = slice(60, 80)
    assert found.stray[mixed].all()
    assert np.mean(found.share[mixed]) == pytest.approx(share, rel=tolerance)
    assert (found.low[mixed] > 0.02).all()
    assert found.share[:60].max() < 0.01
    if share <= 0.3:
        assert ((found.low <= share) & (found.high >= share))[mixed].mean() > 0.85


@pytest.mark.parametrize(("depth", "share"), [(9, 0.1), (20, 0.04), (33, 0.3)])
def test_what_is_expected_at_one_depth_agrees_with_drawing_reads(depth, share):
    """Of the second moment: reads drawn and called one by one, within four standard errors."""
    rng, n = np.random.default_rng(1), 200_000
    count = rng.binomial(depth, share, n)
    genotype = called_from_reads(depth - count, count, ERROR)
    stray, kept, off, judged = (part[0] for part in _outcomes(np.array([share]), depth, ERROR))
    homozygous = genotype == 0
    low, high = stats.binom.ppf([0.025, 0.975], depth, 0.5)
    uneven = (genotype == 1) & (depth >= 8) & ((count < low) | (count > high))
    for drawn, expected in ((homozygous * count, stray), (homozygous * depth, kept), (uneven, off),
                            ((genotype == 1) & (depth >= 8), judged)):  # fmt: skip
        assert drawn.mean() == pytest.approx(expected, abs=4 * drawn.std() / np.sqrt(n) + 1e-12)


def test_the_interval_holds_the_truth_of_clean_animals():
    """95 % intervals of 120 clean animals of two seeds; at least nine in ten hold 0."""
    held = []
    for seed in (1, 2):
        found = estimate(ReadCoast(seed))
        held += (found.low <= 0).tolist()
        assert found.stray.sum() == 0
        assert found.n_judged == 60
    assert np.mean(held) > 0.9


def test_no_cross_is_taken_for_contaminated_and_every_mixture_is(tmp_path):
    coast = ReadCoast()
    crosses, mixtures = [], []
    for role in ("baseline", "query"):
        for i in range(6):
            f1, other = coast.cross(), coast.cross()
            local = coast.local(coast.north)
            for kind, dosages in (("F1", f1), ("F2", coast.child(f1, other)), ("backcross", coast.child(f1, local)),
                                  ("mover", coast.local(coast.south))):  # fmt: skip
                crosses.append(f"{kind} {role} {i}")
                coast.with_reads(crosses[-1], "north", role, dosages)
        for share in (0.1, 0.2, 0.3, 0.5):
            mixtures.append(f"mixture {role} {share}")
            coast.with_reads(mixtures[-1], "north", role, coast.local(coast.north), coast.local(coast.south), share)
    table = coast.filtered(tmp_path)
    assert not table.loc[crosses, "flags"].str.contains("contaminated").any()
    assert (table.loc[crosses, "status"] == "kept").all()
    assert table.loc[mixtures, "flags"].str.contains("contaminated|beyond_f1").all()
    of_baseline = [name for name in mixtures if "baseline" in name]
    assert table.loc[of_baseline, "reason"].isin(["contamination", "high_heterozygosity"]).all()
    assert (table.loc[[name for name in mixtures if "query" in name], "status"] == "kept").all()
    light = table.loc["mixture baseline 0.1"]
    assert light["reason"] == "contamination"
    assert light["value"] == light["contamination"] > light["limit"] == 0.05
    assert light["contamination_ci_low"] < 0.1 < light["contamination_ci_high"]
    (row,) = [row for row in coast.animals.summary if row["step"] == "contamination"]
    assert row["expected_false_flags"] < 0.01


def test_two_genomes_in_equal_parts_are_told_by_uneven_heterozygous_calls():
    """Homozygous calls are then those where both agree, and hold no stray reads."""
    coast = ReadCoast()
    own, other = coast.local(coast.north), coast.local(coast.north)
    coast.with_reads("half", "north", "query", own, other, 0.5)
    coast.with_reads("F1", "north", "query", coast.cross())
    found = estimate(coast)
    assert found.uneven.tolist() == [False] * 60 + [True, False]
    assert found.imbalance[60] > 2 * found.imbalance[:60].mean()


def test_without_reads_or_with_few_animals_nobody_is_judged(tmp_path):
    coast = Coast()
    table = coast.filtered(tmp_path)
    assert table["contamination"].isna().all()
    (row,) = [row for row in coast.animals.summary if row["step"] == "contamination"]
    assert row["removed"] == 0
    assert row["flagged"] is None
    few = contamination(np.full((5, 6), 10_000), np.ones((5, 5)), np.ones(5, bool))
    assert not few.stray.any()
    assert not few.uneven.any()
    assert np.isnan(few.share).all()
    none = contamination(np.zeros((20, 6), dtype=np.int64), np.ones((20, 5)), np.ones(20, bool))
    assert none.n_judged == 0
