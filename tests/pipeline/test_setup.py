"""Set-up (scripts/setup.sh): what it finds, what it says, and that a second start costs nothing.

Installing itself is seen by every run in a fresh clone; here the paths are tried that end before it.
"""

import hashlib
import os
import subprocess
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SETUP = ROOT / "scripts" / "setup.sh"


@pytest.fixture
def clone(tmp_path) -> Path:
    """Return a folder that looks set up: a Python, and a stamp that fits the lock file."""
    folder = tmp_path / "clone"
    (folder / ".venv" / "bin").mkdir(parents=True)
    (folder / ".venv" / "bin" / "python").symlink_to(ROOT / ".venv" / "bin" / "python")
    (folder / "requirements.lock").write_text("wheel==0 --hash=sha256:00\n")
    stamp(folder)
    return folder


def stamp(folder: Path) -> None:
    digest = hashlib.sha256((folder / "requirements.lock").read_bytes()).hexdigest()
    (folder / ".venv" / ".set-up").write_text(digest + "\n")


def shell(script: str, **variables: str) -> subprocess.CompletedProcess:
    environment = os.environ | {"HOMEWATER_NO_APT": "1"} | variables
    return subprocess.run(
        ["/bin/bash", "-c", f"set -euo pipefail; source '{SETUP}'; {script}"],
        env=environment,
        capture_output=True,
        text=True,
    )


def program(path: Path, text: str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("#!/bin/bash\n" + text)
    path.chmod(0o755)
    return path


def fake_python(folder: Path, name: str, version: str, complete: bool = True) -> Path:
    words = f'echo "{folder / name} {version}"; ' + ("echo complete" if complete else "exit 1")
    return program(folder / name, words)


def test_a_clone_that_is_set_up_starts_at_once_in_silence(clone):
    started = time.perf_counter()
    done = shell(f"homewater_setup '{clone}'; echo ready")
    assert (done.returncode, done.stdout, done.stderr) == (0, "ready\n", "")
    assert time.perf_counter() - started < 1  # the limit that the users were promised; 0.03 s is usual


@pytest.mark.parametrize("harm", ["lock changed", "stamp missing", "python gone"])
def test_what_no_longer_fits_is_set_up_again(clone, harm):
    if harm == "lock changed":
        (clone / "requirements.lock").write_text("wheel==1 --hash=sha256:00\n")
    elif harm == "stamp missing":
        (clone / ".venv" / ".set-up").unlink()
    else:
        (clone / ".venv" / "bin" / "python").unlink()
    done = shell(f"_homewater_install() {{ echo installing; }}; homewater_setup '{clone}'")
    assert (done.returncode, done.stdout) == (0, "installing\n"), done.stderr


def test_a_library_that_went_missing_is_named_with_its_package(clone):
    done = shell(f"_homewater_libraries+=(libtidepool.so.7=libtidepool7); homewater_setup '{clone}'")
    assert done.returncode == 1
    assert done.stderr.splitlines()[-1] == (
        "set-up: missing Debian packages; as root: apt-get install --no-install-recommends libtidepool7"
    )


def test_a_library_on_the_users_own_path_counts(clone, tmp_path):
    (tmp_path / "lib").mkdir()
    (tmp_path / "lib" / "libtidepool.so.7").touch()
    script = f"_homewater_libraries+=(libtidepool.so.7=libtidepool7); homewater_setup '{clone}'"
    assert shell(script, LD_LIBRARY_PATH=f"/nowhere:{tmp_path}/lib").returncode == 0


def test_everything_missing_is_named_in_one_line(tmp_path):
    """No Python at all and no library: one line asks for both."""
    (tmp_path / ".venv").mkdir()
    (tmp_path / "requirements.lock").write_text("")
    script = f"_homewater_libraries=(libtidepool.so.7=libtidepool7); homewater_setup '{tmp_path}'"
    done = shell(script, HOMEWATER_PYTHON="/nowhere/python3")
    assert done.returncode == 1
    assert done.stderr.splitlines() == [
        "set-up: missing Debian packages; as root: apt-get install --no-install-recommends "
        "python3 python3-venv libtidepool7"
    ]


@pytest.mark.parametrize(
    ("there", "chosen"),
    [
        ({"python3.12": ("3.12", True), "python3.11": ("3.11", True)}, "python3.11"),
        ({"python3.13": ("3.13", True), "python3.12": ("3.12", True)}, "python3.12"),
        ({"python3.11": ("3.11", False), "python3.13": ("3.13", True)}, "python3.13"),
        ({"python3": ("3.14", True)}, ""),
        ({"python3": ("3.10", True)}, ""),
        ({"python3": ("3.11", False)}, "python3"),
        ({}, ""),
    ],
)
def test_the_best_python_on_the_path_is_chosen(tmp_path, there, chosen):
    for name, (version, complete) in there.items():
        fake_python(tmp_path / "good", name, version, complete)
    for name in ("python3", "python3.11", "python3.12", "python3.13"):
        program(tmp_path / "stubs" / name, "exit 127")  # a version manager's stub that leads nowhere
    done = shell('_homewater_find_python; echo "$python"', PATH=f"{tmp_path}/stubs:{tmp_path}/good")
    assert done.stdout == (f"{tmp_path}/good/{chosen}\n" if chosen else "\n"), done.stderr


def test_without_root_new_packages_alone_are_unpacked_into_the_clone(clone, tmp_path):
    """What apt would upgrade stays the system's: a second libc beside the first would break every program."""
    fakes = tmp_path / "fakes"
    program(
        fakes / "apt-get",
        """
for word in "$@"; do last=$word; done
case "$*" in
    *" -s install "*) echo "Inst libtidepool7 (7.1 Debian:12 [amd64])"
                      echo "Inst libc6 [2.36-9] (2.36-10 Debian:12 [amd64])"
                      echo "Conf libtidepool7 (7.1 Debian:12 [amd64])" ;;
    *" download "*) for name in "${@:$#}"; do touch "$name.deb"; done ;;
esac
""",
    )
    unpacks = 'mkdir -p "$3/usr/lib/x86_64-linux-gnu"; touch "$3/usr/lib/x86_64-linux-gnu/${2##*/}"'
    program(fakes / "dpkg", unpacks)
    script = f"_homewater_apt_unpack '{clone}' libtidepool7; echo \"$LD_LIBRARY_PATH\""
    done = shell(script, PATH=f"{fakes}:{os.environ['PATH']}", LD_LIBRARY_PATH="")
    unpacked = clone / ".venv" / "system" / "usr" / "lib" / "x86_64-linux-gnu"
    assert done.stdout == f"{unpacked}\n", done.stderr
    assert [file.name for file in unpacked.iterdir()] == ["libtidepool7.deb"]
    assert not (clone / ".venv" / "apt").exists()


def test_a_second_set_up_waits_for_the_first(clone):
    (clone / ".venv" / ".set-up").unlink()
    lock = clone / ".venv" / ".set-up.lock"
    script = f"""
    _homewater_install() {{ echo "not after the first"; }}
    flock '{lock}' bash -c 'touch "{clone}/locked"; sleep 1; sha256sum <"{clone}/requirements.lock" |
        cut -d" " -f1 >"{clone}/.venv/.set-up"' &
    while [[ ! -e '{clone}/locked' ]]; do sleep 0.05; done
    homewater_setup '{clone}'; wait"""
    done = shell(script)
    assert (done.returncode, done.stdout) == (0, "")
    assert done.stderr == "set-up: waiting for another set-up of this clone\n"


def test_wheels_from_a_folder_that_is_not_there_are_told_at_once(clone):
    (clone / ".venv" / ".set-up").unlink()
    done = shell(f"homewater_setup '{clone}'", HOMEWATER_WHEELS="/no/such/folder")
    assert (done.returncode, done.stderr) == (1, "set-up: HOMEWATER_WHEELS=/no/such/folder is not a folder\n")


def test_programs_for_tests_are_named_with_their_packages(clone):
    done = shell(f"homewater_programs '{clone}' bash=bash tide-clock=tide-tools")
    assert done.stderr.endswith("apt-get install --no-install-recommends tide-tools\n")


def test_the_lock_names_the_build_backend_and_no_registry():
    text = (ROOT / "requirements.lock").read_text(encoding="utf-8")
    assert "\nsetuptools==" in text
    assert "\nwheel==" in text
    assert "://" not in text
    assert "--index" not in text
