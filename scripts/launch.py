"""The command behind scripts/run, which sets up and shows the help: run a study, or verify the record of a run."""

from __future__ import annotations

import os
import shlex
import sys
import time
from pathlib import Path

from homewater.inputs.settings import load_study
from homewater.running.errors import EXIT_BAD_INPUT, EXIT_DONE, EXIT_FAILED, InputError, Problem, describe
from homewater.running.writer import FULL, NoSpaceLeft, no_space_left
from launcher.command import only_tells, split_arguments
from launcher.lock import StudyInUse
from launcher.running import Study, run_study, say
from launcher.verify import verify

CLONE = Path(__file__).resolve().parents[1]


def duration(seconds: float) -> str:
    """Return a time in words, e.g. `3 min 12 s`."""
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return " ".join(f"{n} {unit}" for n, unit in ((hours, "h"), (minutes, "min"), (rest, "s")) if n or unit == "s")


def run_and_tell(study: Study, extra: list[str], caller: Path) -> int:
    """Run a study, then tell how long it took and where its report is; return the exit code."""
    started = time.monotonic()
    code = run_study(study, extra, caller)
    if code == EXIT_DONE and not only_tells(extra):
        say(f"done in {duration(time.monotonic() - started)}")
        report = study.clone / "reports" / f"{study.id}.pdf"
        if report.is_file() and (not extra or extra[0].startswith("-")):  # targets may leave an older report as it was
            say(f"report: {os.path.relpath(report, caller)}")
    return code


def check_clone(clone: Path) -> None:
    """Refuse a clone whose path a shell would split: the engine starts jobs by Python's path and does not quote it.

    Raises:
        InputError: naming the path.
    """
    if shlex.quote(str(clone)) != str(clone):
        allowed = "a folder whose path has letters without accents, digits and ./_-+@%:, only: move the clone"
        raise InputError(Problem("the clone", "", "", str(clone), allowed))


def main(arguments: list[str], caller: Path) -> int:
    """Do what the command line asks for; return the exit code."""
    try:
        check_clone(CLONE)
        if arguments[:1] == ["verify"]:
            return verify(arguments[1:], caller, CLONE)
        file, extra = split_arguments(arguments, caller, CLONE)
        return run_and_tell(Study(file, file.parent, load_study(file), CLONE), extra, caller)
    except InputError as error:
        say(describe(error.problems))
        return EXIT_BAD_INPUT
    except StudyInUse as error:
        say(str(error))
        return EXIT_BAD_INPUT
    except OSError as error:
        if error.errno not in FULL:
            raise
        say(str(error) if isinstance(error, NoSpaceLeft) else str(no_space_left(error.errno, error.filename or CLONE)))
        return EXIT_FAILED
    except KeyboardInterrupt:
        say("stopped")
        return EXIT_FAILED


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:], Path.cwd()))
