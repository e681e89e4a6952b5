"""A study with known truth, as the library is given it: genotype counts by site, blocks, distances."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

KM = 50.0  # between neighbouring sites, unless a coast says otherwise


@dataclass(frozen=True)
class PlantedBlock:
    """A stretch of the genome whose frequencies have a history of their own.

    Attributes:
        chromosome: as in `Study.block`.
        start: first base pair.
        end: last base pair.
    """

    chromosome: int
    start: int
    end: int


@dataclass(frozen=True)
class Truth:
    """What was planted.

    Attributes:
        unit: int64 (n_sites,), stock of each site; -1 where a site is of two stocks (a contact).
        isolates: sites that stand apart by drift of their own.
        contact: sites where the share of either source lies between a tenth and nine tenths.
        unclear: sites whose share lies so near to a tenth or nine tenths that either answer is right.
        share: float64 (n_sites,), share of the first source; NaN where there are not two.
        blocks: stretches of the genome that tell another story.
        line_fst: differentiation across the line beyond distance and own drift, F of F / (1 - F); NaN without a line.
    """

    unit: np.ndarray
    isolates: tuple[int, ...] = ()
    contact: tuple[int, ...] = ()
    unclear: tuple[int, ...] = ()
    share: np.ndarray | None = None
    blocks: tuple[PlantedBlock, ...] = ()
    line_fst: float = float("nan")

    @property
    def n_units(self) -> int:
        """Number of stocks, isolates among them."""
        return len(set(self.unit[self.unit >= 0].tolist()))

    @property
    def judged(self) -> np.ndarray:
        """Sites of one stock alone, bool (n_sites,)."""
        judged = self.unit >= 0
        judged[list(self.contact + self.unclear)] = False
        return judged


@dataclass(frozen=True)
class Study:
    """What the library is given, and the truth.

    Attributes:
        counts: int32 (n_markers, n_sites, 4), homozygous reference, heterozygous, homozygous alternate, missing.
        block: int64 (n_markers,), chromosome of each marker, from 0, in order.
        pos: int64 (n_markers,), base pairs on the chromosome, rising.
        km: float64 (n_sites, n_sites), distances by water.
        truth: what was planted.
        dosages: int8 (n_markers, n_animals), genotypes of the animals, where the coast was drawn animal by animal.
        site: int64 (n_animals,), site of each animal; None like `dosages`.
    """

    counts: np.ndarray
    block: np.ndarray
    pos: np.ndarray
    km: np.ndarray
    truth: Truth
    dosages: np.ndarray | None = None
    site: np.ndarray | None = None

    @property
    def n_sites(self) -> int:
        """Number of sites."""
        return self.counts.shape[1]


def along(places: np.ndarray) -> np.ndarray:
    """Return distances between sites of one coast, float64 (n, n), from their places along it, km."""
    places = np.asarray(places, dtype=np.float64)
    return np.abs(places[:, None] - places[None, :])


def counts_of(animals: np.ndarray, site: np.ndarray, n_sites: int) -> np.ndarray:
    """Return genotype counts of groups of animals, int32 (n_markers, n_sites, 4).

    Args:
        animals: int8 (n_markers, n_animals), copies of the alternate allele, -1 where missing.
        site: int (n_animals,), group of each animal; others count nowhere.
        n_sites: number of groups.
    """
    groups = [animals[:, site == g] for g in range(n_sites)]
    counts = [np.stack([(one == d).sum(axis=1) for d in (0, 1, 2, -1)], axis=1) for one in groups]
    return np.stack(counts, axis=1).astype(np.int32)


def contact_truth(share: np.ndarray, line_fst: float) -> Truth:
    """Return the truth of a contact of two stocks, from the share of the first at each site.

    A site lies in the contact where its share is between a tenth and nine tenths. Where the share is within 0.05 of
    one of these limits either answer is right, since thirty animals cannot tell.

    Args:
        share: float64 (n_sites,), falling along the coast.
        line_fst: F_ST of the two sources.
    """
    unit = np.where(share > 0.9, 0, np.where(share < 0.1, 1, -1)).astype(np.int64)
    near = np.minimum(np.abs(share - 0.1), np.abs(share - 0.9)) < 0.05
    numbers = np.arange(len(share))
    return Truth(
        unit=unit,
        contact=tuple(numbers[(unit < 0) & ~near].tolist()),
        unclear=tuple(numbers[near].tolist()),
        share=share,
        line_fst=line_fst,
    )


def logistic_shares(n_flank: int, width: int) -> np.ndarray:
    """Return a cline of shares, float64 (2 n_flank + width,), of which `width` lie between a tenth and nine tenths.

    Args:
        n_flank: sites beyond the contact, on either side.
        width: sites of the contact.
    """
    place = np.arange(2 * n_flank + width) - (2 * n_flank + width - 1) / 2
    return 1 / (1 + np.exp(place * 2 * np.log(9) / width))  # a half site beyond the last it is exactly a tenth
