"""Valid studies mutated at random: always a right result or a refusal that names the place, and nothing else.

`scripts/test --verify fuzz` draws ten thousand (tests/verification/fuzz.py); what is drawn is the same each time.
"""

import copy
import re
import shutil
import signal
import time
from collections import Counter

import pytest
from hypothesis import HealthCheck, Phase, assume, given, settings
from tests.hostile.fuzz_check import Judge, check_refusal, check_results
from tests.hostile.fuzz_intake import Child, Outcome
from tests.hostile.fuzz_mutations import HARMFUL, NEUTRAL, OPEN, Example, examples
from tests.hostile.fuzz_study import FORMS, study_files
from tests.pipeline.whole_runs import copy_of_clone, run

TARGETS = ("results/mutated/topshell/intake/samples.csv", "results/mutated/inputs/sea_distance.csv")
SLOW = [HealthCheck.too_slow, HealthCheck.function_scoped_fixture, HealthCheck.data_too_large]


@pytest.fixture(scope="module")
def judge():
    judge = Judge()
    yield judge
    judge.close()


def mutated(judge: Judge, n: int) -> Counter:
    """Judge n examples; return how many ended how, by kind."""
    seen: Counter = Counter()

    @settings(max_examples=n, suppress_health_check=SLOW)
    @given(examples())
    def every(example):
        seen[example.kind, judge.outcome(example).kind] += 1

    every()
    return seen


def test_mutated_studies_give_a_right_result_or_name_the_place(judge):
    seen = mutated(judge, 120)
    for combination in ((NEUTRAL, "done"), (HARMFUL, "refused"), (OPEN, "done"), (OPEN, "refused")):
        assert seen[combination] >= 6, seen  # else the draw is no test of much


@pytest.mark.full
def test_several_hundred_mutated_studies(judge):
    seen = mutated(judge, 500)
    assert sum(seen.values()) >= 500


# --- what the judge would see ---


def changed(form: str = "topshell.vcf", kind: str = OPEN, name: str = "topshell.vcf", **more: bytes) -> Example:
    files = study_files(form) | {key.replace("__", "."): value for key, value in more.items()}
    return Example(form, "by hand", kind, files, (name,), None)


@pytest.mark.parametrize("form", FORMS)
def test_the_valid_study_gives_what_the_naive_reading_gives(judge, form):
    assert judge.outcome(changed(form, NEUTRAL, form)).kind == "done"


def test_a_wrong_number_is_seen(judge):
    results = copy.deepcopy(judge.valid["topshell.vcf.gz"])
    check_results(changed(), results, judge.valid["topshell.vcf.gz"])
    key = next(iter(results["topshell"]["genotypes"]))
    for spoil in (
        lambda found: found["topshell"]["genotypes"][key].update(
            N2=0 if found["topshell"]["genotypes"][key]["N2"] else 1
        ),
        lambda found: found["topshell"]["site_counts"]["north"][key].reverse(),
        lambda found: found["topshell"]["identifiers"].update({key: "m0"}),
        lambda found: found["samples"][0].update(locationID="south"),
        lambda found: found["sites"][0].update(decimalLatitude="55.46"),
        lambda found: found["transfers"].pop(),
    ):
        spoilt = copy.deepcopy(results)
        spoil(spoilt)
        with pytest.raises(AssertionError):
            check_results(changed(), spoilt, judge.valid["topshell.vcf.gz"])


def test_harm_that_is_taken_in_and_a_neutral_change_that_is_refused_are_seen(judge):
    with pytest.raises(AssertionError, match="was taken in"):
        judge.outcome(changed(kind=HARMFUL))
    with pytest.raises(AssertionError, match="changes nothing, and was refused"):
        judge.outcome(changed(kind=NEUTRAL, name="sites.csv", sites__csv=b""))


@pytest.mark.parametrize(
    ("problem", "seen"),
    [
        ({"file": "elsewhere.csv"}, "unknown file"),
        ({"found": ""}, "Example"),
        ({"place": "line\n1"}, "Example"),
        ({"file": "transfers.csv"}, "alone"),
    ],
)
def test_an_unclear_refusal_is_seen(problem, seen):
    clear = {"file": "topshell.vcf", "place": "record chr1:1", "column": "N1", "found": "x", "allowed": "y"}
    check_refusal(changed(), Outcome("refused", problems=[clear]))
    with pytest.raises(AssertionError, match=seen):
        check_refusal(changed(), Outcome("refused", problems=[clear | problem]))


def test_a_process_that_dies_or_hangs_is_seen_and_replaced():
    child = Child(signal.raise_signal)
    assert [child.take_in(signal.SIGSEGV).text for _ in range(2)] == ["exit code -11"] * 2
    child.close()
    child = Child(time.sleep, seconds=5)
    assert child.take_in(1000).kind == "hang"
    child.close()


# --- through scripts/run ---


@pytest.mark.full  # ten runs of some seconds each
def test_ten_mutated_studies_end_the_same_by_the_command(judge, tmp_path):
    clone = copy_of_clone(tmp_path / "clone")
    codes = []

    @settings(max_examples=10, suppress_health_check=SLOW, phases=[Phase.generate])
    @given(examples())
    def by_the_command(example):
        assume("study.yaml" not in example.changed)
        found = judge.outcome(Example(**{**vars(example), "part_bytes": None}))
        study = tmp_path / "study"
        shutil.rmtree(study, ignore_errors=True)
        shutil.rmtree(clone / "results", ignore_errors=True)
        study.mkdir()
        for name, content in example.files.items():
            (study / name).write_bytes(content)
        done = run(clone, study / "study.yaml", *TARGETS, "--cores", "1")
        codes.append(done.returncode)
        lines = done.stderr.strip().splitlines()
        assert "Traceback" not in done.stderr
        if found.kind == "done":
            assert done.returncode == 0, done.stderr
            assert all((clone / target).is_file() for target in TARGETS)
        else:
            assert done.returncode == 2, done.stderr
            assert re.search(r": found .+; allowed: .+|\.\.\. and \d+ more problems", lines[-1]), done.stderr
            assert found.text.splitlines()[-1] == lines[-1] or example.changed == ("coast.geojson",)

    by_the_command()
    assert set(codes) == {0, 2}
