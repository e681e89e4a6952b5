"""A disk that fills while something is written: one clear line, exit code 1, nothing half-written, and a way on."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from tests.hostile.small_disk import on_small_disk
from tests.pipeline.test_launcher import Toy
from tests.pipeline.whole_runs import ROOT, copy_of_clone, without_truth
from tests.small_study import small_study

from homewater.running.checksums import checksum

WRITERS = """
import json, os, sys
from pathlib import Path
import numpy as np, pandas as pd
from homewater.genotypes import site_counts
from homewater.genotypes import store
from homewater.running import writer
from homewater.tables.schema_tables import write_table
from homewater.genotypes.variant_blocks import VariantBlock

disk, n, rng = Path(sys.argv[1]), 30000, np.random.default_rng(1)
pairs = pd.DataFrame({"site_a": [f"s{i}" for i in range(n)], "site_b": "t", "sea_km": rng.random(n)})
names = np.array(["."] * n, dtype=object)
block = VariantBlock(np.zeros(n, np.int32), np.arange(n, dtype=np.int32), names, np.array([["A", "C"]] * n, object),
                     rng.integers(0, 3, (n, 40)).astype(np.int8))
markers = pd.DataFrame({"marker": [f"m{i}" for i in range(n)], "chrom": "c", "pos": np.arange(n)})
counts = site_counts.SiteCounts(rng.integers(0, 99, (n, 3, 4)).astype(np.int32), np.array(["a", "b", "c"]), markers)
animals = store.StoredAnimals([f"a{i}" for i in range(40)], ["x"] * 40)
WAYS = {
    "page.html": lambda path: writer.write_text("x" * 10**6, path),
    "figure.svg": lambda path: writer.write_bytes(b"x" * 10**6, path),
    "summary.json": lambda path: writer.write_json(list(range(10**5)), path),
    "sea_distance.csv": lambda path: write_table(pairs, path),
    "sea_distance.parquet": lambda path: write_table(pairs, path),
    "genotypes.zarr": lambda path: store.write_genotypes(path, animals, ["c"], [block]),
    "site_counts.zarr": lambda path: site_counts.write_site_counts(path, counts),
}
told = {}
for name, write in WAYS.items():
    path = disk / name
    (path.mkdir() if name.endswith(".zarr") else path.touch())
    if path.is_dir():
        (path / "old").touch()
    try:
        write(path)
        told[name] = "written"
    except writer.NoSpaceLeft as error:
        told[name] = str(error)
    left = sorted(str(file.relative_to(disk)) for file in disk.rglob("*") if file.is_file())
    assert left == [f"{name}/old" if name.endswith(".zarr") else name], left
    assert sum(file.stat().st_size for file in disk.rglob("*") if file.is_file()) == 0
    for file in sorted(disk.rglob("*"), reverse=True):
        file.rmdir() if file.is_dir() else file.unlink()
print(json.dumps(told))
"""


def test_every_kind_of_output_names_itself_and_leaves_the_older_one(tmp_path):
    (tmp_path / "disk").mkdir()
    (tmp_path / "program.py").write_text(WRITERS)
    command = f'"{sys.executable}" "{tmp_path / "program.py"}" "$disk"'
    done = on_small_disk(tmp_path / "disk", 60, command, PYTHONPATH=str(ROOT / "scripts"))
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert len(told) == 7
    for name, text in told.items():
        assert text.startswith(f"no space left to write {tmp_path / 'disk' / name} ("), text


def test_a_run_says_which_file_found_no_space_and_the_next_one_finishes(tmp_path):
    toy = Toy(tmp_path)
    toy.write("fill")
    toy.results.parent.mkdir()
    command = " ".join(f"'{word}'" for word in toy.command("study.yaml", "--cores", "1"))
    script = f'cd "{toy.here}"; {command}; echo "code $?"; grow; echo again >&2; {command}; echo "code $?"'
    done = on_small_disk(toy.results.parent, 300, script)
    assert done.stdout.split("\n")[:2] == ["code 1", "code 0"], done.stderr
    first = done.stderr.split("again\n")[0].strip().splitlines()
    log = "results/aldermark/topshell/logs/first.log"
    assert first[-1].startswith("no space left to write results/aldermark/topshell/first.txt ("), done.stderr
    assert first[-1].endswith(f"make room, then run the same command again; rule first topshell, its log: {log}")
    assert not any("Traceback" in line for line in first)


@pytest.mark.full  # some runs of a minute each
@pytest.mark.parametrize(
    ("kilobytes", "whole_clone"), [(12, False), (60, False), (160, False), (60, True), (500, True)]
)
def test_intake_on_a_disk_that_fills_ends_in_one_line_and_is_taken_up_to_the_same_bytes(
    tmp_path, kilobytes, whole_clone
):
    """Whatever is being written when it fills: results, logs, Snakemake's records where the clone lies there too."""
    written = small_study(tmp_path / "study", seed=1)
    without_truth(tmp_path / "study")
    source = copy_of_clone(tmp_path / "source")
    clone = tmp_path / "clone"
    clone.mkdir()
    target = "results/small/topshell/intake/genotypes.zarr results/small/topshell/intake/samples.csv"
    disk = clone if whole_clone else clone / "results"
    disk.mkdir(exist_ok=True)
    copy = f'cp -r "{source}"/. "{clone}"; mkdir -p "{clone}/results"'
    if whole_clone:  # room for itself, a page of 4096 bytes at a time, and the kilobytes
        files = [file for file in source.rglob("*") if file.is_file() and ".venv" not in file.parts]
        kilobytes += 4 * sum(-(-file.stat().st_size // 4096) for file in files)
    run = f'"{clone}/scripts/run" "{written.config}" {target} --cores 1'
    sums = f'cd "{clone}/results/small/topshell/intake"; find genotypes.zarr samples.csv -type f -exec sha256sum {{}} +'
    script = f'{copy}; cd "{clone}"; {run}; echo "code $?"; grow; echo again >&2; {run}; echo "code $?"; {sums}'
    done = on_small_disk(disk, kilobytes, script)
    lines = done.stdout.splitlines()
    codes = [line for line in lines if line.startswith("code ")]
    first, second = done.stderr.split("again\n")
    assert codes == ["code 1", "code 0"], done.stderr[-3000:]
    assert first.strip().splitlines()[-1].startswith("no space left to write "), first[-3000:]
    assert "Traceback" not in first + second
    found = {line.split("  ", 1)[1]: line.split()[0] for line in lines if "  " in line}
    assert found == expected(written, source, target)


def expected(written, source: Path, target: str) -> dict[str, str]:
    """Return checksums of the same files made without any trouble."""
    done = subprocess.run([source / "scripts" / "run", written.config, *target.split(), "--cores", "1"], cwd=source)
    assert done.returncode == 0
    intake = source / "results/small/topshell/intake"
    files = [*(intake / "genotypes.zarr").rglob("*"), intake / "samples.csv"]
    return {str(file.relative_to(intake)): checksum(file) for file in files if file.is_file()}
