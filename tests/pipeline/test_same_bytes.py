"""The same study gives the same bytes: cores, folders, caches, processors, kills, and the recorded run."""

import os
import signal
import subprocess
import time
from types import SimpleNamespace

import pytest
from tests.pipeline.whole_runs import copy_of_clone, outputs, run
from tests.small_study import small_study

from launcher.processes import RUN_VARIABLE

pytestmark = pytest.mark.full

# What a processor without the widest instructions changes: the C library's choice of routines; and what a user's
# shell may say of the linear algebra and compiler, which the launcher must override.
OTHER_PROCESSOR = {
    "GLIBC_TUNABLES": "glibc.cpu.hwcaps=-AVX512F,-AVX512VL,-AVX512BW,-AVX512DQ,-AVX512CD,-ERMS",
    "OPENBLAS_CORETYPE": "Sandybridge",
    "OPENBLAS_NUM_THREADS": "2",
    "NUMBA_CPU_NAME": "generic",
    "NPY_DISABLE_CPU_FEATURES": "",
}


@pytest.fixture(scope="module")
def reference(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bytes")
    written = small_study(folder / "study", seed=4, n_sites=5, n_animals=90, n_snps=800, n_chromosomes=5)
    clone = copy_of_clone(folder / "clone")
    done = run(clone, written.config, "--cores", "2")
    assert done.returncode == 0, done.stderr[-3000:]
    return SimpleNamespace(written=written, clone=clone, outputs=outputs(clone, "small"))


def assert_same(found: dict, expected: dict) -> None:
    assert sorted(found) == sorted(expected)
    assert [path for path in found if found[path] != expected[path]] == []


@pytest.mark.parametrize(
    ("cores", "processor", "caches"), [(1, {}, "empty"), (2, OTHER_PROCESSOR, "full"), (1, OTHER_PROCESSOR, "empty")]
)
def test_cores_folders_caches_and_processors_change_nothing(reference, tmp_path, cores, processor, caches):
    """Each run differs from the first in its folder; an even share of all else, so that any one factor would show."""
    clone = copy_of_clone(tmp_path / "another_folder" / "clone")
    if caches == "empty":
        environment = clone / ".venv"
        original = environment.resolve()
        environment.unlink()
        environment.mkdir()
        for entry in original.iterdir():
            if entry.name != "cache":
                (environment / entry.name).symlink_to(entry)
    done = run(clone, reference.written.config, "--cores", str(cores), environment=processor)
    assert done.returncode == 0, done.stderr[-3000:]
    assert_same(outputs(clone, "small"), reference.outputs)


def test_a_run_killed_three_times_ends_with_the_same_bytes(reference, tmp_path):
    """Kill -9 of the launcher and all of its processes; each time the results prove that it was at work."""
    clone = copy_of_clone(tmp_path / "clone")
    moments = ["inputs/check.json", "topshell/intake/genotypes.zarr", "topshell/units/summary.json"]
    for moment in moments:
        child = subprocess.Popen(
            [str(clone / "scripts" / "run"), str(reference.written.config)],
            cwd=clone,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        deadline = time.monotonic() + 600
        while not (clone / "results" / "small" / moment).exists():
            assert child.poll() is None, "the run ended before it could be killed"
            assert time.monotonic() < deadline
            time.sleep(0.05)
        assert child.poll() is None
        os.killpg(child.pid, signal.SIGKILL)
        child.wait()
        assert not (clone / "results" / "small" / "manifest.json").exists()
    done = run(clone, reference.written.config)
    assert done.returncode == 0, done.stderr[-3000:]
    assert_same(outputs(clone, "small"), reference.outputs)


def test_a_recorded_run_is_verified_and_a_changed_input_is_told(reference):
    manifest = reference.clone / "results" / "small" / "manifest.json"
    done = run(reference.clone, "verify", manifest)
    assert done.returncode == 0, done.stderr[-3000:]
    assert RUN_VARIABLE not in done.stderr
    sites = reference.written.sites
    kept = sites.read_bytes()
    sites.write_bytes(kept + b"\n")
    try:
        done = run(reference.clone, "verify", manifest)
    finally:
        sites.write_bytes(kept)
    assert done.returncode == 2
    assert "sites.csv" in done.stderr
