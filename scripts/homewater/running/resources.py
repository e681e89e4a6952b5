"""What a job may need: memory and minutes of every rule, as stated functions of the size of the input.

The number of markers is not known before the files are read, so it is estimated from the bytes of the genotype files:
a compressed record costs about BYTES_A_CALL bytes an animal. The constants leave room on purpose: too little would end
a cluster's job, too much only delays it.
"""

from __future__ import annotations

import math

BYTES_A_CALL = 0.3  # compressed records of GT alone; 2 with depths and qualities beside it, and then markers are fewer
BASE_MB = 500  # interpreter, libraries and compiled kernels: 350 MB at most in a step that reads nothing
BLOCK_MARKERS = 4096

# rule: (bytes a genotype, bytes an entry of animals x animals, bytes a marker, nanoseconds a genotype, extra minutes)
# Intake by measurement (1,100 animals x 50,000 markers: import 130 ns a genotype, join 50, filters 100; at most
# 410 MB); the others by the arrays they hold.
_COSTS = {
    "check_inputs": (0.0, 0, 0, 0.0, 5),
    "plan_parts": (0.0, 0, 0, 0.0, 2),
    "import_part": (0.0, 0, 400, 130.0, 2),
    "genotypes": (0.0, 0, 600, 50.0, 2),
    "filters": (0.0, 40, 1500, 100.0, 3),
    "sea_distance": (0.0, 0, 0, 0.0, 20),
    "diversity": (0.0, 0, 1500, 50.0, 15),
    "pairwise_fst": (0.0, 0, 1500, 500.0, 60),
    "site_years": (0.0, 0, 1500, 200.0, 60),
    "linkage_decay": (0.0, 0, 1500, 50.0, 10),
    "frequency_spectrum": (0.0, 0, 1500, 100.0, 15),
    "pca": (0.0, 150, 1000, 100.0, 10),
    "ancestry": (1.2, 24, 1500, 4000.0, 60),
    "genome_blocks": (0.0, 0, 1500, 200.0, 30),
    "breaks": (0.0, 8, 1500, 200.0, 60),
    "line_support": (0.0, 8, 1500, 500.0, 60),
    "detection_curve": (0.0, 8, 1500, 200.0, 120),
    "units": (0.0, 8, 1500, 200.0, 60),
    "isolation_by_distance": (0.0, 0, 0, 0.0, 10),
    "overall_fst": (0.0, 0, 1500, 50.0, 15),
    "groups_within_units": (0.0, 24, 1500, 1000.0, 60),
    "odd_kinships": (0.0, 0, 1500, 50.0, 15),
    "variance_shares": (0.0, 0, 1500, 50.0, 15),
    "clines": (0.0, 0, 1500, 50.0, 15),
    "panel": (0.0, 8, 2000, 200.0, 30),
    "panel_order": (0.0, 0, 1000, 0.0, 20),
    "panel_validation": (0.0, 8, 2000, 500.0, 60),
    "class_power": (0.0, 0, 500, 20.0, 30),
    "assign": (0.0, 0, 500, 20.0, 30),
    "site_rates": (0.0, 0, 0, 0.0, 10),
    "mixture_shares": (0.0, 0, 500, 20.0, 30),
    "natural_contact": (0.0, 0, 1500, 100.0, 15),
    "mixing_dates": (0.0, 0, 1500, 500.0, 60),
    "transfers": (0.0, 0, 0, 0.0, 5),
    "report": (0.0, 0, 300, 0.0, 15),
    "manifest": (0.0, 0, 0, 5.0, 5),
}
# MB beside what the formula says: a raster of a whole sea (2.4 GB measured), a chromosome of a reference, or planes
# kept while a store is open
_MORE_MB = {"sea_distance": 2500, "panel_order": 1500} | dict.fromkeys(
    (
        "filters",
        "diversity",
        "pairwise_fst",
        "site_years",
        "linkage_decay",
        "frequency_spectrum",
        "pca",
        "ancestry",
        "genome_blocks",
        "line_support",
        "panel",
        "panel_validation",
        "class_power",
        "assign",
        "natural_contact",
        "mixing_dates",
    ),
    270,
)
_OTHER = (0.1, 16, 1500, 200.0, 20)


def markers_estimate(file_bytes: int, n_samples: int) -> int:
    """Return about how many markers `file_bytes` of compressed genotypes of `n_samples` animals hold.

    Args:
        file_bytes: size of all genotype files of the species, bytes.
        n_samples: animals in the sample sheet of that species.
    """
    return math.ceil(file_bytes / (BYTES_A_CALL * max(1, n_samples)))


def memory_mb(rule: str, file_bytes: int, n_samples: int) -> int:
    """Return the memory a job of `rule` may need, in MB (10^6 bytes), rounded up to 100.

    Base + what _MORE_MB says + one block of markers + what grows with genotypes, with animals squared, with markers.

    Args:
        rule: name of the rule; unknown names take a general default.
        file_bytes: size of all genotype files of the species, bytes.
        n_samples: animals in the sample sheet of that species.
    """
    a_genotype, a_pair, a_marker, _, _ = _COSTS.get(rule, _OTHER)
    markers = markers_estimate(file_bytes, n_samples)
    block = 16 * BLOCK_MARKERS * n_samples
    total = block + a_genotype * markers * n_samples + a_pair * n_samples**2 + a_marker * markers
    return 100 * math.ceil((BASE_MB + _MORE_MB.get(rule, 0) + total / 1e6) / 100)


def minutes(rule: str, file_bytes: int, n_samples: int) -> int:
    """Return the wall time a job of `rule` may need, in minutes; arguments as in `memory_mb`."""
    _, _, _, nanoseconds, extra = _COSTS.get(rule, _OTHER)
    genotypes = markers_estimate(file_bytes, n_samples) * n_samples
    return math.ceil(extra + 3 * genotypes * nanoseconds / 6e10)
