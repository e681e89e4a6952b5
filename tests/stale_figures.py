"""Which figures of the long verifications are older than the code that they judge: `scripts/test --verify --stale`.

Every record under tests/verification holds the commit at which it was made. What a suite judges is read from its
imports, followed through `tests`, into the library and the steps. A suite that looks at whole runs imports little of
what it judges; it names the stages whose tables it reads (STAGES), and their rule files, steps and what these import
count too. A record is stale where the code of any of these files differs now from that commit, or where the commit is
not known. Comments and docstrings change no figure, and count for nothing.
"""

from __future__ import annotations

import ast
import json
import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = {"homewater": "scripts", "steps": "scripts", "tests": "."}  # what is followed, and where it lies
JUDGED = ("scripts/homewater/", "scripts/steps/", "workflow/rules/")


def modules_named(tree: ast.Module) -> set[str]:
    """Return every module that a file imports, and every name that it imports from one, as dotted names."""
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
    return found


def file_of(root: Path, module: str) -> Path | None:
    """Return the file of a module of this project, None where it is none."""
    package = PACKAGES.get(module.partition(".")[0])
    file = root.joinpath(package, *module.split(".")).with_suffix(".py") if package else None
    return file if file and file.is_file() else None


def reached(root: Path, start: list[Path]) -> set[Path]:
    """Return these files and all that they import, files of this project alone."""
    found, todo = set(start), list(start)
    while todo:
        named = modules_named(ast.parse(todo.pop().read_text(encoding="utf-8")))
        new = {file for name in named if (file := file_of(root, name))} - found
        found |= new
        todo += new
    return found


def stages_of(suite: Path) -> tuple[str, ...]:
    """Return the stages that a suite names in STAGES; none where it has no such line."""
    for node in ast.parse(suite.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign) and [getattr(t, "id", None) for t in node.targets] == ["STAGES"]:
            return ast.literal_eval(node.value)
    return ()


def judged_by(root: Path, suite: Path) -> list[str]:
    """Return the files that a suite judges, relative to the clone, in order.

    Args:
        root: the clone.
        suite: a file of tests/verification.
    """
    rules = [root / "workflow" / "rules" / f"{stage}.smk" for stage in stages_of(suite)]
    steps = [
        root / "scripts" / "steps" / name
        for file in rules
        for name in re.findall(r'"\.\./\.\./scripts/steps/(\w+\.py)"', file.read_text(encoding="utf-8"))
    ]
    files = {file.relative_to(root).as_posix() for file in reached(root, [suite, *steps]) | set(rules)}
    return sorted(file for file in files if file.startswith(JUDGED))


def records_of(figures: Path) -> dict[str, str]:
    """Return the commit of every record of a file of figures; the name is empty where the file is one record."""
    content = json.loads(figures.read_text(encoding="utf-8"))
    if "commit" in content:
        return {"": content["commit"]}
    return {name: record.get("commit", "") for name, record in content.items()}


def code_of(text: str) -> str:
    """Return the code of a Python file without comments, docstrings and layout, as a text to be compared."""
    tree = ast.parse(text)
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and ast.get_docstring(node) is not None:
            del node.body[0]
    return ast.dump(tree)


def same_code(root: Path, commit: str, file: str) -> bool:
    """Whether a file that differs from a commit holds the same code; of rule files every letter counts."""
    command = ["git", "show", "--end-of-options", f"{commit}:{file}"]
    before, now = subprocess.run(command, cwd=root, capture_output=True, text=True, check=False), root / file
    if not file.endswith(".py") or before.returncode or not now.is_file():
        return False
    return code_of(before.stdout) == code_of(now.read_text(encoding="utf-8"))


def changed_since(root: Path, commit: str, files: list[str]) -> list[str] | None:
    """Return which files' code differs from a commit, in the working tree too; None where the commit is not known."""
    command = ["git", "diff", "--name-only", "--end-of-options", commit, "--", *files]
    done = subprocess.run(command, cwd=root, capture_output=True, text=True, check=False)
    if done.returncode or not commit:
        return None
    return [file for file in done.stdout.split() if not same_code(root, commit, file)]


def stale_figures(root: Path) -> list[str]:
    """Return one line a stale figure of tests/verification, files and records in order.

    Args:
        root: the clone.
    """
    lines = []
    for figures in sorted((root / "tests" / "verification").glob("*.json")):
        place, suite = figures.relative_to(root).as_posix(), figures.with_suffix(".py")
        if not suite.is_file():
            lines.append(f"{place}: no suite of this name makes it")
            continue
        files, known = judged_by(root, suite), {}
        for name, commit in sorted(records_of(figures).items()):
            if commit not in known:
                known[commit] = changed_since(root, commit, files)
            changed, what = known[commit], f"{place} {name}".strip()
            if changed is None:
                lines.append(f"{what}: made at {commit or 'no commit'}, which this clone does not hold")
            elif changed:
                more = f" and {len(changed) - 1} more" if len(changed) > 1 else ""
                lines.append(f"{what}: made at {commit[:8]}, before changes in {changed[0]}{more}")
    return lines


if __name__ == "__main__":
    stale = stale_figures(ROOT)
    print("\n".join(stale) if stale else "no figure is older than what it judges")
    sys.exit(1 if stale else 0)
