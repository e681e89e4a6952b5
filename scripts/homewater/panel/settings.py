"""What the study says of its panel, as small records."""

from __future__ import annotations

from dataclasses import dataclass

from homewater.crosses.flag_rates import FlagRates


@dataclass(frozen=True)
class PanelRules:
    """What makes a marker fit for a panel, and how a genotype of it is judged.

    Attributes:
        min_call_rate: least share of animals called, in each unit, in [0, 1].
        min_spacing_bp: least distance between two markers of the panel on one chromosome.
        error: chance that a called genotype is wrong.
        min_clear_bases: bases on either side of a marker that may hold no other known marker.
        max_block_markers: markers of one block of the genome, at most.
    """

    min_call_rate: float
    min_spacing_bp: int
    error: float
    min_clear_bases: int = 0
    max_block_markers: int = 2


@dataclass(frozen=True)
class PanelSettings:
    """How large a panel may be, how it is chosen and how it is proved.

    Attributes:
        sizes: numbers of markers of the size curve, ascending; the panel's own among them.
        n_markers: size of the panel, and of the first panel that judges foreign ancestry.
        rules: what makes a marker fit.
        rates: how many true locals may be flagged; as many may leave the frequencies as foreign.
        size_from_curve: whether the size is chosen from the curve; each fold is then judged at the size that the others
            choose, not at `n_markers`.
        folds: number of folds of the proof.
    """

    sizes: tuple[int, ...]
    n_markers: int
    rules: PanelRules
    rates: FlagRates
    size_from_curve: bool = False
    folds: int = 10

    @property
    def foreign_rate(self) -> float:
        """Share of true locals that may leave the frequencies as foreign."""
        return self.rates.false_flag_rate

    @property
    def size_from(self) -> str:
        """Where the size comes from, as the study file says it."""
        return "curve" if self.size_from_curve else "fixed"

    @classmethod
    def of_study(cls, panel: dict, assignment: dict, error: float) -> PanelSettings:
        """Return the settings from those of the study file.

        Args:
            panel: the study file's `panel`.
            assignment: the study file's `assignment`.
            error: chance that a called genotype is wrong, as estimated.
        """
        rules = PanelRules(
            panel["min_call_rate"], panel["min_spacing_bp"], error, panel["min_clear_bases"], panel["max_block_markers"]
        )
        return cls(
            sizes=tuple(sorted({*panel["sizes"], panel["n_markers"]})),
            n_markers=panel["n_markers"],
            rules=rules,
            rates=FlagRates.of_study(assignment),
            size_from_curve=panel["size_from"] == "curve",
            folds=panel["folds"],
        )
