"""Kill -9 at ten random moments of intake: a step was at work each time, whole parts stay, the bytes are the same."""

import gzip
import os
import random
import signal
import subprocess
import time
from pathlib import Path

import psutil
import pytest
import yaml
from whole_runs import LEFT_OUT, copy_of_clone, run

from homewater.manifest import checksum
from homewater.study_generator import small_study

pytestmark = pytest.mark.full
KILLS = 10
TARGET = "results/small/topshell/intake/samples.csv"
STEPS = ("plan_parts.py", "import_part.py", "genotypes.py", "filters.py")


def split_by_chromosome(study: Path) -> Path:
    """Give every chromosome a file of its own, so that intake has a part for each; return the study file."""
    config = study / "study.yaml"
    content = yaml.safe_load(config.read_text())
    with gzip.open(study / "topshell.vcf.gz", "rt") as handle:
        lines = handle.readlines()
    head = [line for line in lines if line.startswith("#")]
    chromosomes = list(dict.fromkeys(line.split("\t", 1)[0] for line in lines if not line.startswith("#")))
    for name in chromosomes:
        own = [line for line in lines if line.startswith(f"{name}\t")]
        (study / f"{name}.vcf").write_text("".join(head + own))
    content["species"][0]["genotypes"] = [f"{name}.vcf" for name in chromosomes]
    config.write_text(yaml.safe_dump(content, sort_keys=False))
    return config


def steps_at_work(process: subprocess.Popen) -> list[str]:
    """Return the steps that run below a process."""
    found = []
    try:
        below = psutil.Process(process.pid).children(recursive=True)
    except psutil.NoSuchProcess:
        return []
    for child in below:
        try:
            words = child.cmdline()
        except psutil.Error:
            continue
        found += [step for step in STEPS if any(word.endswith(f".{step}") for word in words)]
    return found


def whole_parts(clone: Path) -> dict[str, int]:
    """Return the parts that are whole, each with the time at which it took its name."""
    folder = clone / "results/small/topshell/intake/parts"
    return {path.name: path.stat().st_ino for path in folder.glob("[0-9]*.zarr")}


def intake_files(clone: Path) -> dict[str, str]:
    """Return {path: SHA-256} of what intake made, its parts left out."""
    folder = clone / "results/small/topshell/intake"
    files = [path for path in sorted(folder.rglob("*")) if path.is_file() and not set(path.parts) & set(LEFT_OUT)]
    return {str(path.relative_to(folder)): checksum(path) for path in files}


def killed_at_work(clone: Path, config: Path, moment: float) -> list[str]:
    """Start intake, kill it with all of its processes `moment` seconds after its first step; return what was at work.

    Empty where it ended before.
    """
    child = subprocess.Popen(
        [str(clone / "scripts" / "run"), str(config), TARGET, "--cores", "2"],
        cwd=clone, stderr=subprocess.DEVNULL, start_new_session=True,
    )  # fmt: skip
    first, deadline = None, time.monotonic() + 300
    while child.poll() is None:
        assert time.monotonic() < deadline
        working = steps_at_work(child)
        if working and first is None:
            first = time.monotonic()
        if working and time.monotonic() >= first + moment:
            os.killpg(child.pid, signal.SIGKILL)
            child.wait()
            return working
        time.sleep(0.01)
    assert child.returncode == 0
    return []


def test_intake_killed_at_ten_random_moments_ends_with_the_same_bytes(tmp_path):
    small_study(tmp_path / "study", seed=6, n_sites=4, n_animals=60, n_snps=3000, n_chromosomes=8)
    config = split_by_chromosome(tmp_path / "study")
    undisturbed, clone = copy_of_clone(tmp_path / "undisturbed"), copy_of_clone(tmp_path / "clone")
    assert run(undisturbed, config, TARGET).returncode == 0
    expected = intake_files(undisturbed)
    assert len(expected) > 20

    draw, killed, kept, again = random.Random(0), [], 0, 0
    while len(killed) < KILLS:
        before = whole_parts(clone)
        working = killed_at_work(clone, config, draw.uniform(0, 6))
        after = whole_parts(clone)
        kept += sum(after.get(name) == made for name, made in before.items())
        again += sum(after.get(name) != made for name, made in before.items())
        if working:
            killed.append(working)
        else:  # it came to its end: from the start again
            assert intake_files(clone) == expected
            subprocess.run(["rm", "-rf", str(clone / "results"), str(clone / ".snakemake")], check=True)
    done = run(clone, config, TARGET)
    assert done.returncode == 0, done.stderr[-3000:]
    assert intake_files(clone) == expected
    print(f"killed at work: {killed}; whole parts kept {kept}, done again {again}")
    assert len({step for working in killed for step in working}) > 1
    assert kept > 0
    assert again == 0
