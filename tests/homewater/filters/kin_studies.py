"""Invented studies with and without planted families, as arrays, for the tests of kinship."""

import numpy as np

from homewater.filters.identity import CLOSE_KIN, compare_pairs, informative_markers
from homewater.filters.kinship import gross_excess, kin_markers, kinship_within_sites, thin_families
from homewater.invented.species import Faults, generate_species
from homewater.invented.study import small_plan
from homewater.statistics.linked_groups import linked_groups

CHROMOSOMES = 8  # of 50 centimorgan; in fewer, full sibs share anything from nothing to all
FAMILIES = {"faults": Faults(sibling_families=5)}
MIXED = {"foreign_in_baseline": True, "split_generations": 6000}  # lineages far apart, crosses in the baseline
WITHOUT = {
    "panmictic": {"within": "panmixia", "n_lineages": 1},
    "two lineages": {},
    "two lineages far apart, crosses in the baseline": MIXED,
    "drifted": {"within": "distance", "n_lineages": 1},
    "five animals a site": {"n_sites": 8, "n_animals": 40},
    "five animals a site, drifted": {"n_sites": 8, "n_animals": 40, "within": "distance", "n_lineages": 1},
}
WITH = {
    "panmictic": {"within": "panmixia", "n_lineages": 1, **FAMILIES},
    "two lineages": FAMILIES,
    "contact zone, crosses in the baseline": {"contact": True, "n_sites": 6, **MIXED, **FAMILIES},
    "drifted": {"within": "distance", "n_lineages": 1, **FAMILIES},
    "300 markers": {"n_snps": 300, **FAMILIES},
}


def thinned(seed, choices):
    """Return, of the baseline animals of a study, the planted family, who is left out, and the pairs."""
    plan = small_plan(seed=seed, n_chromosomes=CHROMOSOMES, **choices).species[0]
    made = generate_species(plan, seed)
    truth = made.truth.set_index("materialSampleID").loc[made.sample_ids]
    baseline = (truth["role"] == "baseline").to_numpy()
    dosages, truth = made.dosages[:, baseline], truth[baseline]
    site = np.unique(truth["locationID"], return_inverse=True)[1]
    n, everybody = site.size, np.ones(site.size, dtype=bool)
    counts = np.stack([np.stack([(dosages[:, site == s] == v).sum(axis=1) for v in (0, 1, 2, -1)], axis=1)
                       for s in range(site.max() + 1)], axis=1)  # fmt: skip
    total = counts.sum(axis=1)
    p = (total[:, 1] + 2 * total[:, 2]) / (2 * total[:, :3].sum(axis=1))
    minor, wide = np.minimum(p, 1 - p), np.ones(len(p), dtype=bool)
    rough = compare_pairs(dosages[informative_markers(minor, wide)])
    alike = (site[rough.first] == site[rough.second]) & (np.nan_to_num(rough.kinship) > CLOSE_KIN)
    reference = linked_groups(rough.first[alike], rough.second[alike], n) == np.arange(n)
    pairs = kinship_within_sites(dosages[kin_markers(minor, ~gross_excess(counts))], site, everybody, reference)
    kin = pairs.close
    _, out = thin_families(pairs.first[kin], pairs.second[kin], n, everybody, (dosages >= 0).mean(axis=0))
    return truth["family"].fillna("").to_numpy(), out, pairs
