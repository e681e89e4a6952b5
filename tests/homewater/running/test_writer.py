"""The one writer: nothing half-written is ever found under the final name."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from homewater.running.writer import write_json, write_text, written_aside


def leftovers(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_failure_leaves_the_older_file_and_no_trace(tmp_path):
    write_text("old\n", tmp_path / "a.txt")

    def fail():
        with written_aside(tmp_path / "a.txt") as aside:
            aside.write_text("half")
            raise RuntimeError("disk gone")

    with pytest.raises(RuntimeError, match="disk gone"):
        fail()
    assert (tmp_path / "a.txt").read_text() == "old\n"
    assert leftovers(tmp_path) == ["a.txt"]


def test_a_folder_replaces_an_older_folder_whole(tmp_path):
    for content in ("one", "two"):
        with written_aside(tmp_path / "store") as aside:
            (aside / "deep").mkdir(parents=True)
            (aside / "deep" / content).write_text(content)
    assert leftovers(tmp_path / "store" / "deep") == ["two"]
    assert leftovers(tmp_path) == ["store"]


def test_json_is_sorted_and_refuses_nan(tmp_path):
    write_json({"b": 0.1, "a": [1, None]}, tmp_path / "x.json")
    assert (tmp_path / "x.json").read_text() == '{\n  "a": [\n    1,\n    null\n  ],\n  "b": 0.1\n}\n'
    with pytest.raises(ValueError, match="JSON compliant"):
        write_json({"a": float("nan")}, tmp_path / "x.json")
    assert json.loads((tmp_path / "x.json").read_text())["b"] == 0.1


def test_a_killed_writer_leaves_the_older_file(tmp_path):
    """Killed with -9 in the middle of writing; the process itself proves that it had begun."""
    write_text("old\n", tmp_path / "a.txt")
    program = (
        "import sys, time\n"
        "from homewater.running.writer import written_aside\n"
        f"with written_aside({str(tmp_path / 'a.txt')!r}) as aside:\n"
        "    aside.write_text('half')\n"
        "    print('begun', flush=True)\n"
        "    time.sleep(60)\n"
    )
    scripts = str(Path(__file__).resolve().parents[3] / "scripts")
    child = subprocess.Popen(
        [sys.executable, "-c", program], stdout=subprocess.PIPE, env={**os.environ, "PYTHONPATH": scripts}
    )
    assert child.stdout.readline() == b"begun\n"
    child.send_signal(signal.SIGKILL)
    child.wait()
    assert (tmp_path / "a.txt").read_text() == "old\n"
    assert any(name.endswith(".aside") for name in leftovers(tmp_path))  # it was at work when it died


def test_two_writers_of_one_file_leave_one_whole_content(tmp_path):
    program = (
        "import sys\n"
        "from homewater.running.writer import write_text\n"
        f"for _ in range(50): write_text(sys.argv[1] * 5000, {str(tmp_path / 'a.txt')!r})\n"
    )
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parents[3] / "scripts")}
    children = [subprocess.Popen([sys.executable, "-c", program, letter], env=environment) for letter in "xy"]
    seen = set()
    while any(child.poll() is None for child in children):
        if (tmp_path / "a.txt").exists():
            seen.add((tmp_path / "a.txt").read_text())
        time.sleep(0.001)
    assert [child.returncode for child in children] == [0, 0]
    assert seen | {(tmp_path / "a.txt").read_text()} <= {"x" * 5000, "y" * 5000}
    assert leftovers(tmp_path) == ["a.txt"]
