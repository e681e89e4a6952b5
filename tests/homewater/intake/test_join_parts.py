"""Parts put together: who is held, what is counted, and plans that do not fit what was read."""

import numpy as np
import pandas as pd
import pytest

from homewater.genotypes.store import StoredAnimals, open_genotypes, write_genotypes
from homewater.genotypes.variant_blocks import VariantBlock
from homewater.intake.join_parts import join_parts
from homewater.running.errors import InputError

ANIMALS = pd.DataFrame({"materialSampleID": ["a", "c", "b"], "locationID": ["north", "north", "south"]})


def part(path, positions, dosages, contig="chr1", read=None):
    """Write a part of animals b and a, A to C at each position."""
    n = len(positions)
    block = VariantBlock(np.zeros(n, np.int32), np.array(positions, np.int32), np.array(["."] * n, object),
                         np.array([["A", "C"]] * n, object), np.array(dosages, np.int8))  # fmt: skip
    records = {"read": n if read is None else read, "kept": n, "multiallelic": 0}
    animals = StoredAnimals(["b", "a"], ["south", "north"])
    write_genotypes(path, animals, [contig], [block] if n else [], {"records": records})
    return open_genotypes(path)


def plan(n_parts, n_records=None, contigs=("chr1",)):
    return {
        "files": [{"name": "x.vcf.gz", "contigs": list(contigs), "n_records": n_records}],
        "parts": [{"file": 0, "ranges": None}] * n_parts,
    }


def test_two_parts_of_a_file_are_one_store_over_the_animals_that_have_genotypes(tmp_path):
    parts = [part(tmp_path / "0.zarr", [1, 2], [[0, 1], [2, -1]]), part(tmp_path / "1.zarr", [7], [[1, 1]])]
    joined = join_parts(plan(2, n_records=3), parts, ANIMALS)
    assert joined.animals.sample_ids == ["a", "b"]
    assert joined.animals.location_ids == ["north", "south"]
    assert joined.attributes["animals_without_genotypes"] == ["c"]
    dosages = np.concatenate([block.dosages for block in joined.blocks()])
    assert dosages.tolist() == [[1, 0], [-1, 2], [1, 1]]
    assert joined.attributes["records"] == {
        "read": 3, "kept": 3, "multiallelic": 0, "union": 3, "conflicting_genotypes": 0,
    }  # fmt: skip


def test_an_index_that_lists_other_numbers_of_records_is_told(tmp_path):
    with pytest.raises(InputError, match="4 records by its index, 1 records read"):
        join_parts(plan(1, n_records=4), [part(tmp_path / "0.zarr", [1], [[0, 1]])], ANIMALS)


def test_no_marker_left_is_told_with_what_was_read(tmp_path):
    with pytest.raises(InputError, match="no marker left of 9 records"):
        join_parts(plan(1), [part(tmp_path / "0.zarr", [], np.empty((0, 2)), read=9)], ANIMALS)
