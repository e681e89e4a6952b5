"""What the library finds in a study, called as a run calls it: simulated coasts meet the library here alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from tests.verification.coasts.found_blocks import blocks_in, outside, places
from tests.verification.coasts.study import Study

from homewater.running.seeds import draws
from homewater.statistics.allele_counts import n_animals
from homewater.units.break_rules import BreakRules
from homewater.units.breaks import LineTables, breaks_table, find_lines
from homewater.units.isolation_by_distance import ISOLATION_BY_DISTANCE, NOT_DETECTED, row_of
from homewater.units.overall_fst import overall_table
from homewater.units.overall_test import OverallTest
from homewater.units.replicates import Replicates
from homewater.units.site_drift import site_drift_table
from homewater.units.statements import statement_of, what_was_found
from homewater.units.tested_sites import TestedSites

RULES = BreakRules(min_break_fst=0.01, break_level=0.05, median_step_multiple=3.0)  # the defaults of config/README.md


@dataclass(frozen=True)
class Line:
    """A line between two sites.

    Attributes:
        sites: the two facing sites.
        fst: F_ST beyond distance.
        low: lower end of its 95 % interval.
        high: upper end.
    """

    sites: tuple[int, int]
    fst: float
    low: float
    high: float


@dataclass(frozen=True)
class Found:
    """What was found.

    Attributes:
        unit: int64 (n_sites,), unit of each site.
        lines: lines between stocks; those that only set an isolate apart are none.
        isolates: sites that stand apart by drift of their own.
        contact: sites of contacts.
        statement: id of the statement that heads the page.
        gradient_p: p value by which isolation by distance is stated.
        blocks: (chromosome, start, end, reading) of each block of the genome.
    """

    unit: np.ndarray
    lines: tuple[Line, ...]
    isolates: tuple[int, ...]
    contact: tuple[int, ...]
    statement: str
    gradient_p: float
    blocks: tuple[tuple[int, int, int, str], ...]

    @property
    def n_units(self) -> int:
        """Number of units."""
        return len(set(self.unit.tolist()))


def units_found(replicates: Replicates, km: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the unit of each site and which sites are contact zones, by the rules of a run.

    Args:
        replicates: pairwise figures of the sites.
        km: float64 (n_sites, n_sites), distances by water.
    """
    lines = find_lines(replicates, km, RULES)
    return lines.part, lines.contact


def as_tested_sites(study: Study) -> TestedSites:
    """Return the study as the steps of a run open it."""
    ids = [f"site-{i:02d}" for i in range(study.n_sites)]
    return TestedSites(ids, study.counts, n_animals(study.counts), study.block, study.km)


def found_in(study: Study) -> Found:
    """Return what the library finds in a study, as a run with the default settings does."""
    blocks = blocks_in(study)
    sites = as_tested_sites(outside(study, blocks))
    lines = find_lines(sites.replicates, sites.km, RULES)
    drift = site_drift_table(lines.drifts, lines.search, sites.ids, lines.part, lines.contact)
    tables = LineTables(breaks_table(lines, sites.ids, sites.km), drift)
    row = row_of(
        sites.replicates, sites.km, "all", np.arange(study.n_sites), draws(0, "isolation_by_distance", "topshell")
    )
    overall = overall_table(sites.counts, sites.block, [""] * study.n_sites).iloc[0]
    fst = (float(overall[name]) for name in ("fst", "ci_low", "ci_high"))
    test = OverallTest(*fst, 0, 0, len(places(blocks)))  # no animals here: pairs and axes are left out
    findings = what_was_found(int(lines.part.max()) + 1, tables, test, row, RULES)
    # what is not stated counts as above any level
    gradient = row["p_value_stated"] if row["reading"] in (ISOLATION_BY_DISTANCE, NOT_DETECTED) else 1.0
    boundary = [c for c in lines.cuts if c.reading == "boundary"]
    return Found(
        unit=lines.part,
        lines=tuple(Line(tuple(lines.search.edges[c.edge].tolist()), c.excess, c.ci_low, c.ci_high) for c in boundary),
        isolates=tuple(d.site for d in lines.drifts if d.apart),
        contact=tuple(np.flatnonzero(lines.contact).tolist()),
        statement=statement_of(findings),
        gradient_p=gradient,
        blocks=places(blocks),
    )
