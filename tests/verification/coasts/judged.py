"""What was found in a simulated study, set against what was planted."""

from __future__ import annotations

import math

import numpy as np
from scipy import stats
from sklearn.metrics import rand_score
from tests.verification.coasts.found import Found, found_in
from tests.verification.coasts.settings import CONTACTS, SETTINGS
from tests.verification.coasts.study import Study

OVERLAP = 0.5  # of a planted block that a found one must hold, and of a found one that must be planted
LEVEL = 0.05  # the default of config/README.md
ENDS = 3  # sites at either end of a contact that stand for its sources


def judged(name: str, seed: int) -> dict:
    """Return what is found in the study of a setting and a seed: `outcome`, with f3_t and f3_limit for a contact.

    Args:
        name: of SETTINGS.
        seed: of the study.
    """
    study = SETTINGS[name].draw(seed)
    row = outcome(study, found_in(study))
    contact = SETTINGS[name].group == CONTACTS
    return row | {"f3_t": f3_t(study), "f3_limit": f3_limit(study)} if contact else row


def outcome(study: Study, found: Found) -> dict:
    """Return one row of a table of studies.

    Returns:
        n_units, statement, gradient_p; units_right (sites of one stock are grouped as planted, and no unit is made of
        other sites alone); n_lines; isolates_right (the planted isolates and no others); n_isolates; rand (Rand index
        of first stock, contact, second stock); called_contact (any site); fst, low, high of the line where one line
        alone was planted and it was found; truth_fst; blocks_found (planted blocks that were found), false_blocks.
    """
    truth, inner = study.truth, study.truth.judged
    line = found.lines[0] if len(found.lines) == 1 and np.isfinite(truth.line_fst) else None
    hits, false = block_hits(study, found)
    return {
        "n_units": found.n_units,
        "statement": found.statement,
        "gradient_p": found.gradient_p,
        "units_right": same_grouping(truth.unit[inner], found.unit[inner]) and found.n_units == truth.n_units,
        "n_lines": len(found.lines),
        "isolates_right": set(found.isolates) == set(truth.isolates),
        "n_isolates": len(found.isolates),
        "rand": zones_rand(study, found),
        "called_contact": bool(found.contact),
        "fst": line.fst if line else np.nan,
        "low": line.low if line else np.nan,
        "high": line.high if line else np.nan,
        "truth_fst": truth.line_fst,
        "blocks_planted": len(truth.blocks),
        "blocks_found": hits,
        "false_blocks": false,
    }


def same_grouping(truth: np.ndarray, found: np.ndarray) -> bool:
    """Whether two labelings put the same sites together."""
    pairs = set(zip(truth.tolist(), found.tolist(), strict=True))
    return len(pairs) == len(set(truth.tolist())) == len(set(found.tolist()))


def zones_rand(study: Study, found: Found) -> float:
    """Return the Rand index (Rand 1971 J Am Stat Assoc 66:846-850) of stocks and contact, sites near its limits apart.

    A contact's sites are one group, whatever unit they were given.
    """
    clear = np.ones(study.n_sites, dtype=bool)
    clear[list(study.truth.unclear)] = False
    planted, told = study.truth.unit.copy(), found.unit.copy()
    planted[list(study.truth.contact)] = -1
    told[list(found.contact)] = -1
    return float(rand_score(planted[clear], told[clear]))


def block_hits(study: Study, found: Found) -> tuple[int, int]:
    """Return how many planted blocks were found, and how many of the found were not planted.

    A planted block is found where found ones that are read as arrangements, which all planted ones are, cover OVERLAP
    of it; a found block of any reading is false where less than OVERLAP of it was planted.
    """

    def shared(one, other) -> int:
        same = one[0] == other[0]
        return max(0, min(one[2], other[2]) - max(one[1], other[1]) + 1) if same else 0

    planted = [(b.chromosome, b.start, b.end) for b in study.truth.blocks]
    told = list(found.blocks)

    def covered(one, by) -> bool:
        return sum(shared(one, other) for other in by) >= OVERLAP * (one[2] - one[1] + 1)

    named = [one for one in told if one[3] == "arrangement"]
    return sum(covered(one, named) for one in planted), sum(not covered(one, planted) for one in told)


def f3_t(study: Study) -> float:
    """Return the least t of f3 over f2 at planted contact sites, the planted ends being the sources.

    A second, plain way that no rule of the library has a part in: allele frequencies, Patterson et al. (2012) Genetics
    192:1065-1093 equations 1 and 2 without the sampling noise of the site itself, errors by leaving out chromosomes.
    """
    first = np.flatnonzero(study.truth.unit == 0)[:ENDS]
    second = np.flatnonzero(study.truth.unit == 1)[-ENDS:]
    copies = 2.0 * study.counts[..., :3].sum(axis=-1)
    alternate = study.counts[..., 1] + 2.0 * study.counts[..., 2]

    def pooled(sites) -> tuple[np.ndarray, np.ndarray]:
        n = copies[:, sites].sum(axis=1)
        p = alternate[:, sites].sum(axis=1) / n
        return p, p * (1 - p) / (n - 1)  # frequency and the variance of its estimate

    (a, noise_a), (b, noise_b) = pooled(first), pooled(second)
    blocks = np.unique(study.block)
    inside = study.block == blocks[:, None]
    f2 = inside @ ((a - b) ** 2 - noise_a - noise_b)
    least = 0.0
    for site in study.truth.contact + study.truth.unclear:
        c, noise_c = pooled([site])
        f3 = inside @ ((c - a) * (c - b) - noise_c)
        without = (f3.sum() - f3) / (f2.sum() - f2)
        n = len(blocks)
        error = np.sqrt((n - 1) / n * ((without - without.mean()) ** 2).sum())
        least = min(least, float(f3.sum() / f2.sum() / error))
    return least


def f3_limit(study: Study) -> float:
    """Return how far below 0 the t of f3 must lie for a contact: 3, or more where many sites of stretches are tried.

    Every site between every two sites of the coast is tried; one-sided Student's t over chromosomes at LEVEL over their
    number (Bonferroni).
    """
    tried = math.comb(study.n_sites, 3)
    return max(3.0, float(stats.t.isf(LEVEL / tried, len(np.unique(study.block)) - 1)))
