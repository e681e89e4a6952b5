"""The diagnostic panel: which baseline animals give the frequencies, and which markers tell the units apart."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from homewater.crosses.frequency_prior import FrequencyPrior
from homewater.crosses.gene_drop import RecombinationMap
from homewater.crosses.likelihood import MISSING
from homewater.crosses.odds import counts_by_unit, recently_foreign
from homewater.crosses.simulated import PanelModel
from homewater.panel.candidates import drift_by_unit, frequencies
from homewater.panel.ranking import ranked
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
    """

    ranking: np.ndarray
    foreign: np.ndarray
    frequency: np.ndarray
    information: np.ndarray
    n_candidates: int
    prior: FrequencyPrior


def choose(
    genotypes,
    unit: np.ndarray,
    n_units: int,
    kept: np.ndarray,
    n_markers: int,
    min_call_rate: float,
    min_spacing_bp: int,
    error: float,
    foreign_rate: float,
    varied: np.ndarray,
) -> Choice:
    """Return the ranking of markers and the prior of frequencies, from animals without recent foreign ancestry.

    A first ranking judges the animals, each taken out of its unit; those with recent foreign ancestry leave, and the
    markers are ranked again. Once is enough: the few that leave move frequencies by less than their sampling error.

    Args:
        genotypes: an opened store (`genotype_counts`, `select`, `markers`).
        unit: int (n_samples,), unit to which each animal lends its genotype; -1 for none.
        n_units: number of units.
        kept: bool (n_markers,), markers that the filters kept.
        n_markers: markers on the panel; a quarter more are ranked as reserves.
        min_call_rate: least share of animals called, in each unit.
        min_spacing_bp: least distance between two markers of the panel on one chromosome.
        error: chance that a called genotype is wrong.
        foreign_rate: highest share of true locals that may leave as foreign.
        varied: bool (n_markers,), markers that the prior is fitted on, from `for_prior`.

    Returns:
        The choice, n_markers and reserves.
    """
    places = genotypes.markers["chrom"].to_numpy(), genotypes.markers["pos"].to_numpy()
    wanted = n_markers + -(-n_markers // RESERVE_SHARE)
    counts = genotypes.genotype_counts(unit, n_units)
    first = ranked(counts, kept, varied, places, n_markers, min_call_rate, min_spacing_bp, error)
    animals = np.flatnonzero(unit >= 0)
    foreign = np.zeros(len(unit), dtype=bool)
    if len(first.markers) and len(animals):
        dosages = np.ascontiguousarray(genotypes.select(first.markers, unit >= 0).T)
        foreign[animals] = recently_foreign(dosages, unit[animals], n_units, error, foreign_rate, first.prior)
    if foreign.any():
        counts = counts - genotypes.genotype_counts(np.where(foreign, unit, -1), n_units)
    found = ranked(counts, kept, varied, places, wanted, min_call_rate, min_spacing_bp, error, first.prior)
    return Choice(found.markers, foreign, frequencies(counts), found.worth.max(axis=0, initial=0.0),
                  int(found.usable.sum()), found.prior)  # fmt: skip


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


def panel_rows(markers: pd.DataFrame, table: pd.DataFrame) -> np.ndarray:
    """Return int64 (n_panel,): where the panel's markers stand in the store, in rank order, reserves left out."""
    row = pd.Series(np.arange(len(markers)), index=markers["marker"].to_numpy())
    return row.loc[table.loc[table["use"] == "panel", "marker"].to_numpy()].to_numpy(dtype=np.int64)


def panel_model(
    genotypes,
    rows: np.ndarray,
    unit: np.ndarray,
    used: np.ndarray,
    n_units: int,
    error: float,
    recombination: RecombinationMap,
    min_markers_share: float,
    prior: FrequencyPrior,
) -> PanelModel:
    """Return what is known of the panel: counts and drift from the animals used, missing patterns of all listed.

    Args:
        genotypes: an opened store (`select`, `location_ids`).
        rows: int64 (n_panel,), the panel's markers.
        unit: int (n_samples,), unit of each reference animal; -1 for others.
        used: bool (n_samples,), counted in the frequencies.
        n_units: number of units.
        error: chance that a called genotype is wrong.
        recombination: map of the panel's markers.
        min_markers_share: animals with fewer of the markers are never judged, and lend no pattern.
        prior: of the frequencies, from `fit_prior`.
    """
    listed = unit >= 0
    dosages = np.ascontiguousarray(genotypes.select(rows, listed).T)
    counted = np.where(used, unit, -1)[listed]
    _, site = np.unique(genotypes.location_ids[listed], return_inverse=True)
    missing = dosages == MISSING
    missing = missing[(~missing).mean(axis=1) >= min_markers_share]
    return PanelModel(*counts_by_unit(dosages, counted, n_units), drift_by_unit(dosages, site, counted, n_units), error,
                      recombination, missing, prior)  # fmt: skip
