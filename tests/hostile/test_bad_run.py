"""Bad input, whole runs: exit code 2, the fault printed last with its place, no traceback, nothing computed."""

import subprocess
import uuid
from pathlib import Path

import pytest
import yaml
from tests.made_inputs import IDS, SAMPLES, SITES, STUDY, packed, vcf_text, write_study
from tests.pipeline.whole_runs import copy_of_clone, without_truth
from tests.pipeline.whole_runs import run as run_command
from tests.small_study import small_study

from homewater.tables.schema_tables import read_table

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def run(tmp_path):
    """Run a study by the command; its results, named at random, go when the test ends."""
    study_id = f"bad_{uuid.uuid4().hex[:12]}"

    def start(study: dict, **changed):
        folder = write_study(tmp_path, **changed)
        study = {**study, "study": {**study["study"], "id": study_id}}
        (folder / "study.yaml").write_text(yaml.safe_dump(study, sort_keys=False), encoding="utf-8")
        done = subprocess.run(
            [ROOT / "scripts" / "run", folder / "study.yaml", "--cores", "1"],
            capture_output=True,
            text=True,
            cwd=tmp_path,
            timeout=300,
        )
        tables = [path.name for path in results.rglob("*") if path.suffix in (".csv", ".parquet")]
        return done.returncode, (done.stdout + done.stderr).splitlines(), tables

    results = ROOT / "results" / study_id
    yield start
    for path in sorted(results.rglob("*"), reverse=True):
        path.rmdir() if path.is_dir() and not path.is_symlink() else path.unlink()
    if results.exists():
        results.rmdir()


def test_faults_of_the_tables_are_the_last_thing_printed(run, tmp_path):
    code, lines, tables = run(
        STUDY,
        sites__csv=SITES.replace("58.25", "91"),
        samples__csv=SAMPLES.replace("T3,topshell,ald_south", "T3,topshell,ald_soth"),
        topshell__vcf__gz=packed(vcf_text([*IDS, "T9"]), "bgzip", tmp_path),
    )
    assert (code, tables) == (2, []), lines
    assert lines[-3:] == [
        "sites.csv, line 2, column decimalLatitude: found 91 (latitude and longitude look swapped); "
        "allowed: a number from -90 to 90",
        "samples.csv, line 4, column locationID: found ald_soth; allowed: a locationID of sites.csv; "
        "did you mean ald_south?",
        "topshell.vcf.gz, line 5, column T9: found a sample without a row of topshell in samples.csv; "
        "allowed: one row a sample",
    ]
    assert not any("Traceback" in line or str(tmp_path) in line for line in lines)


@pytest.mark.full  # the same check runs without the workflow in test_bad_input.py
def test_a_truncated_vcf_is_the_last_thing_printed(run, tmp_path):
    code, lines, tables = run(STUDY, topshell__vcf__gz=packed(vcf_text(), "bgzip", tmp_path)[:-5])
    assert (code, tables) == (2, []), lines
    assert lines[-1] == (
        "topshell.vcf.gz, end of file: found a bgzip file without its end-of-file block: it breaks off; "
        "allowed: a whole file (copy it again)"
    )


def test_an_unknown_setting_is_the_last_thing_printed(run):
    code, lines, tables = run({**STUDY, "marker": {"min_call_rate": 0.5}})
    assert (code, tables) == (2, []), lines
    written = yaml.safe_dump(STUDY, sort_keys=False).splitlines()
    assert lines[-1] == (
        f"study.yaml, line {len(written) + 1}, marker: found an unknown setting; "
        "allowed: the known settings; did you mean markers?"
    )


@pytest.mark.full  # a minute or so of jobs
def test_a_study_without_a_marker_left_says_which_filter_took_them(run, tmp_path):
    """Found only by the intake, in a job of its own: the record of the fault reaches the last lines all the same."""
    alike = vcf_text().replace("0/1", "0/0")
    code, lines, _ = run(STUDY, topshell__vcf__gz=packed(alike, "bgzip", tmp_path))
    assert code == 2, lines
    assert lines[-1].startswith("topshell.vcf.gz: found no marker left: monomorphic removed 2 of 2")
    assert not any("Traceback" in line for line in lines)


@pytest.mark.full
def test_a_site_far_from_water_is_the_last_thing_printed(run):
    """Found by the distances by water, with the packaged coastline; the point lies in the middle of a continent."""
    code, lines, _ = run(STUDY, sites__csv=SITES + "ald_inland,Inland Quay,47,9.5,Aldermark,wild\n")
    assert code == 2, lines
    assert lines[-1].startswith(
        "sites.csv, locationID ald_inland, column decimalLatitude, decimalLongitude: found 47, 9.5"
    )
    assert not any("Traceback" in line for line in lines)


@pytest.mark.full
def test_sites_with_one_animal_and_with_none_run_to_the_report(tmp_path):
    """They are listed and define nothing."""
    written = small_study(
        tmp_path / "study", seed=4, n_sites=5, n_per_site=(25, 1, 25, 0, 25), n_lineages=1, within="panmixia",
        native_range=False,
    )  # fmt: skip
    without_truth(tmp_path / "study")
    clone = copy_of_clone(tmp_path / "clone")
    done = run_command(clone, written.config)
    assert done.returncode == 0, done.stderr[-3000:]
    results = clone / "results" / "small" / "topshell"
    diversity = read_table(results / "structure/site_diversity.csv").set_index("locationID")["n"]
    assert diversity["S02"] == 1
    units = read_table(results / "units/units.csv").set_index("locationID")
    assert {"S02", "S04"} <= set(units.index)
    assert set(units.loc[["S02", "S04"], "basis"]) <= {"nearest_by_water", "none"}
    assert (clone / "reports" / "small.pdf").stat().st_size > 10_000
