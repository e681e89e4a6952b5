"""When stocks mixed at each site: a recent escape and an old contact leave tracts of different lengths."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd

from homewater.assignment.tract_lengths import (
    MAX_MARKERS,
    MIN_MARKERS,
    OLDEST,
    MixingAge,
    copies_tables,
    group_odds,
    mixing_age,
)
from homewater.crosses.frequency_prior import fit_prior
from homewater.crosses.likelihood import KnownUnits
from homewater.crosses.opened_panel import ReferenceAnimals
from homewater.genotypes.genetic_map import GeneticMap
from homewater.genotypes.opened_species import OpenedSpecies
from homewater.statistics.allele_counts import AlleleCounts
from homewater.tables.kept_animals import evenly_spaced
from homewater.tables.schema_tables import empty_table
from homewater.tables.unit_names import unit_index

MOST_ANIMALS = 200  # looked at in a group; more would hardly narrow the interval
COLUMNS = ["locationID", "role", "local_unit", "other_unit", "n", "n_mixed", "n_first_generation", "n_markers",
           "generations", "ci_low", "ci_high", "years", "years_ci_low", "years_ci_high", "reading"]  # fmt: skip


@dataclass(frozen=True)
class DatingSettings:
    """What turns lengths of tracts into dates.

    Attributes:
        error: chance that a called genotype is wrong.
        generation_years: mean age of parents, years.
        recent_generations: generations up to which a mixture counts as recent.
    """

    error: float
    generation_years: float
    recent_generations: float


@dataclass(frozen=True)
class MixingEvidence:
    """What the rules before say of the species' sites and animals, as tables.

    Attributes:
        units: table units.
        cline_sites: table cline_sites.
        calls: table calls.
        origin_classes: table origin_classes.
    """

    units: pd.DataFrame
    cline_sites: pd.DataFrame
    calls: pd.DataFrame
    origin_classes: pd.DataFrame


@dataclass(frozen=True)
class Group:
    """Animals of one site and role, and the unit from which they may have ancestry.

    Attributes:
        site: locationID.
        role: `baseline` or `query`.
        local: unit of the site.
        other: the other unit.
        rows: int64 (n,), rows of the table of animals; at most MOST_ANIMALS, evenly spread over those that there are.
    """

    site: str
    role: str
    local: str
    other: str
    rows: np.ndarray


def groups_to_date(
    animals: pd.DataFrame,
    calls: pd.DataFrame,
    classes: pd.DataFrame,
    clines: Iterable[tuple[str, str, str]],
    local_unit: pd.Series,
) -> list[Group]:
    """Return the groups that may hold mixed ancestry: at sites of clines, and where a verdict names another unit.

    Ancestry of a third unit, or of none that was sampled, looks like an endlessly old mixture of two: animals whose
    verdict names such an origin are left out.

    Args:
        animals: materialSampleID, locationID, role; those that the intake kept.
        calls: table calls.
        classes: table origin_classes.
        clines: (locationID, unit_a, unit_b) of the sites of fitted clines.
        local_unit: unit by locationID, empty where there is none.
    """
    named = classes[classes["unit_b"].fillna("") != ""]
    other_of = dict(zip(named["materialSampleID"], named["unit_b"], strict=True))
    other = np.array([other_of.get(animal, "") for animal in animals["materialSampleID"]], dtype=str)
    crossed = set(named.loc[~named["class"].isin(["pure_a", "pure_b"]), "materialSampleID"])
    mixed = animals["materialSampleID"].isin(crossed).to_numpy()
    wanted = set()
    for site, *pair in clines:
        if local_unit[site] in pair:
            wanted.add((site, pair[1 - pair.index(local_unit[site])]))
    at = animals["locationID"].to_numpy(dtype=str)
    wanted |= {(site, unit) for site, unit in zip(at[mixed], other[mixed], strict=True) if local_unit[site]}
    unsampled = calls.loc[calls["outcome"] == "unsampled_origin", "materialSampleID"]
    sampled = ~animals["materialSampleID"].isin(unsampled).to_numpy()
    groups = []
    for site, unit in sorted(wanted, key=lambda pair: (pair[0], unit_index(pair[1]))):
        for role in ("baseline", "query"):
            here = sampled & (at == site) & (animals["role"] == role).to_numpy() & np.isin(other, ["", unit])
            rows = evenly_spaced(np.flatnonzero(here), MOST_ANIMALS)
            if rows.size:
                groups.append(Group(site, role, str(local_unit[site]), unit, rows))
    return groups


def dates_row(group: Group, age: MixingAge, n_markers: int, settings: DatingSettings) -> dict:
    """Return one row of the table mixing_dates.

    Args:
        group: the animals.
        age: of the mixed ones among them.
        n_markers: markers looked at.
        settings: what turns generations into years and words.
    """
    generation_years, recent = settings.generation_years, settings.recent_generations
    high = age.ci_high if np.isfinite(age.ci_high) else float("nan")
    reading = "recent" if age.ci_high <= recent else "old" if age.ci_low > recent else "open"
    if age.generations >= OLDEST:  # no stretches at all: what else such animals may be is not known
        reading = "open"
    return {
        "locationID": group.site,
        "role": group.role,
        "local_unit": group.local,
        "other_unit": group.other,
        "n": group.rows.size,
        "n_mixed": age.n_mixed,
        "n_first_generation": age.n_first_generation,
        "n_markers": n_markers,
        "generations": age.generations,
        "ci_low": age.ci_low,
        "ci_high": high,
        "years": age.generations * generation_years,
        "years_ci_low": age.ci_low * generation_years,
        "years_ci_high": high * generation_years,
        "reading": reading,
    }


def mixing_dates(
    species: OpenedSpecies,
    reference: ReferenceAnimals,
    evidence: MixingEvidence,
    genetic_map: GeneticMap,
    settings: DatingSettings,
) -> pd.DataFrame:
    """Return the table mixing_dates of a species; no row without a map, since tracts then have no length.

    Args:
        species: the opened species.
        reference: the animals that speak for the units.
        evidence: what the rules before say of sites and animals.
        genetic_map: of the species.
        settings: what turns lengths of tracts into dates.
    """
    rows: list[dict] = []
    if genetic_map.table is not None and reference.listed.any():
        local = evidence.units.set_index("locationID")["unit"].fillna("")
        clines = evidence.cline_sites[["locationID", "unit_a", "unit_b"]].itertuples(index=False, name=None)
        groups = groups_to_date(species.kept, evidence.calls, evidence.origin_classes, clines, local)
        used, steps = mapped_markers(species, genetic_map)
        if used.size >= MIN_MARKERS and groups:
            rows = [
                dates_row(group, age, used.size, settings)
                for group, age in dated(species, groups, reference.counted_in, (used, steps), settings.error)
            ]
    return pd.DataFrame(rows, columns=COLUMNS) if rows else empty_table("mixing_dates")


def mapped_markers(species: OpenedSpecies, genetic_map: GeneticMap) -> tuple[np.ndarray, np.ndarray]:
    """Return thinned markers on chromosomes of the user's map, in map order, and how far each lies from the one before.

    Args:
        species: the opened species.
        genetic_map: with a table.

    Returns:
        int64 (n,), places in the store, at most MAX_MARKERS; float64 (n,), Morgans, inf at the first of a chromosome.
    """
    places = species.store.markers
    on_map = places["chrom"].isin(set(genetic_map.table["chrom"])).to_numpy()
    used = np.flatnonzero(species.thinned_markers & on_map)
    lies = genetic_map.of(places.iloc[used])
    order = evenly_spaced(lies.order(), MAX_MARKERS)
    return used[order], lies.take(order).steps_in_morgans()


def dated(
    species: OpenedSpecies,
    groups: list[Group],
    counted_in: np.ndarray,
    mapped: tuple[np.ndarray, np.ndarray],
    error: float,
) -> Iterator[tuple[Group, MixingAge]]:
    """Yield each group that holds mixed animals, with their age.

    Args:
        species: the opened species.
        groups: from `groups_to_date`.
        counted_in: int (n_samples,), unit in whose counts each animal of the store is; -1 if in none.
        mapped: from `mapped_markers`.
        error: chance that a called genotype is wrong.
    """
    used, steps = mapped
    genotype_counts = species.store.genotype_counts(counted_in, int(counted_in.max()) + 1)
    counts = AlleleCounts.of_genotypes(genotype_counts).take(used)

    @cache
    def tables_of(pair: tuple[int, int]) -> np.ndarray:
        of_pair = AlleleCounts(counts.alternate[:, pair], counts.copies[:, pair])
        return copies_tables(KnownUnits(of_pair, error, fit_prior(of_pair)))

    for number, group in enumerate(groups, start=1):
        pair = unit_index(group.local), unit_index(group.other)
        rows = species.place[group.rows]
        member = np.select([counted_in[rows] == unit for unit in pair], [0, 1], -1)
        age = mixing_age(*group_odds(species.store.select(used, rows), member, tables_of(pair), steps))
        print(f"{number} of {len(groups)} groups: {group.site}, {group.role}: {age}")
        if age is not None:
            yield group, age
