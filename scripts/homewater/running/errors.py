"""Errors that a user can act on: what is wrong, where, and what is allowed instead."""

from __future__ import annotations

from dataclasses import asdict, dataclass

MAX_LISTED = 20
MAX_CHARACTERS = 400  # of each part of a problem
EXIT_DONE, EXIT_FAILED, EXIT_BAD_INPUT = 0, 1, 2


@dataclass(frozen=True)
class Problem:
    """One fault of the input, with its place; what cannot be printed on one line is shown as its code.

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

    def __post_init__(self):
        for name in ("file", "place", "column", "found", "allowed"):
            object.__setattr__(self, name, one_line(getattr(self, name)))

    def __str__(self) -> str:
        where = ", ".join(part for part in (self.file, self.place, self.column and f"column {self.column}") if part)
        return f"{where}: found {self.found}; allowed: {self.allowed}"


def one_line(text: str) -> str:
    """Return text for one line of a message: cut at MAX_CHARACTERS, what cannot be seen as its code."""
    text = text if len(text) <= MAX_CHARACTERS else text[: MAX_CHARACTERS - 3] + "..."
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


class InputError(Exception):
    """The input or the settings are at fault; the run ends with exit code 2.

    Args:
        problems: one or more problems; all problems of one file are raised together.
    """

    def __init__(self, problems: Problem | list[Problem]):
        self.problems = [problems] if isinstance(problems, Problem) else list(problems)
        super().__init__(describe(self.problems))

    def __reduce__(self):
        return InputError, (self.problems,)

    def as_records(self) -> list[dict[str, str]]:
        """Return the problems as plain dictionaries, for the record that scripts/run prints last."""
        return [asdict(problem) for problem in self.problems]


def describe(problems: list[Problem]) -> str:
    """Return one message: file by file up to MAX_LISTED problems, a line each, then how many more there are."""
    of_file: dict[str, list[Problem]] = {}
    for problem in problems:
        of_file.setdefault(problem.file, []).append(problem)
    lines = []
    for file, own in of_file.items():
        lines += map(str, own[:MAX_LISTED])
        if len(own) > MAX_LISTED:
            where = f" in {file}" if len(of_file) > 1 else ""
            lines.append(f"... and {len(own) - MAX_LISTED} more problems{where}")
    return "\n".join(lines)
