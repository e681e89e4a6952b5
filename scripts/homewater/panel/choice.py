"""The diagnostic panel as a whole: its size, the animals that give the frequencies, and the markers chosen."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from homewater.crosses.frequency_prior import FrequencyPrior
from homewater.crosses.odds import recently_foreign
from homewater.genotypes.genetic_map import GeneticMap
from homewater.genotypes.opened_species import OpenedSpecies
from homewater.panel.candidates import EligibleMarkers, rank_markers
from homewater.panel.folds import DealtAnimals, deal_species
from homewater.panel.ranking import Ranking, ranked
from homewater.panel.reference_animals import frequency_sites, reference_table, reference_units
from homewater.panel.settings import PanelRules, PanelSettings
from homewater.panel.size import size_from_curve
from homewater.running.seeds import Draws
from homewater.statistics.allele_counts import AlleleCounts
from homewater.tables.schema_tables import empty_table
from homewater.tables.unit_names import unit_names

RESERVE_SHARE = 4  # one reserve marker for so many on the panel


@dataclass(frozen=True)
class Choice:
    """Markers chosen, and what they were chosen from.

    Attributes:
        ranking: int64 (n,), indices of markers.
        foreign: bool (n_samples,), animals left out for recent foreign ancestry.
        frequency: float64 (n_all_markers, n_units), of the alternate allele; NaN where nobody is typed.
        information: float64 (n_all_markers,), the most that a marker tells of a backcross between two units, nats.
        n_candidates: markers that an assay could use.
        prior: of the frequencies.
        share_without_blocks: what a panel of as many markers, none of them in a block of the genome, would hold of what
            this one tells of backcrosses between the two units that are told apart worst.
    """

    ranking: np.ndarray
    foreign: np.ndarray
    frequency: np.ndarray
    information: np.ndarray
    n_candidates: int
    prior: FrequencyPrior
    share_without_blocks: float = 1.0


def choose(
    genotypes,
    unit: np.ndarray,
    n_units: int,
    markers: EligibleMarkers,
    rules: PanelRules,
    n_markers: int,
    foreign_rate: float,
) -> Choice:
    """Return the ranking of markers and the prior of frequencies, from animals without recent foreign ancestry.

    A first ranking judges the animals, each taken out of its unit; those with recent foreign ancestry leave, and the
    markers are ranked again. Once is enough: the few that leave move frequencies by less than their sampling error.

    Args:
        genotypes: an opened store (`genotype_counts`, `select`).
        unit: int (n_samples,), unit to which each animal lends its genotype; -1 for none.
        n_units: number of units.
        markers: which of them may be taken.
        rules: what makes a marker fit.
        n_markers: markers on the panel; a quarter more are ranked as reserves.
        foreign_rate: highest share of true locals that may leave as foreign.

    Returns:
        The choice, n_markers and reserves.
    """
    wanted = n_markers + -(-n_markers // RESERVE_SHARE)
    counts = genotypes.genotype_counts(unit, n_units)
    first = ranked(counts, markers, rules, n_markers)
    animals = np.flatnonzero(unit >= 0)
    foreign = np.zeros(len(unit), dtype=bool)
    if len(first.markers) and len(animals):
        dosages = np.ascontiguousarray(genotypes.select(first.markers, unit >= 0).T)
        foreign[animals] = recently_foreign(dosages, unit[animals], n_units, rules.error, foreign_rate, first.prior)
    if foreign.any():
        counts = counts - genotypes.genotype_counts(np.where(foreign, unit, -1), n_units)
    found = ranked(counts, markers, rules, wanted, first.prior)
    return Choice(found.markers, foreign, AlleleCounts.of_genotypes(counts).frequency,
                  found.worth.max(axis=0, initial=0.0), int(found.usable.sum()), found.prior,
                  without_blocks(found, markers, rules, n_markers))  # fmt: skip


def without_blocks(found: Ranking, markers: EligibleMarkers, rules: PanelRules, n_markers: int) -> float:
    """Return what a panel without any marker of a block would hold of the worth of the panel, in the pair served worst.

    Args:
        found: the ranking with blocks.
        markers: which may be taken, and their blocks.
        rules: what makes a marker fit.
        n_markers: markers on the panel.
    """
    if markers.block is None:
        return 1.0
    usable = found.usable & markers.outside_blocks()
    rest = rank_markers(found.worth, usable, markers.chrom, markers.pos, n_markers, rules.min_spacing_bp)
    panel, other = (found.worth[:, chosen].sum(axis=1).min(initial=np.inf) for chosen in
                    (found.markers[:n_markers], rest))  # fmt: skip
    return float(other / panel) if np.isfinite(panel) and panel > 0 else 1.0


def panel_table(choice: Choice, markers: pd.DataFrame, n_markers: int) -> pd.DataFrame:
    """Return the table panel: the markers in rank order, reserves after the panel.

    Args:
        choice: from `choose`.
        markers: marker, chrom, pos, ref, alt of all markers.
        n_markers: markers on the panel; those after it are reserves.
    """
    ranking, frequency = choice.ranking, choice.frequency
    chosen = markers.iloc[ranking].reset_index(drop=True)
    here = frequency[ranking]
    pairs = list(combinations(range(frequency.shape[1]), 2))
    difference = (
        np.max([np.abs(here[:, a] - here[:, b]) for a, b in pairs], axis=0) if pairs else np.zeros(len(ranking))
    )
    rank = np.arange(1, len(ranking) + 1)
    table = {
        "rank": rank,
        **{c: chosen[c] for c in ("marker", "chrom", "pos", "ref", "alt")},
        "allele_frequency_difference": difference,
        "backcross_information": choice.information[ranking],
        "use": np.where(rank <= n_markers, "panel", "reserve"),
    }
    table |= {f"frequency_{name}": here[:, u] for u, name in enumerate(unit_names(frequency.shape[1]))}
    return pd.DataFrame(table)


@dataclass(frozen=True)
class MadePanel:
    """A panel and what it rests on, as tables.

    Attributes:
        panel: table panel.
        reference_animals: table reference_animals.
        summary: how many markers and animals, and the prior of frequencies.
    """

    panel: pd.DataFrame
    reference_animals: pd.DataFrame
    summary: dict


def make_panel(
    species: OpenedSpecies,
    units: pd.DataFrame,
    n_units: int,
    genetic_map: GeneticMap,
    settings: PanelSettings,
    blocks: pd.DataFrame,
    draws: Draws,
) -> MadePanel:
    """Return the panel of a species, its size from the curve where the settings say so; no marker below two units.

    Args:
        species: the opened species.
        units: table units.
        n_units: number of units.
        genetic_map: of the species.
        settings: size and rules.
        blocks: table genome_blocks.
        draws: source of randomness, by task.
    """
    if n_units < 2:
        return MadePanel(empty_table("panel"), empty_table("reference_animals"), _asked_for(n_units, settings))
    markers = EligibleMarkers.of_species(species, settings.rules.min_clear_bases, blocks)
    sites, only_contact = frequency_sites(units, n_units)
    unit = reference_units(species.animals, sites)
    summary, wanted = _asked_for(n_units, settings), settings.n_markers
    if settings.size_from_curve:
        site, fold = deal_species(species, unit, settings.folds, draws("folds"))
        ratio_level = settings.rates.ratio_level(int(species.thinned_markers.sum()) - wanted)
        recombination = genetic_map.of(species.store.markers)
        size = size_from_curve(
            DealtAnimals(species.store, unit, site, fold, n_units, markers, recombination, settings, ratio_level), draws
        )
        wanted = size.size
        summary |= {"n_wanted": wanted, "size_choice": size.as_record(settings.sizes)}
    found = choose(species.store, unit, n_units, markers, settings.rules, wanted, settings.foreign_rate)
    names = unit_names(n_units)
    summary |= {
        "n_markers": min(wanted, len(found.ranking)),
        "n_reserve": max(0, len(found.ranking) - wanted),
        "n_candidates": found.n_candidates,
        "n_near_others": markers.n_near_others,
        "n_blocks": len(blocks),
        "n_in_blocks": int((~markers.outside_blocks()[found.ranking[:wanted]]).sum()),
        "share_without_blocks": found.share_without_blocks,
        "n_animals_used": {name: int(((unit == u) & ~found.foreign).sum()) for u, name in enumerate(names)},
        "n_left_out_as_foreign": {name: int(((unit == u) & found.foreign).sum()) for u, name in enumerate(names)},
        "units_with_contact_sites_only": [names[u] for u in only_contact],
        "genotyping_error": settings.rules.error,
        "foreign_rate": settings.foreign_rate,
        "frequency_prior": found.prior.as_record(),
    }
    return MadePanel(
        panel_table(found, species.store.markers, wanted),
        reference_table(species.animals, unit, found.foreign),
        summary,
    )


def _asked_for(n_units: int, settings: PanelSettings) -> dict:
    return {"n_units": n_units, "n_wanted": settings.n_markers, "n_markers": 0,
            "max_block_markers": settings.rules.max_block_markers,
            "min_spacing_bp": settings.rules.min_spacing_bp, "size_from": settings.size_from}  # fmt: skip
