"""What a run was made of and what it made: settings, versions, checksums; and how two such records differ."""

from __future__ import annotations

import copy
import os
import re
from collections.abc import Iterable, Mapping
from pathlib import Path

from homewater import __version__
from homewater.inputs.settings import input_files
from homewater.running.checksums import checksum
from homewater.running.clone import LOCK
from homewater.running.versions import all_versions


def relative_settings(settings: dict, study_dir: str | Path) -> dict:
    """Return a copy of the settings in which the paths of input files are relative to the study's folder."""
    settings = copy.deepcopy(settings)
    for holder, key in _path_places(settings):
        if os.path.isabs(holder[key]):
            holder[key] = Path(os.path.relpath(holder[key], study_dir)).as_posix()
    return settings


def _path_places(settings: dict) -> Iterable[tuple[dict | list, str | int]]:
    """Yield (dictionary or list, key) of every path that `input_files` names."""
    for name, _ in input_files(settings):
        holder: dict | list = settings
        *parts, last = [int(p) - 1 if p.isdigit() else p for p in re.findall(r"[^.\[\]]+", name)]
        for part in parts:
            holder = holder[part]
        yield holder, last


def input_checksums(settings: dict, study_dir: str | Path) -> dict[str, str]:
    """Return path relative to the study's folder -> SHA-256, for every file that the settings name."""
    named = input_files(relative_settings(settings, study_dir))
    return {path: checksum(Path(study_dir) / path) for _, path in named}


def build_manifest(settings: dict, study_file: str, study_dir: str | Path, outputs: Mapping[str, str | Path]) -> dict:
    """Return the record of a run; it holds no absolute path, no time and no number of cores.

    Args:
        settings: the full settings, defaults filled in.
        study_file: name of the study file, without its folder.
        study_dir: folder from which the paths in `settings` start.
        outputs: name under which an output is recorded (its path in the clone) -> where it lies.

    Returns:
        homewater, study_file, study_id, settings, inputs, outputs, versions; ready for write_json.
    """
    return {
        "homewater": __version__,
        "study_file": Path(study_file).name,
        "study_id": settings["study"]["id"],
        "settings": relative_settings(settings, study_dir),
        "inputs": input_checksums(settings, study_dir),
        "outputs": {name: checksum(path) for name, path in sorted(outputs.items())},
        "versions": all_versions(LOCK.read_text(encoding="utf-8")),
    }


def differences(recorded: Mapping[str, str], found: Mapping[str, str]) -> list[tuple[str, str]]:
    """Compare two name -> checksum mappings.

    Returns:
        (name, what) for every name that is not the same in both, sorted; `what` is `changed`, `missing` (only
        recorded) or `new` (only found).
    """
    words = {(True, True): "changed", (True, False): "missing", (False, True): "new"}
    names = sorted(set(recorded) | set(found))
    return [(n, words[n in recorded, n in found]) for n in names if recorded.get(n) != found.get(n)]
