"""How firm each line is, and each site that stands apart: whether it is found again when the study is changed.

Each is looked for again without each site in turn, with half of the animals, with half of the chromosomes, and by
limits half and twice as strict. Intervals say how well a figure is known where a line is; this says whether the line
would have been drawn, by all rules together, had the sample been a little other.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from homewater.genotypes.opened_species import OpenedSpecies
from homewater.running.seeds import Draws
from homewater.statistics.fst import block_weights, pair_components
from homewater.statistics.intervals import MIN_CHROMOSOMES
from homewater.tables.schema_tables import empty_table
from homewater.units.additive_coast import Ways
from homewater.units.animal_halves import halved_replicates
from homewater.units.break_rules import BreakRules
from homewater.units.breaks import Lines, find_lines
from homewater.units.replicates import Replicates, replicates_of_sums
from homewater.units.tested_sites import TestedSites
from homewater.water.site_tree import nearest, sides

CHROMOSOME_HALVES = 20  # a share of them is then known to within 0.22 at worst
FIRM, FAIR = 0.9, 0.5  # least support of each reading; chosen, no source


@dataclass(frozen=True)
class Wanted:
    """A line, or a site that stands apart, that is looked for again.

    Attributes:
        name: break of table breaks, or the site.
        kind: `line`, `contact` or `site_apart`.
        one: int64, sites of the stock on one side, contacts left out; of a site apart that site alone.
        other: int64, those on the other side; of a site apart none.
    """

    name: str
    kind: str
    one: np.ndarray
    other: np.ndarray


def wanted_of(lines: Lines, ids: list[str]) -> list[Wanted]:
    """Return the lines and the sites apart that were found: lines as in table breaks, then sites in their order.

    Args:
        lines: what was found.
        ids: locationIDs, in the order of the site numbers.
    """
    search, everyone = lines.search, np.arange(len(ids))
    found = []
    for number, cut in enumerate(lines.cuts):
        if cut.reading != "boundary":
            continue
        flanks = []
        for end, side in zip(search.edges[cut.edge].tolist(), sides(search.edges, everyone, cut.edge), strict=True):
            pure = side[~lines.contact[side]]
            stock = lines.part[nearest(search.km, end, pure, 1)]
            flanks.append(pure[np.isin(lines.part[pure], stock)])
        found.append(Wanted(f"break_{number + 1}", "contact" if cut.n_contact_sites else "line", *flanks))
    nobody = np.zeros(0, dtype=np.int64)
    return found + [Wanted(ids[d.site], "site_apart", np.array([d.site]), nobody) for d in lines.drifts if d.apart]


def found_again(wanted: Wanted, lines: Lines, kept: np.ndarray) -> bool | None:
    """Whether a line or a site apart is found again in a changed study; None where too few sites are left to ask.

    A line is, where a boundary runs on the way between the two sites of its stocks that lie nearest to each other and
    in no contact; for a line between neighbours that is the same place, or a contact across it. Where one site alone is
    left of a stock, no line can part it by the rules; then it must stand apart.

    Args:
        wanted: what is looked for.
        lines: what was found in the changed study.
        kept: int64 (n_kept,), ascending: its sites, as numbers of the whole study.
    """
    apart = {d.site for d in lines.drifts if d.apart}
    left = [np.searchsorted(kept, group[np.isin(group, kept)]) for group in (wanted.one, wanted.other)]
    if wanted.kind == "site_apart":
        return int(left[0][0]) in apart if len(left[0]) else None
    if min(map(len, left)) == 0:
        return None
    if any(len(group) == 1 and int(group[0]) in apart for group in left):
        return True
    one, other = (group[~lines.contact[group]] for group in left)
    if min(len(one), len(other)) == 0:
        return False
    search = lines.search
    km = search.km[np.ix_(one, other)]
    a, b = np.unravel_index(km.argmin(), km.shape)
    way = Ways(search.km, search.edges, np.arange(len(kept))).between(int(one[a]), int(other[b]))
    lines_at = set(map(tuple, search.edges[lines.boundaries].tolist()))
    return any(edge in lines_at for edge in way)


def at_limits(rules: BreakRules, times: float) -> BreakRules:
    """Return rules whose limits are so many times as strict: least F_ST, level, and what a line needs beyond a step.

    Args:
        rules: settings.
        times: above 1 for stricter ones.
    """
    return BreakRules(
        rules.min_break_fst * times, rules.break_level / times, 1 + (rules.median_step_multiple - 1) * times
    )


@dataclass(frozen=True)
class Changed:
    """Pairwise figures of the sites as sums of blocks, and the study that they are from.

    Attributes:
        numerator: float64 (n_blocks, n_pairs), as `pair_components` gives it.
        denominator: float64 (n_blocks, n_pairs), likewise.
        weights: int64 (n_blocks,), markers a block.
        km: float64 (n, n), distances by water, no NaN.
    """

    numerator: np.ndarray
    denominator: np.ndarray
    weights: np.ndarray
    km: np.ndarray

    def without(self, site: int) -> tuple[Replicates, np.ndarray]:
        """Return the figures of all sites but one, and the sites that are left."""
        kept = np.delete(np.arange(len(self.km)), site)
        first, second = np.triu_indices(len(self.km), 1)
        pairs = (first != site) & (second != site)
        sums = self.numerator[:, pairs], self.denominator[:, pairs]
        return replicates_of_sums(*sums, self.weights, len(kept)), kept

    def of_blocks(self, chosen: np.ndarray) -> Replicates:
        """Return the figures from some blocks."""
        return replicates_of_sums(self.numerator[chosen], self.denominator[chosen], self.weights[chosen], len(self.km))


def line_support(tested: TestedSites, species: OpenedSpecies, rules: BreakRules, draws: Draws) -> pd.DataFrame:
    """Return table line_support: one row a line or site that stands apart.

    Args:
        tested: the sites that have animals enough.
        species: the genotypes that they were counted from, blocks of the genome left out likewise.
        rules: settings.
        draws: gives the generators of the halves of animals and of chromosomes.
    """
    km, n = tested.bridged_km, len(tested.ids)
    wanted = wanted_of(find_lines(tested.replicates, km, rules), tested.ids) if n else []
    if not wanted:
        return empty_table("line_support")
    changed = Changed(*pair_components(tested.counts, tested.block), block_weights(tested.block), km)
    everyone = np.arange(n)
    chromosomes = species.store.loci["chrom"].to_numpy()[species.technical_markers]
    halves = chromosome_halves(changed.weights, len(np.unique(chromosomes)), draws("chromosomes"))

    def again(replicates: Replicates, kept: np.ndarray, limits: BreakRules = rules) -> list[bool | None]:
        lines = find_lines(replicates, km[np.ix_(kept, kept)], limits)
        return [found_again(one, lines, kept) for one in wanted]

    by_change = {
        "sites": _table((again(*changed.without(site)) for site in range(n)), len(wanted)),
        "animals": _table(
            (again(half, everyone) for half in halved_replicates(species, tested.ids, draws("animals"))), len(wanted)
        ),
        "chromosomes": _table((again(changed.of_blocks(half), everyone) for half in halves), len(wanted)),
    }
    limits = {
        name: again(tested.replicates, everyone, at_limits(rules, times))
        for name, times in (("at_half_threshold", 0.5), ("at_double_threshold", 2.0))
    }
    return support_table(wanted, by_change, limits)


def chromosome_halves(weights: np.ndarray, n_chromosomes: int, rng: np.random.Generator) -> list[np.ndarray]:
    """Return random halves of the chromosomes that hold markers, int64 each.

    Args:
        weights: int64 (n_blocks,), markers a block.
        n_chromosomes: chromosomes with markers; with too few of them to be blocks themselves there are no halves.
        rng: draws them.
    """
    held = np.flatnonzero(weights > 0)
    if n_chromosomes < MIN_CHROMOSOMES:
        return []
    return [np.sort(rng.permutation(held)[: (len(held) + 1) // 2]) for _ in range(CHROMOSOME_HALVES)]


def _table(found: Iterable[list[bool | None]], n_wanted: int) -> np.ndarray:
    """Return float64 (n_changes, n_wanted): 1 found again, 0 not, NaN not asked."""
    rows = [[np.nan if one is None else float(one) for one in of_change] for of_change in found]
    return np.array(rows, dtype=np.float64).reshape(-1, n_wanted)


def support_table(
    wanted: list[Wanted], by_change: dict[str, np.ndarray], limits: dict[str, list[bool | None]]
) -> pd.DataFrame:
    """Return table line_support.

    Args:
        wanted: what was looked for again.
        by_change: {sites, animals, chromosomes: float64 (n_changes, n_wanted), 1 found again, 0 not, NaN not asked}.
        limits: {at_half_threshold, at_double_threshold: whether each was found by these limits}.
    """
    columns: dict[str, list] = {"line": [one.name for one in wanted], "kind": [one.kind for one in wanted]}
    shares = []
    for name, found in by_change.items():
        asked = np.isfinite(found)
        n = asked.sum(axis=0)
        with np.errstate(invalid="ignore"):
            share = np.where(n > 0, np.where(asked, found, 0.0).sum(axis=0) / np.maximum(n, 1), np.nan)
        shares.append(share)
        columns |= {f"{name}_share": share.tolist(), f"n_{name}_changes": n.tolist()}
    columns |= {name: [bool(one) for one in found] for name, found in limits.items()}
    known = np.where(np.isfinite(shares), shares, np.inf).min(axis=0)
    support = np.where(np.isfinite(known), known, np.nan)
    both = np.all([columns[name] for name in limits], axis=0)
    reading = np.where((support >= FIRM) & both, "firm", np.where(support >= FAIR, "fair", "loose"))
    return pd.DataFrame(columns | {"support": support, "reading": reading})
