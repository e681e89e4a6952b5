"""How many true locals may be flagged, and how the two tests that flag animals share that rate.

The ratio test asks whether another class explains an animal better than its local unit; the test for an unsampled
origin asks whether any class explains it at all. The panel, its proof and the verdicts need the same split.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from homewater.tables.kept_animals import evenly_spaced

MIN_TYPED = 50  # below this the normal approximation of the score is poor, and nothing is excluded


@dataclass(frozen=True)
class FlagRates:
    """The study's choice of how many true locals may be flagged.

    Attributes:
        false_flag_rate: share of true locals that both tests together may flag, in (0, 1).
        wanted_exclusion_level: level that the test for an unsampled origin would have, in [0, 1).
        n_exclusion_markers: markers that this test would have.
    """

    false_flag_rate: float
    wanted_exclusion_level: float
    n_exclusion_markers: int

    @classmethod
    def of_study(cls, assignment: dict) -> FlagRates:
        """Return the rates from the study file's `assignment`."""
        return cls(assignment["false_flag_rate"], assignment["exclusion_level"], assignment["exclusion_markers"])

    def exclusion_level(self, n_markers: int) -> float:
        """Return the level of the test for an unsampled origin: at most half the rate, so that the ratio keeps half.

        Args:
            n_markers: markers that the test has; below MIN_TYPED it is not made, and its level is 0.
        """
        return min(self.wanted_exclusion_level, self.false_flag_rate / 2) if n_markers >= MIN_TYPED else 0.0

    def ratio_level(self, n_markers: int) -> float:
        """Return the share of locals that may exceed the cut-off of the ratio: what the other test leaves.

        Args:
            n_markers: markers that the test for an unsampled origin has.
        """
        return self.false_flag_rate - self.exclusion_level(n_markers)


def exclusion_markers(thinned: np.ndarray, panel: np.ndarray, n: int) -> np.ndarray:
    """Return markers for the test for an unsampled origin, evenly along the thinned list, none from the panel.

    Args:
        thinned: bool (n_markers,), kept markers that linkage thinning left, in genome order.
        panel: int (n_panel,), indices of the panel's markers.
        n: markers wanted.

    Returns:
        int64 (at most n,).
    """
    return evenly_spaced(np.setdiff1d(np.flatnonzero(thinned), panel), n).astype(np.int64)
