"""All parts of a species put together.

The parts are checked against the plan, their records are counted, and their markers are joined over the species'
animals.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import pandas as pd

from homewater.genotypes.store import Genotypes, StoredAnimals, VariantBlock
from homewater.inputs.checks import unshared_contig_problems
from homewater.intake.join_files import Joined, genome_order
from homewater.running.errors import InputError, Problem


@dataclass(frozen=True)
class JoinedSpecies:
    """The joined parts of a species, ready to be written as its store.

    Attributes:
        animals: the animals that have genotypes, in canonical order.
        contigs: chromosomes in genome order.
        attributes: what is kept with the store: counts of records, animals without genotypes, and how far animals
            agree between files. Complete after `blocks` is exhausted.
        file_names: the species' genotype files, as messages call them.
    """

    animals: StoredAnimals
    contigs: list[str]
    attributes: dict
    file_names: list[str]
    _joined: Joined = field(repr=False)

    def blocks(self) -> Iterator[VariantBlock]:
        """Yield the markers in genome order, then complete `attributes`."""
        yield from self._joined.blocks()
        self.attributes["records"]["conflicting_genotypes"] = int(self._joined.differing.sum())
        self.attributes["file_concordance"] = self._joined.concordance()

    def conflicts(self, store: Genotypes) -> tuple[pd.DataFrame, dict[str, int]]:
        """Return table file_conflicts, and the number of its rows of each kind before any is left out.

        Args:
            store: the store that was written from `blocks`.
        """
        return self._joined.conflicts(self.file_names, store)


def join_parts(plan: dict, parts: list[Genotypes], animals: pd.DataFrame) -> JoinedSpecies:
    """Put the parts of a species together.

    Args:
        plan: as `homewater.intake.vcf_files.plan` returns it.
        parts: the parts' stores, in the plan's order.
        animals: the species' rows of the sample sheet, in canonical order.

    Raises:
        InputError: where fewer or more records were read than an index lists, no marker is left, or the files share no
            chromosome.
    """
    counted = [part.attributes["records"] for part in parts]
    _check_indexes(plan, counted)
    records = {reason: sum(part[reason] for part in counted) for reason in counted[0]}
    file_names = [file["name"] for file in plan["files"]]
    if not records["kept"]:
        reasons = ", ".join(f"{n} {reason}" for reason, n in records.items() if n and reason not in ("read", "kept"))
        found = f"no marker left of {records['read']} records" + (f" ({reasons})" if reasons else "")
        raise InputError(Problem(", ".join(file_names), "", "", found, "biallelic single-base markers with genotypes"))
    present = {name for part in parts for name in part.sample_ids.tolist()}
    has_genotypes = animals["materialSampleID"].isin(present)
    held, absent = animals[has_genotypes], animals.loc[~has_genotypes, "materialSampleID"].tolist()
    _check_contigs(plan, parts)
    contigs = genome_order([file["contigs"] for file in plan["files"]], parts)
    joined = Joined(parts, contigs, held["materialSampleID"].tolist(), [part["file"] for part in plan["parts"]])
    records["union"] = joined.n_markers
    return JoinedSpecies(
        StoredAnimals(held["materialSampleID"].tolist(), held["locationID"].tolist(), joined.read_balance()),
        contigs,
        {"records": records, "animals_without_genotypes": absent},
        file_names,
        joined,
    )


def _check_contigs(plan: dict, parts: list[Genotypes]) -> None:
    """Headers may name more chromosomes than the records hold; here the records' own are compared."""
    met = []
    for number, file in enumerate(plan["files"]):
        own = [part for part, share in zip(parts, plan["parts"], strict=True) if share["file"] == number]
        contigs = dict.fromkeys(name for part in own for name in part.contig_ids.tolist())
        met.append((file["name"], list(contigs), own[0].sample_ids.tolist() if own else []))
    problems = unshared_contig_problems(met)
    if problems:
        raise InputError(problems)


def _check_indexes(plan: dict, counted: list[dict]) -> None:
    problems = []
    for number, file in enumerate(plan["files"]):
        read = sum(c["read"] for c, part in zip(counted, plan["parts"], strict=True) if part["file"] == number)
        if file["n_records"] is not None and file["n_records"] != read:
            found = f"{file['n_records']} records by its index, {read} records read"
            problems.append(
                Problem(file["name"], "", "", found, "the whole, undamaged file, and an index made from it")
            )
    if problems:
        raise InputError(problems)
