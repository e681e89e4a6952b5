"""Pieces of work shared by two threads, with results in the order of the pieces.

Sums over the results are then the same in every run: they do not depend on which thread ends first.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

THREADS = 2
AHEAD = 1  # pieces of work that wait, beside those under way


def in_order(function: Callable[[Any], Any], pieces: Iterable[Any]) -> Iterator[Any]:
    """Yield function(piece) for every piece, in the order of the pieces; few are held at once.

    Args:
        function: releases the interpreter for most of its time, else two threads are no faster than one.
        pieces: taken one by one in the caller's thread.

    Raises:
        Whatever the function raises, where its result is due.
    """
    with ThreadPoolExecutor(THREADS) as pool:
        under_way: deque = deque()
        for piece in pieces:
            under_way.append(pool.submit(function, piece))
            if len(under_way) == THREADS + AHEAD:
                yield under_way.popleft().result()
        while under_way:
            yield under_way.popleft().result()
