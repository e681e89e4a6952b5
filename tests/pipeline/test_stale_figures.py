"""scripts/test --verify --stale, on a small repository of its own, where each change is made by hand."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from tests import stale_figures
from tests.stale_figures import judged_by

ROOT = Path(__file__).resolve().parents[2]
FILES = {
    "scripts/homewater/units/lines.py": "from homewater.statistics import fst\n",
    "scripts/homewater/statistics/fst.py": "import numpy\n",
    "scripts/homewater/panel/choice.py": "\n",
    "scripts/steps/units.py": "from homewater.units.lines import x\n",
    "workflow/rules/units.smk": 'rule units:\n    script:\n        "../../scripts/steps/units.py"\n',
    "tests/shared.py": "from homewater.units import lines\n",
    "tests/verification/direct.py": "from tests.shared import something\n",
    "tests/verification/whole.py": 'STAGES = ("units",)\n',
}


def git(root: Path, *words: str) -> str:
    identity = ["-c", "user.name=a", "-c", "user.email=a@example.org", "-c", "commit.gpgsign=false"]
    return subprocess.run(["git", *identity, *words], cwd=root, check=True, capture_output=True, text=True).stdout


def write(root: Path, path: str, content: str) -> None:
    (root / path).parent.mkdir(parents=True, exist_ok=True)
    (root / path).write_text(content)


def commit(root: Path) -> str:
    git(root, "add", "-A")
    git(root, "commit", "-qm", "x", "--allow-empty")
    return git(root, "rev-parse", "HEAD").strip()


@pytest.fixture
def clone(tmp_path):
    """A clone with two suites, whose figures were made at its first commit."""
    git(tmp_path, "init", "-q")
    for path, content in FILES.items():
        write(tmp_path, path, content)
    made = commit(tmp_path)
    write(tmp_path, "tests/verification/direct.json", json.dumps({n: {"commit": made} for n in ("one", "two")}))
    write(tmp_path, "tests/verification/whole.json", json.dumps({"commit": made, "figure": 1}))
    commit(tmp_path)
    return tmp_path


def stale(root: Path) -> list[str]:
    return [line.partition(":")[0] for line in stale_figures.stale_figures(root)]


DIRECT = ["tests/verification/direct.json one", "tests/verification/direct.json two"]
WHOLE = ["tests/verification/whole.json"]


def test_words_about_the_code_make_no_figure_stale(clone):
    told = '"""What it is."""\n\nimport numpy  # for arrays\n'
    write(clone, "scripts/homewater/statistics/fst.py", told)
    assert stale(clone) == []
    commit(clone)
    assert stale(clone) == []
    write(clone, "scripts/homewater/statistics/fst.py", told + '\n\ndef x():\n    """Say."""\n    return 1\n')
    assert stale(clone) == DIRECT + WHOLE
    write(clone, "workflow/rules/units.smk", FILES["workflow/rules/units.smk"] + "# a rule\n")
    write(clone, "scripts/homewater/statistics/fst.py", told)
    assert stale(clone) == WHOLE


def test_nothing_is_stale_at_first_nor_after_a_change_elsewhere(clone):
    assert stale(clone) == []
    write(clone, "scripts/homewater/panel/choice.py", "x = 1\n")
    write(clone, "tests/shared.py", FILES["tests/shared.py"] + "x = 1\n")  # tests are not judged
    commit(clone)
    assert stale(clone) == []


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        ("scripts/homewater/statistics/fst.py", DIRECT + WHOLE),
        ("scripts/homewater/units/lines.py", DIRECT + WHOLE),
        ("scripts/steps/units.py", WHOLE),
        ("workflow/rules/units.smk", WHOLE),
    ],
)
@pytest.mark.parametrize("committed", [True, False])
def test_a_change_of_what_is_judged_makes_figures_stale(clone, path, expected, committed):
    write(clone, path, FILES[path] + "changed = 1\n")
    if committed:
        commit(clone)
    assert stale(clone) == expected
    if committed:  # made again at today's code, they are not
        now = git(clone, "rev-parse", "HEAD").strip()
        write(clone, "tests/verification/direct.json", json.dumps({"one": {"commit": now}, "two": {"commit": now}}))
        assert stale(clone) == [line for line in expected if line in WHOLE]


def test_a_change_undone_does_not(clone):
    path = "scripts/homewater/units/lines.py"
    write(clone, path, "\n")
    commit(clone)
    write(clone, path, FILES[path])
    commit(clone)
    assert stale(clone) == []


def test_unknown_commits_and_figures_without_a_suite_are_stale(clone):
    write(clone, "tests/verification/direct.json", json.dumps({"one": {"commit": "0" * 40}, "two": {}}))
    write(clone, "tests/verification/gone.json", "{}")
    assert stale(clone) == [*DIRECT, "tests/verification/gone.json"]


def test_the_command_prints_a_line_a_figure_and_ends_with_1(clone):
    write(clone, "tests/stale_figures.py", Path(stale_figures.__file__).read_text())
    command = [sys.executable, "tests/stale_figures.py"]
    done = subprocess.run(command, cwd=clone, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout) == (0, "no figure is older than what it judges\n")
    write(clone, "scripts/steps/units.py", "\n")
    done = subprocess.run(command, cwd=clone, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    made = json.loads((clone / WHOLE[0]).read_text())["commit"]
    assert done.stdout == f"{WHOLE[0]}: made at {made[:8]}, before changes in scripts/steps/units.py\n"


def test_suites_of_this_clone_judge_what_they_should():
    def judged(name: str) -> list[str]:
        return judged_by(ROOT, ROOT / "tests" / "verification" / f"{name}.py")

    assert "scripts/homewater/units/breaks.py" in judged("structure")
    assert not [file for file in judged("structure") if "/panel/" in file or "/report/" in file]
    assert "scripts/homewater/crosses/likelihood.py" in judged("assignment")
    assert not [file for file in judged("assignment") if "/units/" in file]
    for whole in ("demo", "studies"):
        assert {"scripts/steps/units.py", "scripts/homewater/filters/animals.py", "workflow/rules/panel.smk"} <= set(
            judged(whole)
        )
        assert not [file for file in judged(whole) if "/report/" in file]
    assert "scripts/steps/filters.py" in judged("fuzz")
