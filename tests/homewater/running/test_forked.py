"""A forked process gives back what it made, what it raised, and how it died."""

import faulthandler
import os
import signal

import pytest

from homewater.running.errors import InputError, Problem
from homewater.running.forked import CRASHES, in_child
from homewater.running.writer import NoSpaceLeft, no_space_left


def test_what_is_returned_and_raised_arrives():
    assert in_child(lambda: {"n": os.getpid()}, "a.vcf")["n"] != os.getpid()
    problem = Problem("a.vcf", "record chr1:5", "T1", "0/2", "alleles 0 and 1")

    def refuse():
        raise InputError([problem, problem])

    with pytest.raises(InputError) as caught:
        in_child(refuse, "a.vcf")
    assert caught.value.problems == [problem, problem]

    def fill():
        raise no_space_left(28, "results/x.csv")

    said = r"^no space left to write results/x\.csv \(No space left on device\): make room"
    with pytest.raises(NoSpaceLeft, match=said):
        in_child(fill, "a.vcf")


def test_another_error_keeps_its_words_and_its_traceback_is_printed(capfd):
    with pytest.raises(RuntimeError, match=r"^ZeroDivisionError: "):
        in_child(lambda: 1 // 0, "a.vcf")
    assert "Traceback" in capfd.readouterr().err


@pytest.mark.parametrize("number", CRASHES)
def test_a_crash_is_a_fault_of_the_file_that_was_read(number):
    def crash():
        faulthandler.disable()  # pytest's own report of crashes
        os.kill(os.getpid(), number)

    with pytest.raises(InputError) as caught:
        in_child(crash, "a.vcf")
    (problem,) = caught.value.problems
    assert problem.file == "a.vcf"
    assert signal.Signals(number).name in problem.found


def test_a_kill_is_no_fault_of_the_file():
    with pytest.raises(RuntimeError, match=r"reading a\.vcf was ended by SIGKILL, as where memory runs out"):
        in_child(lambda: os.kill(os.getpid(), signal.SIGKILL), "a.vcf")
