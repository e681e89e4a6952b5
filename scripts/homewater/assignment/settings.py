"""What the study says of the verdicts on animals, as small records."""

from __future__ import annotations

from dataclasses import dataclass

from homewater.crosses.flag_rates import FlagRates


@dataclass(frozen=True)
class AssignmentSettings:
    """How animals are judged, and how many are simulated to know what the verdicts are worth.

    Attributes:
        rates: how many true locals may be flagged.
        min_markers_share: least share of the panel's markers that a judged animal is typed at, in [0, 1].
        support: least posterior of what a verdict names, in (0, 1).
        simulated_locals: locals drawn for the cut-off of each unit.
        simulated_crosses: animals drawn of each class for each ordered pair of units.
    """

    rates: FlagRates
    min_markers_share: float
    support: float
    simulated_locals: int
    simulated_crosses: int

    @classmethod
    def of_study(cls, assignment: dict) -> AssignmentSettings:
        """Return the settings from the study file's `assignment`."""
        names = ("min_markers_share", "support", "simulated_locals", "simulated_crosses")
        return cls(FlagRates.of_study(assignment), *(assignment[name] for name in names))
