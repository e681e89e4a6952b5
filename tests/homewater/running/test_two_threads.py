"""Results come in the order of the work, few pieces are held, and an error surfaces where its result is due."""

import threading
import time

import pytest

from homewater.running.two_threads import AHEAD, THREADS, in_order


def test_results_keep_the_order_though_later_work_ends_first():
    def work(number):
        time.sleep(0.02 if number % 2 == 0 else 0.0)
        return number, threading.get_ident()

    found = list(in_order(work, range(20)))
    assert [number for number, _ in found] == list(range(20))
    assert len({thread for _, thread in found}) == THREADS


def test_pieces_are_taken_as_they_are_needed():
    taken = []

    def pieces():
        for number in range(100):
            taken.append(number)
            yield number

    results = in_order(lambda number: number, pieces())
    next(results)
    assert len(taken) == THREADS + AHEAD


def test_an_error_comes_after_the_results_before_it():
    results = in_order(lambda number: 1 // number, [1, 1, 0, 1])
    assert [next(results), next(results)] == [1, 1]
    with pytest.raises(ZeroDivisionError):
        next(results)
