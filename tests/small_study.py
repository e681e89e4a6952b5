"""A small invented study, written for a test."""

from __future__ import annotations

from pathlib import Path

from homewater.invented.study import WrittenStudy, small_plan, write_study

QUICK = {"units": {"detectable_replicates": 50}}  # in place of 200, which take most of the time of a small study


def small_study(
    folder: str | Path,
    seed: int = 1,
    file_format: str = "vcf.gz",
    index: bool = True,
    settings: dict | None = None,
    **choices: object,
) -> WrittenStudy:
    """Write a small invented study that runs in seconds, for tests.

    Args:
        folder: destination.
        seed: seed of the study and of its generation.
        file_format: ``vcf.gz`` (bgzip), ``gzip``, ``vcf`` or ``bcf``.
        index: whether genotypes get an index.
        settings: further sections of the study file; QUICK stands beside them.
        **choices: of `small_plan`.

    Raises:
        ValueError: on panmixia with more than one lineage.
    """
    return write_study(small_plan(seed=seed, **choices), folder, file_format, index, QUICK | (settings or {}))
