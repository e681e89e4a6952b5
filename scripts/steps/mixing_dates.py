"""Rule mixing_dates: how many generations ago stocks mixed, by the lengths of ancestry tracts at each site.

Named inputs: genotypes, samples, markers, units, reference_animals, cline_sites, calls, origin_classes,
genotyping_error, recombination_map (none or one: without a map nothing is dated). Output: table.
"""

import json
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

from homewater.assignment.mixing_dates import COLUMNS, Group, dates_row, groups_to_date
from homewater.assignment.tract_lengths import (
    MAX_MARKERS,
    MIN_MARKERS,
    MixingAge,
    copies_tables,
    group_odds,
    mixing_age,
)
from homewater.crosses.frequency_prior import fit_prior
from homewater.crosses.simulated import study_map
from homewater.genotypes.store import Genotypes, open_genotypes
from homewater.panel.candidates import copies_of
from homewater.panel.reference_animals import reference_arrays
from homewater.running.step import run_step
from homewater.tables.kept_animals import evenly_spaced, kept_animals
from homewater.tables.schema_tables import empty_table, read_table, write_table
from homewater.tables.unit_names import unit_index


def main(
    genotypes: str,
    samples: str,
    markers: str,
    units: str,
    reference_animals: str,
    cline_sites: str,
    calls: str,
    origin_classes: str,
    genotyping_error: str,
    recombination_map: list[str],
    table: str,
    cm_per_chromosome: float,
    generation_years: float,
    recent_generations: float,
) -> None:
    """Read, compute, write; arguments carry the names that the rule gives them."""
    reference, rows = read_table(reference_animals, "reference_animals"), []
    if recombination_map and not reference.empty:
        store = open_genotypes(genotypes)
        animals, place = kept_animals(read_table(samples, "samples"), store.sample_ids)
        local = read_table(units, "units").set_index("locationID")["unit"].fillna("")
        along = read_table(cline_sites, "cline_sites")[["locationID", "unit_a", "unit_b"]]
        clines = along.itertuples(index=False, name=None)
        told = read_table(calls, "calls"), read_table(origin_classes, "origin_classes")
        groups = groups_to_date(animals, *told, clines, local)
        thinned = read_table(markers, "markers")["thinned"].to_numpy(bool)
        map_table = read_table(recombination_map[0], "input_recombination_map")
        used, steps = mapped_markers(store, thinned, map_table, cm_per_chromosome)
        error = json.loads(Path(genotyping_error).read_text(encoding="utf-8"))["estimate"]
        if used.size >= MIN_MARKERS and groups:
            unit, counted = reference_arrays(store.sample_ids, reference)
            own = np.where(counted, unit, -1)
            rows = [
                dates_row(group, age, used.size, generation_years, recent_generations)
                for group, age in dated(store, groups, place, own, used, steps, error)
            ]
    write_table(pd.DataFrame(rows, columns=COLUMNS) if rows else empty_table("mixing_dates"), table, "mixing_dates")


def mapped_markers(store: Genotypes, thinned: np.ndarray, map_table: pd.DataFrame, cm_per_chromosome: float):
    """Return int64 (n,), thinned markers on chromosomes of the map, in map order, and Morgans from the one before."""
    on_map = store.markers["chrom"].isin(set(map_table["chrom"])).to_numpy()
    used = np.flatnonzero(thinned & on_map)
    chrom, pos = (store.markers[name].to_numpy()[used] for name in ("chrom", "pos"))
    lies = study_map(chrom, pos, cm_per_chromosome, map_table)
    order = evenly_spaced(lies.order(), MAX_MARKERS)
    return used[order], lies.take(order).steps_in_morgans()


def dated(store: Genotypes, groups: list[Group], place: np.ndarray, own: np.ndarray, used: np.ndarray,
          steps: np.ndarray, error: float) -> Iterator[tuple[Group, MixingAge]]:  # fmt: skip
    """Yield each group that holds mixed animals, with their age."""
    alternate, copies = (part[used] for part in copies_of(store.genotype_counts(own, int(own.max()) + 1)))

    @cache
    def tables_of(pair: tuple[int, int]) -> np.ndarray:
        mine = alternate[:, pair], copies[:, pair]
        return copies_tables(*mine, error, fit_prior(*mine))

    for number, group in enumerate(groups, start=1):
        pair, rows = (unit_index(group.local), unit_index(group.other)), place[group.rows]
        counted_in = np.select([own[rows] == unit for unit in pair], [0, 1], -1)
        age = mixing_age(*group_odds(store.select(used, rows), counted_in, tables_of(pair), steps))
        print(f"{number} of {len(groups)} groups: {group.site}, {group.role}: {age}")
        if age is not None:
            yield group, age


if __name__ == "__main__":
    run_step(main, snakemake)
