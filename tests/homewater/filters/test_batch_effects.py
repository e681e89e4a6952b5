"""F_ST between batches of a site: against scikit-allel, and no more findings than chance where nothing differs."""

import allel
import numpy as np
import pytest

from homewater.filters.batch_effects import add_components, batch_table, cells
from homewater.tables.schema_tables import check_table


def table_of(dosages, site, batch, block, defines=None):
    defines = np.ones(site.size, bool) if defines is None else defines
    cell, cell_site, cell_batch, size = cells(site, batch, defines, 2)
    counts = np.zeros((len(dosages), cell_site.size, 4), dtype=np.int32)
    for c in range(cell_site.size):
        for k, v in enumerate((0, 1, 2, -1)):
            counts[:, c, k] = (dosages[:, cell == c] == v).sum(axis=1)
    n_blocks = block.max() + 1
    pairs = {s: int((cell_site == s).sum()) for s in np.unique(cell_site).tolist()}
    sums = {s: [np.zeros((n_blocks, n * (n - 1) // 2)) for _ in range(2)] for s, n in pairs.items()}
    for start in range(0, len(dosages), 70):  # blocks that do not fall on those of the jackknife
        rows = slice(start, start + 70)
        add_components(counts[rows], block[rows], cell_site, sums)
    return batch_table(sums, np.bincount(block), cell_site, cell_batch, size, ["a", "b", "c"], ["x", "y", "z"])


def drawn(seed, n_markers=400, sizes=(20, 20)):
    rng = np.random.default_rng(seed)
    site = np.repeat(np.arange(len(sizes)), sizes)
    p = rng.uniform(0.1, 0.9, (n_markers, 1))
    dosages = rng.binomial(2, p, (n_markers, site.size)).astype(np.int8)
    return dosages, site, rng.integers(0, 3, site.size), np.arange(n_markers) * 10 // n_markers, rng


def test_fst_is_that_of_scikit_allel():
    dosages, site, batch, block, _ = drawn(1)
    table = table_of(dosages, site, batch, block)
    assert len(check_table(table, "batch_effects")) == 6
    genotypes = np.stack([dosages == 2, dosages >= 1], axis=2).astype(np.int8)
    for row in table.to_dict("records"):
        own = site == ["a", "b", "c"].index(row["locationID"])
        groups = [np.flatnonzero(own & (batch == "xyz".index(row[f"batch_{side}"]))).tolist() for side in "ab"]
        a, b, c = allel.weir_cockerham_fst(genotypes, groups)
        assert row["fst"] == pytest.approx(a.sum() / (a.sum() + b.sum() + c.sum()), abs=1e-12)
        assert (row["n_a"], row["n_b"]) == tuple(map(len, groups))
        assert row["ci_low"] < row["fst"] < row["ci_high"]


def test_batches_dealt_out_at_random_differ_as_often_as_stated():
    """Of some 240 pairs without a difference about one in twenty has p below 0.05 (within four standard errors)."""
    p = np.concatenate([table_of(*drawn(seed)[:4])["p_value"] for seed in range(40)])
    assert p.size > 230
    assert (p < 0.05).mean() == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / p.size))


def test_a_batch_that_reads_differently_is_found():
    dosages, site, batch, block, rng = drawn(1, sizes=(45, 45))
    drop = (batch == 2) & (dosages == 1) & (rng.random(dosages.shape) < 0.8)
    dosages[drop] = 0
    table = table_of(dosages, site, batch, block)
    with_z = (table["batch_b"] == "z").to_numpy()
    assert (table["q_value"][with_z] < 0.01).all()
    assert (table["ci_low"][with_z] > 0).all()
    assert (table["q_value"][~with_z] > 0.01).all()


def test_cells_need_two_batches_with_animals_enough():
    site, batch = np.array([0, 0, 0, 0, 1, 1, 1, 2, 2]), np.array([0, 0, 1, 1, 0, 0, 1, -1, -1])
    cell, cell_site, cell_batch, size = cells(site, batch, np.ones(9, bool), 2)
    assert cell.tolist() == [0, 0, 1, 1, -1, -1, -1, -1, -1]
    assert (cell_site.tolist(), cell_batch.tolist(), size.tolist()) == ([0, 0], [0, 1], [2, 2])
    cell, *_ = cells(site, batch, np.ones(9, bool), 1)
    assert cell.tolist() == [0, 0, 1, 1, 2, 2, 3, -1, -1]
    for nobody in (np.zeros(9, bool), batch < 0):
        cell, *rest = cells(site, batch, nobody)
        assert (cell == -1).all()
        assert not any(part.size for part in rest)


def test_without_batches_the_table_has_a_header_alone():
    dosages, site, _, block, _ = drawn(1)
    table = check_table(table_of(dosages, site, np.full(site.size, -1), block), "batch_effects")
    assert table.empty
