"""What a run was made of and what it made: settings, versions, checksums; and how two such records differ."""

from __future__ import annotations

import copy
import ctypes
import hashlib
import os
import platform
import re
from collections.abc import Callable, Iterable, Mapping
from importlib import metadata
from pathlib import Path

from homewater import __version__
from homewater.inputs.settings import input_files
from homewater.running.clone import LOCK

SYSTEM_LIBRARIES = ("pango", "harfbuzz", "fontconfig", "libc")
NOT_FOUND = "not found"


def checksum(path: str | Path) -> str:
    """Return the SHA-256 of a file; of a folder, that of its files' relative names and checksums, sorted by name."""
    path = Path(path)
    if not path.is_dir():
        with open(path, "rb") as handle:
            return hashlib.file_digest(handle, "sha256").hexdigest()
    digest = hashlib.sha256()
    for file in sorted((p for p in path.rglob("*") if p.is_file()), key=lambda p: p.relative_to(path).as_posix()):
        digest.update(f"{file.relative_to(path).as_posix()}\0{checksum(file)}\n".encode())
    return digest.hexdigest()


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


def locked_names(lock_text: str) -> list[str]:
    """Return the names of the packages of a lock file, in its order."""
    return re.findall(r"^([A-Za-z0-9][A-Za-z0-9._-]*)==", lock_text, flags=re.MULTILINE)


def package_versions(names: Iterable[str]) -> dict[str, str]:
    """Return name -> version of those packages that are installed."""
    versions = {}
    for name in names:
        try:
            versions[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue  # locked for another platform or Python
    return versions


def system_versions() -> dict[str, str]:
    """Return the versions of the libraries outside the lock that shape text and take logarithms."""

    def text(library: str, function: str) -> str:
        call = getattr(ctypes.CDLL(library), function)
        call.restype = ctypes.c_char_p
        return call().decode()

    def fontconfig() -> str:
        number = ctypes.CDLL("libfontconfig.so.1").FcGetVersion()  # 21401 is 2.14.1
        return f"{number // 10000}.{number // 100 % 100}.{number % 100}"

    def found(version: Callable[[], str]) -> str:
        try:
            return version()
        except (OSError, AttributeError):
            return NOT_FOUND

    return {
        "pango": found(lambda: text("libpango-1.0.so.0", "pango_version_string")),
        "harfbuzz": found(lambda: text("libharfbuzz.so.0", "hb_version_string")),
        "fontconfig": found(fontconfig),
        "libc": " ".join(platform.libc_ver()) or NOT_FOUND,
    }


def all_versions(lock_text: str) -> dict:
    """Return the versions of Python, of the locked packages that are installed, and of the system's libraries."""
    return {
        "python": platform.python_version(),
        "packages": package_versions(locked_names(lock_text)),
    } | system_versions()


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


def version_differences(recorded: Mapping, found: Mapping) -> list[tuple[str, str, str]]:
    """Return (name, recorded version, version here) of all that differs, system libraries first, then by name."""

    def flat(versions: Mapping) -> dict[str, str]:
        names = ("python", *SYSTEM_LIBRARIES)
        return {n: versions.get(n, NOT_FOUND) for n in names} | dict(versions.get("packages", {}))

    old, new = flat(recorded), flat(found)
    names = sorted(set(old) | set(new), key=lambda n: (n not in SYSTEM_LIBRARIES, n))
    pairs = [(n, old.get(n, NOT_FOUND), new.get(n, NOT_FOUND)) for n in names]
    return [pair for pair in pairs if pair[1] != pair[2]]
