"""The genetic map: where markers lie in centimorgans, by a table of the study or evenly along each chromosome."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from homewater.tables.schema_tables import read_table


@dataclass(frozen=True)
class RecombinationMap:
    """Where loci lie on the genetic map, in any order.

    Attributes:
        chrom_index: int (n_loci,), chromosome of each locus, numbered from 0.
        position_cm: float64 (n_loci,), position on its chromosome in centimorgans.
    """

    chrom_index: np.ndarray
    position_cm: np.ndarray

    def __post_init__(self) -> None:
        chrom = np.asarray(self.chrom_index, dtype=np.int64)
        position = np.asarray(self.position_cm, dtype=np.float64)
        if chrom.ndim != 1 or chrom.shape != position.shape:
            raise ValueError(
                f"chrom_index and position_cm must be equally long, got {chrom.shape} and {position.shape}"
            )
        if not np.isfinite(position).all():
            raise ValueError("position_cm must be finite")
        object.__setattr__(self, "chrom_index", chrom)
        object.__setattr__(self, "position_cm", position)

    @property
    def n_loci(self) -> int:
        """Number of loci."""
        return len(self.chrom_index)

    def take(self, indices: np.ndarray) -> RecombinationMap:
        """Return the map of some loci (indices or a mask), e.g. a panel; lengths stay those of the whole map."""
        return RecombinationMap(self.chrom_index[indices], self.position_cm[indices])

    def order(self) -> np.ndarray:
        """Return int64 (n_loci,): the loci in map order."""
        return np.lexsort((self.position_cm, self.chrom_index))

    def steps_in_morgans(self) -> np.ndarray:
        """Return float64 (n_loci,), Morgans from the locus before, in map order; inf at the first of a chromosome."""
        order = self.order()
        chrom, morgans = self.chrom_index[order], self.position_cm[order] / 100
        steps, same = np.full(self.n_loci, np.inf), chrom[1:] == chrom[:-1]
        steps[1:][same] = np.diff(morgans)[same]
        return steps

    def switch_probabilities(self) -> np.ndarray:
        """Return, for loci in map order, the chance that a gamete changes strand just before each.

        Returns:
            float64 (n_loci,), in [0, 1/2]; 1/2 at the first locus of each chromosome.
        """
        return -0.5 * np.expm1(-2 * self.steps_in_morgans())


def chromosome_index(chrom: np.ndarray) -> tuple[np.ndarray, list]:
    """Return int64 (n_loci,) numbers of chromosomes, in the order in which `chrom` first names them, and the names."""
    names: dict = {}
    index = np.fromiter((names.setdefault(name, len(names)) for name in np.asarray(chrom).tolist()), dtype=np.int64)
    return index, list(names)


def map_from_positions(
    chrom: np.ndarray,
    pos: np.ndarray,
    cm_per_chromosome: float,
    chromosome_lengths: Mapping[str, int] | None = None,
) -> RecombinationMap:
    """Return a map on which centimorgans grow evenly along each chromosome.

    Args:
        chrom: (n_loci,), name of the chromosome.
        pos: int (n_loci,), position in base pairs, from 1.
        cm_per_chromosome: genetic length of every chromosome, centimorgans.
        chromosome_lengths: base pairs by chromosome, where declared; else the length spans the outermost loci given, so
            a panel's map must be taken from the map of all markers (`RecombinationMap.take`).

    Raises:
        ValueError: where `cm_per_chromosome` is not above zero.
    """
    if not cm_per_chromosome > 0:
        raise ValueError(f"cm_per_chromosome must be above 0, got {cm_per_chromosome}")
    pos = np.asarray(pos, dtype=np.float64)
    index, names = chromosome_index(chrom)
    lengths = chromosome_lengths or {}
    cm = np.zeros(len(pos))
    for number, name in enumerate(names):
        here = index == number
        first, last = (1.0, float(lengths[name])) if name in lengths else (pos[here].min(), pos[here].max())
        if last > first:
            cm[here] = (pos[here] - first) / (last - first) * cm_per_chromosome
    return RecombinationMap(index, cm)


def map_from_table(
    chrom: np.ndarray, pos: np.ndarray, map_chrom: np.ndarray, map_pos: np.ndarray, map_cm: np.ndarray
) -> RecombinationMap:
    """Return a map read off a table by linear interpolation; beyond the table's ends nothing recombines.

    Args:
        chrom: (n_loci,), name of the chromosome of each locus.
        pos: int (n_loci,), position in base pairs.
        map_chrom: (n_rows,), chromosome of each row of the table.
        map_pos: (n_rows,), base pairs.
        map_cm: (n_rows,), centimorgans; may not fall along a chromosome.

    Raises:
        ValueError: where a chromosome is not in the table, or centimorgans fall as base pairs rise.
    """
    map_chrom, map_pos, map_cm = np.asarray(map_chrom), np.asarray(map_pos, float), np.asarray(map_cm, float)
    pos = np.asarray(pos, dtype=np.float64)
    index, names = chromosome_index(chrom)
    cm = np.zeros(len(pos))
    for number, name in enumerate(names):
        rows = np.flatnonzero(map_chrom == name)
        if not len(rows):
            raise ValueError(f"chromosome {name} is not in the map")
        rows = rows[np.argsort(map_pos[rows], kind="stable")]
        if (np.diff(map_cm[rows]) < 0).any():
            raise ValueError(f"chromosome {name}: centimorgans fall as base pairs rise")
        here = index == number
        cm[here] = np.interp(pos[here], map_pos[rows], map_cm[rows])
    return RecombinationMap(index, cm)


def mapped_centimorgans(chrom: np.ndarray, pos: np.ndarray, table: pd.DataFrame | None) -> np.ndarray:
    """Return the place of each marker on the study's map, float64 (n_markers,), NaN on chromosomes it does not hold.

    Args:
        chrom: (n_markers,), chromosome names.
        pos: int (n_markers,), base pairs; beyond the map's ends a chromosome's first or last centimorgan stands.
        table: chrom, pos, cm; None where the species has no map.
    """
    centimorgans = np.full(len(chrom), np.nan)
    if table is not None:
        columns = (table[name].to_numpy() for name in ("chrom", "pos", "cm"))
        held = pd.Series(np.asarray(chrom)).isin(set(table["chrom"])).to_numpy()
        centimorgans[held] = map_from_table(np.asarray(chrom)[held], np.asarray(pos)[held], *columns).position_cm
    return centimorgans


def study_map(
    chrom: np.ndarray, pos: np.ndarray, cm_per_chromosome: float, table: pd.DataFrame | None = None
) -> RecombinationMap:
    """Return the map of all markers: by the study's table where it holds the chromosome, else even along it.

    Args:
        chrom: (n_markers,), chromosome names.
        pos: int (n_markers,), base pairs.
        cm_per_chromosome: length of each chromosome that the table does not hold, centimorgans.
        table: chrom, pos, cm.
    """
    even = map_from_positions(chrom, pos, cm_per_chromosome)
    mapped = mapped_centimorgans(chrom, pos, table)
    return RecombinationMap(even.chrom_index, np.where(np.isnan(mapped), even.position_cm, mapped))


@dataclass(frozen=True)
class GeneticMap:
    """Where markers lie on the genetic map of a species.

    Attributes:
        cm_per_chromosome: length of each chromosome that the table does not hold, centimorgans.
        table: chrom, pos, cm, as the user gave them; None without a map.
    """

    cm_per_chromosome: float
    table: pd.DataFrame | None = None

    def of(self, markers: pd.DataFrame) -> RecombinationMap:
        """Return the map of all markers of a store.

        Args:
            markers: chrom, pos, one row a marker.
        """
        return study_map(markers["chrom"].to_numpy(), markers["pos"].to_numpy(), self.cm_per_chromosome, self.table)


def open_map(recombination_map: list[str], cm_per_chromosome: float) -> GeneticMap:
    """Open the genetic map of a species.

    Args:
        recombination_map: the user's map, or nothing.
        cm_per_chromosome: length of each chromosome that no map holds, centimorgans.
    """
    table = read_table(recombination_map[0], "input_recombination_map") if recombination_map else None
    return GeneticMap(cm_per_chromosome, table)
