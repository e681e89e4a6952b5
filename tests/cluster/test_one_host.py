"""A small study from genotypes to report through a real Slurm on this host; same bytes as without it.

start-slurm.sh installs Slurm where it is missing, so this needs root; daemons listen on loopback alone.
"""

import fcntl
import os
import shutil
import subprocess
import tempfile
from pathlib import Path

import pytest
import yaml
from tests.pipeline.whole_runs import ROOT, copy_of_clone, outputs, run, without_truth
from tests.small_study import small_study

pytestmark = pytest.mark.full
HERE = Path(__file__).resolve().parent
# seconds between looks at the queue: a test's, where a cluster's own default is kind to its controller
QUICK = {"slurm-init-seconds-before-status-checks": 1, "seconds-between-status-checks": 1, "latency-wait": 10}


@pytest.fixture(scope="module")
def slurm(tmp_path_factory):
    folder = tmp_path_factory.mktemp("slurm") / "one-host"
    assert os.geteuid() == 0, "a Slurm of one's own needs root"
    environment = {**os.environ, "MEMORY_MB": "16000"}
    with open(Path(tempfile.gettempdir()) / "one-host-slurm.lock", "w") as lock:
        # one Slurm a host: another run of the tests is waited for, what a killed one left is stopped
        fcntl.flock(lock, fcntl.LOCK_EX)
        subprocess.run([str(HERE / "start-slurm.sh"), str(folder)], check=True, env=environment)
        try:
            yield {"SLURM_CONF": str(folder / "slurm.conf")}
        finally:
            subprocess.run([str(HERE / "stop-slurm.sh"), "--purge", str(folder)], check=True)


def profile_of_this_site(folder: Path) -> Path:
    """Return a copy of the cluster's profile with what a site adds, as its comments tell."""
    shutil.copytree(ROOT / "workflow/profiles/slurm", folder)
    (file,) = folder.iterdir()
    settings = yaml.safe_load(file.read_text())
    settings["default-resources"]["slurm_partition"] = "main"
    file.write_text(yaml.safe_dump(settings | QUICK))
    return folder


def test_a_small_study_runs_on_a_cluster_to_the_same_bytes(slurm, tmp_path):
    written = small_study(tmp_path / "study", seed=1, n_sites=4, n_animals=60, n_snps=600, n_chromosomes=4)
    without_truth(tmp_path / "study")
    here, there = copy_of_clone(tmp_path / "here"), copy_of_clone(tmp_path / "there")
    done = run(there, written.config, "--profile", profile_of_this_site(tmp_path / "profile"), environment=slurm)
    assert done.returncode == 0, done.stderr[-3000:]
    jobs = subprocess.run(
        ["sacct", "-n", "-X", "-o", "state"], env={**os.environ, **slurm}, capture_output=True, text=True, check=True
    ).stdout.split()
    assert len(jobs) >= 15  # every rule but the local ones was a job of the cluster
    assert set(jobs) == {"COMPLETED"}
    assert run(here, written.config).returncode == 0
    assert outputs(there, "small") == outputs(here, "small")
