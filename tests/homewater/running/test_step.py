"""A step takes its arguments from its rule by name, logs, and leaves a record of bad input."""

import json
from types import SimpleNamespace

import pytest

from homewater.running.errors import InputError, Problem
from homewater.running.step import arguments, run_step


class Named(dict):
    """As Snakemake's named lists: items by name and by position."""

    def __getitem__(self, key):
        return list(self.values())[key] if isinstance(key, int) else super().__getitem__(key)

    def __iter__(self):
        return iter(self.values())


def fake(tmp_path, **changes):
    rule = {
        "input": Named(table="in.csv", library=["a.py"]),
        "output": Named(result=str(tmp_path / "results" / "s1" / "topshell" / "x.csv")),
        "params": Named(level=0.05),
        "wildcards": Named(study="s1", species="topshell"),
        "threads": 1,
        "log": [str(tmp_path / "results" / "s1" / "logs" / "x.log")],
        "rule": "x",
        "config": {"study": {"id": "s1"}},
    }
    return SimpleNamespace(**{**rule, **changes})


def test_arguments_come_by_name_and_library_is_dropped(tmp_path):
    def main(table, result, level, species): ...

    assert arguments(main, fake(tmp_path)) == {
        "table": "in.csv", "result": str(tmp_path / "results/s1/topshell/x.csv"), "level": 0.05, "species": "topshell",
    }  # fmt: skip


def test_a_rule_and_a_step_that_disagree_are_told_apart(tmp_path):
    def main(table, result, other): ...

    with pytest.raises(TypeError, match=r"gives \['level'\] too many, step lacks \['other'\]"):
        arguments(main, fake(tmp_path))


def test_what_the_step_does_not_name_comes_as_the_rest_where_it_takes_one(tmp_path):
    def main(result, level, **tables): ...

    given = arguments(main, fake(tmp_path, input=Named(table="in.csv", other=["x", "y"], library=["a.py"])))
    assert given == {"result": str(tmp_path / "results/s1/topshell/x.csv"), "level": 0.05} | {
        "table": "in.csv",
        "other": ["x", "y"],
    }
    assert "species" not in given
    with pytest.raises(TypeError, match=r"gives \[\] too many, step lacks \['level'\]"):
        arguments(main, fake(tmp_path, params=Named()))


def test_bad_input_leaves_a_record_and_exit_code_2(tmp_path):
    def main(table, result, level):
        print("reading")
        raise InputError(Problem("a.csv", "line 2", "n", "x", "a number"))

    with pytest.raises(SystemExit) as stop:
        run_step(main, fake(tmp_path))
    assert stop.value.code == 2
    record = tmp_path / "results" / "s1" / "logs" / "input_errors" / "x.s1.topshell.json"
    assert json.loads(record.read_text()) == [
        {"file": "a.csv", "place": "line 2", "column": "n", "found": "x", "allowed": "a number"}
    ]
    log = (tmp_path / "results" / "s1" / "logs" / "x.log").read_text()
    assert log.startswith("reading\n")
    assert "Traceback" not in log


def test_any_other_error_leaves_its_traceback_in_the_log_and_exit_code_1(tmp_path):
    def main(table, result, level):
        raise ZeroDivisionError("why")

    with pytest.raises(SystemExit) as stop:
        run_step(main, fake(tmp_path))
    assert stop.value.code == 1
    assert "ZeroDivisionError: why" in (tmp_path / "results" / "s1" / "logs" / "x.log").read_text()
