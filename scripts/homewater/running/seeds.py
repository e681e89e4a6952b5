"""Random numbers: each task of a study has a generator of its own.

A study has one seed. The generator of a task is spawned from it by the names of the stage, the species and the task,
so that a task draws the same numbers whatever runs before it or beside it.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable

import numpy as np

#: Gives the generator of a task by the task's name or number.
Draws = Callable[[str | int], np.random.Generator]


def seed_sequence(seed: int, stage: str, species: str = "", task: str | int = "") -> np.random.SeedSequence:
    """Return the SeedSequence of one task.

    Args:
        seed: the study's seed, a non-negative integer.
        stage: rule or stage name.
        species: species id, or empty for what concerns the whole study.
        task: name or number of the task inside the stage (a fold, a replicate, a site).

    Returns:
        A SeedSequence whose spawn key is a hash of the three names; equal names give equal streams on every machine.
    """
    digest = hashlib.sha256("\x1f".join((stage, species, str(task))).encode()).digest()
    words = tuple(int.from_bytes(digest[i : i + 4], "little") for i in range(0, 16, 4))
    return np.random.SeedSequence(seed, spawn_key=words)


def generator(seed: int, stage: str, species: str = "", task: str | int = "") -> np.random.Generator:
    """Return a numpy Generator (PCG64) for one task; arguments as in `seed_sequence`."""
    return np.random.Generator(np.random.PCG64(seed_sequence(seed, stage, species, task)))


def draws(seed: int, stage: str, species: str = "") -> Draws:
    """Return what gives the generators of a stage's tasks; arguments as in `seed_sequence`.

    The library is handed this, or the generator of one task, and never the seed: which names a stream of random
    numbers has is settled in the step alone.
    """
    return lambda task: generator(seed, stage, species, task)
