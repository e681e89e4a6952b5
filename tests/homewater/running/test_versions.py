"""Versions: as the programs and libraries say them, and how two records of them differ."""

import platform
import subprocess
import sys

from homewater import __version__
from homewater.running.versions import (
    SHOWN_PACKAGES,
    all_versions,
    locked_names,
    shown_versions,
    system_versions,
    version_differences,
)


def test_lock_file_names_are_read():
    lock = "numpy==2.4.6 \\\n    --hash=sha256:00\nfont-source-sans-pro==0.0.1 \\\n    --hash=sha256:11\n# x==1\n"
    assert locked_names(lock) == ["numpy", "font-source-sans-pro"]


def test_versions_are_those_that_python_reports():
    found = all_versions("numpy==0 \\\nnot-installed-anywhere==1 \\\n")
    told = subprocess.run(
        [sys.executable, "-c", "import numpy, platform; print(numpy.__version__, platform.python_version())"],
        capture_output=True, text=True, check=True,
    ).stdout.split()  # fmt: skip
    assert [found["packages"]["numpy"], found["python"]] == told
    assert list(found["packages"]) == ["numpy"]


def test_system_libraries_say_their_versions():
    for name in ("pango", "harfbuzz", "fontconfig"):
        assert [part.isdigit() for part in system_versions()[name].split(".")] == [True] * 3
    assert system_versions()["libc"].startswith("glibc 2.")


def test_version_differences_put_system_libraries_first():
    old = {"python": "3.11.2", "pango": "1.50.12", "packages": {"numpy": "2.4.6", "zarr": "3.1.6"}}
    new = {"python": "3.11.2", "pango": "1.56.3", "packages": {"numpy": "2.4.7", "zarr": "3.1.6"}}
    assert version_differences(old, new) == [("pango", "1.50.12", "1.56.3"), ("numpy", "2.4.6", "2.4.7")]


def test_the_report_shows_homewater_python_and_the_packages_that_shape_it():
    shown = shown_versions()
    assert list(shown) == ["homewater", "Python", *SHOWN_PACKAGES]
    assert (shown["homewater"], shown["Python"]) == (__version__, platform.python_version())
