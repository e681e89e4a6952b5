"""What every step shares: its arguments, its log, its exit code, and the record of bad input.

`scripts/run` prints that record last, so that the user sees what to mend.
"""

from __future__ import annotations

import contextlib
import inspect
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

from homewater.running.errors import EXIT_BAD_INPUT, EXIT_FAILED, InputError
from homewater.running.writer import FULL, NoSpaceLeft, no_space_left, write_json

_NOT_ARGUMENTS = {"library", "checked"}


def arguments(main: Callable, snakemake: Any) -> dict[str, Any]:
    """Return the keyword arguments of `main`, by name from the rule's inputs, outputs, params, wildcards, threads.

    A `main` that ends in ``**rest`` gets there whatever else the rule names.

    Raises:
        TypeError: where the rule gives a name that `main` does not take, or lacks one that it wants.
    """
    given: dict[str, Any] = {}
    for part in (snakemake.input, snakemake.output, snakemake.params):
        for name, value in part.items():
            if name not in _NOT_ARGUMENTS:
                given[name] = value if isinstance(value, (str, int, float, bool, dict, type(None))) else list(value)
    parameters = inspect.signature(main).parameters
    takes_rest = any(p.kind is p.VAR_KEYWORD for p in parameters.values())
    wanted = {name: p for name, p in parameters.items() if p.kind is not p.VAR_KEYWORD}
    # the study's folder comes from the config, not from params: an absolute path there would re-run all after a move
    folder = snakemake.config.get("study_dir", ".")
    for name, value in (("threads", snakemake.threads), ("study_dir", folder), *snakemake.wildcards.items()):
        if name in wanted and name not in given:
            given[name] = value
    unknown = [] if takes_rest else sorted(set(given) - set(wanted))
    lacking = sorted(n for n, p in wanted.items() if p.default is p.empty and n not in given)
    if unknown or lacking:
        raise TypeError(f"rule and step disagree: rule gives {unknown} too many, step lacks {lacking}")
    return given


def run_step(main: Callable, snakemake: Any) -> None:
    """Run a step's `main` under its rule: stdout and stderr go to the rule's log, bad input to a record.

    Exits 2 on InputError, after writing results/<study>/logs/input_errors/<rule>.<wildcards>.json; exits 1, with the
    traceback in the log, on anything else. A disk that is full is one line, in the log as far as it takes it, and on
    the error output, which `scripts/run` reads.
    """
    log, outside = Path(str(snakemake.log[0])), sys.stderr
    code, full = EXIT_FAILED, None
    try:
        log.parent.mkdir(parents=True, exist_ok=True)
        with (
            open(log, "w", encoding="utf-8", buffering=1) as handle,
            contextlib.redirect_stdout(handle),
            contextlib.redirect_stderr(handle),
        ):
            code, full = _ended(main, snakemake)
    except OSError as error:  # the log itself
        if error.errno not in FULL:
            raise
        full = full or no_space_left(error.errno, log)
        code = EXIT_FAILED
    if full:
        print(full, file=outside, flush=True)
    if code:
        sys.exit(code)


def _ended(main: Callable, snakemake: Any) -> tuple[int, OSError | None]:
    """Run `main`; return the exit code, and the error of a disk that is full."""
    try:
        try:
            main(**arguments(main, snakemake))
        except InputError as error:
            print(error)
            wildcards = ".".join(str(v).replace("/", "_") for v in snakemake.wildcards)
            record = _error_folder(snakemake)
            write_json(error.as_records(), record / f"{snakemake.rule}.{wildcards or 'study'}.json")
            return EXIT_BAD_INPUT, None
    except BaseException as error:
        if isinstance(error, OSError) and error.errno in FULL:
            full = error if isinstance(error, NoSpaceLeft) else no_space_left(error.errno, error.filename or "a file")
            with contextlib.suppress(OSError):
                print(full)
            return EXIT_FAILED, full
        traceback.print_exc()
        return EXIT_FAILED, None
    return 0, None


def _error_folder(snakemake: Any) -> Path:
    first = Path(str(snakemake.output[0]))
    parts = first.parts
    if "results" in parts:
        return Path(*parts[: parts.index("results") + 2]) / "logs" / "input_errors"
    return Path("results") / snakemake.config["study"]["id"] / "logs" / "input_errors"
