"""The store reads back what was written, counts as plain counting does, and is the same bytes however written."""

import numpy as np
import pytest
import zarr
from tests.intake_steps import digest
from tests.stored_blocks import variant_blocks

from homewater.genotypes import store
from homewater.genotypes.store import StoredAnimals, open_genotypes, write_genotypes
from homewater.genotypes.variant_blocks import VariantBlock

SITES = np.repeat(["north bay", "S-01/a", "öst"], [70, 1, 30])  # more than a word, one animal, part of a word


def blocks(dosages, size):
    n = dosages.shape[0]
    for start in range(0, n, size):
        rows = np.arange(start, min(n, start + size))
        yield VariantBlock(
            (rows >= n // 2).astype(np.int32),
            (10 * (rows + 1)).astype(np.int32),
            np.array([f"m{r}" if r % 3 else "." for r in rows], dtype=object),
            np.array([["A", "C"]] * rows.size, dtype=object),
            dosages[rows],
        )


def random_dosages(n_markers, n_samples, seed=1):
    return np.random.default_rng(seed).choice(
        np.array([-1, 0, 1, 2], dtype=np.int8), (n_markers, n_samples), p=[0.1, 0.4, 0.3, 0.2]
    )


@pytest.fixture
def written(tmp_path):
    dosages = random_dosages(5000, SITES.size)
    ids = np.array([f"åäö-{i}/x" for i in range(SITES.size)])
    write_genotypes(
        tmp_path / "g.zarr",
        StoredAnimals(ids, SITES),
        np.array(["chr1", "chr2"]),
        blocks(dosages, 777),
        {"records": {"kept": 5000}},
    )
    return tmp_path / "g.zarr", dosages, ids


def test_store_reads_back_what_was_written(written):
    path, dosages, ids = written
    genotypes = open_genotypes(path)
    assert (genotypes.n_markers, genotypes.n_samples) == dosages.shape
    assert genotypes.sample_ids.tolist() == ids.tolist()
    assert genotypes.attributes["records"] == {"kept": 5000}
    assert np.array_equal(np.concatenate([d for _, d in genotypes.blocks()]), dosages)
    markers = genotypes.markers
    assert markers["marker"].is_unique
    assert markers.loc[[0, 1, 2500], ["marker", "chrom", "pos"]].to_numpy().tolist() == [
        ["chr1:10:A:C", "chr1", 10],
        ["m1", "chr1", 20],
        ["m2500", "chr2", 25010],
    ]


def test_call_genotype_holds_unordered_allele_pairs(written):
    path, dosages, _ = written
    calls = zarr.open_group(str(path), mode="r")["call_genotype"]
    assert calls.chunks == (4096, SITES.size, 2)
    calls = calls[...]
    assert np.array_equal(np.where(dosages < 0, -1, calls.clip(0).sum(axis=2)), dosages)
    assert np.all(calls[..., 0] <= calls[..., 1])
    assert np.all((calls[..., 0] == -1) == (dosages == -1))


def test_masks_and_selections_match_plain_indexing(written):
    path, dosages, _ = written
    genotypes = open_genotypes(path)
    rng = np.random.default_rng(2)
    markers, samples = rng.random(5000) < 0.3, rng.random(SITES.size) < 0.5
    parts = list(genotypes.blocks(markers, samples, size=100))
    assert np.array_equal(np.concatenate([i for i, _ in parts]), np.flatnonzero(markers))
    assert np.array_equal(np.concatenate([d for _, d in parts]), dosages[markers][:, samples])
    assert {len(i) for i, _ in parts[:-1]} == {100}
    chosen = np.array([4999, 0, 4096, 4095, 0])
    assert np.array_equal(genotypes.select(chosen), dosages[chosen])
    with pytest.raises(IndexError, match=r"0\.\.4999"):
        genotypes.select(np.array([5000]))


@pytest.mark.parametrize("seed", [1, 2])
def test_counts_equal_plain_counting_for_sites_and_for_any_groups(written, seed):
    path, dosages, _ = written
    genotypes = open_genotypes(path)
    by_site = np.unique(SITES, return_inverse=True)[1]
    for group, n_groups in (
        (by_site, 3),
        (np.random.default_rng(seed).integers(-1, 5, SITES.size), 6),
        (np.full(SITES.size, -1), 1),
    ):
        naive = np.stack(
            [
                np.stack([(dosages[:, group == g] == v).sum(axis=1) for v in (0, 1, 2, -1)], axis=1)
                for g in range(n_groups)
            ],
            axis=1,
        )
        assert np.array_equal(genotypes.genotype_counts(group, n_groups), naive)


@pytest.mark.parametrize("room", [0, 10**9])
def test_animals_are_counted_as_plainly(written, room, monkeypatch):
    """With no room for planes, too: every chunk is then read again."""
    monkeypatch.setattr(store, "PLANES_HELD", room)
    path, all_dosages, _ = written
    genotypes = open_genotypes(path)
    for seed in range(3):
        markers = np.random.default_rng(seed).random(genotypes.n_markers) < (0.3, 1, 0)[seed]
        dosages = all_dosages[markers]
        called, het = genotypes.animal_counts(markers)
        assert called.tolist() == (dosages >= 0).sum(axis=0).tolist()
        assert het.tolist() == (dosages == 1).sum(axis=0).tolist()


def test_groups_out_of_range_are_refused(written):
    with pytest.raises(ValueError, match="group must lie"):
        open_genotypes(written[0]).genotype_counts(np.full(SITES.size, 3), 3)


def test_bytes_do_not_depend_on_the_blocks_given(tmp_path, written):
    path, dosages, ids = written
    write_genotypes(
        tmp_path / "h.zarr",
        StoredAnimals(ids, SITES),
        np.array(["chr1", "chr2"]),
        blocks(dosages, 4999),
        {"records": {"kept": 5000}},
    )
    assert digest(path) == digest(tmp_path / "h.zarr")
    again = open_genotypes(path)
    write_genotypes(
        tmp_path / "i.zarr",
        StoredAnimals(ids, SITES),
        again.contig_ids,
        variant_blocks(again),
        {"records": {"kept": 5000}},
    )
    assert digest(path) == digest(tmp_path / "i.zarr")


def test_values_that_are_no_genotype_are_refused_and_leave_nothing(tmp_path):
    dosages = random_dosages(3, SITES.size)
    dosages[1, 1] = 3
    with pytest.raises((ValueError, IndexError)):
        write_genotypes(
            tmp_path / "g.zarr",
            StoredAnimals(np.arange(SITES.size).astype(str), SITES),
            np.array(["1", "2"]),
            blocks(dosages, 5),
        )
    assert list(tmp_path.iterdir()) == []


def test_no_markers_and_no_animals_are_stores_too(tmp_path):
    none = np.empty(0, dtype=str)
    write_genotypes(tmp_path / "g.zarr", StoredAnimals(SITES, SITES), np.array(["1"]), [])
    write_genotypes(
        tmp_path / "h.zarr", StoredAnimals(none, none), np.array(["1", "2"]), blocks(np.empty((4, 0), np.int8), 3)
    )
    assert open_genotypes(tmp_path / "g.zarr").genotype_counts(np.zeros(SITES.size, int), 1).shape == (0, 1, 4)
    assert open_genotypes(tmp_path / "h.zarr").select(np.array([1, 2])).shape == (2, 0)
    assert len(open_genotypes(tmp_path / "g.zarr").markers) == 0


def test_animals_of_a_site_lie_together_or_are_refused(tmp_path):
    with pytest.raises(ValueError, match="lie together"):
        write_genotypes(tmp_path / "g.zarr", StoredAnimals(["1", "2", "3"], ["a", "b", "a"]), np.array(["1"]), [])


def test_chunks_hold_the_stated_number_of_markers():
    assert store.CHUNK == 4096
