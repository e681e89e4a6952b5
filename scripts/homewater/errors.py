"""Errors that a user can act on: what is wrong, where, and what is allowed instead."""

from __future__ import annotations

from dataclasses import asdict, dataclass

MAX_LISTED = 20
EXIT_DONE, EXIT_FAILED, EXIT_BAD_INPUT = 0, 1, 2


@dataclass(frozen=True)
class Problem:
    """One fault of the input, with its place.

    Attributes:
        file: path as the user wrote it (never absolute), or the name of the settings key's file.
        place: line, record, or key, e.g. ``line 12`` or ``record chr1:1500``; empty if the whole file.
        column: column, field or key; empty if none.
        found: the value or state found, as the user would see it.
        allowed: what would be valid, or the remedy.
    """

    file: str
    place: str
    column: str
    found: str
    allowed: str

    def __str__(self) -> str:
        where = ", ".join(part for part in (self.file, self.place, self.column and f"column {self.column}") if part)
        return f"{where}: found {self.found}; allowed: {self.allowed}"


class InputError(Exception):
    """The input or the settings are at fault; the run ends with exit code 2.

    Args:
        problems: one or more problems; all problems of one file are raised together.
    """

    def __init__(self, problems: Problem | list[Problem]):
        self.problems = [problems] if isinstance(problems, Problem) else list(problems)
        super().__init__(describe(self.problems))

    def as_records(self) -> list[dict[str, str]]:
        """Return the problems as plain dictionaries, for the record that scripts/run prints last."""
        return [asdict(problem) for problem in self.problems]


def describe(problems: list[Problem]) -> str:
    """Return one message: up to MAX_LISTED problems, a line each, then how many more there are."""
    lines = [str(problem) for problem in problems[:MAX_LISTED]]
    if len(problems) > MAX_LISTED:
        lines.append(f"... and {len(problems) - MAX_LISTED} more problems")
    return "\n".join(lines)
