"""Rule import_part: the biallelic single-base markers of one part, with the genotypes of the listed animals."""

import json
from pathlib import Path

from homewater.genotypes.store import write_genotypes
from homewater.inputs.settings_schema import is_genotype_table
from homewater.intake.join_files import canonical_samples
from homewater.intake.table_reader import TableReader
from homewater.intake.vcf_files import parser_messages
from homewater.intake.vcf_reader import PartReader
from homewater.running.forked import in_child
from homewater.running.step import run_step
from homewater.tables.schema_tables import read_table


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
    """Read one part, write its store; counts of records are kept with it."""
    share = json.loads(Path(plan).read_text(encoding="utf-8"))["parts"][part_number]
    animals = canonical_samples(read_table(sample_sheet, "input_samples"), read_table(sites, "input_sites"), species)
    location = dict(zip(animals["materialSampleID"], animals["locationID"], strict=True))
    file = genotype_files[share["file"]]
    markers = marker_table if isinstance(marker_table, str) or not marker_table else marker_table[0]
    thresholds = (min_genotype_quality, min_read_depth)
    in_child(lambda: _read(file, share["ranges"], markers, location, thresholds, part), Path(file).name)


def _read(file: str, ranges: list | None, markers: str, location: dict[str, str], thresholds: tuple, part: str) -> None:
    messages = []
    try:
        with parser_messages() as messages:
            if is_genotype_table(file):
                reader = TableReader(file, markers, list(location), *thresholds)
            else:
                reader = PartReader(file, list(location), ranges, *thresholds)
            at = [location[name] for name in reader.sample_ids]
            kept = {"records": reader.records}
            write_genotypes(
                part,
                reader.sample_ids,
                at,
                reader.contigs,
                reader.blocks(),
                kept,
                read_balance=reader.read_balance,
                planes_only=True,
            )
    finally:
        print(*messages, sep="\n")
    print(json.dumps(reader.records))


if __name__ == "__main__":
    run_step(main, snakemake)
