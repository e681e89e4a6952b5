"""Frequency spectrum of each unit, and whether it looks as if the markers had been chosen in one of them.

Markers that were found because they vary in a few animals of one stock (a chip, a panel of somebody else) are common
there, and often absent elsewhere. Heterozygosity and F_ST then compare the stocks by what was chosen, not by what they
are. Two things together say so, and neither alone:

- **Rare alleles are missing in the unit.** Where mutation is neutral and size is constant, an allele with i copies
  among n is expected in proportion to 1/i + 1/(n - i), minor and major not told apart (Fu 1995 Theor Popul Biol
  48:172-197, from memory). `rare_ratio` is the number of rare alleles (below RARE_BELOW) over that of common ones, each
  over its expectation: 1 in such a stock, above it where a stock grew, below it after a bottleneck or where markers
  were chosen. Files often leave out alleles that are rare among all animals, which is no choice in one stock. So
  counting starts beyond the least frequency that the file holds: in a unit with a share w of the animals, an allele of
  its own passes a limit c on all animals from the frequency c / w on.
- **The unit has alleles that the others lack, and lacks none of theirs.** `private_ratio` is the number of markers that
  vary in a draw from another unit and not in one from this, over the number the other way round; draws are equally
  large. It is 1 between stocks of equal history, and low where the other lost alleles by drift. But a stock that is the
  richer one by its history holds its rare alleles too.

Both limits are chosen, no source; how often they call and miss stands in the test of this module.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import special

from homewater.genotypes.opened_species import OpenedSpecies
from homewater.statistics.allele_counts import AlleleCounts
from homewater.statistics.intervals import blocks_among, ratio_interval
from homewater.structure.diversity import chance_absent
from homewater.tables.kept_animals import not_of_its_site
from homewater.tables.schema_tables import empty_table
from homewater.tables.unit_names import sorted_units

RARE_BELOW = 0.25  # minor allele frequency that parts rare from common alleles
RARE_LIMIT = 0.9  # of the upper bound of rare_ratio: below it rare alleles are missing
POWER = 0.8  # chance at which the detectable ratio is stated
PRIVATE_LIMIT = 0.75  # of the upper bound of private_ratio
MARGIN = 1.5  # counting starts at so many times the file's least frequency, since its limit is not sharp in a unit
LATEST_START = 0.2  # and never beyond this frequency, so that rare alleles are left to count
FILE_LIMIT, FILE_COPIES = 0.02, 3.5  # a file whose least frequency exceeds both was filtered by frequency
LEAST_QUANTILE = 0.005  # of the markers may lie below what is called the least frequency in the file
CALLED = 0.9  # share of the copies of a unit to which its spectrum is projected, so that missing calls do not matter
MOST_COPIES, DRAWN = 100, 20  # copies of a unit's spectrum at most; copies of draws that are equally large in all units

NO_SIGN, RARE_MISSING, TOO_FEW = "no_sign", "rare_alleles_missing", "too_few"
CHOSEN_HERE, CHOSEN_ELSEWHERE = "chosen_here", "chosen_elsewhere"


@dataclass
class SpectrumSums:
    """Sums over markers, by block; filled a stretch of the genome at a time.

    Attributes:
        animals: int64 (n_units,), animals of each unit.
        drawn: copies of a draw.
        n_blocks: number of blocks.
        spectra: for each unit {copies called: int64 (n_blocks, copies + 1)}, markers by count of the alternate allele.
        variable: float64 (n_blocks, n_units, n_units), markers expected to vary in a draw of the first unit and not in
            one of the second; on the diagonal to vary in one of the unit.
        markers: float64 (n_blocks,), markers at which every unit has as many copies as a draw.
        least: the minor allele frequency of each marker among all animals, a stretch a part.
    """

    animals: np.ndarray
    drawn: int
    n_blocks: int
    spectra: list[dict[int, np.ndarray]] = field(default_factory=list)
    variable: np.ndarray = field(default_factory=lambda: np.zeros(0))
    markers: np.ndarray = field(default_factory=lambda: np.zeros(0))
    least: list[np.ndarray] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.spectra = [{} for _ in self.animals]
        self.variable = np.zeros((self.n_blocks, self.animals.size, self.animals.size))
        self.markers = np.zeros(self.n_blocks)

    def add(self, counts: np.ndarray, block: np.ndarray) -> None:
        """Add some markers.

        Args:
            counts: int (n_markers, n_units + 1, 4), genotype counts; all other animals come last.
            block: int (n_markers,), block of each marker.
        """
        alleles = AlleleCounts.of_genotypes(counts)
        whole = AlleleCounts(alleles.alternate.sum(axis=1), alleles.copies.sum(axis=1))
        self.least.append(np.minimum(whole.frequency, 1 - whole.frequency))
        alternate, copies = alleles.alternate[:, :-1], alleles.copies[:, :-1]
        for unit, spectrum in enumerate(self.spectra):
            for n in np.unique(copies[:, unit]).tolist():
                here = copies[:, unit] == n
                at = block[here] * (n + 1) + alternate[here, unit]
                found = np.bincount(at, minlength=self.n_blocks * (n + 1)).reshape(self.n_blocks, n + 1)
                spectrum[n] = spectrum.get(n, 0) + found
        enough = (copies >= self.drawn).all(axis=1)
        alternate, copies, where = alternate[enough], copies[enough], block[enough]
        fixed = chance_absent(alternate, copies, self.drawn) + chance_absent(copies - alternate, copies, self.drawn)
        both = (1 - fixed)[:, :, None] * fixed[:, None, :]
        unit = np.arange(self.animals.size)
        both[:, unit, unit] = 1 - fixed
        np.add.at(self.variable, where, both)
        self.markers += np.bincount(where, minlength=self.n_blocks)

    def least_frequency(self) -> float:
        """The least minor allele frequency that the file holds among all animals; NaN without markers."""
        known = np.concatenate(self.least) if self.least else np.zeros(0)
        known = known[known > 0]
        return float(np.quantile(known, LEAST_QUANTILE)) if known.size else np.nan


def projected(spectrum: dict[int, np.ndarray], n: int) -> np.ndarray:
    """Return the folded spectrum expected in draws of n copies, float64 (n_blocks, n // 2): 1, 2 .. minor copies.

    Args:
        spectrum: {copies called: (n_blocks, copies + 1)}, markers by count; markers with fewer than n are left out.
        n: copies of a draw, without replacement.

    Source: the hypergeometric distribution; projection as in Marth and others (2004) Genetics 166:351-372, from memory.
    """
    n_blocks = next(iter(spectrum.values())).shape[0] if spectrum else 0
    out = np.zeros((n_blocks, n + 1))
    for copies, found in spectrum.items():
        if copies < n:
            continue
        count, drawn = np.arange(copies + 1)[:, None], np.arange(n + 1)[None, :]
        possible = (drawn <= count) & (n - drawn <= copies - count)
        log = _log_choose(count, np.minimum(drawn, count))
        log = log + _log_choose(copies - count, np.clip(n - drawn, 0, copies - count)) - _log_choose(copies, n)
        out += found @ np.where(possible, np.exp(log), 0.0)
    return fold(out)


def fold(spectrum: np.ndarray) -> np.ndarray:
    """Return (..., n // 2) of (..., n + 1): markers with 1, 2 .. n // 2 copies of the rarer allele.

    Args:
        spectrum: markers by count of one allele, 0 to n.
    """
    n = spectrum.shape[-1] - 1
    minor = np.arange(1, n // 2 + 1)
    return spectrum[..., minor] + np.where(minor == n - minor, 0.0, spectrum[..., n - minor])


def neutral(n: int) -> np.ndarray:
    """Return float64 (n // 2,), what the folded spectrum of n copies is in proportion to in the neutral stock."""
    return fold(np.concatenate([[0.0], 1 / np.arange(1, n), [0.0]]) if n > 1 else np.zeros(n + 1))


def _log_choose(n: np.ndarray | int, k: np.ndarray | int) -> np.ndarray:
    n, k = np.asarray(n, dtype=np.float64), np.asarray(k, dtype=np.float64)
    return special.gammaln(n + 1) - special.gammaln(k + 1) - special.gammaln(n - k + 1)


def frequency_spectrum(species: OpenedSpecies, units: pd.DataFrame, min_individuals: int) -> pd.DataFrame:
    """Return table frequency_spectrum, one row a unit.

    Sites that define units count, outside contact zones, and their animals without a flag that they came from
    elsewhere.

    Args:
        species: genotypes, animals and markers; the technically sound markers are used, rare ones among them.
        units: table units.
        min_individuals: units with fewer animals are listed, and not judged.
    """
    animals, store = species.kept, species.store
    sites = units[(units["basis"] == "own_animals") & ~units["contact_zone"].astype(bool)]
    names = sorted_units(sites["unit"])
    if not names:
        return empty_table("frequency_spectrum")
    unit = animals["locationID"].map(dict(zip(sites["locationID"], sites["unit"], strict=True)))
    usable = animals["defines"].to_numpy() & ~not_of_its_site(animals)
    size = np.array([int((usable & (unit == name).to_numpy()).sum()) for name in names])
    judged = np.flatnonzero(size >= min_individuals)
    table = pd.DataFrame(
        {
            "unit": names,
            "n_animals": size,
            "n_sites": [int(animals.loc[usable & (unit == name).to_numpy(), "locationID"].nunique()) for name in names],
            "reading": TOO_FEW,
        }
    )
    group = np.full(store.n_samples, -1, dtype=np.int64)
    group[species.place[animals["defines"].to_numpy()]] = judged.size
    for k, row in enumerate(judged):
        group[species.place[usable & (unit == names[row]).to_numpy()]] = k
    sums = _sums(species, group, size[judged])
    if sums is not None:
        table = with_spectra(table, judged, sums, int(animals["defines"].sum()))
    columns = list(empty_table("frequency_spectrum").columns)
    return table.reindex(columns=columns + [name for name in table if name.startswith("minor_")])


def _sums(species: OpenedSpecies, group: np.ndarray, size: np.ndarray) -> SpectrumSums | None:
    """Return the sums over the sound markers; None without a unit to judge or a marker.

    Args:
        species: as in `frequency_spectrum`.
        group: int64 (n_samples,), unit of each animal of the store; all others that define units come last; -1 for
            animals that do not.
        size: int64 (n_units,), animals of each unit.
    """
    sound = species.technical_markers
    if not size.size or not sound.any():
        return None
    block = blocks_among(sound, species.store.loci)
    sums = SpectrumSums(size, min(DRAWN, _even(CALLED * size.min())), int(block.max()) + 1)
    for where, counts in species.store.genotype_count_blocks(group, size.size + 1):
        rows = np.flatnonzero(block[where] >= 0)
        sums.add(counts[rows], block[where][rows])
    return sums


def _even(animals: float) -> int:
    """Return the copies of so many animals, a part of one left out; at least one animal's."""
    return 2 * max(1, int(animals))


def with_spectra(table: pd.DataFrame, judged: np.ndarray, sums: SpectrumSums, n_defining: int) -> pd.DataFrame:
    """Return the table with the figures and readings of the units that are judged.

    Args:
        table: one row a unit.
        judged: int64 (n_units,), rows of the units that are judged, as in `sums`.
        sums: sums over markers.
        n_defining: all animals on which the file may have been filtered.
    """
    least, found = sums.least_frequency(), []
    filtered = least > max(FILE_LIMIT, FILE_COPIES / (2 * n_defining))
    for k in range(judged.size):
        figures: dict = {"copies": min(MOST_COPIES, _even(CALLED * sums.animals[k]))}
        figures |= rare_alleles(projected(sums.spectra[k], figures["copies"]), least * n_defining / sums.animals[k])
        variable = ratio_interval(sums.variable[:, k, k], sums.markers, sums.markers)
        names = ("share_variable", "share_variable_ci_low", "share_variable_ci_high")
        figures |= dict(zip(names, map(float, variable), strict=False))
        figures |= _private(sums, k, table["unit"].to_numpy()[judged])
        spectrum = projected(sums.spectra[k], sums.drawn).sum(axis=0)
        if spectrum.sum() > 0:
            figures |= {f"minor_{i + 1}": part for i, part in enumerate(spectrum / spectrum.sum())}
        rare = figures["rare_ratio_ci_high"] < RARE_LIMIT
        chosen = rare and figures["private_ratio_ci_high"] < PRIVATE_LIMIT
        figures["reading"] = CHOSEN_HERE if chosen else RARE_MISSING if rare or filtered else NO_SIGN
        found.append(figures)
    if any(figures["reading"] == CHOSEN_HERE for figures in found):
        for figures in found:
            figures["reading"] = CHOSEN_HERE if figures["reading"] == CHOSEN_HERE else CHOSEN_ELSEWHERE
    rows = pd.DataFrame(found, index=table.index[judged])
    table = table.drop(columns="reading").join(rows).fillna({"reading": TOO_FEW})
    known = {"n_markers": int(sums.markers.sum()), "drawn_copies": sums.drawn, "least_frequency": least}
    return table.assign(**known)


def rare_alleles(spectrum: np.ndarray, limit: float) -> dict[str, float]:
    """Return how many rare alleles a unit has for its common ones, against the neutral stock, with interval.

    Args:
        spectrum: float64 (n_blocks, n // 2), markers by copies of the rarer allele among n.
        limit: least frequency of an allele of this unit alone that the file would hold.
    """
    n_classes = spectrum.shape[1]
    frequency = np.arange(1, n_classes + 1) / (2 * n_classes)
    start = min(MARGIN * limit, LATEST_START)
    rare, common = (frequency >= start) & (frequency < RARE_BELOW), frequency >= RARE_BELOW
    expected = neutral(2 * n_classes)
    scale = expected[rare].sum() / expected[common].sum() if rare.any() else np.nan
    top, bottom = spectrum[:, rare].sum(axis=1), spectrum[:, common].sum(axis=1)
    ratio, low, high, error = map(float, ratio_interval(top / scale, bottom, spectrum.sum(axis=1)))
    found = {"rare_from": start, "rare_ratio": ratio, "rare_ratio_ci_low": low, "rare_ratio_ci_high": high}
    # the error of a ratio grows with it: the ratio at which POWER of the upper bounds lie below the limit
    reach = (high - ratio + special.ndtri(POWER) * error) / ratio if ratio > 0 else np.nan
    return found | {"detectable_rare_ratio": RARE_LIMIT / (1 + reach)}


def _private(sums: SpectrumSums, unit: int, names: np.ndarray) -> dict[str, float | str]:
    """Return the private ratio of a unit to the other unit that speaks most against a choice in this one."""
    found = dict.fromkeys(("private_ratio", "private_ratio_ci_low", "private_ratio_ci_high"), np.nan)
    worst = -np.inf
    for other in (k for k in range(len(names)) if k != unit):
        lacks, has = sums.variable[:, other, unit], sums.variable[:, unit, other]
        ratio = [float(part) for part in ratio_interval(lacks, has, sums.markers)[:3]]
        against = ratio[2] if np.isfinite(ratio[2]) else np.inf  # what cannot be told speaks against a choice
        if against > worst:
            worst, found = against, dict(zip(found, ratio, strict=False)) | {"private_ratio_unit": str(names[other])}
    return found
