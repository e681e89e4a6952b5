"""Blocks of the genome: found where they are planted and read as what they are, none elsewhere."""

import numpy as np
import pandas as pd
import pytest
from tests.drawn_genotypes import drawn_dosages
from tests.made_studies import write_structure_intake
from tests.verification.coasts import additive, histories

from homewater.genotypes.site_counts import SiteCounts
from homewater.structure.block_axis import arrangement_axis
from homewater.structure.genome_blocks import BlockAnimals, BlockRules, find_blocks
from homewater.structure.linked_markers import spread_markers
from homewater.tables.schema_tables import check_table, read_table
from steps import genome_blocks

SETTINGS = {"block_fdr": 0.05, "window_markers": 25, "window_cm": 1.0, "min_rest_share": 0.5, "min_individuals": 5}
TABLES = {
    "windows": "genome_windows", "blocks": "genome_blocks", "block_animals": "block_animals",
    "block_sites": "block_sites",
}  # fmt: skip


def blocks_of(study, rules=None, with_animals=True):
    """What the library finds in a simulated study."""
    names = np.array([f"s{i:02d}" for i in range(study.n_sites)])
    marker = [f"m{i}" for i in range(len(study.pos))]
    markers = pd.DataFrame({"marker": marker, "chrom": study.block.astype(str), "pos": study.pos})
    animals = None
    if with_animals and study.dosages is not None:
        table = {"materialSampleID": [f"a{i}" for i in range(study.site.size)], "locationID": names[study.site]}
        animals = BlockAnimals(pd.DataFrame(table).assign(role="baseline"), study.site, lambda r: study.dosages[r])
    counts = SiteCounts(study.counts, names, markers)
    found = find_blocks(counts, study.pos / 1e6, animals, rules or BlockRules())
    for name in ("windows", "blocks"):
        check_table(getattr(found, name), f"genome_{name}")
    for name in ("animals", "sites"):
        check_table(getattr(found, name), f"block_{name}")
    return found


@pytest.mark.parametrize("line", [False, True])
@pytest.mark.parametrize("what", ["whole", "half", "three"])
def test_planted_arrangements_are_found_named_and_mapped(what, line):
    study = additive.genome_blocks(3, what, line)
    found = blocks_of(study)
    assert len(found.blocks) == len(study.truth.blocks)
    true = additive.arrangement_frequency(study.n_sites)
    for row, planted in zip(found.blocks.to_dict("records"), study.truth.blocks, strict=True):
        assert (row["chrom"], row["reading"], row["left_out"]) == (str(planted.chromosome), "arrangement", True)
        assert abs(row["start"] - planted.start) < 3e6
        assert abs(row["end"] - planted.end) < 3e6
        assert row["ci_low"] < row["fst"] < row["ci_high"]
        assert row["rest_ci_high"] < row["fst"]
        sites = found.sites[found.sites["block"] == row["block"]]
        assert (sites["what"] == "arrangement").all()
        assert np.abs(sites["frequency"].to_numpy(float) - true).max() < 0.2
        inside = (sites["ci_low"] <= true) & (true <= sites["ci_high"])
        assert inside.sum() >= 9  # of 12 intervals at 95 %: fewer have a chance below 1 in 400
        animals = found.animals[found.animals["block"] == row["block"]]
        assert len(animals) == study.site.size
        assert animals["arrangement"].notna().mean() > 0.9
    marked = found.windows.loc[found.windows["block"] != "", "chrom"]
    assert set(marked) == {str(p.chromosome) for p in study.truth.blocks}


@pytest.mark.parametrize(
    "study",
    [
        lambda: additive.genome_blocks(0, "none", False),
        lambda: additive.genome_blocks(0, "none", True),
        lambda: additive.islands(1, 0.1, 6, "exponential"),
        lambda: additive.even_gradient(1, 0.01, 8),
    ],
)
def test_no_block_where_there_is_none(study):
    found = blocks_of(study())
    assert found.blocks.empty
    assert found.animals.empty
    assert found.sites.empty
    assert found.windows["p_value"].notna().all()


def test_an_arrangement_that_old_copies_blur_is_read_along_the_direction_of_the_sites():
    """A third of a chromosome, in a history where the leading pattern within sites shows no clusters."""
    study = histories.genome_blocks(35, "three", True)
    block = study.truth.blocks[0]
    rows = np.flatnonzero((study.block == block.chromosome) & (study.pos <= block.end))
    rows = spread_markers(rows, study.dosages.mean(axis=1) / 2)
    dosages, cm = study.dosages[rows], study.pos[rows] / 1e6
    sites = np.array([dosages[:, study.site == number].mean(axis=1) for number in range(study.n_sites)])
    slope = np.polyfit(np.arange(study.n_sites), sites, 1)[0]
    assert arrangement_axis(dosages, study.site, cm) is None
    axis = arrangement_axis(dosages, study.site, cm, slope)
    share = [axis.copies[study.site == number].mean() / 2 for number in range(study.n_sites)]
    assert np.abs(np.array(share) - additive.arrangement_frequency(study.n_sites)).max() < 0.25
    assert blocks_of(study).blocks["reading"].tolist() == ["arrangement"] * 3


def test_without_animals_a_block_is_found_and_not_read():
    found = blocks_of(additive.genome_blocks(1, "half", False), with_animals=False)
    assert found.blocks["reading"].tolist() == ["differentiation"]
    assert found.windows["linkage"].isna().all()


def test_a_block_that_is_most_of_the_genome_stays_in():
    study = additive.genome_blocks(2, "whole", False)
    found = blocks_of(study, BlockRules(min_rest_share=0.97))
    assert found.blocks["left_out"].tolist() == [False]


def test_selected_markers_without_arrangements_are_a_differentiation():
    """Forty neighbouring markers, independent of one another, that change along the coast."""
    study = additive.genome_blocks(4, "none", False)
    rng = np.random.default_rng(4)
    p = np.linspace(0.1, 0.9, study.n_sites)[study.site]
    study.dosages[450:490] = rng.binomial(2, p, (40, study.site.size))
    changed = additive.counts_of(study.dosages, study.site, study.n_sites)
    found = blocks_of(additive.replace(study, counts=changed))
    assert found.blocks["reading"].tolist() == ["differentiation"]
    assert found.blocks["chrom"].tolist() == ["3"]
    assert 30 <= found.blocks["n_markers"][0] <= 50
    assert found.animals.empty
    assert (found.sites["what"] == "axis").all()
    assert found.sites["frequency"].iloc[-1] > found.sites["frequency"].iloc[0] + 0.5


def run(folder, given):
    """Run the step; returns its tables."""
    out = {name: str(folder / f"{file}.csv") for name, file in TABLES.items()}
    counts = str(folder / "site_counts.zarr")
    genome_blocks.main(
        **given, site_counts=counts, recombination_map=[], **out, settings=SETTINGS, cm_per_chromosome=50
    )
    return {name: read_table(out[name], file) for name, file in TABLES.items()}


def test_the_step_places_query_animals_and_takes_frequencies_from_the_others(tmp_path):
    study = additive.genome_blocks(5, "half", False)
    rng = np.random.default_rng(5)
    dosages = study.dosages.copy()
    dosages[rng.random(dosages.shape) < 0.03] = -1
    query = range(0, 360, 30)
    given = write_structure_intake(
        tmp_path, dosages, np.array([f"s{i:02d}" for i in study.site]), query=query, removed=[5], n_chrom=20
    )
    tables = run(tmp_path, given)
    assert tables["blocks"]["reading"].tolist() == ["arrangement"]
    assert len(tables["block_animals"]) == 359
    assert (tables["block_animals"]["role"] == "query").sum() == 12
    assert tables["block_sites"]["n"].tolist() == [28] + [29] * 11
    before = [(tmp_path / f"{name}.csv").read_bytes() for name in TABLES.values()]
    run(tmp_path, given)
    assert [(tmp_path / f"{name}.csv").read_bytes() for name in TABLES.values()] == before


@pytest.mark.parametrize(
    ("sizes", "n_markers", "options"),
    [
        ([6, 6, 6], 60, {"n_chrom": 1}),
        ([1], 60, {}),
        ([2, 2], 60, {"farm_sites": ["a", "b"]}),
        ([4, 4], 60, {"query": range(8)}),
        ([6, 6], 0, {}),
        ([6, 6], 1, {"n_chrom": 1}),
        ([20, 20], 700, {"n_chrom": 1}),
    ],
)
def test_odd_studies_have_tables_and_no_block(tmp_path, sizes, n_markers, options):
    dosages = drawn_dosages(1, sizes, max(n_markers, 1))[:n_markers]
    tables = run(
        tmp_path, write_structure_intake(tmp_path, dosages, np.repeat(list("abc")[: len(sizes)], sizes), **options)
    )
    assert tables["blocks"].empty
    assert (len(tables["windows"]) > 0) == (n_markers > 0)
