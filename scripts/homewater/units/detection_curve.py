"""How small a line this study would have drawn, by the rule that draws lines: power over F_ST, by simulation.

A line is put in at one edge of the tree, by itself, and `find_lines` is asked whether it draws it there. The edge is
the one with the best sampling, then the one with the worst: by the harmonic sum of the animals at the nearest sites on
either side. Edges with a single site on one side are never lines, so they are not asked about. Then two stocks are made
to meet in a contact over several sites in mid-coast.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from homewater.running.seeds import Draws
from homewater.statistics.intervals import LIKELIHOOD_DROP, wilson
from homewater.tables.schema_tables import empty_table
from homewater.units.additive_coast import Ways
from homewater.units.break_rules import NEAR_SITES, BreakRules
from homewater.units.breaks import find_lines
from homewater.units.simulated_coasts import Coast, coast_of, drawn_studies
from homewater.units.tested_sites import TestedSites
from homewater.water.site_tree import nearest, sides

TRIED = np.geomspace(0.0005, 0.6, 24)  # F_ST tried first, 36 % apart
FIRST_STUDIES = 10  # studies at each of these
AROUND = 1.1 ** np.array([-5, -4, -3, -2, -1, 1, 2])  # tried then, in multiples of the first found often enough
MOST_FST = 0.7
CONTACT_SITES = 4  # of the contact put in, fewer where two sites on either side would not be left
TOLD = (0.5, 0.95)  # power at which F_ST is told beside the power asked for
STEEPNESS = np.geomspace(1, 60, 60)  # of power over the logarithm of F_ST; an e-fold at 60 is a jump


@dataclass(frozen=True)
class DetectableSettings:
    """Settings of the smallest detectable F_ST.

    Attributes:
        power: power wanted, in (0, 1).
        replicates: simulated studies behind each curve.
    """

    power: float
    replicates: int

    @classmethod
    def of_study(cls, settings: dict) -> DetectableSettings:
        """Return the settings of a study.

        Args:
            settings: section `units` of the settings.
        """
        return cls(settings["detectable_power"], settings["detectable_replicates"])


@dataclass(frozen=True)
class Place:
    """Where two stocks are put to meet.

    Attributes:
        kind: `best_sampled`, `worst_sampled` or `contact`.
        ends: the two sites between which it lies: neighbours, or the last that hold one stock alone.
        share: float64 (n_sites,), share of the second stock at each site.
        edges: int64, numbers of the edges at any of which a boundary counts as found.
    """

    kind: str
    ends: tuple[int, int]
    share: np.ndarray
    edges: np.ndarray


def line_places(edges: np.ndarray, km: np.ndarray, animals: np.ndarray) -> list[Place]:
    """Return the edges with the best and the worst sampling: none without an edge that may be a line, or one.

    Args:
        edges: int64 (n_edges, 2), the tree.
        km: float64 (n, n), distances by water, no NaN.
        animals: int64 (n,), animals of each site.
    """
    everyone, figure = np.arange(len(animals)), {}
    for edge, ends in enumerate(edges.tolist()):
        flanks = sides(edges, everyone, edge)
        if min(map(len, flanks)) > 1:
            here = [animals[nearest(km, end, side, NEAR_SITES)].sum() for end, side in zip(ends, flanks, strict=True)]
            figure[edge] = 1 / sum(1 / max(1, int(n)) for n in here)
    if not figure:
        return []
    best, worst = max(figure, key=figure.__getitem__), min(figure, key=figure.__getitem__)
    found = []
    for kind, edge in {"best_sampled": best, "worst_sampled": worst}.items():
        share = np.isin(everyone, sides(edges, everyone, edge)[1]).astype(np.float64)
        found.append(Place(kind, tuple(edges[edge].tolist()), share, np.array([edge])))
    return found if best != worst else found[:1]


def contact_place(edges: np.ndarray, km: np.ndarray) -> Place | None:
    """Return a contact over the middle sites of the longest way through the tree; None where the coast is too short.

    Shares follow a logistic curve over these sites, from a tenth to nine tenths. Sites off the way hold what the site
    holds at which they leave it.

    Args:
        edges: int64 (n_edges, 2), the tree.
        km: float64 (n, n), distances by water, no NaN.
    """
    n = len(km)
    ways = Ways(km, edges, np.arange(n))
    way = max((ways.between(i, j) for i in range(n) for j in range(i + 1, n)), key=len, default=[])
    if len(way) < 4:
        return None
    first = way[0][0] if way[0][0] not in way[1] else way[0][1]
    along = [first]
    for i, j in way:
        along.append(j if i == along[-1] else i)
    width = min(CONTACT_SITES, len(along) - 4)
    start = (len(along) - width) // 2
    place = np.arange(len(along)) - start  # of the first site of the contact, 0
    rising = special.expit(2 * special.logit(0.9) / width * (place - (width - 1) / 2))
    on_way = np.where(place < 0, 0.0, np.where(place >= width, 1.0, rising))
    share = np.full(n, np.nan)
    share[along] = on_way
    for site in np.flatnonzero(np.isnan(share)).tolist():
        leaves = next(end for edge in ways.between(site, along[0]) for end in edge if end in along)
        share[site] = share[leaves]
    numbers = {edge: k for k, edge in enumerate(map(tuple, edges.tolist()))}
    crossed = np.array([numbers[edge] for edge in way[start - 1 : start + width]])
    return Place("contact", (along[start - 1], along[start + width]), share, crossed)


@dataclass(frozen=True)
class Simulation:
    """What power at a place is simulated with.

    Attributes:
        coast: what studies are drawn from.
        km: float64 (n, n), distances by water, no NaN.
        rules: settings of the rule that draws lines.
        draws: gives the generator of each place and F_ST tried.
    """

    coast: Coast
    km: np.ndarray
    rules: BreakRules
    draws: Draws

    def found(self, place: Place, fst: float, studies: int) -> int:
        """Return in how many of some studies the line is drawn that was put in."""
        drawn = drawn_studies(self.coast, fst, place.share, studies, self.draws(f"{place.kind} {fst:.6g}"))
        lines = (find_lines(one, self.km, self.rules) for one in drawn)
        return sum(bool(one.boundaries[place.edges].any()) for one in lines)

    def curve(self, place: Place, settings: DetectableSettings) -> dict[float, tuple[int, int]]:
        """Return {F_ST: (found, studies)}: from halving a grid, then closely around the first found often enough."""
        tally: dict[float, tuple[int, int]] = {}
        low, high = -1, len(TRIED)
        while high - low > 1:  # power rises with F_ST
            middle = (low + high) // 2
            fst = float(TRIED[middle])
            tally[fst] = self.found(place, fst, FIRST_STUDIES), FIRST_STUDIES
            low, high = (low, middle) if tally[fst][0] >= settings.power * FIRST_STUDIES else (middle, high)
        if high == len(TRIED):
            return tally
        studies = max(2, (settings.replicates - FIRST_STUDIES * len(tally)) // len(AROUND))
        for fst in (float(TRIED[high]) * AROUND).tolist():
            if fst < MOST_FST:
                tally[fst] = self.found(place, fst, studies), studies
        return tally


def detection_curve(tested: TestedSites, rules: BreakRules, settings: DetectableSettings, draws: Draws) -> pd.DataFrame:
    """Return table detection_curve: one row a place and F_ST tried.

    Args:
        tested: the sites that have animals enough.
        rules: settings of the rule that draws lines.
        settings: power wanted, and simulated studies a place.
        draws: gives the generator of each place and F_ST tried.

    Returns:
        No rows where no edge of the tree can be a line, or fewer than two blocks of the genome tell an error.
    """
    km = tested.bridged_km if tested.ids else np.zeros((0, 0))
    places = line_places(tested.edges, km, tested.animals) if len(tested.ids) > 3 else []
    if not places or tested.replicates.degrees < 1:
        return empty_table("detection_curve")
    coast = coast_of(tested, find_lines(tested.replicates, km, rules))
    if len(np.unique(coast.block)) < 2:
        return empty_table("detection_curve")
    contact = contact_place(tested.edges, km)
    simulation, rows = Simulation(coast, km, rules, draws), []
    for place in [*places, contact] if contact else places:
        for fst, (found, studies) in sorted(simulation.curve(place, settings).items()):
            low, high = wilson(found, studies)
            rows.append(
                {
                    "kind": place.kind,
                    "side_a": tested.ids[place.ends[0]],
                    "side_b": tested.ids[place.ends[1]],
                    "n_contact_sites": int(((place.share > 0) & (place.share < 1)).sum()),
                    "fst": fst,
                    "n_studies": studies,
                    "n_found": found,
                    "power": found / studies,
                    "ci_low": float(low),
                    "ci_high": float(high),
                }
            )
    return pd.DataFrame(rows)


@dataclass(frozen=True)
class Detectable:
    """F_ST at which a line is drawn with the power wanted, at one place.

    Attributes:
        value: F_ST; NaN where no F_ST tried was found so often.
        ci_low: lower bound of its 95 % interval, by profile likelihood; NaN likewise.
        ci_high: upper bound.
        at: F_ST at each power of TOLD.
    """

    value: float
    ci_low: float
    ci_high: float
    at: dict[float, float]


def smallest_detectable(curve: pd.DataFrame, power: float) -> Detectable:
    """Return the F_ST found with the power wanted, by a logistic curve over the logarithm of F_ST.

    The likelihood is laid out on a grid of that F_ST and of the curve's steepness, since studies that jump from none
    found to all leave it flat between them; the middle of what is likeliest counts.

    Args:
        curve: rows of table detection_curve of one place.
        power: power wanted.
    """
    fst, found, studies = (curve[name].to_numpy(dtype=np.float64) for name in ("fst", "n_found", "n_studies"))
    unknown = Detectable(float("nan"), float("nan"), float("nan"), dict.fromkeys(TOLD, float("nan")))
    if not len(fst) or (found / studies).max() < power:
        return unknown
    at = np.linspace(np.log(fst.min()), np.log(fst.max()) + 0.5, 800)  # the interval may reach beyond what was tried
    eta = special.logit(power) + STEEPNESS[None, :, None] * (np.log(fst) - at[:, None, None])
    likelihood = (found * special.log_expit(eta) + (studies - found) * special.log_expit(-eta)).sum(axis=2)
    profile = likelihood.max(axis=1)
    top = np.flatnonzero(profile >= profile.max() - 1e-6)
    best = int(top[len(top) // 2])
    steep = float(STEEPNESS[likelihood[best].argmax()])
    within = at[profile >= profile.max() - LIKELIHOOD_DROP]
    told = {p: float(np.exp(at[best] + (special.logit(p) - special.logit(power)) / steep)) for p in TOLD}
    return Detectable(float(np.exp(at[best])), float(np.exp(within[0])), float(np.exp(within[-1])), told)


def detectable_places(curve: pd.DataFrame, power: float) -> list[dict]:
    """Return of each place what the curve says: where it lies, F_ST found with the power wanted, with half and 95 %.

    Args:
        curve: table detection_curve.
        power: power wanted.
    """
    found = []
    for kind, rows in curve.groupby("kind", sort=False):
        here, told = rows.iloc[0], smallest_detectable(rows, power)
        found.append(
            {
                "kind": str(kind),
                "side_a": str(here["side_a"]),
                "side_b": str(here["side_b"]),
                "n_contact_sites": int(here["n_contact_sites"]),
                "value": told.value,
                "ci_low": told.ci_low,
                "ci_high": told.ci_high,
                "fst_seen_by_half": told.at[TOLD[0]],
                "fst_seen_by_95": told.at[TOLD[1]],
            }
        )
    return found
