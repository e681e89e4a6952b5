"""What the library finds in a study, called as a run calls it: simulated coasts meet the library here alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from tests.verification.coasts.found_blocks import blocks_in, outside, places
from tests.verification.coasts.study import Study

from homewater.running.seeds import draws
from homewater.statistics.allele_counts import n_animals
from homewater.units.break_rules import BreakRules
from homewater.units.breaks import breaks_table, find_breaks
from homewater.units.isolation_by_distance import ISOLATION_BY_DISTANCE, NOT_DETECTED, row_of
from homewater.units.partition import sites_in_units
from homewater.units.replicates import Replicates
from homewater.units.summary import statement_of
from homewater.units.tested_sites import TestedSites

RULES = BreakRules(min_break_fst=0.01, break_level=0.05, median_step_multiple=3.0)  # the defaults of config/README.md
CONTACT_T = 3.0  # of f3, beyond which the rule takes a place for a contact


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


def units_found(replicates: Replicates, km: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the tree's edges, the unit of each site and which sites are contact zones, by the rules of a run."""
    edges, cuts = find_breaks(replicates, km, RULES)
    cut = np.isin(np.arange(len(edges)), [c.edge for c in cuts if c.reading == "boundary"])
    return edges, *sites_in_units(replicates, km, edges, cut, RULES)


def as_tested_sites(study: Study) -> TestedSites:
    """Return the study as the steps of a run open it."""
    ids = [f"site-{i:02d}" for i in range(study.n_sites)]
    return TestedSites(ids, study.counts, n_animals(study.counts), study.block, study.km)


def found_in(study: Study) -> Found:
    """Return what the library finds in a study, as a run with the default settings does."""
    blocks = blocks_in(study)
    sites = as_tested_sites(outside(study, blocks))
    edges, cuts = find_breaks(sites.replicates, sites.km, RULES)
    table = breaks_table(edges, cuts, sites.ids, sites.km)
    boundary = [c for c in cuts if c.reading == "boundary"]
    cut = np.isin(np.arange(len(edges)), [c.edge for c in boundary])
    unit, contact = sites_in_units(sites.replicates, sites.km, edges, cut, RULES)
    row = row_of(sites.replicates, sites.km, "all", np.arange(study.n_sites), draws(0, "detectable", "topshell"))
    # what is not stated counts as above any level
    gradient = row["p_value_stated"] if row["reading"] in (ISOLATION_BY_DISTANCE, NOT_DETECTED) else 1.0
    n_units, readings, grades = int(unit.max()) + 1, table["reading"].tolist(), table["grade"].tolist()
    return Found(
        unit=unit,
        lines=tuple(Line(tuple(edges[c.edge].tolist()), c.excess, c.ci_low, c.ci_high) for c in boundary),
        isolates=(),
        contact=tuple(np.flatnonzero(contact).tolist()),
        statement=statement_of(n_units, study.n_sites, readings, grades, gradient),
        gradient_p=gradient,
        blocks=places(blocks),
    )
