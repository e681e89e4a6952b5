"""scripts/run: arguments, one run a study, endings with their exit codes, what a kill leaves, verification.

The whole runs use a small clone whose Snakefile has three rules; their step does what the study's title says.
"""

import fcntl
import json
import logging
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import pytest
import yaml
from snakemake.common import NOTHING_TO_BE_DONE_MSG
from snakemake.settings.enums import Quietness
from snakemake_interface_logger_plugins.common import LogEvent

from homewater.running.errors import InputError
from launcher.command import only_tells, profile_folder, runs_here, snakemake_arguments, split_arguments
from launcher.lock import release_snakemake
from launcher.processes import cancel_cluster_jobs, end_run, processes_of
from launcher.progress import EVENTS_VARIABLE, Progress
from launcher.running import users_files
from snakemake_logger_plugin_homewater import LogHandler, event_of

ROOT = Path(__file__).resolve().parents[2]

SNAKEFILE = """
import os, sys
os.environ["PYTHONPATH"] = os.path.abspath("scripts")
sys.path.insert(0, os.path.abspath("scripts"))
from homewater.inputs.settings import check_settings
STUDY = config["study"]["id"]
rule all:
    input:
        manifest=f"results/{STUDY}/manifest.json",
        report=f"reports/{STUDY}.pdf",
rule first:
    output: table="results/{study}/{species}/first.txt"
    log: "results/{study}/{species}/logs/first.log"
    params: deed=config["study"]["title"]
    resources: mem_mb=10**9
    script: "scripts/steps/toy.py"
rule second:
    input: table="results/{study}/topshell/first.txt"
    output: table="reports/{study}.pdf"
    log: "results/{study}/logs/second.log"
    params: deed="fine"
    script: "scripts/steps/toy.py"
rule manifest:
    input: outputs=["results/{study}/topshell/first.txt", "reports/{study}.pdf"]
    output: manifest="results/{study}/manifest.json"
    log: "results/{study}/logs/manifest.log"
    params:
        study=check_settings(config, "study.yaml"),
        study_file="study.yaml",
    script: "scripts/steps/manifest.py"
"""

STEP = '''
"""A step that does what it is told."""
import os, time
from pathlib import Path
from types import SimpleNamespace
from homewater.running.errors import InputError, Problem
from homewater.running.step import run_step
from homewater.running.writer import write_text, written_aside

def main(table, deed, study_dir):
    if deed == "bad input":
        raise InputError([Problem("samples.csv", f"line {n}", "role", "'base'", "baseline or query") for n in (2, 9)])
    if deed == "crash":
        raise RuntimeError("the tide went out")
    if deed.startswith("signal "):
        os.kill(os.getpid(), int(deed.split()[1]))
    if deed == "fill":
        deed = "full" * 10**6
    if deed == "changing":
        deed = str(time.time_ns())
    if deed == "sleep" and not Path("woken").exists():
        with written_aside(table) as aside:
            aside.write_text("half")
            Path("asleep").write_text(str(os.getpid()))
            while True:
                time.sleep(0.1)
    write_text(f"{deed} {os.environ['OPENBLAS_CORETYPE']} {os.environ['HOMEWATER_MEMORY_MB']}", table)

run_step(main, snakemake)
'''


def study_text(deed: str = "fine", study_id: str = "aldermark", samples: str = "samples.csv") -> str:
    species = {"id": "topshell", "name": "rope-grazing topshell", "scientific_name": "Inventa ficta",
               "genotypes": ["calls.vcf"], "generation_years": 3}  # fmt: skip
    return yaml.safe_dump(
        {
            "study": {"id": study_id, "title": deed, "seed": 1, "invented": True},
            "species": [species],
            "samples": samples,
            "sites": "sites.csv",
            "coastline": "global",
        }
    )


class Toy:
    """A small clone and a study beside it."""

    def __init__(self, folder: Path):
        self.clone = folder / "clone"
        self.here = folder / "the study: a #1"  # a name that YAML would cut short
        self.here.mkdir(parents=True)
        shutil.copytree(ROOT / "scripts", self.clone / "scripts", ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copytree(ROOT / "workflow" / "profiles", self.clone / "workflow" / "profiles")
        shutil.copytree(ROOT / "workflow" / "schemas", self.clone / "workflow" / "schemas")
        (self.clone / "config").mkdir()
        shutil.copy(ROOT / "requirements.lock", self.clone)
        (self.clone / ".venv").symlink_to(ROOT / ".venv")
        (self.clone / "Snakefile").write_text(SNAKEFILE)
        (self.clone / "scripts" / "steps" / "toy.py").write_text(STEP)
        for name in ("samples.csv", "sites.csv", "calls.vcf"):
            (self.here / name).write_text(name)
        self.results = self.clone / "results" / "aldermark"
        self.write()

    def write(self, *words: str, **named: str) -> None:
        """Write the study file; arguments as of `study_text`."""
        (self.here / "study.yaml").write_text(study_text(*words, **named))

    def command(self, *arguments: str) -> list[str]:
        """Return the command that scripts/run ends in."""
        return [sys.executable, str(self.clone / "scripts" / "launch.py"), *arguments]

    def run(self, *arguments: str) -> subprocess.CompletedProcess:
        """Run to the end, the study by default."""
        arguments = arguments or ("study.yaml", "--cores", "1")
        return subprocess.run(
            self.command(*arguments),
            cwd=self.here,
            capture_output=True,
            text=True,
            timeout=120,
            stdin=subprocess.DEVNULL,
        )

    def start(self) -> tuple[subprocess.Popen, str, int]:
        """Start a run whose step sleeps; return the launcher, the run's id and the step's process id."""
        self.write("sleep")
        launcher = subprocess.Popen(
            self.command("study.yaml", "--cores", "1"), cwd=self.here, stderr=subprocess.PIPE, stdout=subprocess.PIPE,
            text=True, start_new_session=True,
        )  # fmt: skip
        wait_for(lambda: (self.clone / "asleep").is_file() and (self.clone / "asleep").read_text())
        run = json.loads((self.results / ".lock").read_text())["run"]
        return launcher, run, int((self.clone / "asleep").read_text())

    def wake(self) -> None:
        """Let steps that start from now on finish."""
        (self.clone / "woken").touch()


def wait_for(condition, seconds: float = 120) -> None:
    limit = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < limit, "waited in vain"
        time.sleep(0.05)


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


@pytest.fixture
def toy(tmp_path) -> Toy:
    return Toy(tmp_path)


# --- the command line ---


def arguments(extra: list[str], caller: Path = ROOT) -> list[str]:
    return snakemake_arguments(extra, [Path("/s/study.yaml"), Path("/r/.run.yaml")], caller, ROOT, "hw1", 3, 5000)


def test_the_first_argument_that_names_a_yaml_file_is_the_study(tmp_path):
    assert split_arguments(["a/b.yml", "-n"], tmp_path, ROOT) == (tmp_path / "a" / "b.yml", ["-n"])
    assert split_arguments(["-n", "b.yaml"], tmp_path, ROOT) == (ROOT / "config" / "demo.yaml", ["-n", "b.yaml"])
    assert split_arguments([], tmp_path, ROOT) == (ROOT / "config" / "demo.yaml", [])


def test_the_study_file_comes_last_and_targets_first():
    found = arguments(["results/x/units.csv", "-n"])
    assert found[:2] == ["results/x/units.csv", "-n"]
    assert found[-3:] == ["--configfile", "/s/study.yaml", "/r/.run.yaml"]


@pytest.mark.parametrize("given", [["--cores", "1"], ["-c1"], ["--jobs=2"], ["-j", "2"], ["--cores=all"]])
def test_a_given_number_of_cores_stands(given):
    assert arguments(given).count("--cores") == given.count("--cores")
    assert "3" not in arguments(given)


def test_all_cores_and_a_cap_on_memory_by_default():
    found = arguments([])
    assert found[found.index("--cores") + 1] == "3"
    assert found[found.index("--resources") + 1] == "mem_mb=5000"
    assert found[found.index("--profile") + 1] == str(ROOT / "workflow" / "profiles" / "default")


def test_given_resources_are_kept_beside_the_cap_unless_they_set_it():
    found = arguments(["--resources", "disk_mb=7"])
    assert found[found.index("--resources") :][1:3] == ["mem_mb=5000", "disk_mb=7"]
    assert found.count("--resources") == 1
    assert "mem_mb=5000" not in arguments(["--resources", "mem_mb=9"])


def test_a_profile_by_name_or_by_the_callers_path(tmp_path):
    slurm = ROOT / "workflow" / "profiles" / "slurm"
    assert profile_folder(["--profile", "slurm"], tmp_path, ROOT) == slurm
    assert profile_folder(["--profile=workflow/profiles/slurm"], tmp_path, ROOT) == slurm
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "config.v9+.yaml").write_text("executor: slurm\n")
    assert profile_folder(["--profile", "mine"], tmp_path, ROOT) == tmp_path / "mine"
    assert not runs_here([], tmp_path / "mine")
    with pytest.raises(InputError, match=r"--profile: found slrum; allowed: .*one of default, slurm"):
        profile_folder(["--profile", "slrum"], tmp_path, ROOT)


def test_on_a_cluster_this_machines_cores_and_memory_set_no_limit_and_jobs_carry_the_runs_name():
    found = arguments(["--profile", "slurm"])
    assert found[found.index("--slurm-jobname-prefix") + 1] == "hw1"
    assert found.count("--profile") == 1
    assert not {"--cores", "--resources"} & set(found)
    assert "--slurm-jobname-prefix" not in arguments([])
    assert runs_here(["--executor", "local"], ROOT / "workflow" / "profiles" / "slurm")


@pytest.mark.parametrize("option", ["--config", "-C", "--configfile", "--configfile=x.yaml", "--directory", "-s"])
def test_options_that_would_go_round_the_study_file_are_refused(option):
    with pytest.raises(InputError, match="command line"):
        arguments([option, "x"])


def test_asking_is_told_from_running():
    for asking in (
        "-n",
        "-np",
        "--dry-run",
        "--lint",
        "--summary",
        "--dag",
        "--list-rules",
        "--report=x.html",
        "--unlock",
    ):
        assert only_tells(["target", asking]), asking
    for running in ("--nolock", "--keep-going", "-k", "--notemp", "-p", "--report-after-run"):
        assert not only_tells([running]), running


@pytest.mark.parametrize("name", ["default", "slurm"])
def test_each_profile_is_complete(name):
    profile = yaml.safe_load((ROOT / "workflow" / "profiles" / name / "config.yaml").read_text())
    assert profile["rerun-incomplete"] is True
    assert profile["executor"] == {"default": "local", "slurm": "slurm"}[name]
    assert {"mem_mb", "runtime"} <= set(profile["default-resources"])
    assert (profile.get("retries", 0), "latency-wait" in profile) == {"default": (0, False), "slurm": (2, True)}[name]


def test_help_needs_no_set_up(tmp_path):
    """It tells every form of the command and each exit code, in a clone that holds nothing else."""
    (tmp_path / "scripts").mkdir()
    shutil.copy(ROOT / "scripts" / "run", tmp_path / "scripts" / "run")
    for option in ("--help", "-h"):
        done = subprocess.run([tmp_path / "scripts" / "run", option], capture_output=True, text=True, check=True)
        assert all(
            word in done.stdout for word in ("STUDY.yaml", "verify MANIFEST", "0 done", "2 the input", "1 anything")
        )
        assert done.stderr == ""


# --- events of Snakemake, as version 9.27 logs them ---


def logged(message: str | None, **of_event) -> dict | None:
    return event_of(logging.makeLogRecord({"msg": message, **of_event}))


FIRST = logged(
    "Rule: first, Jobid: 1", event=LogEvent.JOB_INFO, jobid=1, rule_name="first",
    wildcards={"study": "a", "species": "topshell"}, output=["results/a/topshell/x.txt"], log=[],
)  # fmt: skip
FAILED = logged(
    "Error in rule first, jobid: 1", event=LogEvent.JOB_ERROR, jobid=1, rule_name="first", rule_msg=None,
    log=["results/a/topshell/logs/first.log", "slurm.log"],
)  # fmt: skip
FINISHED = [
    logged("Finished jobid: 1 (Rule: first)", event=LogEvent.JOB_FINISHED, job_id=1),
    logged(None, event=LogEvent.PROGRESS, done=3, total=40),
]


def taken(*events: dict) -> tuple[Progress, list[str]]:
    progress = Progress()
    return progress, [shown for event in events for shown in progress.take(event)]


def test_a_finished_job_is_one_line():
    assert taken(FIRST, *FINISHED)[1] == ["[3/40] first topshell"]


def test_the_target_rule_is_no_job_of_its_own():
    target = logged("", event=LogEvent.JOB_INFO, jobid=1, rule_name="all", wildcards={}, log=[])
    assert taken(target, *FINISHED)[1] == []


def test_a_failed_job_is_known_with_its_log_and_forgotten_when_a_later_try_succeeds():
    progress, shown = taken(FIRST, FAILED)
    assert shown == []
    (failure,) = progress.failures.values()
    assert (failure.rule, failure.wildcards, failure.log) == ("first", "topshell", "results/a/topshell/logs/first.log")
    assert not taken(FIRST, FAILED, FIRST, *FINISHED)[0].failures


def test_other_records_are_no_events():
    assert logged("Building DAG of jobs...") is None
    assert logged("Shell command: None", event=LogEvent.SHELLCMD, shellcmd=None) is None
    assert logged(NOTHING_TO_BE_DONE_MSG) == {"event": "up_to_date"}


@pytest.mark.parametrize(
    ("quiet", "told"),
    [(None, ["progress", "failed"]), ({Quietness.PROGRESS}, ["failed"]), ({Quietness.RULES}, ["progress", "failed"])],
)
def test_who_asks_for_quiet_sees_no_progress_and_is_told_what_failed(quiet, told, monkeypatch):
    reading, writing = os.pipe()
    monkeypatch.setenv(EVENTS_VARIABLE, str(writing))
    handler = LogHandler(SimpleNamespace(quiet=quiet), None)
    handler.handle(logging.makeLogRecord({"msg": None, "event": LogEvent.PROGRESS, "done": 3, "total": 40}))
    handler.handle(logging.makeLogRecord({"event": LogEvent.JOB_ERROR, "jobid": 1, "rule_name": "a", "log": []}))
    os.close(writing)
    with open(reading, encoding="utf-8") as lines:
        assert [json.loads(line)["event"] for line in lines] == told


def test_a_launcher_that_is_gone_does_not_stop_snakemake(monkeypatch):
    reading, writing = os.pipe()
    monkeypatch.setenv(EVENTS_VARIABLE, str(writing))
    handler = LogHandler(SimpleNamespace(quiet=None), None)
    os.close(reading)
    handler.handle(logging.makeLogRecord({"msg": None, "event": LogEvent.PROGRESS, "done": 3, "total": 40}))
    os.close(writing)


@pytest.mark.parametrize(
    ("given", "loggers"),
    [
        ([], ["homewater"]),
        (["target", "--logger", "rich"], ["homewater", "rich"]),
        (["--logger=rich", "target"], ["homewater", "rich"]),
        (["--logger", "rich", "--logger", "flat"], ["homewater", "flat"]),
    ],
)
def test_the_users_loggers_stay_beside_the_launchers(given, loggers):
    found = arguments(given)
    last = len(found) - found[::-1].index("--logger")
    assert found[last : last + len(loggers)] == loggers
    assert found[last + len(loggers)].startswith("--")  # no target is taken for a logger
    assert not [argument for argument in found if argument.startswith("--logger=")]


def test_a_profiles_loggers_stay_too_and_who_only_asks_gets_none(tmp_path):
    (tmp_path / "config.yaml").write_text("logger: [rich]\n")
    found = arguments(["--profile", str(tmp_path)])
    assert found[found.index("--logger") + 1 :][:2] == ["homewater", "rich"]
    assert "--logger" not in arguments(["-n"])


# --- endings ---


def test_a_study_runs_to_its_report_and_then_is_up_to_date(toy):
    done = toy.run()
    assert done.returncode == 0, done.stderr
    lines = done.stderr.splitlines()
    assert [line for line in lines if line.startswith("[")] == [
        "[1/4] first topshell",
        "[2/4] second",
        "[3/4] manifest",
    ]
    assert lines[-2].startswith("done in ")
    assert (toy.here / lines[-1].removeprefix("report: ")).resolve() == toy.clone / "reports" / "aldermark.pdf"
    words = (toy.results / "topshell" / "first.txt").read_text().split()
    assert words[:2] == ["fine", "Haswell"]
    assert 100 < int(words[2]) < 10**8  # the machine's memory, not the 10**9 MB that the rule asks for
    assert (toy.results / ".lock").read_text() == ""
    record = json.loads((toy.results / "manifest.json").read_text())
    assert sorted(record["inputs"]) == ["calls.vcf", "samples.csv", "sites.csv"]
    assert str(toy.here.parent) not in json.dumps(record)
    assert "everything is up to date" in toy.run().stderr


def test_what_snakemake_tells_goes_to_standard_output_and_nothing_runs(toy):
    done = toy.run("study.yaml", "-n")
    assert done.returncode == 0
    assert "rule first" in done.stdout
    assert "done in" not in done.stderr
    assert not (toy.results / "topshell").exists()


def test_bad_input_found_by_a_step_ends_with_its_message_alone_and_exit_code_2(toy):
    toy.write("bad input")
    done = toy.run()
    assert done.returncode == 2
    assert done.stderr.splitlines()[-2:] == [
        "samples.csv, line 2, column role: found 'base'; allowed: baseline or query",
        "samples.csv, line 9, column role: found 'base'; allowed: baseline or query",
    ]
    assert "Traceback" not in done.stderr
    assert "rule" not in done.stderr
    toy.write("fine")
    assert toy.run().returncode == 0  # the record of the last run is gone
    assert not list((toy.results / "logs" / "input_errors").glob("*.json"))


def test_files_are_told_as_the_user_wrote_them():
    settings = {
        "study": {"id": "s"}, "samples": "tables/samples.csv", "sites": "/abs/sites of ours.csv", "coastline": "global",
        "species": [
            {"id": "topshell", "genotypes": ["a/calls.vcf", "/far/more.bcf"], "recombination": {}},
            {"id": "urchin", "genotypes": ["b/calls.vcf"], "recombination": {}},
        ],
    }  # fmt: skip
    for file, wildcards, shown in (
        ("samples", ["filters", "s", "topshell", "json"], "tables/samples.csv"),
        ("sites", ["sea_distance", "s", "json"], "sites of ours.csv"),
        ("genotypes", ["filters", "s", "topshell", "json"], "a/calls.vcf, more.bcf"),
        ("calls.vcf", ["import_part", "s", "topshell", "0", "json"], "a/calls.vcf"),
        ("calls.vcf", ["import_part", "s", "urchin", "0", "json"], "b/calls.vcf"),
        ("calls.vcf, more.bcf", ["genotypes", "s", "topshell", "json"], "a/calls.vcf, more.bcf"),
        ("a/calls.vcf", ["check_inputs", "s", "json"], "a/calls.vcf"),
        ("elsewhere.csv", ["check_inputs", "s", "json"], "elsewhere.csv"),
    ):
        assert users_files(file, settings, wildcards) == shown


def test_a_crash_ends_with_exit_code_1_naming_rule_and_log(toy):
    toy.write("crash")
    done = toy.run()
    assert done.returncode == 1
    lines = done.stderr.splitlines()
    assert lines[-2] == "RuntimeError: the tide went out"
    assert lines[-1] == "rule first topshell failed; its log: results/aldermark/topshell/logs/first.log"


@pytest.mark.full
@pytest.mark.parametrize("number", [signal.SIGSEGV, signal.SIGKILL])
def test_a_step_that_dies_of_a_signal_ends_with_exit_code_1_naming_rule_and_log(toy, number):
    toy.write(f"signal {int(number)}")
    done = toy.run()
    assert done.returncode == 1
    log = "results/aldermark/logs/snakemake.log"  # the step's own is empty
    assert done.stderr.splitlines()[-1] == f"rule first topshell failed; its log: {log}"
    assert signal.Signals(number).name in done.stderr


@pytest.mark.full
def test_an_ending_that_no_rule_explains_shows_what_snakemake_said(toy):
    done = toy.run("study.yaml", "results/aldermark/no_such_thing.csv")
    assert done.returncode == 1
    assert "no_such_thing.csv" in done.stderr
    assert done.stderr.splitlines()[-1].endswith("its log: results/aldermark/logs/snakemake.log")


def test_faulty_settings_are_told_before_anything_is_made(toy):
    (toy.here / "study.yaml").write_text(study_text().replace("seed: 1", "seed: -1").replace("title", "titel"))
    done = toy.run()
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 3  # seed, titel, and the title that is missing
    assert "study.seed: found -1; allowed:" in done.stderr
    assert not (toy.clone / "results").exists()


def test_a_study_file_that_is_not_there_is_told(toy):
    done = toy.run("other.yaml")
    assert (done.returncode, done.stderr.startswith("other.yaml: found no such file")) == (2, True)


def test_missing_files_are_told_all_at_once(toy):
    toy.write(samples="absent.csv")
    (toy.here / "calls.vcf").unlink()
    done = toy.run()
    assert done.returncode == 2
    assert [line.split(": found ")[0] for line in done.stderr.splitlines()] == [
        "study.yaml, samples",
        "study.yaml, species[1].genotypes[1]",
    ]
    assert "absent.csv, and there is no such file" in done.stderr


@pytest.mark.full
def test_results_of_another_study_file_are_refused_by_name(toy):
    assert toy.run("study.yaml", "-n").returncode == 0
    shutil.copy(toy.here / "study.yaml", toy.here / "copy.yaml")
    done = toy.run("copy.yaml")
    assert done.returncode == 2
    assert "results/aldermark belongs to the study file " + str(toy.here / "study.yaml") in done.stderr
    assert toy.run("study.yaml", "-n").returncode == 0


def test_a_step_that_fails_before_its_log_is_open_is_told_from_snakemakes_own(toy):
    (toy.clone / "scripts" / "steps" / "toy.py").write_text("import no_such_library")
    done = toy.run()
    assert done.returncode == 1
    assert "No module named 'no_such_library'" in done.stderr
    assert done.stderr.splitlines()[-1] == "rule first topshell failed; its log: results/aldermark/logs/snakemake.log"


# --- one run a study, and what a kill leaves ---


def test_a_live_owner_gives_one_line(toy):
    toy.results.mkdir(parents=True)
    with open(toy.results / ".lock", "w") as held:
        held.write(json.dumps({"pid": 4321, "host": "elsewhere", "run": "hw0"}))
        held.flush()
        fcntl.flock(held, fcntl.LOCK_EX)
        done = toy.run()
    assert done.returncode == 2
    assert done.stderr == ("results/aldermark is in use by process 4321 on elsewhere: wait until it ends, or stop it\n")
    assert toy.run("study.yaml", "-n").returncode == 0


def test_when_the_launcher_is_killed_all_dies_with_it_and_the_next_run_takes_up(toy):
    launcher, run, step = toy.start()
    launcher.kill()
    launcher.wait()
    wait_for(lambda: not alive(step) and not processes_of(run))
    assert list(toy.results.rglob(".*.aside"))
    assert not (toy.results / "topshell" / "first.txt").exists()  # nothing half-written under its own name
    toy.wake()
    done = toy.run()
    assert done.returncode == 0, done.stderr
    assert "was cut short; taking it up" in done.stderr.splitlines()[0]
    assert not list(toy.results.rglob(".*.aside"))


@pytest.mark.full
def test_when_snakemake_is_killed_its_jobs_are_ended_and_the_next_run_takes_up(toy):
    launcher, run, step = toy.start()
    (snakemake,) = [pid for pid in processes_of(run) if pid != step]
    os.kill(snakemake, signal.SIGKILL)
    _, told = launcher.communicate(timeout=60)
    assert launcher.returncode == 1
    assert "its log: results/aldermark/logs/snakemake.log" in told.splitlines()[-1]
    assert not alive(step)
    assert not processes_of(run)
    toy.wake()
    done = toy.run()
    assert done.returncode == 0, done.stderr
    assert "cut short" not in done.stderr


@pytest.mark.full
def test_when_even_the_guard_is_killed_the_next_run_ends_what_is_left(toy):
    launcher, run, step = toy.start()
    guards = subprocess.run(["pgrep", "-f", f"processes.py {run}"], capture_output=True, text=True).stdout.split()
    (snakemake,) = [pid for pid in processes_of(run) if pid != step]
    for pid in (*map(int, guards), launcher.pid, snakemake):
        os.kill(pid, signal.SIGKILL)
    launcher.wait()
    assert len(guards) == 1
    assert alive(step)
    toy.wake()  # the old step sleeps on; a new one would not
    done = toy.run()
    assert done.returncode == 0, done.stderr
    assert "ended what it left running: 1" in done.stderr
    assert not alive(step)


@pytest.mark.parametrize("number", [signal.SIGTERM, pytest.param(signal.SIGHUP, marks=pytest.mark.full)])
def test_a_polite_signal_stops_everything_and_keeps_what_is_finished(toy, number):
    launcher, run, step = toy.start()
    launcher.send_signal(number)
    _, told = launcher.communicate(timeout=60)
    assert launcher.returncode == 1
    assert told.splitlines()[-1] == "stopped"
    assert not alive(step)
    assert not processes_of(run)
    assert not list(toy.results.rglob(".*.aside"))
    toy.wake()
    done = toy.run()
    assert done.returncode == 0, done.stderr
    assert "cut short" not in done.stderr


@pytest.mark.full
def test_ctrl_c_in_a_terminal_stops_everything(toy):
    launcher, run, step = toy.start()
    os.killpg(launcher.pid, signal.SIGINT)  # what a terminal does
    _, told = launcher.communicate(timeout=60)
    assert launcher.returncode == 1
    assert told.splitlines()[-1] == "stopped"
    assert "Traceback" not in told
    assert not alive(step)
    assert not processes_of(run)


def test_ending_one_run_leaves_others_alone():
    def sleeper(run: str) -> subprocess.Popen:
        return subprocess.Popen(["sleep", "60"], env=os.environ | {"HOMEWATER_RUN": run})

    mine, other = sleeper("hwtest1"), sleeper("hwtest12")
    try:
        wait_for(lambda: processes_of("hwtest1") == [mine.pid])
        assert end_run("hwtest1") == 1
        assert mine.wait(timeout=5) == -signal.SIGKILL
        assert other.poll() is None
    finally:
        for process in (mine, other):
            process.kill()
            process.wait()


def test_cluster_jobs_of_this_run_alone_are_cancelled(tmp_path, monkeypatch):
    listing = "5 hw1a_664e\n6 hw2b_9aaa\n7 other\n8 hw1a_777f\n"
    for name, text in (("squeue", f"printf '{listing}'"), ("scancel", f'echo "$@" >>{tmp_path}/cancelled')):
        (tmp_path / name).write_text(f"#!/bin/sh\n{text}\n")
        (tmp_path / name).chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:{os.environ['PATH']}")
    assert cancel_cluster_jobs("hw1a") == 2
    assert (tmp_path / "cancelled").read_text() == "5 8\n"
    assert cancel_cluster_jobs("hw3c") == 0
    monkeypatch.setenv("PATH", "/nowhere")
    assert cancel_cluster_jobs("hw1a") == 0


def test_only_this_studys_locks_of_snakemake_are_released(tmp_path):
    locks = tmp_path / ".snakemake" / "locks"
    locks.mkdir(parents=True)
    texts = {"0.output.lock": "results/vessland/a.csv\n", "1.output.lock": "reports/vessland.pdf\n",
             "2.output.lock": "results/vessland_2/a.csv\n", "3.input.lock": "samples.csv\n"}  # fmt: skip
    for name, text in texts.items():
        (locks / name).write_text(text)
    release_snakemake(tmp_path / "results" / "vessland", tmp_path)
    assert sorted(path.name for path in locks.iterdir()) == ["2.output.lock", "3.input.lock"]


# --- verification ---


def test_verify_finds_every_output_the_same(toy):
    assert toy.run().returncode == 0
    done = toy.run("verify", str(toy.results / "manifest.json"))
    assert (done.returncode, done.stderr.splitlines()[-1]) == (0, "2 of 2 outputs are the same"), done.stderr


def test_verify_names_what_differs_and_a_system_library_of_another_version(toy):
    toy.write("changing")
    assert toy.run().returncode == 0
    record = json.loads((toy.results / "manifest.json").read_text())
    here = record["versions"]["pango"]
    record["versions"]["pango"] = "1.0.0"
    (toy.results / "manifest.json").write_text(json.dumps(record))
    done = toy.run("verify", str(toy.results / "manifest.json"))
    assert done.returncode == 1
    assert f"version of pango: recorded 1.0.0, here {here}" in done.stderr
    assert done.stderr.splitlines()[-2:] == [
        "changed: results/aldermark/topshell/first.txt",
        "1 of 2 outputs are the same",
    ]


def test_verify_compares_the_inputs_first(toy):
    assert toy.run().returncode == 0
    (toy.here / "sites.csv").write_text("changed")
    (toy.here / "calls.vcf").unlink()
    done = toy.run("verify", str(toy.results / "manifest.json"))
    assert done.returncode == 2
    assert [line.split(":")[0] for line in done.stderr.splitlines()] == ["calls.vcf", "sites.csv"]


@pytest.mark.full
def test_verify_of_a_record_that_was_moved_wants_the_study_file(toy):
    assert toy.run().returncode == 0
    shutil.copy(toy.results / "manifest.json", toy.here / "record.json")
    done = toy.run("verify", "record.json")
    assert (done.returncode, "scripts/run verify MANIFEST STUDY.yaml" in done.stderr) == (2, True)
    assert toy.run("verify", "record.json", "study.yaml").returncode == 0


@pytest.mark.parametrize(
    ("content", "found"), [(None, "cannot be read"), ("{", "not JSON"), ('{"homewater": "0"}', "no key study_file")]
)
def test_verify_of_what_is_no_record_is_told(toy, content, found):
    if content is not None:
        (toy.here / "record.json").write_text(content)
    done = toy.run("verify", "record.json")
    assert done.returncode == 2
    assert done.stderr.startswith("record.json: found ")
    assert found in done.stderr
