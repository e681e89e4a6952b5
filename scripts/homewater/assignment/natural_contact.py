"""Natural contact or escape: ancestry from the neighbouring unit beside what the cline lets expect at the site.

Near a boundary some mixed ancestry is natural, and the cline says how much. An excess far from it points to animals
that were moved. Ancestry is measured without bias on markers that were not chosen to tell units apart, so that a share
of nothing is 0 on average and not a little more.
"""

from __future__ import annotations

from collections.abc import Iterable

import numba
import numpy as np
import pandas as pd

from homewater.crosses.opened_panel import ReferenceAnimals
from homewater.genotypes.opened_species import OpenedSpecies
from homewater.statistics.allele_counts import AlleleCounts
from homewater.statistics.intervals import t_quantile
from homewater.tables.schema_tables import empty_table
from homewater.tables.unit_names import unit_index

MIN_ANIMALS = 5  # with fewer the spread among animals says next to nothing
COLUMNS = ["locationID", "role", "n", "local_unit", "other_unit", "observed_share", "ci_low", "ci_high",
           "expected_share", "expected_ci_low", "expected_ci_high", "excess", "excess_ci_low", "excess_ci_high",
           "reading"]  # fmt: skip


def ancestry_of_animals(
    blocks: Iterable[tuple[AlleleCounts, np.ndarray]], member: np.ndarray, measured: np.ndarray
) -> np.ndarray:
    """Return each animal's share of the second unit, without bias and not clipped to 0 and 1.

    The animal's dosages are laid on the line between the two units' frequencies, each marker weighing by the square of
    their difference; what sampling adds to numerator and denominator is taken off, and an animal that is counted in a
    unit is taken out of it.

    Args:
        blocks: of (alleles counted in the two units, (n_block, 2); dosages, int8 (n_block, n_animals)).
        member: int (n_animals,), 0 or 1 where the animal is counted in the first or the second unit, else -1.
        measured: bool (n_animals,), animals to measure; the others are NaN.

    Returns:
        float64 (n_animals,); NaN where nothing is typed or the units do not differ.

    Source: a regression of dosage on frequencies; with both units known it is the hybrid index of Buerkle (2005) Mol
        Ecol Notes 5:684-687 (from memory) to first order.
    """
    top, bottom = np.zeros((2, member.size))
    for counts, dosages in blocks:
        alternate, copies = (np.ascontiguousarray(one, dtype=float) for one in (counts.alternate, counts.copies))
        _add_block(alternate, copies, dosages, member, measured, top, bottom)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(bottom > 0, top / bottom, np.nan)


@numba.njit(cache=True)
def _add_block(alternate, copies, dosages, member, measured, top, bottom):
    for m in range(dosages.shape[0]):
        for i in range(dosages.shape[1]):
            g = dosages[m, i]
            if g < 0 or not measured[i]:
                continue
            up_a, all_a = alternate[m, 0], copies[m, 0]
            up_b, all_b = alternate[m, 1], copies[m, 1]
            if member[i] == 0:
                up_a, all_a = up_a - g, all_a - 2
            elif member[i] == 1:
                up_b, all_b = up_b - g, all_b - 2
            if all_a < 2 or all_b < 2:
                continue
            p_a, p_b = up_a / all_a, up_b / all_b
            noise_a, noise_b = p_a * (1 - p_a) / (all_a - 1), p_b * (1 - p_b) / (all_b - 1)
            top[i] += (p_b - p_a) * (g / 2 - p_a) - noise_a
            bottom[i] += (p_b - p_a) ** 2 - noise_a - noise_b


def contact_table(cline_sites: pd.DataFrame, animals: pd.DataFrame) -> pd.DataFrame:
    """Return table natural_contact: one row a site of a fitted cline and role of animals.

    Args:
        cline_sites: table cline_sites.
        animals: locationID, role, unit_a, unit_b, share (of unit_b), local_unit; one row an animal and cline.
    """
    rows = []
    for site in cline_sites.to_dict("records"):
        here = animals[
            (animals["locationID"] == site["locationID"])
            & (animals["unit_a"] == site["unit_a"])
            & (animals["unit_b"] == site["unit_b"])
        ]
        for role in ("baseline", "query"):
            group = here[here["role"] == role]
            share = group["share"].to_numpy(dtype=float)
            share = share[np.isfinite(share)]
            if share.size:
                rows.append(_row(site, role, str(group["local_unit"].iloc[0]), share))
    return pd.DataFrame(rows, columns=COLUMNS)


def _row(site: dict, role: str, local: str, share: np.ndarray) -> dict:
    """Return one row; shares are those of the cline's second unit."""
    away = local != site["unit_b"]  # the second unit is the foreign one
    names = ("expected_share", "expected_ci_low", "expected_ci_high")
    expected = [site[name] if away else 1 - site[name] for name in names]
    value, ends = expected[0], sorted(expected[1:])
    foreign = share if away else 1 - share
    observed, error = float(foreign.mean()), float("nan")
    if foreign.size >= MIN_ANIMALS:
        error = float(foreign.std(ddof=1) / np.sqrt(foreign.size))
    reach = error * float(t_quantile(foreign.size - 1))
    # ends of the two intervals are combined as those of independent figures (Newcombe 1998, Stat Med 17:873-890)
    excess = observed - value
    low, high = excess - np.hypot(reach, ends[1] - value), excess + np.hypot(reach, value - ends[0])
    return {
        "locationID": site["locationID"],
        "role": role,
        "n": int(foreign.size),
        "local_unit": local,
        "other_unit": site["unit_b"] if away else site["unit_a"],
        "observed_share": observed,
        "ci_low": observed - reach,
        "ci_high": observed + reach,
        "expected_share": value,
        "expected_ci_low": ends[0],
        "expected_ci_high": ends[1],
        "excess": excess,
        "excess_ci_low": low,
        "excess_ci_high": high,
        "reading": reading_of(low, high),
    }


def reading_of(low: float, high: float) -> str:
    """Return what the interval of the excess says, as the table has it.

    Args:
        low: lower bound of the excess; NaN where there are few animals.
        high: upper bound.
    """
    if not np.isfinite(low):
        return "few_animals"
    return "more_than_the_cline" if low > 0 else "less_than_the_cline" if high < 0 else "as_the_cline"


def clines_of(cline_sites: pd.DataFrame) -> list[tuple[str, str]]:
    """Return the pairs of units that have a fitted cline, in order.

    Args:
        cline_sites: table cline_sites.
    """
    pairs = {(str(a), str(b)) for a, b in zip(cline_sites["unit_a"], cline_sites["unit_b"], strict=True)}
    return sorted(pairs, key=lambda pair: [unit_index(u) for u in pair])


def natural_contact(
    species: OpenedSpecies, reference: ReferenceAnimals, units: pd.DataFrame, cline_sites: pd.DataFrame
) -> pd.DataFrame:
    """Return the table natural_contact of a species; no row without a fitted cline or without reference animals.

    Args:
        species: the opened species.
        reference: the animals that speak for the units.
        units: table units.
        cline_sites: table cline_sites.
    """
    if cline_sites.empty or not reference.listed.any():
        return empty_table("natural_contact")
    counted_in, store = reference.counted_in, species.store
    counts = AlleleCounts.of_genotypes(store.genotype_counts(counted_in, int(reference.unit.max()) + 1))
    local = units.set_index("locationID")["unit"].fillna("")
    by_cline = []
    for unit_a, unit_b in clines_of(cline_sites):
        of_cline = (cline_sites["unit_a"] == unit_a) & (cline_sites["unit_b"] == unit_b)
        measured = species.animals["locationID"].isin(cline_sites.loc[of_cline, "locationID"])
        measured = (measured & (species.animals["status"] == "kept")).to_numpy()
        pair = [unit_index(unit_a), unit_index(unit_b)]
        of_pair = AlleleCounts(counts.alternate[:, pair], counts.copies[:, pair])
        member = np.select([counted_in == unit for unit in pair], [0, 1], -1)
        blocks = ((of_pair.take(rows), dosages) for rows, dosages in store.blocks(species.thinned_markers))
        share = ancestry_of_animals(blocks, member, measured)[measured]
        here = species.animals.loc[measured, ["locationID", "role"]].assign(unit_a=unit_a, unit_b=unit_b, share=share)
        by_cline.append(here.assign(local_unit=local.loc[here["locationID"]].to_numpy()))
    return contact_table(cline_sites, pd.concat(by_cline, ignore_index=True))
