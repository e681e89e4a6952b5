"""One part of a species' genotypes: its markers read from a file, and kept as a store until all parts are joined."""

from __future__ import annotations

from dataclasses import dataclass

from homewater.genotypes.store import StoredAnimals, write_genotypes
from homewater.inputs.settings_schema import is_genotype_table
from homewater.intake.table_reader import TableReader
from homewater.intake.vcf_files import parser_messages
from homewater.intake.vcf_reader import PartReader


@dataclass(frozen=True)
class PartSource:
    """Where the genotypes of a part come from, and which calls count.

    Attributes:
        file: VCF or BCF file, or genotype table.
        ranges: stretches of the genome, as in `homewater.intake.vcf_files.plan`; None for the whole file.
        marker_table: where the markers of a genotype table lie; empty for a VCF or BCF file.
        min_genotype_quality: calls of a lower genotype quality (GQ) are missing; 0 looks at none.
        min_read_depth: calls of fewer reads (DP) are missing; 0 looks at none.
    """

    file: str
    ranges: list | None
    marker_table: str
    min_genotype_quality: float
    min_read_depth: float


def write_part(path: str, source: PartSource, location: dict[str, str]) -> dict[str, int]:
    """Read a part and write its store; what the parser says is printed, whatever comes of it.

    Args:
        path: folder of the store.
        source: where the genotypes come from.
        location: site of each animal of the species, by its id, in canonical order.

    Returns:
        How many records were read, kept, and left out for each reason.

    Raises:
        InputError: as the readers raise it.
    """
    messages: list[str] = []
    try:
        with parser_messages() as messages:
            reader = _reader(source, list(location))
            animals = StoredAnimals(
                reader.sample_ids, [location[name] for name in reader.sample_ids], reader.read_balance
            )
            kept = {"records": reader.records}
            write_genotypes(path, animals, reader.contigs, reader.blocks(), kept, planes_only=True)
    finally:
        print(*messages, sep="\n")
    return reader.records


def _reader(source: PartSource, sample_ids: list[str]) -> TableReader | PartReader:
    least = (source.min_genotype_quality, source.min_read_depth)
    if is_genotype_table(source.file):
        return TableReader(source.file, source.marker_table, sample_ids, *least)
    return PartReader(source.file, sample_ids, source.ranges, *least)
