"""The rules of the layout, read from the files themselves."""

import ast
import re
import subprocess
import sys
from collections import defaultdict
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
LIBRARY = ROOT / "scripts" / "homewater"
TESTS = ROOT / "tests"
STEPS = sorted((ROOT / "scripts" / "steps").glob("*.py"))
RULE_FILES = sorted((ROOT / "workflow" / "rules").glob("*.smk"))
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
    "running/checksums", "running/step", "running/environment", "running/clone", "crosses/opened_panel",
    "inputs/user_tables", "inputs/genotype_headers", "inputs/polygons",
    "inputs/reference", "inputs/settings", "inputs/settings_schema", "inputs/user_text",
    "intake/vcf_files", "intake/vcf_reader", "intake/text_reader", "intake/table_reader",
    "units/tested_sites",
    "report/pages/manifest", "report/pages/pdf", "invented/files", "invented/study",
}  # fmt: skip
# Modules whose test stands in a file of another name, which reaches them by its imports.
_TESTS_OF_OTHERS = {
    "homewater/filters/test_animals": ["filters/ledger", "filters/settings"],
    "homewater/genotypes/test_store": ["genotypes/zarr_arrays"],
    "homewater/inputs/test_settings": ["inputs/settings_schema"],
    "homewater/inputs/test_user_tables": ["inputs/event_dates", "inputs/user_text"],
    "homewater/intake/test_join_files": ["intake/file_conflicts"],
    "homewater/intake/test_vcf_files": ["intake/genome_parts", "intake/vcf_reader"],
    "homewater/invented/test_demo": [
        "invented/coast", "invented/faults", "invented/files", "invented/plan", "invented/species",
    ],
    "homewater/report/pages/test_page": [
        "report/figures/cline", "report/figures/filters", "report/figures/genome",
         "report/figures/linkage", "report/figures/panel",
        "report/figures/structure",
        "report/pages/diversity", "report/pages/study", "report/pages/transfers",
    ],
    "homewater/structure/test_genome_blocks": ["structure/block_axis", "structure/block_tables"],
    "homewater/structure/test_axis_test": ["invented/stocks"],
    "homewater/structure/test_effective_size": ["tables/kept_animals"],
    "homewater/tables/test_schema_tables": ["running/clone"],
    "homewater/water/test_sea_distance": ["water/land_raster"],
    "steps/test_filters": ["filters/filter_species"],
    "steps/test_structure": ["structure/groups_within_units"],
    "steps/test_units": ["units/tested_sites"],
}  # fmt: skip
COVERED_ELSEWHERE = {module: file for file, modules in _TESTS_OF_OTHERS.items() for module in modules}
MOST_PARAMETERS = 7
MODULES = sorted(path.relative_to(LIBRARY).with_suffix("").as_posix() for path in LIBRARY.rglob("*.py"))
NAMED = [module for module in MODULES if not module.endswith("__init__")]


def parsed(module: str) -> ast.Module:
    return ast.parse((LIBRARY / f"{module}.py").read_text(encoding="utf-8"))


def imported_names(module: str) -> set[str]:
    """Return every module that a module of the library imports, as written."""
    return imports_of(parsed(module))


def imports_of(tree: ast.Module) -> set[str]:
    """Return every module that a file imports, and every name that it imports from one, as dotted names."""
    found = set()
    for node in ast.walk(tree):
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


def own_test(module: str) -> Path:
    return TESTS / "homewater" / package_of(module) / f"test_{module.rpartition('/')[2]}.py"


def reached(file: Path) -> set[str]:
    """Return every file of scripts and tests that a file imports, or that these import in their turn."""
    found, open_files = set(), [file]
    while open_files:
        names = imports_of(ast.parse(open_files.pop().read_text(encoding="utf-8")))
        paths = {top / f"{name.replace('.', '/')}.py" for name in names for top in (ROOT / "scripts", ROOT)}
        fresh = {path for path in paths if path.is_file()} - found
        found |= fresh
        open_files += fresh
    return found


@pytest.mark.parametrize("module", NAMED)
def test_every_module_has_the_test_of_its_name_or_is_named_as_covered_elsewhere(module):
    assert own_test(module).is_file() != (module in COVERED_ELSEWHERE)


@pytest.mark.parametrize("file", _TESTS_OF_OTHERS)
def test_a_test_that_covers_other_modules_reaches_them(file):
    assert set(_TESTS_OF_OTHERS[file]) <= set(NAMED)
    files = reached(TESTS / f"{file}.py")
    assert not [module for module in _TESTS_OF_OTHERS[file] if LIBRARY / f"{module}.py" not in files]


def test_tests_of_the_library_mirror_its_modules():
    expected = {own_test(module) for module in NAMED}
    assert set((TESTS / "homewater").rglob("test_*.py")) <= expected


def n_parameters(function: ast.FunctionDef) -> int:
    arguments = function.args
    named = [a.arg for a in (*arguments.posonlyargs, *arguments.args, *arguments.kwonlyargs)]
    return len(set(named) - {"self", "cls"}) + (arguments.vararg is not None) + (arguments.kwarg is not None)


@pytest.mark.parametrize("module", NAMED)
def test_a_function_of_many_parameters_says_why_in_its_docstring(module):
    functions = [node for node in ast.walk(parsed(module)) if isinstance(node, ast.FunctionDef)]
    many = [f for f in functions if n_parameters(f) > MOST_PARAMETERS]
    assert not [f.name for f in many if "parameters" not in (ast.get_docstring(f) or "")]


@pytest.mark.parametrize("step", STEPS, ids=lambda path: path.stem)
def test_steps_leave_computing_to_the_library(step):
    tops = {name.split(".")[0] for name in imports_of(ast.parse(step.read_text(encoding="utf-8")))}
    assert not tops & {"numpy", "pandas", "scipy"}


@pytest.mark.parametrize("step", STEPS, ids=lambda path: path.stem)
def test_steps_say_what_they_decide(step):
    tree = ast.parse(step.read_text(encoding="utf-8"))
    (main,) = [node for node in tree.body if isinstance(node, ast.FunctionDef) and node.name == "main"]
    words = f"{ast.get_docstring(tree)} {ast.get_docstring(main)}"
    assert "Read, compute, write" not in words


@pytest.mark.parametrize("rules", RULE_FILES, ids=lambda path: path.stem)
def test_rules_name_paths_by_the_functions_of_common(rules):
    written = re.findall(r"(?:results|reports)/", rules.read_text(encoding="utf-8"))
    assert rules.stem == "common" or not written


def test_rules_load_none_of_the_libraries_that_read_and_compute():
    """Each job of a cluster reads the rules anew: that must not take the seconds that those libraries take to load."""
    text = (ROOT / "workflow" / "rules" / "common.smk").read_text(encoding="utf-8")
    modules = re.findall(r"^from (homewater[\w.]+) import", text, flags=re.MULTILINE)
    heavy = {"numpy", "pandas", "scipy", "numba", "zarr", "cyvcf2", "pysam", "shapely", "rasterio"}
    code = f"import sys, {', '.join(modules)}; print(*set(sys.modules))"
    found = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT / "scripts", capture_output=True, text=True, check=True
    )
    assert "homewater.inputs.settings" in found.stdout.split()
    assert not heavy & set(found.stdout.split())


@cache
def names_used() -> dict[str, list[str]]:
    """Return each name that code of scripts or a rule uses, and the functions and classes in which it does so."""
    used = defaultdict(list)
    for path in (ROOT / "scripts").rglob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for top in tree.body:
            inside = f"{path}:{top.name}" if isinstance(top, ast.FunctionDef | ast.ClassDef) else str(path)
            for node in ast.walk(top):
                if isinstance(node, ast.Name | ast.Attribute):
                    used[node.id if isinstance(node, ast.Name) else node.attr].append(inside)
    rules = [ROOT / "Snakefile", *(ROOT / "workflow").rglob("*.smk"), *(ROOT / "workflow").rglob("*.j2")]
    for word in re.findall(r"\w+", " ".join(path.read_text(encoding="utf-8") for path in rules)):
        used[word].append("workflow")
    return used


@pytest.mark.parametrize("module", NAMED)
def test_no_function_or_class_of_the_library_serves_tests_alone(module):
    defined = [node.name for node in parsed(module).body if isinstance(node, ast.FunctionDef | ast.ClassDef)]
    own = {name: f"{LIBRARY / module}.py:{name}" for name in defined}
    unused = [name for name in defined if not set(names_used().get(name, ())) - {own[name]}]
    assert not unused


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


RULES = [
    (file.stem, text)
    for file in sorted((ROOT / "workflow" / "rules").glob("*.smk"))
    for text in re.split(r"(?m)^(?=rule )", file.read_text(encoding="utf-8"))
    if text.startswith("rule ")
]


@pytest.mark.parametrize(("stage", "rule"), RULES, ids=[text.split(":")[0][5:] for _, text in RULES])
def test_every_rule_says_what_it_needs_and_where_it_tells(stage, rule):
    lacking = [part for part in ("log", "benchmark", "threads", "resources", "script") if f"    {part}:" not in rule]
    assert not lacking
    name = rule.split(":")[0][5:]
    assert f'"../../scripts/steps/{name}.py"' in rule
    assert f'library=library("{name}")' in rule
