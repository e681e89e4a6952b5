"""What happens in a run of Snakemake, told to the launcher: one line of JSON an event.

Snakemake finds this package by its name on Python's path and uses it where the launcher asks for `--logger homewater`.
The launcher leaves the end of a pipe open, and names its file descriptor in the environment. `launcher.progress` reads
the events.
"""

from __future__ import annotations

import contextlib
import json
import os
from logging import LogRecord

from snakemake.common import NOTHING_TO_BE_DONE_MSG
from snakemake.settings.enums import Quietness
from snakemake_interface_logger_plugins.base import LogHandlerBase
from snakemake_interface_logger_plugins.common import LogEvent

from launcher.progress import EVENTS_VARIABLE


def event_of(record: LogRecord) -> dict | None:
    """Return what the launcher wants to know of a record of Snakemake's log; None for any other record.

    Returns:
        Under `event` one of `job` (a job is about to start: `id`, `rule`, `wildcards`), `failed` (`id`, `rule`, `log`,
        a list of paths), `finished` (`id`), `progress` (`done`, `total`, steps) and `up_to_date`.
    """
    event = getattr(record, "event", None)
    if event == LogEvent.JOB_INFO:
        return {"event": "job", "id": record.jobid, "rule": record.rule_name, "wildcards": dict(record.wildcards)}
    if event == LogEvent.JOB_ERROR:
        return {"event": "failed", "id": record.jobid, "rule": record.rule_name, "log": list(record.log)}
    if event == LogEvent.JOB_FINISHED:
        return {"event": "finished", "id": record.job_id}
    if event == LogEvent.PROGRESS:
        return {"event": "progress", "done": record.done, "total": record.total}
    if event is None and record.msg == NOTHING_TO_BE_DONE_MSG:
        return {"event": "up_to_date"}
    return None


class LogHandler(LogHandlerBase):
    """Writes the events to the launcher's pipe; without one, nothing."""

    def __post_init__(self) -> None:
        """Open the pipe."""
        number = os.environ.get(EVENTS_VARIABLE)
        self._pipe = open(int(number), "w", encoding="utf-8", closefd=False) if number else None  # noqa: SIM115
        quiet = set(self.common_settings.quiet or ())
        # who asks for quiet gets no line about progress, but is told what failed
        self._left_out = set()
        if quiet & {Quietness.ALL, Quietness.PROGRESS}:
            self._left_out.add("progress")
        if Quietness.ALL in quiet:
            self._left_out.add("up_to_date")

    def emit(self, record: LogRecord) -> None:
        """Write one event as one line."""
        event = event_of(record)
        if self._pipe is None or event is None or event["event"] in self._left_out:
            return
        with contextlib.suppress(OSError):  # the launcher is gone; Snakemake is ended by its guard
            self._pipe.write(json.dumps(event) + "\n")
            self._pipe.flush()

    @property
    def writes_to_stream(self) -> bool:
        """Snakemake's own output stays what it is."""
        return False

    @property
    def writes_to_file(self) -> bool:
        """There is no log file to name at the end of a run."""
        return False

    @property
    def has_filter(self) -> bool:
        """Events come unfiltered; `emit` chooses."""
        return True

    @property
    def has_formatter(self) -> bool:
        """No record is turned into text."""
        return True

    @property
    def needs_rulegraph(self) -> bool:
        """The graph of rules is not needed."""
        return False
