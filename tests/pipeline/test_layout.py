"""The rules of the layout, read from the files themselves."""

import ast
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
LIBRARY = ROOT / "scripts" / "homewater"
BASE = {
    "selection", "effective_size", "relationship", "admixture", "admixture_start", "share_bounds", "frequency_prior",
    "__init__", "errors", "writer", "seeds", "tables", "input_tables", "settings", "store", "statistics",
    "likelihood", "gene_drop", "coastline", "sea_distance", "site_tree", "contrasts", "break_rules", "tested_sites",
    "differentiation", "resources", "environment", "step", "bit_planes", "settings_schema", "input_files",
    "variant_blocks", "reference_windows", "in_child", "in_order", "site_counts", "zarr_arrays", "unit_names",
    "event_dates", "user_text", "break_evidence",
}  # fmt: skip
STAGES = {
    "intake": {"vcf", "parts", "part_reader", "text_records", "read_balance", "joining", "reconcile", "genotype_table",
               "file_conflicts", "checks", "animals", "animal_filters",
               "marker_filters", "hardy_weinberg", "heterozygosity", "identity", "genotyping_error", "thinning",
               "kinship", "kin_thinning", "contamination", "site_fit", "group_tests",
               "batch_effects", "heterozygote_excess", "marker_differences"},
    "structure": {"diversity", "pairwise_fst", "pca", "axis_chance", "ancestry", "cluster_number", "breaks",
                  "isolation_by_distance"},
    "units": {"units", "detectable", "variance_shares", "border_excess", "overall_fst", "odd_kinships",
              "cline", "clines"},
    "assignment": {"panel", "panel_order", "panel_size", "marker_choice", "marker_worth", "dealt_animals", "validation",
                   "validation_controls", "class_draws", "class_odds", "class_power",
                   "origin_classes", "hybrid_index", "exclusion", "assignment", "verdict", "rates", "mixture",
                   "natural_contact", "tract_lengths", "mixing_dates"},
    "transfers": {"transfers"},
    "generator": {"study_generator", "study_plan", "study_files", "study_errors", "coast_generator", "simulated_stocks",
                  "species_generator", "demo_study"},
    "report": {"report", "report_data", "report_filters", "report_origins", "report_panel", "report_parts",
               "report_structure", "report_transfers",
               "report_summary", "report_evidence", "catalogue", "coast_order", "figure_style", "filter_figure",
               "map_figure", "panel_figures", "structure_figures", "cline_figure", "report_clines", "pdf", "rounding"},
    "record": {"manifest", "config_page"},
}  # fmt: skip
# the store, the readers of tables and files, the writer, and what works on a clone's own files
TAKES_PATHS = {
    "store", "tables", "input_tables", "input_files", "writer", "step", "settings", "settings_schema", "environment",
    "user_text",
    "site_counts", "reference_windows",
    "vcf", "part_reader", "text_records", "genotype_table", "manifest", "config_page", "study_files",
    "study_generator", "pdf",
}  # fmt: skip


def imported(file: Path) -> set[str]:
    """Return the homewater modules that a file imports."""
    found = set()
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            if node.module == "homewater":
                found |= {alias.name for alias in node.names if (LIBRARY / f"{alias.name}.py").exists()}
            elif node.module.startswith("homewater."):
                found.add(node.module.split(".")[1])
        elif isinstance(node, ast.Import):
            found |= {a.name.split(".")[1] for a in node.names if a.name.startswith("homewater.")}
    return found


MODULES = sorted(path.stem for path in LIBRARY.glob("*.py"))


@pytest.mark.parametrize("module", MODULES)
def test_base_modules_import_no_stage(module):
    if module in BASE:
        assert imported(LIBRARY / f"{module}.py") <= BASE


@pytest.mark.parametrize("module", MODULES)
def test_stages_import_base_modules_and_their_own_stage(module):
    homes = [modules for modules in (BASE, *STAGES.values()) if module in modules]
    assert len(homes) == 1, f"{module} must stand in one place of BASE or STAGES"
    assert imported(LIBRARY / f"{module}.py") <= BASE | homes[0]


@pytest.mark.parametrize("module", sorted(set(MODULES) - TAKES_PATHS))
def test_only_the_store_readers_and_writers_take_paths(module):
    tree = ast.parse((LIBRARY / f"{module}.py").read_text(encoding="utf-8"))
    calls = {n.func.id for n in ast.walk(tree) if isinstance(n, ast.Call) and isinstance(n.func, ast.Name)}
    from_imports = {n.module for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)}
    assert "open" not in calls
    assert "pathlib" not in from_imports | {
        a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names
    }


@pytest.mark.parametrize("module", MODULES)
def test_no_module_of_the_library_imports_a_step_or_snakemake(module):
    text = (LIBRARY / f"{module}.py").read_text(encoding="utf-8")
    names = {
        n.name.split(".")[0] for node in ast.walk(ast.parse(text)) if isinstance(node, ast.Import) for n in node.names
    }
    names |= {
        node.module.split(".")[0]
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.ImportFrom) and node.module
    }
    assert not names & {"steps", "snakemake", "launch"}


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


@pytest.mark.parametrize("module", MODULES)
def test_modules_hold_one_idea(module):
    assert len((LIBRARY / f"{module}.py").read_text(encoding="utf-8").splitlines()) <= 420
