"""The command line: which study, and what Snakemake is called with."""

from __future__ import annotations

import math
import os
import re
import sys
from pathlib import Path

import yaml

from homewater.running.errors import InputError, Problem

# Settings come from the study file alone, so that the record of a run is complete; the rest is the launcher's own.
_REFUSED = {
    "--configfile": "settings in the study file",
    "--configfiles": "settings in the study file",
    "--config": "settings in the study file",
    "-C": "settings in the study file",
    "--directory": "the clone as working folder",
    "-d": "the clone as working folder",
    "--snakefile": "the Snakefile of this clone",
    "-s": "the Snakefile of this clone",
}
_LOGGER = "homewater"  # the package snakemake_logger_plugin_homewater
# With these Snakemake only tells something, and what it prints is shown as it is.
_TELLING = re.compile(
    r"--(dry-?run|lint|summary|detailed-summary|dag|rulegraph|filegraph|d3dag|list.*|unlock|report|help|version|"
    r"cleanup-.*|containerize|print-compilation|help-.*)(=.*)?$|-(n.*|S|D|l|h|v)$"
)


def split_arguments(arguments: list[str], caller: Path, clone: Path) -> tuple[Path, list[str]]:
    """Return (absolute path of the study file, what is handed to Snakemake); without a study, the demo's."""
    if arguments and arguments[0].lower().endswith((".yaml", ".yml")):
        return Path(os.path.abspath(caller / arguments[0])), arguments[1:]
    return clone / "config" / "demo.yaml", list(arguments)


def only_tells(arguments: list[str]) -> bool:
    """Return whether Snakemake is asked to tell something rather than to run."""
    return any(_TELLING.match(argument) for argument in arguments)


def _value_of(arguments: list[str], *names: str) -> str | None:
    for position, argument in enumerate(arguments):
        for name in names:
            if argument == name and position + 1 < len(arguments):
                return arguments[position + 1]
            if argument.startswith(name + "="):
                return argument.split("=", 1)[1]
    return None


def profile_folder(arguments: list[str], caller: Path, clone: Path) -> Path:
    """Return the folder of the profile: the user's (a path, or a name in workflow/profiles), else the one-machine one.

    Raises:
        InputError: where there is no such profile.
    """
    profiles = clone / "workflow" / "profiles"
    given = _value_of(arguments, "--profile")
    if given is None:
        return profiles / "default"
    for folder in (Path(os.path.abspath(caller / given)), clone / given, profiles / given):
        if any(folder.glob("config*.yaml")):
            return folder
    names = ", ".join(sorted(path.parent.name for path in profiles.glob("*/config.yaml")))
    raise InputError(Problem("command line", "--profile", "", given, f"a folder with a config.yaml, or one of {names}"))


def _without_profile(arguments: list[str]) -> list[str]:
    kept, skip = [], False
    for argument in arguments:
        if not skip and not argument.startswith("--profile"):
            kept.append(argument)
        skip = argument == "--profile"
    return kept


def _with_events(arguments: list[str], known: dict) -> list[str]:
    """Add the launcher's logger to the user's, or else to the profile's: of several --logger Snakemake takes the last.

    Args:
        arguments: options for Snakemake.
        known: settings of the profile.
    """
    if "--logger" in arguments:
        after = len(arguments) - arguments[::-1].index("--logger")
        return [*arguments[:after], _LOGGER, *arguments[after:]]
    given = _value_of(arguments, "--logger") or known.get("logger") or []
    kept = [argument for argument in arguments if not argument.startswith("--logger=")]
    return [*kept, "--logger", _LOGGER, *([given] if isinstance(given, str) else given)]


def runs_here(arguments: list[str], profile: Path) -> bool:
    """Return whether jobs run on this machine, by --executor or else by the profile."""
    executor = _value_of(arguments, "--executor", "-e")
    if executor is None:
        executor = _profile_settings(profile).get("executor", "local")
    return executor == "local"


def _profile_settings(profile: Path) -> dict:
    newest = sorted(profile.glob("config*.yaml"))[-1]
    return yaml.safe_load(newest.read_text(encoding="utf-8")) or {}


def check_options(extra: list[str], caller: Path, clone: Path) -> Path:
    """Return the folder of the profile; see `profile_folder`.

    Args:
        extra: the user's targets and options.
        caller: folder in which the user called.
        clone: top folder of the clone.

    Raises:
        InputError: on an option that is not the user's to set, or an unknown profile.
    """
    named = [(argument.split("=", 1)[0], argument) for argument in extra]
    refused = [Problem("command line", name, "", found, _REFUSED[name]) for name, found in named if name in _REFUSED]
    if refused:
        raise InputError(refused)
    return profile_folder(extra, caller, clone)


def snakemake_arguments(
    extra: list[str], config_files: list[Path], caller: Path, clone: Path, run: str, cores: int, memory_mb: int
) -> list[str]:
    """Return the arguments of Snakemake.

    Args:
        extra: the user's targets and options.
        config_files: absolute paths of the study file and of the file that adds `study_dir` to its settings; not
            --config, which reads a folder's name as YAML and trips over ': ' or ' #' in it.
        caller: folder in which the user called.
        clone: top folder of the clone.
        run: id of the run, which starts the name of its jobs on a cluster.
        cores: cores that this process may use; used unless the user or the profile sets a number.
        memory_mb: memory that this process may use, in MB; caps `mem_mb` where jobs run on this machine.

    Raises:
        InputError: on an option that is not the user's to set, or an unknown profile.
    """
    profile = check_options(extra, caller, clone)
    here = runs_here(extra, profile)
    arguments = _without_profile(extra)
    known = _profile_settings(profile)
    sized = any(re.match(r"(--cores|--jobs)(=|$)|-(c|j)(\d|all|$)", argument) for argument in extra)
    if here and not sized and "cores" not in known and "jobs" not in known:
        arguments += ["--cores", str(cores)]
    if here and "--resources" in arguments:
        if not any(argument.startswith("mem_mb=") for argument in arguments):
            arguments.insert(arguments.index("--resources") + 1, f"mem_mb={memory_mb}")
    elif here:
        arguments += ["--resources", f"mem_mb={memory_mb}"]
    if not here:
        arguments += ["--slurm-jobname-prefix", run]
    if not only_tells(extra):
        arguments = _with_events(arguments, known)
    # last: Snakemake takes every bare word after --configfile for one more file
    return [*arguments, "--profile", str(profile), "--configfile", *map(str, config_files)]


def _group_values(name: str) -> list[str]:
    """Return a cgroup (version 2) file of this process's group and of every group above it."""
    try:
        own = Path("/proc/self/cgroup").read_text(encoding="utf-8").strip().rsplit("::", 1)[-1].strip("/")
    except OSError:
        return []
    folder, found = Path("/sys/fs/cgroup") / own, []
    while folder.is_relative_to("/sys/fs/cgroup"):
        if (folder / name).is_file():
            found.append((folder / name).read_text(encoding="utf-8"))
        folder = folder.parent
    return found


def available_cores() -> int:
    """Return the cores that this process may use: its affinity, and the quota of its groups."""
    cores = len(os.sched_getaffinity(0))
    for text in _group_values("cpu.max"):
        quota, period = text.split()
        if quota != "max":
            cores = min(cores, math.ceil(int(quota) / int(period)))
    return max(cores, 1)


def available_memory_mb() -> int:
    """Return the memory that this process may use, in MB (10^6 bytes): the machine's, and the limit of its groups."""
    limit = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE")
    for text in _group_values("memory.max"):
        if text.strip() != "max":
            limit = min(limit, int(text))
    return limit // 10**6


def snakemake_program() -> list[str]:
    """Return the program to call; not the script of that name, whose first line breaks when a clone is moved."""
    return [sys.executable, "-m", "snakemake"]
