"""The rules of a break, in one place: when an edge is a boundary, how it is graded, when a place is a contact zone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from homewater.units.contact import ContactEvidence

NEAR_SITES = 3  # sites on either side whose pairs make the excess: fewer are noisier, more reach beyond the place
MIN_F3_T = -3.0  # the threshold of Patterson et al. (2012) Genetics 192:1065-1093
MIN_ERRORS = 3.0  # the same, for a share
CONTACT_SHARE = (0.1, 0.9)  # a place with a smaller share of one side than this is called pure (common practice)


@dataclass(frozen=True)
class BreakRules:
    """Settings of a break.

    Attributes:
        min_break_fst: least F_ST beyond distance.
        break_level: level of the test before correction.
        median_step_multiple: least size of a break with a median step, in median steps.
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
        facing: excess of the two facing sites alone; it helps to place a break, and decides nothing else.
        step: differentiation of the edge as F_ST, distance and excess together.
        expected_step: what distance explains of it.
        median_step: what distance explains, at the rate near this edge, of an edge of median length.
        reading: see `reading_of`, or `contact_zone`.
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
    facing: float
    step: float
    expected_step: float
    median_step: float
    reading: str
    grade: str


def reading_of(cut: Cut, rules: BreakRules) -> str:
    """Return what an edge's numbers say, by the one set of rules.

    `distance_unknown`: no other edge tells what distance explains. `not_detected`: the tests do not reject a mere
    gradient, whether of the median step or of the steps nearby. `below_least_fst`: detectable, too small to manage
    separately by the stated rule. `within_gradient`: large enough, but with a median step not several times that step.
    `boundary`: all conditions hold.

    The yardstick is a step of median length, not the edge's own: what the edge's own length explains is off the excess
    already, and a break in a wide unsampled stretch is no less of a break.
    """
    if np.isnan(cut.expected_step):
        return "distance_unknown"
    if not (cut.p_adjusted < rules.break_level and cut.p_nearby < rules.break_level):
        return "not_detected"
    if cut.excess < rules.min_break_fst:
        return "below_least_fst"
    if cut.excess + cut.median_step < rules.median_step_multiple * cut.median_step:
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
    return "none" if cut.reading == "not_detected" else "weak"


def is_contact_place(found: ContactEvidence, rules: BreakRules) -> bool:
    """Whether a place between two units is where they meet, and no unit of its own.

    The two sides differ by the least F_ST and beyond doubt: two parts of one lineage have no mixture to speak of, and
    the share would be a ratio of noises. The share of each side exceeds a tenth, and either f3 is negative beyond
    doubt, or what no mixture explains is not proved to exceed the least F_ST and half of what the mixture explains of
    the difference to the nearer side: a unit of its own needs proof.
    """
    low, high = CONTACT_SHARE
    if not (found.spread_low > 0 and found.spread >= rules.min_break_fst and low < found.share < high):
        return False
    explained = min(found.share, 1 - found.share) ** 2 * found.spread
    return found.f3_t < MIN_F3_T or not found.own_drift_low > max(rules.min_break_fst, explained / 2)


def is_contact_site(found: ContactEvidence) -> bool:
    """Whether a site of a unit beside a boundary lies in the contact zone.

    Its share of either side exceeds a tenth, and differs from none and from all by MIN_ERRORS standard errors, or f3 is
    negative beyond doubt.
    """
    low, high = CONTACT_SHARE
    if not (found.spread_low > 0 and low < found.share < high):
        return False
    nearest_end = min(found.share, 1 - found.share)
    return found.f3_t < MIN_F3_T or nearest_end > MIN_ERRORS * found.share_error
