"""The rules of the layout, read from the files themselves."""

import ast
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
LIBRARY = ROOT / "scripts" / "homewater"
# The packages in order: imports run from later to earlier ones alone.
PACKAGES = (
    "running", "tables", "inputs", "genotypes", "statistics", "water", "crosses",  # base: these serve every stage
    "intake", "filters", "structure", "units", "panel", "assignment", "transfers",  # stages: none imports another
    "report/words", "report/figures", "report/pages",
    "invented",
)  # fmt: skip
STAGES = PACKAGES[PACKAGES.index("intake") : PACKAGES.index("report/words")]
# the store, the readers of tables and files, the writer, and what works on a clone's own files
TAKES_PATHS = {
    "genotypes/store", "genotypes/opened_species", "genotypes/site_counts", "tables/schema_tables", "running/writer",
    "running/checksums", "running/step", "running/environment", "running/clone",
    "inputs/user_tables", "inputs/genotype_headers", "inputs/polygons",
    "inputs/reference", "inputs/settings", "inputs/settings_schema", "inputs/user_text",
    "intake/vcf_files", "intake/vcf_reader", "intake/text_reader", "intake/table_reader",
    "report/pages/manifest", "report/pages/pdf", "invented/files", "invented/study",
}  # fmt: skip
MODULES = sorted(path.relative_to(LIBRARY).with_suffix("").as_posix() for path in LIBRARY.rglob("*.py"))
NAMED = [module for module in MODULES if not module.endswith("__init__")]


def parsed(module: str) -> ast.Module:
    return ast.parse((LIBRARY / f"{module}.py").read_text(encoding="utf-8"))


def imported_names(module: str) -> set[str]:
    """Return every module that a module of the library imports, as written."""
    found = set()
    for node in ast.walk(parsed(module)):
        if isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
    return found


def package_of(module: str) -> str:
    return module.rpartition("/")[0]


def imported_packages(module: str) -> set[str]:
    """Return the packages of the library from which a module imports, its own left out."""
    paths = {name.removeprefix("homewater.").replace(".", "/") for name in imported_names(module)
             if name.startswith("homewater.")}  # fmt: skip
    return {package_of(path) for path in paths & set(NAMED)} - {package_of(module)}


def test_every_module_stands_in_a_package_and_every_package_has_modules():
    assert {package_of(module) for module in NAMED} == set(PACKAGES)


@pytest.mark.parametrize("module", NAMED)
def test_imports_run_from_later_packages_to_earlier_ones(module):
    own = package_of(module)
    earlier = set(PACKAGES[: PACKAGES.index(own)])
    # stages, the report and the invented studies stand on the base alone; the report also on its own words and figures
    allowed = {p for p in earlier if p not in STAGES and (not p.startswith("report") or own.startswith("report"))}
    assert imported_packages(module) <= allowed


@pytest.mark.parametrize("module", [m for m in MODULES if m.endswith("/__init__")])
def test_packages_are_folders_and_nothing_more(module):
    assert not (LIBRARY / f"{module}.py").read_text(encoding="utf-8").strip()


@pytest.mark.parametrize("stage", [*STAGES, "report"])
def test_a_stage_has_its_rule_file(stage):
    assert (ROOT / "workflow" / "rules" / f"{stage}.smk").is_file()


@pytest.mark.parametrize("module", sorted(set(NAMED) - TAKES_PATHS))
def test_only_the_store_readers_and_writers_take_paths(module):
    calls = {n.func.id for n in ast.walk(parsed(module)) if isinstance(n, ast.Call) and isinstance(n.func, ast.Name)}
    assert "open" not in calls
    assert "pathlib" not in imported_names(module)


@pytest.mark.parametrize("module", NAMED)
def test_no_module_of_the_library_imports_a_step_or_snakemake(module):
    assert not {name.split(".")[0] for name in imported_names(module)} & {"steps", "snakemake", "launch"}


def tracked() -> list[Path]:
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
    return [ROOT / name for name in listed.split("\0") if name]


def test_top_level_holds_what_the_design_names():
    allowed = {"README.md", "DEVELOPERS.md", "LICENSE", "Snakefile", "pyproject.toml", "requirements.lock",
               "config", "workflow", "scripts", "tests", "reports"}  # fmt: skip
    tops = {path.relative_to(ROOT).parts[0] for path in tracked()}
    assert {top for top in tops if not top.startswith(".")} <= allowed


def test_nothing_tracked_names_a_place_outside_the_clone():
    forbidden = ["../" + "shared", "/" + "work/main", "/" + "root/"]
    for path in tracked():
        if (
            path.suffix in {".py", ".md", ".smk", ".yaml", ".sh", ".toml", ".css", ".j2", ".json", ""}
            and path.is_file()
        ):
            text = path.read_text(encoding="utf-8", errors="ignore")
            assert not [word for word in forbidden if word in text], path


@pytest.mark.parametrize("module", NAMED)
def test_modules_hold_one_idea(module):
    assert len((LIBRARY / f"{module}.py").read_text(encoding="utf-8").splitlines()) <= 420
