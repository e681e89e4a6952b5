"""Rule import_part: the biallelic single-base markers of one part, with the genotypes of the listed animals."""

import json
from pathlib import Path

from homewater.genotype_table import TableReader
from homewater.in_child import in_child
from homewater.joining import canonical_samples
from homewater.part_reader import PartReader
from homewater.settings_schema import is_genotype_table
from homewater.step import run_step
from homewater.store import write_genotypes
from homewater.tables import read_table
from homewater.vcf import parser_messages


def main(
    plan: str,
    samples: str,
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
    animals = canonical_samples(read_table(samples, "input_samples"), read_table(sites, "input_sites"), species)
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
