"""Reads drawn for true genotypes, and the genotypes that reads make most probable, for tests."""

import numpy as np

MISSING = -1


def reads_of(
    dosages: np.ndarray,
    other: np.ndarray,
    share: float,
    mean_depth: float,
    error: float,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray]:
    """Return the reads by allele of animals into whose tubes another animal got.

    Args:
        dosages: int8 (n_loci, n), true alternate-allele copies in {0, 1, 2}.
        other: int8 (n_loci, n), those of the animal that got in.
        share: share of the reads that is the other's.
        mean_depth: mean reads a genotype.
        error: chance that a read shows the allele that is not there.
        rng: source of randomness.

    Returns:
        reference and alternate reads, int64 (n_loci, n) each.
    """
    depth = rng.poisson(mean_depth, size=dosages.shape)
    alternate = (1 - share) * dosages / 2 + share * other / 2
    count = rng.binomial(depth, alternate * (1 - error) + (1 - alternate) * error)
    return depth - count, count


def called_from_reads(reference: np.ndarray, alternate: np.ndarray, error: float, least: int = 4) -> np.ndarray:
    """Return the genotypes that reads make most probable, int8 of the same shape; MISSING below `least` reads.

    Args:
        reference: reads of the reference allele.
        alternate: reads of the alternate allele.
        error: chance that a read shows the other allele.
        least: reads below which nothing is called.
    """
    right, wrong = np.log(1 - error), np.log(error)
    chances = np.stack(
        [reference * right + alternate * wrong, (reference + alternate) * np.log(0.5),
         reference * wrong + alternate * right]
    )  # fmt: skip
    return np.where(reference + alternate >= least, chances.argmax(axis=0), MISSING).astype(np.int8)
