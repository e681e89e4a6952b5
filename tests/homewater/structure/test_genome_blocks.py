"""Blocks of the genome: found where they are planted, none elsewhere."""

import numpy as np
from tests.drawn_genotypes import drawn_dosages
from tests.made_studies import write_structure_intake

from homewater.tables.schema_tables import read_table
from steps import genome_blocks

SETTINGS = {"block_fdr": 0.05, "window_markers": 25, "window_cm": 1.0, "min_rest_share": 0.5}
TABLES = {
    "windows": "genome_windows", "blocks": "genome_blocks", "block_animals": "block_animals",
    "block_sites": "block_sites",
}  # fmt: skip


def run(folder, given):
    """Run the step; returns its tables."""
    out = {name: str(folder / f"{file}.csv") for name, file in TABLES.items()}
    counts = str(folder / "site_counts.zarr")
    genome_blocks.main(
        **given, site_counts=counts, recombination_map=[], **out, settings=SETTINGS, cm_per_chromosome=50
    )
    return {name: read_table(path) for name, path in out.items()}


def test_two_stocks_without_a_block(tmp_path):
    dosages = drawn_dosages(1, [20, 20, 20], 600, fst=0.05)
    tables = run(tmp_path, write_structure_intake(tmp_path, dosages, np.repeat(["a", "b", "c"], 20)))
    assert tables["blocks"].empty
