"""Ten thousand mutated studies, judged as in tests/hostile/test_fuzz.py; the same ones at every run.

`scripts/test --verify fuzz` runs them, on one core in about half an hour, and writes fuzz.json beside this file.
FUZZ_EXAMPLES in the environment sets another number.

Limit: no outcome but a right result or a refusal that names the place.
"""

import json
import os
import time
from collections import Counter
from pathlib import Path

from hypothesis import HealthCheck, Phase, given, settings
from tests.hostile.fuzz_check import Judge
from tests.hostile.fuzz_mutations import examples
from tests.verification.records import provenance

N = int(os.environ.get("FUZZ_EXAMPLES", "10000"))


def test_every_mutated_study_gives_a_right_result_or_names_the_place():
    judge, outcomes, of_form, faults, started = Judge(), Counter(), Counter(), [], time.monotonic()

    # a fault does not end the run: all of them are wanted
    @settings(max_examples=N, phases=[Phase.generate], suppress_health_check=list(HealthCheck))
    @given(examples())
    def every(example):
        of_form[example.form] += 1
        try:
            outcomes[f"{example.kind}: {judge.outcome(example).kind}"] += 1
        except AssertionError as fault:
            outcomes[f"{example.kind}: fault"] += 1
            faults.append(str(fault)[:2000])

    try:
        every()
    finally:
        judge.close()
        figures = {
            **provenance(
                "scripts/test --verify fuzz" if N == 10000 else f"FUZZ_EXAMPLES={N} scripts/test --verify fuzz"
            ),
            "examples": sum(outcomes.values()),
            "outcomes": dict(sorted(outcomes.items())),
            "forms_of_genotypes": dict(sorted(of_form.items())),
            "seconds": round(time.monotonic() - started),
            "faults": faults,
        }
        Path(__file__).with_suffix(".json").write_text(json.dumps(figures, indent=2) + "\n")
    assert not faults, faults[0]
    assert sum(outcomes.values()) == N
