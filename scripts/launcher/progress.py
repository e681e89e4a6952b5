"""What is known of a run: its events, of which each finished job makes one short line, and the end of what it printed.

The events come from `snakemake_logger_plugin_homewater`. What Snakemake prints serves the endings that no event tells,
as a Snakefile that cannot be read, and disks that are full.
"""

from __future__ import annotations

import os
from collections import deque
from dataclasses import dataclass, field

from homewater.running.writer import FULL

EVENTS_VARIABLE = "HOMEWATER_EVENTS"  # names the file descriptor that takes the events
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
    """What has been seen so far of a run.

    Attributes:
        failures: jobs that failed and did not succeed in a later try, by Snakemake's job id.
        tail: the last lines printed, for endings that no rule explains.
        full: what was first printed of a disk that is full, by a step or by Snakemake itself; empty if nothing was.
    """

    failures: dict[int, Failure] = field(default_factory=dict)
    tail: deque[str] = field(default_factory=lambda: deque(maxlen=40))
    full: str = ""
    _jobs: dict[int, tuple[str, str]] = field(default_factory=dict)
    _finished: list[int] = field(default_factory=list)

    def hear(self, line: str) -> None:
        """Take one line that Snakemake or a step printed."""
        line = line.rstrip()
        self.tail.append(line)
        if no_space(line) and not (self.full and self.full.startswith(NO_SPACE)):
            self.full = line

    def take(self, event: dict) -> list[str]:
        """Take one event of Snakemake and return the lines to show for it (as a rule none)."""
        kind, job = event["event"], event.get("id")
        if kind == "job":
            wildcards = event["wildcards"].items()
            self._jobs[job] = event["rule"], " ".join(value for name, value in wildcards if name != "study")
        elif kind == "failed":
            self.failures[job] = Failure(event["rule"], self._jobs.get(job, ("", ""))[1], next(iter(event["log"]), ""))
        elif kind == "finished":
            self.failures.pop(job, None)
            self._finished.append(job)
        elif kind == "progress":
            shown = [self._jobs[number] for number in self._finished if number in self._jobs]
            self._finished = []
            return [
                f"[{event['done']}/{event['total']}] {' '.join(filter(None, job))}" for job in shown if job[0] != "all"
            ]
        elif kind == "up_to_date":
            return ["everything is up to date"]
        return []
