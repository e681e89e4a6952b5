"""Snakemake's pages of output, read line by line: one short line a finished job, and which rules failed in the end."""

from __future__ import annotations

import os
import re
from collections import deque
from dataclasses import dataclass, field

from homewater.running.writer import FULL

NO_SPACE = "no space left to write"  # how a step says it
_SYSTEM_SAYS = tuple(os.strerror(number) for number in FULL)


def no_space(line: str) -> bool:
    """Return whether a line of output tells of a disk that is full."""
    return line.startswith(NO_SPACE) or any(text in line for text in _SYSTEM_SAYS)


@dataclass
class Failure:
    """A job that failed: its rule, its wildcards in words, and its log (empty if the rule names none)."""

    rule: str
    wildcards: str
    log: str


@dataclass
class Progress:
    """What has been seen so far of a run's output.

    Attributes:
        failures: jobs that failed and did not succeed in a later try, by Snakemake's job id.
        tail: the last lines, for endings that no rule explains.
        full: what was first said of a disk that is full, by a step or by Snakemake itself; empty if nothing was.
    """

    failures: dict[str, Failure] = field(default_factory=dict)
    tail: deque[str] = field(default_factory=lambda: deque(maxlen=40))
    full: str = ""
    _rule: str = ""
    _failing: bool = False
    _wildcards: dict[str, str] = field(default_factory=dict)
    _job: str = ""
    _finished: list[tuple[str, str]] = field(default_factory=list)

    def feed(self, line: str) -> list[str]:
        """Take one line of output and return the lines to show for it (as a rule none)."""
        line = line.rstrip()
        self.tail.append(line)
        if no_space(line) and not (self.full and self.full.startswith(NO_SPACE)):
            self.full = line
        if start := re.match(r"(?:local)?(?:rule|checkpoint) (\w+):$", line):
            self._rule, self._failing, self._job = start[1], False, ""
        elif error := re.match(r"Error in (?:rule|group) (\w+)", line):
            self._rule, self._failing, self._job = error[1], True, ""
        elif job := re.match(r"    jobid: (\w+)$", line):
            self._job = job[1]
            if self._failing:
                self.failures[self._job] = Failure(self._rule, self._wildcards.get(self._job, ""), "")
        elif (wildcards := re.match(r"    wildcards: (.*)$", line)) and self._job:
            values = [pair.split("=", 1) for pair in wildcards[1].split(", ")]
            self._wildcards[self._job] = " ".join(v[-1] for v in values if v[0] != "study")
        elif (log := re.match(r"    log: (.*) \(check log file\(s\) for error details\)$", line)) and self._failing:
            if self._job in self.failures:
                self.failures[self._job].log = log[1].split(", ")[0]
        elif done := re.match(r"Finished jobid: (\w+) \(Rule: (\w+)\)$", line):
            self.failures.pop(done[1], None)
            self._finished.append((done[2], self._wildcards.get(done[1], "")))
        elif steps := re.match(r"(\d+) of (\d+) steps \(.*\) done$", line):
            shown = [" ".join(filter(None, job)) for job in self._finished if job[0] != "all"]
            self._finished = []
            return [f"[{steps[1]}/{steps[2]}] {job}" for job in shown]
        elif line.startswith("Nothing to be done"):
            return ["everything is up to date"]
        return []
