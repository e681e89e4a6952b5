"""The demo study: a coast that can be sailed, files in config/ as the generator makes them, a plan as it is told."""

import json
import os
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import psutil
import pytest
import rasterio.features
import rasterio.transform
import yaml
from scipy import ndimage

from homewater.inputs.settings import check_settings
from homewater.invented.coast import demo_coast, small_coast
from homewater.invented.demo import N_WILD, demo_plan, demo_range, demo_sites
from homewater.invented.files import write_csv, write_geojson
from homewater.invented.plan import even_map
from homewater.invented.species import true_units
from homewater.invented.study import NOTE, write_study
from steps.generate_study import main as make_study

ROOT = Path(__file__).resolve().parents[3]
REMAKE = (
    "config/demo is not what scripts/homewater/invented/demo.py makes; write it anew with write_csv(demo_sites()), "
    "write_geojson(demo_coast()[0], NOTE) and write_geojson(demo_range(), NOTE)"
)


@pytest.mark.parametrize("coast", [demo_coast(), small_coast(8, 1)], ids=["demo", "small"])
def test_every_site_lies_in_one_connected_water(coast):
    """On cells of 1/60 degree, by rasterio and scipy's labels: water under every site, one body of water for all."""
    features, places = coast
    latitude, longitude = np.array(places).T
    west, south, east, north = longitude.min() - 1, latitude.min() - 1, longitude.max() + 1, latitude.max() + 1
    shape = round((north - south) * 60), round((east - west) * 60)
    assert max(shape) < 12 * 60
    transform = rasterio.transform.from_bounds(west, south, east, north, shape[1], shape[0])
    land = rasterio.features.rasterize([f["geometry"] for f in features], shape, transform=transform)
    bodies, _ = ndimage.label(land == 0)  # four neighbours: no slipping through corners
    rows, columns = rasterio.transform.rowcol(transform, longitude, latitude)
    found = bodies[np.array(rows), np.array(columns)]
    assert (found > 0).all()
    assert len(set(found.tolist())) == 1


def test_tracked_files_are_those_that_the_generator_makes(tmp_path):
    write_csv(tmp_path / "sites.csv", demo_sites())
    write_geojson(tmp_path / "coastline.geojson", demo_coast()[0], NOTE)
    write_geojson(tmp_path / "native_range.geojson", demo_range(), NOTE)
    for path in sorted(tmp_path.iterdir()):
        assert path.read_bytes() == (ROOT / "config" / "demo" / path.name).read_bytes(), REMAKE


def test_study_file_agrees_with_the_plan():
    content = yaml.safe_load((ROOT / "config" / "demo.yaml").read_text(encoding="utf-8"))
    settings, plan = check_settings(content, "config/demo.yaml"), demo_plan()
    assert (settings["study"]["id"], settings["study"]["seed"]) == (plan.id, plan.seed)
    assert settings["study"]["title"] == plan.title
    assert settings["study"]["invented"] is True
    assert len(settings["species"]) == len(plan.species)
    for entry, species in zip(settings["species"], plan.species, strict=True):
        assert (entry["id"], entry["name"], entry["scientific_name"]) == (
            species.id,
            species.name,
            species.scientific_name,
        )
        assert entry["generation_years"] == species.generation_years
        assert ("map" in entry["recombination"]) == species.mapped
        if species.mapped:
            assert Path(entry["recombination"]["map"]).name == f"{species.id}_map.csv"
            assert (even_map(species).groupby("chrom")["cm"].max() == species.centimorgans).all()
        else:
            assert entry["recombination"]["cm_per_chromosome"] == species.centimorgans
        assert ("native_range" in entry) == (species.id in plan.ranges)


def test_plan_holds_what_the_demo_promises():
    """Sizes, two agencies whose border is not the contact zone, about one animal in five at the northernmost sites."""
    plan = demo_plan()
    topshell, limpet, urchin = plan.species
    n_animals = [sum(s.n_baseline) + sum(sum(g.counts.values()) for g in s.groups) for s in plan.species]
    assert n_animals[0] >= 900
    assert min(n_animals[1:]) >= 300
    assert topshell.n_snps >= 20000
    assert len(topshell.contigs) >= 10
    assert min(limpet.n_snps, urchin.n_snps) >= 8000
    wild = plan.sites[plan.sites["kind"] == "wild"]
    agencies = wild["jurisdiction"].tolist()
    assert len(wild) == N_WILD == 20
    assert len(set(agencies)) == 2
    border = next(i for i in range(1, N_WILD) if agencies[i] != agencies[i - 1])
    assert 1 <= len(topshell.model.contact) <= 3
    assert min(abs(deme - border) for deme in topshell.model.contact) >= 3
    assert len(set(true_units(topshell.model))) == 2
    assert {len(set(true_units(s.model))) for s in (limpet, urchin)} == {1}
    for group in topshell.groups[:3]:
        foreign = sum(n for name, n in group.counts.items() if name != "pure_a")
        assert group.role == "query"
        assert 0.15 < foreign / sum(group.counts.values()) < 0.25
    assert {g.role for g in demo_plan(foreign_role="baseline").species[0].groups[:3]} == {"baseline"}
    farms = plan.sites.set_index("locationID").loc[["F01", "F02", "F03"], "decimalLatitude"]
    limit = demo_range()[0]["geometry"]["coordinates"][0]
    assert [bool(latitude < max(y for _, y in limit)) for latitude in farms] == [True, False, False]


def test_small_demo_is_written_whole(tmp_path):
    """The demo's animals, sheet and ledger, on two chromosomes of 1 centimorgan, which is quick to simulate."""
    plan = demo_plan(scale=0.02)
    plan = replace(plan, species=tuple(replace(species, centimorgans=1) for species in plan.species))
    study = write_study(plan, tmp_path)
    samples, transfers = pd.read_csv(study.samples), pd.read_csv(study.transfers)
    assert samples["materialSampleID"].is_unique
    assert samples.groupby("species").size().to_dict() == {"comb_limpet": 305, "sweeper_urchin": 304, "topshell": 927}
    untraced = transfers["sourceLocationID"].isna()
    assert 10 < untraced.sum() < 50
    assert set(transfers["destinationLocationID"]) <= set(demo_sites()["locationID"])
    assert study.n_units == {"topshell": 2, "comb_limpet": 1, "sweeper_urchin": 1}
    at = study.true_sites[study.true_sites["species"] == "topshell"].set_index("locationID")
    assert at.index[at["contact_zone"]].tolist() == ["W12", "W13"]


def run_command(*arguments: str) -> subprocess.CompletedProcess:
    command = [sys.executable, str(ROOT / "scripts" / "steps" / "generate_study.py"), *arguments]
    return subprocess.run(command, capture_output=True, text=True, cwd=ROOT, env=environment(), check=False)


def environment() -> dict[str, str]:
    return os.environ | {"PYTHONPATH": str(ROOT / "scripts")}


def test_command_makes_a_study_once_and_again_when_it_is_not_whole(tmp_path, capsys):
    out = tmp_path / "made"
    first = run_command("--preset", "small", "--out", str(out), "--processes", "2")
    assert first.returncode == 0, first.stderr
    stamp = json.loads((out / "recipe.json").read_text(encoding="utf-8"))
    assert (stamp["preset"], stamp["seed"]) == ("small", 1)
    assert sorted(p.name for p in out.glob("*.json")) == ["recipe.json"]
    before = {p: p.stat().st_mtime_ns for p in out.rglob("*") if p.is_file()}
    make_study("small", str(out))
    assert "already made" in capsys.readouterr().out
    assert before == {p: p.stat().st_mtime_ns for p in out.rglob("*") if p.is_file()}

    content = (out / "topshell.vcf.gz").read_bytes()
    (out / "topshell.vcf.gz").write_bytes(content[:-100])
    make_study("small", str(out), processes=1)
    assert (out / "topshell.vcf.gz").read_bytes() == content  # one process or two: the same bytes
    assert json.loads((out / "recipe.json").read_text(encoding="utf-8")) == stamp


def test_command_leaves_a_folder_of_another_origin_alone(tmp_path):
    (tmp_path / "letter.txt").write_text("mine", encoding="utf-8")
    run = run_command("--preset", "small", "--out", str(tmp_path))
    assert run.returncode == 2
    assert "files of another origin" in run.stderr
    assert [p.name for p in tmp_path.iterdir()] == ["letter.txt"]


def test_workers_end_with_a_command_that_is_killed(tmp_path):
    command = [sys.executable, str(ROOT / "scripts" / "steps" / "generate_study.py"), "--preset", "demo"]
    maker = subprocess.Popen(
        [*command, "--out", str(tmp_path / "made"), "--processes", "2"], env=environment(), stdout=subprocess.DEVNULL
    )

    def busy(workers: list[psutil.Process]) -> list[psutil.Process]:
        return [w for w in workers if w.is_running() and sum(w.cpu_times()[:2]) > 3]  # past its imports

    deadline = time.monotonic() + 120
    while len(workers := busy(psutil.Process(maker.pid).children())) < 2:
        assert maker.poll() is None
        assert time.monotonic() < deadline
        time.sleep(0.1)
    maker.kill()
    maker.wait()
    assert psutil.wait_procs(workers, timeout=10)[1] == []
