"""The rules of a line, in one place: when an edge is a boundary, when a site stands apart, when a site is a mixture."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

NEAR_SITES = 3  # sites on either side from which a change is read: fewer are noisier, more reach beyond the place
MIN_F3_T = -3.0  # the threshold of Patterson et al. (2012) Genetics 192:1065-1093
MIN_ERRORS = 3.0  # the same, for a share
CONTACT_SHARE = (0.1, 0.9)  # a place with a smaller share of one side than this is called pure (common practice)
SPREADS = 8.0  # a line or a site apart lies so many spreads beyond the median: steps that vary by half among
# themselves (log-normal) reach that in one edge of a thousand; chosen, no source
LEAST_F3_SHARE = 0.1  # f3 over the difference of the sources: a mixture of one to nine has 0.09, an even one 0.25


@dataclass(frozen=True)
class BreakRules:
    """Settings of a break.

    Attributes:
        min_break_fst: least F_ST beyond distance of a line, and least F_ST of own drift of a site that stands apart.
        break_level: level of the tests before correction.
        median_step_multiple: least size of a line with a median step, in median steps; of a site's own drift, in median
            own drifts.
    """

    min_break_fst: float
    break_level: float
    median_step_multiple: float

    @classmethod
    def of_study(cls, settings: dict) -> BreakRules:
        """Return the rules of a study.

        Args:
            settings: section `units` of the settings.
        """
        return cls(settings["min_break_fst"], settings["break_level"], settings["median_step_multiple"])


@dataclass(frozen=True)
class Cut:
    """One edge and the evidence for a break there.

    Attributes:
        edge: number of the edge in the tree.
        level: level of the hierarchy at which it was last tested, from 1.
        excess: F_ST beyond distance; ci_low, ci_high its 95 % interval.
        p_value: one-sided, of nothing beyond the median step, before correction; p_adjusted after Bonferroni over edges
            and levels.
        p_nearby: one-sided, of no excess; not corrected, for it only guards a place that passes the first.
        step: change across the edge as F_ST, distance and excess together, own drift of the sites left out.
        expected_step: what distance explains of it.
        median_step: what distance explains, at the rate near this edge, of an edge of median length.
        spread: by how much an edge of its length varies among the others, F_ST: their median deviation, as a normal
            standard deviation.
        n_contact_sites: sites of the contact through which a boundary runs; 0 for a sharp line and elsewhere.
        reading: see `reading_of`; or `contact_zone`, inside a contact; or `end_of_coast`, the one edge of a site at an
            end.
        grade: see `grade_of`.
    """

    edge: int
    level: int
    excess: float
    ci_low: float
    ci_high: float
    p_value: float
    p_nearby: float
    p_adjusted: float
    step: float
    expected_step: float
    median_step: float
    spread: float
    n_contact_sites: int
    reading: str
    grade: str


def reading_of(cut: Cut, rules: BreakRules) -> str:
    """Return what an edge's numbers say, by the one set of rules.

    `distance_unknown`: no other edge tells what distance explains. `not_detected`: the tests do not reject a mere
    gradient, whether of the median step or of the steps nearby. `below_least_fst`: detectable, too small to manage
    separately by the stated rule. `within_gradient`: large enough, but with a median step not several times that step,
    or no more than steps vary among themselves. `boundary`: all conditions hold.

    The yardstick is a step of median length, not the edge's own: what the edge's own length explains is off the excess
    already, and a break in a wide unsampled stretch is no less of a break.
    """
    if np.isnan(cut.expected_step):
        return "distance_unknown"
    if not (cut.p_adjusted < rules.break_level and cut.p_nearby < rules.break_level):
        return "not_detected"
    if cut.excess < rules.min_break_fst:
        return "below_least_fst"
    if cut.excess < max((rules.median_step_multiple - 1) * cut.median_step, SPREADS * cut.spread):
        return "within_gradient"
    return "boundary"


def grade_of(cut: Cut, rules: BreakRules) -> str:
    """Return the grade of an edge, by the one set of rules.

    `strong`: a boundary whose whole interval lies above the least F_ST; `moderate`: a boundary whose interval does not;
    `weak`: a difference that is detectable, or whose distance is unknown, but makes no boundary; `none`: nothing
    detected.
    """
    if cut.reading == "boundary":
        return "strong" if cut.ci_low >= rules.min_break_fst else "moderate"
    if cut.reading == "distance_unknown":
        return "weak" if cut.ci_low >= rules.min_break_fst else "none"
    return "none" if cut.reading in ("not_detected", "end_of_coast") else "weak"


def stands_apart(excess: float, p_adjusted: float, ordinary: float, spread: float, rules: BreakRules) -> bool:
    """Whether a site stands apart by drift of its own, by the same limits as a line.

    Args:
        excess: own drift beyond the ordinary, F_ST.
        p_adjusted: one-sided p of none, after Bonferroni over the sites.
        ordinary: what is ordinary here, F_ST: the median own drift of the other sites, or the median step if larger.
        spread: by how much the other sites' own drift varies, F_ST, as a normal standard deviation.
        rules: settings.
    """
    least = max(rules.min_break_fst, (rules.median_step_multiple - 1) * ordinary, SPREADS * spread)
    return bool(p_adjusted < rules.break_level and excess >= least)


def is_contact_share(share: float, error: float, f3_t: float) -> bool:
    """Whether a site beside a line lies in the contact zone.

    Its share of either side exceeds a tenth, and differs from none and from all by MIN_ERRORS standard errors, or f3 is
    negative beyond doubt.

    Args:
        share: share of one side.
        error: its standard error.
        f3_t: t value of f3 with both sides as sources.
    """
    low, high = CONTACT_SHARE
    return bool(low < share < high and (f3_t < MIN_F3_T or min(share, 1 - share) > MIN_ERRORS * error))


def is_mixed_place(share: float, apart: float, own_drift_low: float, f3_t: float, rules: BreakRules) -> bool:
    """Whether a place with a line on either side is where the two sides meet, and no unit of its own.

    The share of each side exceeds a tenth, and either f3 is negative beyond doubt, or what no mixture explains is not
    proved to exceed the least F_ST and half of what the mixture explains of the difference to the nearer side: a unit
    of its own needs proof.

    Args:
        share: share of one side.
        apart: differentiation between the two sides, F / (1 - F).
        own_drift_low: lower bound of the one-sided 95 % interval of the place's own drift, F / (1 - F).
        f3_t: t value of f3 with both sides as sources.
        rules: settings.
    """
    low, high = CONTACT_SHARE
    if not low < share < high:
        return False
    explained = min(share, 1 - share) ** 2 * apart
    return bool(f3_t < MIN_F3_T or not own_drift_low > max(rules.min_break_fst, explained / 2))
