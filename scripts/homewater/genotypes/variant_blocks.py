"""Markers on their way into the store: blocks of any size, cut to fixed size, and the marker's unique name."""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd


@dataclass(frozen=True)
class VariantBlock:
    """Some markers in genome order, with the genotypes of all animals of the store.

    Attributes:
        contig: int32 (n,), index into the store's contigs.
        position: int32 (n,), 1-based.
        identifier: str (n,), the ID column; "." where there is none.
        alleles: str (n, 2), reference and alternate.
        dosages: int8 (n, n_samples), alternate-allele copies; MISSING = -1.
    """

    contig: np.ndarray
    position: np.ndarray
    identifier: np.ndarray
    alleles: np.ndarray
    dosages: np.ndarray


def marker_names(chrom: np.ndarray, position: np.ndarray, identifier: np.ndarray, alleles: np.ndarray) -> np.ndarray:
    """Return a unique name a marker: its ID where that is given and unique, else chrom:pos:ref:alt.

    Args:
        chrom: str (n,), chromosome names.
        position: int (n,).
        identifier: str (n,), "." where there is none.
        alleles: str (n, 2).

    Returns:
        str (n,). An ID that equals another marker's chrom:pos:ref:alt gives way to its own.
    """
    built = np.array([f"{c}:{p}:{r}:{a}" for c, p, (r, a) in zip(chrom, position, alleles, strict=True)], dtype=object)
    names = np.where(np.asarray(identifier) == ".", built, np.asarray(identifier, dtype=object))
    while True:
        again = pd.Series(names).duplicated(keep=False).to_numpy() & (names != built)
        if not again.any():
            return names.astype(str)
        names = np.where(again, built, names)


def rechunked(blocks: Iterable[VariantBlock], size: int) -> Iterator[VariantBlock]:
    """Yield the same markers in blocks of `size`; the last may be smaller."""
    held: list[VariantBlock] = []
    count = 0
    for block in blocks:
        held.append(block)
        count += block.position.size
        if count < size:
            continue
        whole = _glued(held)
        for start in range(0, count - count % size, size):
            yield _rows(whole, slice(start, start + size))
        held, count = [_rows(whole, slice(count - count % size, None))], count % size
    if count:
        yield _glued(held)


def _rows(block: VariantBlock, rows: slice) -> VariantBlock:
    return VariantBlock(
        block.contig[rows], block.position[rows], block.identifier[rows], block.alleles[rows], block.dosages[rows]
    )


def _glued(blocks: list[VariantBlock]) -> VariantBlock:
    if len(blocks) == 1:
        return blocks[0]
    fields = ("contig", "position", "identifier", "alleles", "dosages")
    return VariantBlock(*(np.concatenate([getattr(b, f) for b in blocks]) for f in fields))


def ahead(blocks: Iterable[VariantBlock], room: int = 2) -> Iterator[VariantBlock]:
    """Yield the same blocks in the same order, made by a second thread at most `room` blocks ahead of their use.

    Raises:
        Whatever making a block raises, where that block is due.
    """
    made: queue.Queue = queue.Queue(room)
    stopped = threading.Event()

    def put(item: tuple) -> bool:
        while not stopped.is_set():
            try:
                made.put(item, timeout=0.1)
                return True
            except queue.Full:
                continue
        return False

    def work() -> None:
        try:
            for block in blocks:
                if not put((block, None)):
                    return
            put((None, None))
        except BaseException as error:  # handed to the thread that waits for it
            put((None, error))

    worker = threading.Thread(target=work, daemon=True)
    worker.start()
    try:
        while True:
            block, error = made.get()
            if error is not None:
                raise error
            if block is None:
                return
            yield block
    finally:
        stopped.set()
        worker.join()
