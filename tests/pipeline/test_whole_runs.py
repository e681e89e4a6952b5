"""Small studies from raw genotypes to the report, by the command that users give."""

import json
import shutil
import subprocess
import sys
from types import SimpleNamespace

import pandas as pd
import pikepdf
import pytest
from tests.pipeline.whole_runs import ROOT, contract, copy_of_clone, outputs, run, same_grouping, without_truth
from tests.small_study import small_study

from homewater.tables.schema_tables import read_table


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """Two lineages, query animals and transfers, run once with the truth deleted before."""
    folder = tmp_path_factory.mktemp("whole")
    written = small_study(folder / "study", seed=1, n_sites=6, n_animals=120, n_snps=1200, n_chromosomes=6)
    without_truth(folder / "study")
    clone = copy_of_clone(folder / "clone")
    done = run(clone, written.config)
    assert done.returncode == 0, done.stderr[-3000:]
    return SimpleNamespace(clone=clone, written=written, results=clone / "results" / "small", printed=done.stderr)


def test_every_file_of_the_contract_is_there_and_matches_its_schema(finished):
    for name in contract("topshell"):
        path = finished.results / name
        assert path.is_file(), name
        if path.suffix in {".csv", ".parquet"}:
            read_table(path)
    with pikepdf.open(finished.clone / "reports" / "small.pdf") as pdf:
        assert len(pdf.pages) >= 4


def test_units_are_those_that_were_planted(finished):
    units = read_table(finished.results / "topshell/units/units.csv").set_index("locationID")["unit"]
    true = finished.written.true_sites.set_index("locationID")["unit"]
    assert same_grouping(units.to_dict(), {site: unit for site, unit in true.items() if site.startswith("S")})
    assert set(units) - {""} == {"unit_1", "unit_2"}


def test_movers_are_told_from_locals(finished):
    calls = read_table(finished.results / "topshell/assignment/calls.csv").set_index("materialSampleID")
    truth = finished.written.truth.set_index("materialSampleID")
    both = calls.join(truth[["true_class", "foreign_share"]], how="inner")
    wild = both[both["local_unit"] != ""]
    moved = wild[wild["true_class"].isin(["F1"]) | (wild["foreign_share"] > 0.95)]
    local = wild[wild["foreign_share"] < 0.02]
    assert len(moved) >= 3
    assert moved["outcome"].isin(["non_local", "mixed"]).all()
    assert local["outcome"].isin(["non_local", "mixed"]).mean() <= 0.02


def test_manifest_holds_checksums_and_no_absolute_path(finished):
    text = (finished.results / "manifest.json").read_text()
    manifest = json.loads(text)
    made = outputs(finished.clone, "small")
    for path, recorded in manifest["outputs"].items():
        if path in made:
            assert made[path] == recorded
    assert str(finished.clone) not in text
    assert str(finished.written.folder) not in text
    assert set(made) - {"results/small/manifest.json"} <= {
        name
        for path in manifest["outputs"]
        for name in ([path] if path in made else [n for n in made if n.startswith(path + "/")])
    }


def would_run(clone, study) -> set[str]:
    """Return the rules that a dry run lists."""
    listed = run(clone, study, "--dry-run")
    assert listed.returncode == 0, listed.stderr[-2000:]
    text = listed.stdout + listed.stderr
    return {line.split()[1].rstrip(":") for line in text.splitlines() if line.startswith(("rule ", "localrule "))}


def test_a_second_run_has_nothing_to_do_and_an_edit_re_runs_what_depends_on_it(finished):
    clone, study = finished.clone, finished.written.config
    assert would_run(clone, study) == set()
    template = clone / "workflow" / "templates" / "style.css"
    template.write_text(template.read_text() + "\n/* edited */\n")
    assert would_run(clone, study) - {"all"} == {"report", "manifest"}
    library = clone / "scripts" / "homewater" / "filters" / "linkage_thinning.py"
    library.write_text(library.read_text() + "\n# edited\n")
    again = would_run(clone, study)
    assert {"filters", "pca", "units", "panel", "assign", "report"} <= again
    assert not again & {"check_inputs", "import_part", "genotypes", "sea_distance"}
    shutil.copy2(ROOT / "workflow/templates/style.css", template)
    shutil.copy2(ROOT / "scripts/homewater/filters/linkage_thinning.py", library)


def test_it_can_be_used_as_a_module_with_a_prefix(finished, tmp_path):
    study = finished.written.config
    (tmp_path / "Snakefile").write_text(
        f'configfile: "{study}"\n'
        f'config["study_dir"] = "{study.parent}"\n'
        f'module stocks:\n    snakefile: "{finished.clone}/Snakefile"\n    config: config\n    prefix: "stocks"\n'
        "use rule * from stocks as stocks_*\n"
        "rule everything:\n    default_target: True\n    input: rules.stocks_all.input\n"
    )
    command = [sys.executable, "-m", "snakemake", "--cores", "1", "stocks/results/small/topshell/intake/genotypes.zarr"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
    assert (tmp_path / "stocks/results/small/topshell/intake/genotypes.zarr").is_dir()
    whole = subprocess.run(
        [sys.executable, "-m", "snakemake", "--cores", "1", "--dry-run"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert whole.returncode == 0, whole.stderr[-3000:]


def test_one_stock_without_queries_or_transfers_has_empty_tables_and_a_report(tmp_path):
    written = small_study(
        tmp_path / "study", seed=2, n_sites=3, n_animals=60, n_lineages=1, query=False, transfers=False, farm=False,
        within="panmixia", native_range=False, odd_ids=True, file_format="vcf",
    )  # fmt: skip
    without_truth(tmp_path / "study")
    clone = copy_of_clone(tmp_path / "clone")
    done = run(clone, written.config)
    assert done.returncode == 0, done.stderr[-3000:]
    results = clone / "results" / "small"
    for name in contract("topshell"):
        assert (results / name).is_file(), name
    summary = json.loads((results / "topshell/units/summary.json").read_text())
    assert summary["n_units"] == 1
    assert summary["smallest_detectable_fst"] is not None
    for table in ("panel/panel", "panel/size_curve", "assignment/calls", "assignment/site_rates"):
        assert read_table(results / f"topshell/{table}.csv").empty
    assert (clone / "reports" / "small.pdf").stat().st_size > 10_000


@pytest.mark.full
def test_four_lineages_from_bcf(tmp_path):
    written = small_study(
        tmp_path / "study", seed=3, n_sites=8, n_animals=160, n_lineages=4, file_format="bcf", shuffle_sites=True,
        n_chromosomes=6, n_snps=1500,
    )  # fmt: skip
    without_truth(tmp_path / "study")
    clone = copy_of_clone(tmp_path / "clone")
    done = run(clone, written.config)
    assert done.returncode == 0, done.stderr[-3000:]
    units = read_table(clone / "results/small/topshell/units/units.csv").set_index("locationID")["unit"]
    true = written.true_sites.set_index("locationID")["unit"]
    assert same_grouping(units.to_dict(), {site: unit for site, unit in true.items() if site.startswith("S")})
    assert len(set(units) - {""}) == 4


@pytest.mark.full
def test_bad_input_ends_with_one_clear_message_and_exit_code_2(tmp_path):
    """A fault found by the checks, and one that only the reading of the genotypes finds; nothing computed is lost."""
    written = small_study(tmp_path / "study", seed=1)
    clone = copy_of_clone(tmp_path / "clone")
    whole = written.genotypes["topshell"].read_bytes()
    written.genotypes["topshell"].write_bytes(whole[: len(whole) // 2])
    done = run(clone, written.config)
    assert done.returncode == 2
    assert "topshell.vcf.gz" in done.stderr.strip().splitlines()[-1]
    assert "Traceback" not in done.stderr
    written.genotypes["topshell"].write_bytes(whole)
    sheet = written.samples.read_text().splitlines()
    sheet[3] = sheet[3].replace(",S01,", ",S99,")
    written.samples.write_text("\n".join(sheet) + "\n")
    done = run(clone, written.config)
    assert done.returncode == 2
    assert "samples.csv, line 4, column locationID" in done.stderr.strip().splitlines()[-1]


@pytest.mark.full
def test_a_study_of_other_habits_runs_to_its_report(tmp_path):
    """Other column order, more columns, ids beyond ASCII, sites not in coastal order, no index."""
    written = small_study(
        tmp_path / "study", seed=5, n_sites=6, n_animals=110, odd_ids=True, shuffle_sites=True, contact=True,
        file_format="gzip", index=False, n_chromosomes=6, study_id="other_habits",
    )  # fmt: skip
    without_truth(tmp_path / "study")
    for path in (written.samples, written.sites, written.transfers):
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
        table = table[list(table.columns[::-1])].assign(remarks="seen, and noted")
        table.to_csv(path, index=False)
    clone = copy_of_clone(tmp_path / "clone")
    done = run(clone, written.config)
    assert done.returncode == 0, done.stderr[-3000:]
    units = read_table(clone / "results/other_habits/topshell/units/units.csv").set_index("locationID")["unit"]
    places = written.true_sites[~written.true_sites["contact_zone"].astype(bool)].set_index("locationID")["unit"]
    wild = {site: unit for site, unit in places.items() if site.startswith("S")}
    assert len(set(wild.values())) == 2  # the contact site has drifted far by itself and is a unit of its own
    assert same_grouping(units.to_dict(), wild)


def test_a_clone_whose_path_a_shell_would_split_is_refused_in_one_line(tmp_path):
    clone = copy_of_clone(tmp_path / "two words")
    done = run(clone, "config/template.yaml")
    assert done.returncode == 2
    last = done.stderr.strip().splitlines()[-1]
    assert "two words; allowed: a folder whose path" in last
