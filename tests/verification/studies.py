"""Whole runs on studies that are not the demo, each against its truth, which no rule reads.

`scripts/test --verify studies` runs them and writes studies.json beside this file; seeds 0 and 1 of every small study.

Limits: units as planted; at most 1 % of true locals come out as non_local or mixed, over the seeds of a study; of
planted movers and F1 at least 95 % in the demo's other forms, and in the small studies, whose panels know less, no
fewer than the share that class_power.csv promised (1 % point of the binomial).
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
import yaml
from scipy.stats import binom
from tests.pipeline.whole_runs import copy_of_clone, run
from tests.small_study import small_study
from tests.verification.against_truth import animals_told, site_rates, statement, units_found
from tests.verification.records import ROOT, provenance

# whose tables are looked at, which says what these figures judge (tests/stale_figures.py)
STAGES = ("intake", "filters", "structure", "units", "panel", "assignment", "transfers")
COMMAND = "scripts/test --verify studies"
SEEDS = (0, 1)
# a coast that exists, the animals invented: sites of a gulf, a strait and two islands of the packaged coastline
REAL_PLACES = [(62.95, 17.90), (61.70, 17.60), (60.20, 19.10), (57.70, 18.95), (55.95, 16.60), (57.60, 11.20)]
REAL_FARM = (58.35, 10.90)  # beyond the last wild site, whose stock its animals are bred from

SMALL = {
    "one_lineage_by_distance": dict(n_lineages=1, n_sites=8, n_animals=200, within="distance", n_snps=3000,
                                    n_chromosomes=8, farm=False),
    "one_lineage_panmixia": dict(n_lineages=1, n_sites=6, n_animals=120, within="panmixia", n_snps=2000, farm=False),
    "two_lineages": dict(n_lineages=2, n_sites=6, n_animals=150, n_snps=2000, n_chromosomes=6),
    "four_lineages_bcf": dict(n_lineages=4, n_sites=8, n_animals=200, n_snps=2000, n_chromosomes=6, file_format="bcf"),
    "one_chromosome": dict(n_lineages=2, n_sites=6, n_animals=150, n_snps=2000, n_chromosomes=1),
    "four_sites": dict(n_lineages=2, n_sites=4, n_animals=100, n_snps=2000, n_chromosomes=6),
    "real_coast": dict(n_lineages=2, n_sites=6, n_animals=150, n_snps=2000, n_chromosomes=6, native_range=False),
    "foreign_in_baseline": dict(n_lineages=2, n_sites=6, n_animals=150, n_snps=2000, n_chromosomes=6,
                                foreign_in_baseline=True),
}  # fmt: skip
STATEMENTS = {
    "one_lineage_by_distance": "gradual_isolation_by_distance",
    "one_lineage_panmixia": "no_structure_found",
}


def on_real_coast(study: Path) -> None:
    """Move the sites of a study to places on a coast that exists, and use the packaged coastline."""
    content = yaml.safe_load((study / "study.yaml").read_text())
    content["coastline"] = "global"
    (study / "study.yaml").write_text(yaml.safe_dump(content, sort_keys=False))
    sites = pd.read_csv(study / "sites.csv", dtype=str, keep_default_na=False)
    for row, name in enumerate(sites["locationID"]):
        at = REAL_FARM if name == "F01" else REAL_PLACES[int(name[1:]) - 1]
        sites.loc[row, ["decimalLatitude", "decimalLongitude"]] = [str(value) for value in at]
    sites.to_csv(study / "sites.csv", index=False)


def figures_of(results: Path, truth: Path) -> dict:
    return {
        "statement": statement(results),
        **units_found(results, truth, "topshell"),
        **animals_told(results, truth, "topshell"),
        "site_rates": site_rates(results, truth, "topshell"),
    }


def judged(runs: dict[int, dict], least_share: float | None = None) -> None:
    for seed, found in runs.items():
        assert found["grouping_as_planted"], seed
        assert found["units_found"] == found["units_planted"], seed
    told = [found["true_locals"] for found in runs.values() if "true_locals" in found]
    assert sum(one["flagged"] for one in told) <= 0.01 * sum(one["n"] for one in told), told
    told = [found["movers_and_f1"] for found in runs.values() if "movers_and_f1" in found]
    n, flagged = sum(one["n"] for one in told), sum(one["flagged"] for one in told)
    promised = sum(one["n"] * one["promised"] for one in told if one["n"]) / max(n, 1)
    least = binom.ppf(0.01, n, promised) if least_share is None else least_share * n
    assert flagged >= least, told


@pytest.mark.parametrize("name", SMALL)
def test_small_studies(name, record, tmp_path):
    choices, runs = dict(SMALL[name]), {}
    file_format = choices.pop("file_format", "vcf.gz")
    clone = copy_of_clone(tmp_path / "clone")
    for seed in SEEDS:
        study = tmp_path / f"study_{seed}"
        written = small_study(study, seed=seed, file_format=file_format, study_id=f"seed_{seed}", **choices)
        if name == "real_coast":
            on_real_coast(study)
        shutil.move(study / "truth", tmp_path / f"truth_{seed}")
        done = run(clone, written.config)
        assert done.returncode == 0, done.stderr[-3000:]
        runs[seed] = figures_of(clone / f"results/seed_{seed}/topshell", tmp_path / f"truth_{seed}")
    record[name] = {**provenance(COMMAND), **{f"seed {seed}": found for seed, found in runs.items()}}
    assert name not in STATEMENTS or {found["statement"] for found in runs.values()} == {STATEMENTS[name]}
    judged(runs)


@pytest.mark.parametrize(("name", "arguments"), [
    ("demo_of_another_seed", ["--seed", "0"]),
    ("demo_with_foreign_animals_in_the_baseline", ["--foreign-in", "baseline"]),
])  # fmt: skip
def test_the_demo_in_another_form(name, arguments, record, tmp_path):
    made = ROOT / "results/inputs" / name  # kept, as the demo's own
    maker = [sys.executable, ROOT / "scripts/steps/generate_study.py", "--preset", "demo", "--out", made, *arguments]
    environment = {**os.environ, "PYTHONPATH": str(ROOT / "scripts")}
    subprocess.run([str(part) for part in maker], check=True, env=environment)
    study, truth = tmp_path / "study", made / "truth"
    shutil.copytree(made, study, ignore=shutil.ignore_patterns("truth"))
    clone = copy_of_clone(tmp_path / "clone")
    done = run(clone, study / "study.yaml")
    assert done.returncode == 0, done.stderr[-3000:]
    results = clone / "results/demo"
    statements = {species: statement(results / species) for species in ("comb_limpet", "sweeper_urchin")}
    found = figures_of(results / "topshell", truth)
    record[name] = {**provenance(COMMAND), **statements, "topshell": found}
    assert statements == {"comb_limpet": "gradual_isolation_by_distance", "sweeper_urchin": "no_structure_found"}
    judged({0: found}, 0.95)
    for site, rate in found["site_rates"].items():
        assert rate["low"] <= rate["planted"] <= rate["high"], site
