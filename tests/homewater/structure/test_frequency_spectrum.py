"""Frequency spectra: the formulae against slow versions, and the rule on histories with and without a choice."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from tests.drawn_genotypes import drawn_dosages
from tests.drawn_lineages import lineages, readings
from tests.made_studies import write_structure_intake

from homewater.structure.frequency_spectrum import SpectrumSums, fold, neutral, projected, rare_alleles
from homewater.tables.schema_tables import read_table, write_table
from steps import frequency_spectrum


def test_neutral_spectrum_by_hand():
    """Six copies: 1/1 + 1/5, 1/2 + 1/4, and 1/3 once where both alleles have three."""
    assert neutral(6).tolist() == pytest.approx([6 / 5, 3 / 4, 1 / 3])
    assert fold(np.array([9.0, 1, 2, 4, 9])).tolist() == [5, 2]
    assert neutral(7).size == 3


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 10_000))
def test_projection_equals_the_hypergeometric_of_each_marker(seed):
    rng = np.random.default_rng(seed)
    n, expected, spectrum = 6, np.zeros((2, 7)), {}
    for _ in range(8):
        copies, block = int(rng.choice([4, 6, 8, 14])), int(rng.integers(2))
        count = int(rng.integers(0, copies + 1))
        spectrum.setdefault(copies, np.zeros((2, copies + 1)))[block, count] += 1
        if copies >= n:
            expected[block] += stats.hypergeom.pmf(np.arange(n + 1), copies, count, n)
    assert np.allclose(projected(spectrum, n), fold(expected), atol=1e-10)


def test_projecting_the_neutral_spectrum_gives_the_neutral_spectrum():
    """A draw from a neutral sample is a neutral sample: 50 copies to 20, and its rare ratio is 1 from any start."""
    whole = np.concatenate([[0], 1 / np.arange(1, 50), [0]])
    found = projected({50: np.stack([whole] * 5)}, 20)
    assert found[0] / found[0].sum() == pytest.approx(neutral(20) / neutral(20).sum())
    for limit in (0.0, 0.05, 0.9):
        assert rare_alleles(found, limit)["rare_ratio"] == pytest.approx(1)


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 10_000))
def test_sums_equal_counting_every_draw(seed):
    """Chances that a draw varies, by the hypergeometric of each marker and unit; one with too few copies is out."""
    rng = np.random.default_rng(seed)
    counts = rng.integers(0, 5, (10, 3, 4))
    block = rng.integers(0, 2, 10)
    sums = SpectrumSums(np.array([9, 9]), 4, 2)
    for part in (slice(0, 3), slice(3, 10)):  # a stretch at a time
        sums.add(counts[part], block[part])
    expected, markers = np.zeros((2, 2, 2)), np.zeros(2)
    for marker, where in zip(counts, block, strict=True):
        copies = 2 * marker[:2, :3].sum(axis=1)
        if copies.min() < 4:
            continue
        alternate = marker[:2, 1] + 2 * marker[:2, 2]
        fixed = [stats.hypergeom.pmf([0, 4], n, a, 4).sum() for n, a in zip(copies, alternate, strict=True)]
        markers[where] += 1
        for a in range(2):
            for b in range(2):
                expected[where, a, b] += (1 - fixed[a]) * (fixed[b] if a != b else 1)
    assert np.allclose(sums.variable, expected, atol=1e-10)
    assert sums.markers.tolist() == markers.tolist()


SEEDS = range(8)


@pytest.mark.parametrize(
    ("fst", "sizes", "later"), [(0.05, (40, 40), 1.0), (0.1, (60, 15), 0.1), (0.1, (25,) * 3, 1.0)]
)
def test_markers_that_were_not_chosen_are_not_called_so(fst, sizes, later):
    """Sequenced in full, without alleles seen once, and filtered at 5 %: not one of 8 histories of each is called."""
    for seed in SEEDS:
        drawn = lineages(seed, fst, sizes, later)
        for options in ({}, {"least_count": 2}):
            table = readings(drawn.in_file(**options))
            assert table["reading"][0] == "no_sign"
            assert not (table["reading"] == "chosen_here").any()
        table = readings(drawn.in_file(least_frequency=0.05))
        assert set(table["reading"]) == {"rare_alleles_missing"}
        assert 0.05 <= table["least_frequency"][0] < 0.06


@pytest.mark.parametrize(("animals", "fst", "sizes"), [(2, 0.05, (40, 40)), (8, 0.1, (40, 40)), (4, 0.1, (25,) * 3)])
def test_markers_found_in_a_few_animals_of_one_stock_are_called_so(animals, fst, sizes):
    """At least 7 of 8 histories, and never in another stock; no outcome but these readings."""
    found = [readings(lineages(seed, fst, sizes).found_in(animals))["reading"].tolist() for seed in SEEDS]
    expected = ["chosen_here"] + ["chosen_elsewhere"] * (len(sizes) - 1)
    assert sum(reading == expected for reading in found) >= 7
    assert not any("chosen_here" in reading[1:] for reading in found)


def test_the_detectable_ratio_by_hand():
    """Five equal blocks, two of them off by a fifth: error 0.063; quantiles of t 2.776, normal 0.842."""
    spectrum = np.stack([neutral(20)] * 5)
    frequency = np.arange(1, 11) / 20
    spectrum[0, frequency < 0.25] *= 1.2
    spectrum[1, frequency < 0.25] *= 0.8
    found = rare_alleles(spectrum, 0.0)
    error = (found["rare_ratio_ci_high"] - 1) / 2.776445
    assert found["rare_ratio"] == pytest.approx(1)
    assert error == pytest.approx(np.sqrt(2 * 0.2**2 / (5 * 4)), rel=0.02)
    assert found["detectable_rare_ratio"] == pytest.approx(0.9 / (1 + (2.776445 + 0.841621) * error), rel=1e-5)


def test_a_stock_that_lost_alleles_by_drift_is_not_one_in_which_markers_were_chosen():
    """The small stock lacks rare alleles, the large one is richer and holds its own."""
    table = readings(lineages(3, 0.1, (40, 40), 0.1))
    assert table["reading"].tolist() == ["no_sign", "rare_alleles_missing"]
    assert table["private_ratio"][0] < 0.3
    assert table["share_variable"][0] > table["share_variable"][1]


def run(folder, dosages, sites, units, **options):
    """Write an intake and run the step; units by site, contact-zone sites marked by a star; returns its table."""
    given = write_structure_intake(folder, dosages, sites, **options)
    rows = {"locationID": [site.rstrip("*") for site in units], "unit": list(units.values()), "jurisdiction": "x"}
    more = {"contact_zone": [site.endswith("*") for site in units], "basis": "own_animals"}
    write_table(pd.DataFrame(rows | more), folder / "units.csv", "units")
    table = str(folder / "frequency_spectrum.csv")
    frequency_spectrum.main(**given, units=str(folder / "units.csv"), table=table, min_individuals=5)
    return read_table(table)


def test_the_step_counts_animals_of_units_alone_and_agrees_with_the_counts(tmp_path):
    """Sites a and b are unit 1, c is unit 2, d a contact zone, the farm nothing; missing calls all over."""
    dosages = drawn_dosages(4, [9, 9, 12, 8, 7], 500, fst=0.1)
    sites = np.repeat(["a", "b", "c", "d", "farm"], [9, 9, 12, 8, 7])
    units = {"a": "unit_1", "b": "unit_1", "c": "unit_2", "d*": "unit_2"}
    table = run(tmp_path, dosages, sites, units, query=[8], farm_sites=["farm"])
    assert table[["n_animals", "n_sites"]].to_numpy().tolist() == [[17, 2], [12, 1]]
    assert (table["drawn_copies"] == 20).all()
    first, second = dosages[:, [*range(8), *range(9, 18)]], dosages[:, 18:30]
    enough = ((first >= 0).sum(axis=1) >= 10) & ((second >= 0).sum(axis=1) >= 10)
    variable = []
    for marker in first[enough]:
        typed = marker[marker >= 0]
        variable.append(1 - stats.hypergeom.pmf([0, 20], 2 * typed.size, int(typed.sum()), 20).sum())
    assert table["share_variable"][0] == pytest.approx(np.mean(variable), rel=1e-9)
    assert table["n_markers"].tolist() == [int(enough.sum())] * 2
    shares = table[[name for name in table if name.startswith("minor_")]].to_numpy(dtype=float)
    assert shares.shape == (2, 10)
    assert shares.sum(axis=1) == pytest.approx(1)


@pytest.mark.parametrize(
    ("sizes", "units", "options", "expected"),
    [
        ([4], {"a": "unit_1"}, {}, ["too_few"]),
        ([12], {"a": ""}, {}, []),
        ([12, 3], {"a": "unit_1", "b": "unit_2"}, {}, None),
        ([12, 12], {"a": "unit_1", "b": "unit_2"}, {"n_markers": 0}, ["too_few", "too_few"]),
        ([12, 12], {"a": "unit_1", "b": "unit_2"}, {"n_markers": 1, "n_chrom": 1}, None),
        ([12], {"a": "unit_1"}, {"query": range(12)}, ["too_few"]),
        ([12], {"a": "unit_1"}, {"n_chrom": 1}, None),
    ],
)
def test_odd_studies_have_their_table(tmp_path, sizes, units, options, expected):
    options = dict(options)
    n_markers = options.pop("n_markers", 60)
    dosages = drawn_dosages(1, sizes, max(n_markers, 1))[:n_markers]
    table = run(tmp_path, dosages, np.repeat(["a", "b"][: len(sizes)], sizes), units, **options)
    assert len(table) == len(set(units.values()) - {""})
    assert expected is None or table["reading"].tolist() == expected
    if len(sizes) > 1 and not options and n_markers == 60:
        assert table["reading"][1] == "too_few"
        assert pd.isna(table["private_ratio"][0])
