"""What is pinned is used, and what is used is pinned: read from the imports, the pins and the lock."""

import ast
import re
import sys
import tomllib
from importlib.metadata import distribution, packages_distributions
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
# pinned though nobody imports them, each with its reason
BEHIND_THE_SCENES = {
    "snakemake-executor-plugin-slurm": "the engine's way to a cluster",
    "pyarrow": "pandas reads and writes Parquet with it",
    "setuptools": "builds the one package that comes as source",
    "wheel": "builds the one package that comes as source",
}
TOOLS = {
    "pytest-xdist": "-n",
    "pytest-timeout": "--timeout",
    "ruff": "format and lint",
    "snakefmt": "format of rules",
    "threadpoolctl": "asks the numerical libraries for their threads, in a process of its own",
}
OURS = {"homewater", "launcher", "launch", "steps", "tests", "snakemake_logger_plugin_homewater"}


def plain(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def pinned(requirements: list[str]) -> set[str]:
    return {plain(Requirement(text).name) for text in requirements}


RUNTIME = pinned(PROJECT["project"]["dependencies"])
TEST = pinned(PROJECT["dependency-groups"]["test"])
LOCKED = set(re.findall(r"(?m)^([a-z0-9._-]+)==", (ROOT / "requirements.lock").read_text(encoding="utf-8")))


def imported(folder: str) -> set[str]:
    """Return the distributions whose modules the Python files below a folder import."""
    modules = set()
    for file in (ROOT / folder).rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                modules |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                modules.add(node.module.split(".")[0])
    known = packages_distributions()
    return {plain(known[name][0]) for name in modules - OURS - set(sys.stdlib_module_names)}


def needed_by(requirements: list[str]) -> set[str]:
    """Return the distributions that requirements bring in, directly or through others, as installed here."""
    found, todo = set(), [(plain(r.name), frozenset(r.extras)) for r in map(Requirement, requirements)]
    while todo:
        name, extras = todo.pop()
        if (name, extras) in found:
            continue
        found.add((name, extras))
        for text in distribution(name).requires or []:
            wanted = Requirement(text)
            if wanted.marker is None or any(wanted.marker.evaluate({"extra": extra}) for extra in {"", *extras}):
                todo.append((plain(wanted.name), frozenset(wanted.extras)))
    return {name for name, _ in found}


def test_the_runtime_pins_are_what_the_scripts_import():
    assert imported("scripts") - RUNTIME == set()
    assert RUNTIME - imported("scripts") == set(BEHIND_THE_SCENES)


def test_the_test_pins_are_what_the_tests_import_beside_it():
    assert imported("tests") - RUNTIME - TEST - {"packaging"} == set()
    assert TEST - imported("tests") == set(TOOLS)
    assert not TEST & RUNTIME


def test_nothing_is_locked_that_nobody_needs():
    requirements = PROJECT["project"]["dependencies"] + PROJECT["dependency-groups"]["test"]
    assert {plain(name) for name in LOCKED} - needed_by(requirements) == set()


@pytest.mark.parametrize("name", sorted(RUNTIME | TEST))
def test_what_is_pinned_is_locked(name):
    assert name in {plain(locked) for locked in LOCKED}
