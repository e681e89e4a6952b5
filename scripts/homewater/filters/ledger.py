"""The animals of a species as the filters go through them: who is kept, and what was said of whom and why."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd


@dataclass
class Animals:
    """The animals of a species as the filters go through them.

    Attributes:
        table: schema `samples`, one row an animal of the genotype store, in its order.
        summary: rows of schema `filter_summary`, one a filter.
        replicates: pairs (kept, other) of records declared to be one animal, both called well, for the error rate.
    """

    table: pd.DataFrame
    summary: list[dict] = field(default_factory=list)
    replicates: list[tuple[int, int]] = field(default_factory=list)

    @classmethod
    def of_sheet(cls, samples: pd.DataFrame) -> Animals:
        """Return the animals of some rows of the sample sheet, all kept and nothing known of them."""
        own = samples[["materialSampleID", "locationID", "role"]].reset_index(drop=True)
        unknown = ("call_rate", "heterozygosity", "value", "limit",
                   "contamination", "contamination_ci_low", "contamination_ci_high")  # fmt: skip
        texts = dict.fromkeys(("reason", "flags", "related_to", "family", "best_site"), "")
        return cls(own.assign(status="kept", defines=False, defines_with_kin=False, **texts,
                              **dict.fromkeys(unknown, np.nan)))  # fmt: skip

    @property
    def kept(self) -> np.ndarray:
        """Bool (n_animals,)."""
        return (self.table["status"] == "kept").to_numpy()

    def remove(self, step: str, reason: str, rows: np.ndarray, value=None, limit=None, **more) -> None:
        """Remove animals by one filter and add its row to the summary.

        Args:
            step: name of the filter.
            reason: why, as the table says it.
            rows: bool (n_animals,); animals removed before are left alone.
            value: float64 (n_animals,) compared with the limit, or None.
            limit: the limit or limits (n_animals,), or None.
            **more: flagged, expected_false_flags.
        """
        before, rows = int(self.kept.sum()), rows & self.kept
        self.table.loc[rows, ["status", "reason"]] = ["removed", reason]
        if value is not None:
            self.table.loc[rows, "value"] = value[rows]
            self.table.loc[rows, "limit"] = np.broadcast_to(limit, rows.shape)[rows]
        gone = int(rows.sum())
        self.summary.append(
            {"step": step, "before": before, "removed": gone, "after": before - gone, "what": "samples", **more}
        )

    def note(self, step: str, flagged: int, expected_false_flags: float) -> None:
        """Add the row of a filter that flags animals and removes none."""
        none = np.zeros(len(self.table), dtype=bool)
        self.remove(step, "", none, flagged=flagged, expected_false_flags=expected_false_flags)

    def flag(self, rows: np.ndarray, word: str) -> None:
        """Add a flag to some animals (indices or bool)."""
        for row in np.arange(len(self.table))[rows]:
            held = self.table.at[row, "flags"]
            if word not in held.split(";"):
                self.table.at[row, "flags"] = f"{held};{word}" if held else word

    def flagged(self, word: str) -> np.ndarray:
        """Return, as bool (n_animals,), who carries a flag."""
        return np.array([word in flags.split(";") for flags in self.table["flags"]], dtype=bool)

    def relate(self, first: np.ndarray, second: np.ndarray) -> None:
        """Note the partners of pairs of animals (indices)."""
        names = self.table["materialSampleID"].tolist()
        for a, b in sorted({*zip(first.tolist(), second.tolist(), strict=True)}):
            for one, other in ((a, b), (b, a)):
                held = [name for name in self.table.at[one, "related_to"].split(",") if name]
                if names[other] not in held:
                    self.table.at[one, "related_to"] = ",".join([*held, names[other]])
