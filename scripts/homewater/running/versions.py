"""Versions of what shapes the results: Python, the locked packages and the system's libraries."""

from __future__ import annotations

import ctypes
import platform
import re
from collections.abc import Callable, Iterable, Mapping
from importlib import metadata

from homewater import __version__

SYSTEM_LIBRARIES = ("pango", "harfbuzz", "fontconfig", "libc")
NOT_FOUND = "not found"
# What shapes numbers, figures or pages; the report names these, the record of the run names every package.
SHOWN_PACKAGES = ("numpy", "scipy", "pandas", "numba", "matplotlib", "weasyprint", "pikepdf", "snakemake")


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


def shown_versions() -> dict[str, str]:
    """Return the versions that the report prints: those of homewater, of Python and of SHOWN_PACKAGES."""
    return {"homewater": __version__, "Python": platform.python_version()} | package_versions(SHOWN_PACKAGES)


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


def version_differences(recorded: Mapping, found: Mapping) -> list[tuple[str, str, str]]:
    """Return (name, recorded version, version here) of all that differs, system libraries first, then by name."""

    def flat(versions: Mapping) -> dict[str, str]:
        names = ("python", *SYSTEM_LIBRARIES)
        return {n: versions.get(n, NOT_FOUND) for n in names} | dict(versions.get("packages", {}))

    old, new = flat(recorded), flat(found)
    names = sorted(set(old) | set(new), key=lambda n: (n not in SYSTEM_LIBRARIES, n))
    pairs = [(n, old.get(n, NOT_FOUND), new.get(n, NOT_FOUND)) for n in names]
    return [pair for pair in pairs if pair[1] != pair[2]]
