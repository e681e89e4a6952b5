"""`scripts/run verify MANIFEST`: a recorded study run again in a fresh folder, every output compared by checksum."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from pathlib import Path

import yaml

from homewater import __version__
from homewater.inputs.settings import check_settings
from homewater.report.pages.manifest import differences
from homewater.running.checksums import checksum
from homewater.running.clone import LOCK
from homewater.running.errors import EXIT_DONE, EXIT_FAILED, InputError, Problem
from homewater.running.versions import all_versions, version_differences
from launcher.running import Study, run_study, say

_KEYS = ("homewater", "study_file", "study_id", "settings", "inputs", "outputs", "versions")
_COPIED = ("Snakefile", "workflow", "scripts", "config", "requirements.lock")


def read_manifest(path: Path) -> dict:
    """Return a run's record.

    Raises:
        InputError: where the file is not such a record.
    """

    def fault(found: str) -> InputError:
        return InputError(
            Problem(path.name, "", "", found, "the manifest.json of a run, results/<study>/manifest.json")
        )

    try:
        manifest = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise fault(f"a file that cannot be read ({error.strerror})") from None
    except ValueError:
        raise fault("text that is not JSON") from None
    missing = [key for key in _KEYS if not isinstance(manifest, dict) or key not in manifest]
    if missing:
        raise fault(f"no key {missing[0]}")
    return manifest


def study_folder(manifest_path: Path, study_file: Path | None) -> Path:
    """Return the folder from which the recorded paths of inputs start.

    Args:
        manifest_path: absolute path of the record.
        study_file: the study file as the user gave it, or None.

    Raises:
        InputError: where the record lies away from its results and no study file was given.
    """
    if study_file is not None:
        return study_file.parent
    note = manifest_path.parent / ".study"
    if not note.is_file():
        raise InputError(
            Problem(
                manifest_path.name,
                "",
                "",
                "a record away from its results, which does not tell where the inputs are",
                "the study file as a second argument: scripts/run verify MANIFEST STUDY.yaml",
            )
        )
    # a study file inside a clone is noted by its path in the clone that holds the results
    return (manifest_path.parents[2] / note.read_text(encoding="utf-8").strip()).parent


def changed_inputs(manifest: dict, folder: Path) -> list[Problem]:
    """Return a problem for every input that is not the recorded one."""
    problems = []
    for path, recorded in manifest["inputs"].items():
        file = folder / path
        if not file.is_file():
            problems.append(Problem(path, "", "", "no such file", "the file that was recorded"))
        elif (found := checksum(file)) != recorded:
            problems.append(Problem(path, "", "", f"SHA-256 {found}", f"the file that was recorded, {recorded}"))
    return problems


def fresh_clone(clone: Path, folder: Path) -> Path:
    """Copy what a run is made of to a new folder; the environment is shared with the clone. Returns the copy."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in _COPIED:
        if (clone / name).is_dir():
            shutil.copytree(clone / name, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy2(clone / name, folder / name)
    (folder / ".venv").symlink_to(clone / ".venv")
    return folder


def verify(arguments: list[str], caller: Path, clone: Path) -> int:
    """Run a record again and compare; return 0 where every output is the same, 1 where one is not.

    Raises:
        InputError: where the record cannot be read or its inputs are no longer the recorded ones.
    """
    if not arguments:
        raise InputError(Problem("command line", "verify", "", "no record", "scripts/run verify MANIFEST [STUDY.yaml]"))
    path = Path(os.path.abspath(caller / arguments[0]))
    given, extra = None, arguments[1:]
    if extra and extra[0].lower().endswith((".yaml", ".yml")):
        given, extra = Path(os.path.abspath(caller / extra[0])), extra[1:]
    manifest = read_manifest(path)
    folder = study_folder(path, given)
    settings = check_settings(manifest["settings"], path.name)
    problems = changed_inputs(manifest, folder)
    if problems:
        raise InputError(problems)
    if manifest["homewater"] != __version__:
        say(f"recorded with homewater {manifest['homewater']}, this is {__version__}")
    for name, recorded, here in version_differences(manifest["versions"], all_versions(LOCK.read_text("utf-8"))):
        say(f"version of {name}: recorded {recorded}, here {here}")

    with tempfile.TemporaryDirectory(prefix="homewater-verify-") as temporary:
        copy = fresh_clone(clone, Path(temporary).resolve() / "clone")
        file = copy / manifest["study_file"]
        file.write_text(yaml.safe_dump(manifest["settings"], allow_unicode=True, sort_keys=False), encoding="utf-8")
        say(f"running {manifest['study_id']} again in a fresh folder")
        code = run_study(Study(file, folder, settings, copy), extra, caller)
        if code:
            return code
        found = {name: checksum(copy / name) for name in manifest["outputs"] if (copy / name).exists()}
    differing = differences(manifest["outputs"], found)
    for name, what in differing:
        say(f"{what}: {name}")
    same = len(manifest["outputs"]) - len(differing)
    say(f"{same} of {len(manifest['outputs'])} outputs are the same")
    return EXIT_FAILED if differing else EXIT_DONE
