"""Halves of animals: dealt evenly, counted as whole animals, and half of the whole where nobody is missing."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.made_studies import write_structure_intake

from homewater.genotypes.opened_species import open_species
from homewater.units import animal_halves
from homewater.units.animal_halves import HALVES, PARTS, dealt, halved_replicates
from homewater.units.replicates import pair_replicates


@given(st.lists(st.integers(-1, 4), max_size=60), st.integers(0, 99))
def test_each_site_is_dealt_evenly_and_nobody_else_is(site, seed):
    site = np.array(site, dtype=np.int64)
    part = dealt(site, np.random.default_rng(seed))
    assert (part[site < 0] == -1).all()
    for number in np.unique(site[site >= 0]):
        sizes = np.bincount(part[site == number], minlength=PARTS)
        assert sizes.max() - sizes.min() <= 1


def test_there_are_twenty_halves_each_the_other_half_of_one():
    assert len(HALVES) == 20
    assert all(tuple(sorted(set(range(PARTS)) - set(half))) in HALVES for half in HALVES)


@pytest.mark.parametrize("seed", range(3))
def test_a_half_is_what_its_animals_alone_give(tmp_path, monkeypatch, seed):
    """A second way: the genotypes of the half's animals counted one by one."""
    rng = np.random.default_rng(seed)
    sites = np.repeat(["A", "B", "farm", "C"], [13, 8, 5, 20])
    p = rng.uniform(0.1, 0.9, (300, 1))
    dosages = rng.binomial(2, np.broadcast_to(p, (300, len(sites)))).astype(np.int8)
    dosages[rng.random(dosages.shape) < 0.05] = -1
    given_files = write_structure_intake(tmp_path, dosages, sites, query=[2], farm_sites=["farm"], removed=[15])
    species, ids = open_species(**given_files), ["A", "B", "C"]
    kept = np.delete(np.arange(len(sites)), 15)
    parts = []

    def remembered(site, rng):
        parts.append(dealt(site, rng))
        return parts[-1]

    monkeypatch.setattr(animal_halves, "dealt", remembered)
    halves = halved_replicates(species, ids, np.random.default_rng(seed))
    block = np.arange(300) * 10 // 300
    for half, replicates in list(zip(HALVES, halves, strict=True))[::7]:
        chosen = np.isin(parts[0], half)
        counts = np.zeros((300, 3, 4), dtype=np.int32)
        for animal in kept[chosen]:
            assert animal not in (2, 15)
            for marker in range(300):
                counts[marker, ids.index(sites[animal]), dosages[marker, animal]] += 1  # -1 is the last column
        expected = pair_replicates(counts, block)
        np.testing.assert_allclose(replicates.drift, expected.drift, rtol=1e-9)
        np.testing.assert_allclose(replicates.linear, expected.linear, rtol=1e-9)
        assert replicates.weights.tolist() == [30] * 10
