"""Running one study: its lock, Snakemake in the fixed environment, short progress, and an ending that says where."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from homewater.inputs.settings import input_files, shown_names
from homewater.running.environment import fixed_environment, prepare_caches
from homewater.running.errors import EXIT_BAD_INPUT, EXIT_DONE, EXIT_FAILED, InputError, Problem, describe
from homewater.running.writer import write_json
from launcher.command import (
    available_cores,
    available_memory_mb,
    check_options,
    only_tells,
    profile_folder,
    runs_here,
    snakemake_arguments,
    snakemake_program,
)
from launcher.lock import record_owner, release_snakemake, study_lock
from launcher.processes import RUN_VARIABLE, dismiss_guard, end_run, interrupt, start_guard
from launcher.progress import EVENTS_VARIABLE, NO_SPACE, Progress, no_space

_LOG_LINES_SHOWN = 15
_GRACE_SECONDS = 20


def say(text: str) -> None:
    """Tell the user something; standard output is left to what Snakemake is asked to print."""
    print(text, file=sys.stderr, flush=True)


@dataclass(frozen=True)
class Study:
    """A study to be run: its file, the folder its paths start from, its settings, and the clone that runs it."""

    file: Path
    folder: Path
    settings: dict
    clone: Path

    @property
    def id(self) -> str:
        """The study's id."""
        return self.settings["study"]["id"]

    @property
    def results(self) -> Path:
        """The folder of its results."""
        return self.clone / "results" / self.id

    @property
    def run_file(self) -> Path:
        """The file that tells Snakemake the study's folder."""
        return self.results / ".run.yaml"


def missing_files(study: Study) -> list[Problem]:
    """Return a problem for every file that the settings name and that cannot be read."""
    problems = []
    for key, path in input_files(study.settings):
        full = study.folder / path
        if not full.is_file():
            found = f"{path}, which is a folder" if full.is_dir() else f"{path}, and there is no such file"
        elif not os.access(full, os.R_OK):
            found = f"{path}, which may not be read"
        else:
            continue
        problems.append(Problem(study.file.name, key, "", found, "the path of a file, from the study file's folder"))
    return problems


def make_demo_inputs(clone: Path, environment: dict[str, str]) -> bool:
    """Make the demo study's inputs unless they are whole and of today's recipe; return whether that went well."""
    folder = Path("results") / "inputs" / "demo"
    generator = clone / "scripts" / "steps" / "generate_study.py"
    command = [sys.executable, str(generator), "--preset", "demo", "--out", str(folder)]
    environment = environment | {"PYTHONPATH": str(clone / "scripts")}
    return subprocess.run(command, cwd=clone, env=environment, stdin=subprocess.DEVNULL, stdout=2).returncode == 0


def input_problems(folder: Path, settings: dict) -> list[Problem]:
    """Return what steps recorded as faults of the input, files as the user wrote them, in the order of the records."""
    problems = []
    for file in sorted(folder.glob("*.json")):
        for record in json.loads(file.read_text(encoding="utf-8")):
            files = users_files(record["file"], settings, file.name.split("."))
            problems.append(Problem(**{**record, "file": files}))
    return problems


def users_files(file: str, settings: dict, wildcards: list[str]) -> str:
    """Return what a step calls a file as the user wrote it: steps know tables by their keys, others by bare names.

    Args:
        file: `genotypes`, `samples`, `sites` or `transfers`, or names without folders, with commas between them.
        settings: the full settings.
        wildcards: of the step's rule, among them the species if it has one.
    """
    names = shown_names(settings)
    if file in names.values():
        return file
    own = [species for species in settings["species"] if species["id"] in wildcards]
    if file in ("samples", "sites", "transfers") and file in settings:
        return names[settings[file]]
    if file == "genotypes" and own:
        return ", ".join(names[path] for path in own[0]["genotypes"])
    written = [path for species in own for path in species["genotypes"]]
    by_name = {Path(path).name: names[path] for path in [*reversed(names), *written]}
    return ", ".join(by_name.get(name, name) for name in file.split(", "))


def run_snakemake(study: Study, extra: list[str], run: str, caller: Path, environment: dict[str, str]) -> int:
    """Run Snakemake on a study whose lock is held; show progress, then how it ended. Returns the exit code."""
    files, memory_mb = [study.file, study.run_file], available_memory_mb()
    arguments = snakemake_arguments(extra, files, caller, study.clone, run, available_cores(), memory_mb)
    if runs_here(extra, profile_folder(extra, caller, study.clone)):
        environment = environment | {"HOMEWATER_MEMORY_MB": str(memory_mb)}
    telling = only_tells(extra)
    records = study.results / "logs" / "input_errors"
    log = study.results / "logs" / "snakemake.log"
    log.parent.mkdir(parents=True, exist_ok=True)
    if not telling:
        for file in records.glob("*.json"):
            file.unlink()

    write_json({"study_dir": str(study.folder)}, study.run_file)  # JSON is YAML too

    progress, stopped = Progress(), []
    events, told = os.pipe()
    python_path = os.pathsep.join(filter(None, [str(study.clone / "scripts"), environment.get("PYTHONPATH")]))
    environment = environment | {RUN_VARIABLE: run, EVENTS_VARIABLE: str(told), "PYTHONPATH": python_path}
    with _log_of_its_own(log, telling) as handle:
        child = subprocess.Popen(
            [*snakemake_program(), *arguments],
            cwd=study.clone,
            env=environment,
            stdin=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            errors="replace",
            bufsize=1,
            pass_fds=[told],
        )
        os.close(told)  # Snakemake alone holds this end, so that the events end with it

        def stop(number: int, frame: object) -> None:
            if not stopped:
                say("stopping (what is finished is kept; the same command takes it up)")
                signal.alarm(_GRACE_SECONDS)
                if number != signal.SIGINT:  # a terminal's Ctrl-C has reached them all
                    interrupt(run)
            stopped.append(number)

        earlier = {n: signal.signal(n, stop) for n in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)}
        earlier[signal.SIGALRM] = signal.signal(signal.SIGALRM, lambda number, frame: end_run(run))
        # read aside: a step that outlives Snakemake holds the pipe of printed text open
        readers = [
            threading.Thread(target=_hear, args=(child.stderr, handle, progress, telling), daemon=True),
            threading.Thread(target=_show, args=(events, progress), daemon=True),
        ]
        for reader in readers:
            reader.start()
        code = child.wait()
        if code:
            end_run(run)
        for reader in readers:
            reader.join(timeout=_GRACE_SECONDS)
        signal.alarm(0)
        for number, handler in earlier.items():
            signal.signal(number, handler)

    if code:
        release_snakemake(study.results, study.clone)
    if stopped:
        say("stopped")
        return EXIT_FAILED
    if telling or code == 0:
        return EXIT_FAILED if code else EXIT_DONE
    problems = input_problems(records, study.settings)
    if problems:
        say(describe(problems))
        return EXIT_BAD_INPUT
    say_failure(progress, log.relative_to(study.clone), study.clone)
    return EXIT_FAILED


class _Log:
    """Snakemake's log as far as the disk takes it; a reader that stopped there would stop Snakemake too."""

    def __init__(self, handle: TextIO):
        self._handle, self._whole = handle, True

    def write(self, text: str) -> None:
        with contextlib.suppress(OSError):
            if self._whole:
                self._whole = False
                self._handle.write(text)
                self._handle.flush()
                self._whole = True


@contextlib.contextmanager
def _log_of_its_own(path: Path, telling: bool) -> Iterator[_Log]:
    handle = open(os.devnull if telling else path, "w", encoding="utf-8")  # noqa: SIM115 (closing may fail too)
    try:
        yield _Log(handle)
    finally:
        with contextlib.suppress(OSError):
            handle.close()


def _hear(lines: TextIO, log: _Log, progress: Progress, telling: bool) -> None:
    """Pass what Snakemake prints on: all of it to its log, and to the user where Snakemake only tells something."""
    for line in lines:
        log.write(line)
        progress.hear(line)
        if telling:
            say(line.rstrip("\n"))


def _show(events: int, progress: Progress) -> None:
    """Read Snakemake's events from a file descriptor and show what is worth a line."""
    with open(events, encoding="utf-8") as lines:
        for line in lines:
            with contextlib.suppress(ValueError):  # a Snakemake that was killed may leave half a line
                for text in progress.take(json.loads(line)):
                    say(text)


def say_failure(progress: Progress, log: Path, clone: Path) -> None:
    """Tell which rules failed and where their logs are, the end of the first log above; a full disk in one line."""
    failures = list(progress.failures.values())
    texts = [_text_of(clone, failure.log) for failure in failures]
    full = progress.full or next((line for text in texts for line in text.splitlines() if no_space(line)), "")
    if full:  # one line, whatever else failed with it
        named = [f"rule {' '.join(filter(None, (f.rule, f.wildcards)))}, its log: {f.log}" for f in failures]
        about = full if full.startswith(NO_SPACE) else f"{NO_SPACE} {clone}: Snakemake said {full.strip()}"
        say(f"{about}; {'; '.join(named) or f'its log: {log}'}")
        return
    if not failures:
        say("\n".join(progress.tail))
        say(f"Snakemake stopped, and no rule of its own failed; its log: {log}")
        return
    logs = [failure.log if _text_of(clone, failure.log).strip() else str(log) for failure in failures]
    # a step that could not even open its log (a library that does not load) is told by Snakemake's
    last = progress.tail if logs[0] == str(log) else _text_of(clone, logs[0]).splitlines()[-_LOG_LINES_SHOWN:]
    say("\n".join(last))
    for failure, file in zip(failures, logs, strict=True):
        say(f"rule {' '.join(filter(None, (failure.rule, failure.wildcards)))} failed; its log: {file}")


def _text_of(clone: Path, log: str) -> str:
    file = clone / log
    return file.read_text(encoding="utf-8", errors="replace") if log and file.is_file() else ""


def run_study(study: Study, extra: list[str], caller: Path) -> int:
    """Take the study's lock and run it; return the exit code.

    Raises:
        InputError: where the command line, the results' owner or the study's files are at fault.
        StudyInUse: where another run works on the study.
    """
    environment = fixed_environment(study.clone, os.environ)
    prepare_caches(study.clone)
    check_options(extra, caller, study.clone)  # before anything is touched
    record_owner(study.results, study.file, study.clone)
    with study_lock(study.results, study.clone) as (run, said):
        for line in said:
            say(line)
        guard = start_guard(run)
        try:
            demo = study.file == study.clone / "config" / "demo.yaml"
            if demo and not make_demo_inputs(study.clone, environment | {RUN_VARIABLE: run}):
                say("the demo study could not be made; what went wrong stands above")
                return EXIT_FAILED
            problems = missing_files(study)
            if problems:
                raise InputError(problems)
            return run_snakemake(study, extra, run, caller, environment)
        except BaseException:
            end_run(run)
            raise
        finally:
            dismiss_guard(guard)
