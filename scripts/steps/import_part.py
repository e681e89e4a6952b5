"""Rule import_part: the biallelic single-base markers of one part, with the genotypes of the listed animals."""

import json
from pathlib import Path

from homewater.intake.join_files import canonical_samples
from homewater.intake.part_store import PartSource, write_part
from homewater.running.forked import in_child
from homewater.running.step import run_step
from homewater.tables.schema_tables import read_json, read_table


def main(
    plan: str,
    sample_sheet: str,
    sites: str,
    genotype_files: list[str],
    part: str,
    part_number: int,
    species: str,
    marker_table: list[str] | str = (),
    min_genotype_quality: float = 0,
    min_read_depth: float = 0,
) -> None:
    """Keep the records of one part that are markers, with a count of those left out; it removes no animal."""
    share = read_json(plan)["parts"][part_number]
    animals = canonical_samples(read_table(sample_sheet, "input_samples"), read_table(sites, "input_sites"), species)
    location = dict(zip(animals["materialSampleID"], animals["locationID"], strict=True))
    file = genotype_files[share["file"]]
    markers = marker_table if isinstance(marker_table, str) or not marker_table else marker_table[0]
    source = PartSource(file, share["ranges"], markers, min_genotype_quality, min_read_depth)
    print(json.dumps(in_child(lambda: write_part(part, source, location), Path(file).name)))


if __name__ == "__main__":
    run_step(main, snakemake)
