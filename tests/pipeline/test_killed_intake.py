"""Kill -9 at ten random moments of intake: a step was at work each time, whole parts stay, the bytes are the same."""

import base64
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
from tests.pipeline.whole_runs import LEFT_OUT, copy_of_clone, run
from tests.small_study import small_study

from homewater.running.checksums import checksum

pytestmark = pytest.mark.full
KILLS = 10
CORES = 2
CHROMOSOMES = 8
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
    """Return the parts that are whole, each with its inode, which a part made again would not have."""
    folder = clone / "results/small/topshell/intake/parts"
    return {path.name: path.stat().st_ino for path in folder.glob("[0-9]*.zarr")}


def unfinished_parts(clone: Path) -> set[str]:
    """Return the parts whose jobs the engine has begun and not yet recorded as finished (it makes them again).

    The engine keeps an empty record for each under .snakemake/incomplete, named by the base64 of the output's path.
    """
    folder = clone / ".snakemake" / "incomplete"
    records = [path.relative_to(folder).parts for path in folder.rglob("*") if path.is_file()]
    paths = [base64.urlsafe_b64decode("".join(name.removeprefix("@") for name in parts)).decode() for parts in records]
    return {Path(path).name for path in paths if path.endswith(".zarr")}


def intake_files(clone: Path) -> dict[str, str]:
    """Return {path: SHA-256} of what intake made, its parts left out."""
    folder = clone / "results/small/topshell/intake"
    files = [path for path in sorted(folder.rglob("*")) if path.is_file() and not set(path.parts) & set(LEFT_OUT)]
    return {str(path.relative_to(folder)): checksum(path) for path in files}


def progress(clone: Path) -> int:
    """Return how far intake is: whole parts, and one more once they are joined."""
    return len(whole_parts(clone)) + (clone / "results/small/topshell/intake/genotypes.zarr").exists()


def killed_at_work(clone: Path, config: Path, least: int, wait: float) -> list[str]:
    """Start intake and kill it with all of its processes; return the steps that were at work.

    The moment is `wait` seconds after intake is as far as `least`, or the first after that with a step at work.
    """
    child = subprocess.Popen(
        [str(clone / "scripts" / "run"), str(config), TARGET, "--cores", str(CORES)],
        cwd=clone, stderr=subprocess.DEVNULL, start_new_session=True,
    )  # fmt: skip
    reached, deadline = None, time.monotonic() + 300
    while child.poll() is None:
        assert time.monotonic() < deadline
        working = steps_at_work(child)
        if reached is None and working and progress(clone) >= least:
            reached = time.monotonic()
        if working and reached is not None and time.monotonic() >= reached + wait:
            os.killpg(child.pid, signal.SIGKILL)
            child.wait()
            return working
        time.sleep(0.01)
    raise AssertionError("it ended before it could be killed")


def test_intake_killed_at_ten_random_moments_ends_with_the_same_bytes(tmp_path):
    small_study(tmp_path / "study", seed=6, n_sites=4, n_animals=60, n_snps=3000, n_chromosomes=CHROMOSOMES)
    config = split_by_chromosome(tmp_path / "study")
    undisturbed = copy_of_clone(tmp_path / "undisturbed")
    assert run(undisturbed, config, TARGET).returncode == 0
    expected = intake_files(undisturbed)
    assert len(expected) > 20

    draw, killed, kept, again, begun = random.Random(0), [], [], [], []
    for trial in range(2):
        clone, before, unfinished = copy_of_clone(tmp_path / f"clone_{trial}"), {}, set()

        def count(clone, before, unfinished):
            after = whole_parts(clone)
            changed = {name for name, made in before.items() if after.get(name) != made}
            assert changed <= unfinished, "a part that the engine knew to be whole was made again"
            kept.append(len(before) - len(changed))
            again.append(len(changed))

        for least in sorted(draw.randint(0, CHROMOSOMES + 1) for _ in range(KILLS // 2)):
            killed.append(killed_at_work(clone, config, least, draw.uniform(0, 0.3)))
            count(clone, before, unfinished)
            begun.append(len(unfinished_parts(clone) - unfinished))
            before, unfinished = whole_parts(clone), unfinished_parts(clone)
        done = run(clone, config, TARGET)
        assert done.returncode == 0, done.stderr[-3000:]
        count(clone, before, unfinished)
        assert intake_files(clone) == expected
    print(f"killed at work: {killed}; parts whole at a kill: kept {kept}, done again {again}; begun {begun}")
    assert len(killed) == KILLS
    assert all(killed)
    assert len({step for working in killed for step in working}) > 1
    assert sum(kept) > CHROMOSOMES
    # a kill leaves at most one part a core unfinished; those of earlier kills may still wait for their turn
    assert 0 < max(begun) <= CORES
