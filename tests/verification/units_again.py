"""What fixed units hide: nested accuracy with units from all animals, and with units found again in every part.

`scripts/test --verify units_again` runs 200 studies a scenario, seeds 0 to n-1 all counted, and writes units_again.json
beside this file. The histories are those of coasts/scenarios.py (msprime): twelve sites of 20 animals, two lineages,
one site a mixture of both. A part is held out; sites are joined into units, the panel is chosen and the part is
assigned, all by the animals of the other parts. A call is right where most sites of the unit called are of the animal's
lineage; animals of the mixed site are not judged.

Limit, on average over the studies: with units found again the accuracy lies within 1 point of that with units fixed
where F_ST is 0.05. At 0.02 so few animals show the break barely, and a part may lose it: the figure has no limit.
"""

from functools import partial

import numpy as np
import pytest
from tests.verification.assignment import Store
from tests.verification.coasts.found import units_found
from tests.verification.coasts.scenarios import SCENARIOS, simulated_animals
from tests.verification.coasts.study import counts_of
from tests.verification.counted import mean_of, share, spread_over_cores
from tests.verification.records import provenance

from homewater.crosses.flag_rates import FlagRates
from homewater.crosses.likelihood import log_likelihoods
from homewater.genotypes.genetic_map import map_from_positions
from homewater.panel.candidates import EligibleMarkers
from homewater.panel.folds import DealtAnimals, deal_folds
from homewater.panel.settings import PanelRules, PanelSettings
from homewater.units.replicates import pair_replicates

COMMAND = "scripts/test --verify units_again"
N, PARTS, PANEL = 200, 10, 84
LOCUS_BP = 2_000_000  # between loci of a chromosome; the markers of a locus lie within a kilobase
RATE = 0.001
SETTINGS = PanelSettings((PANEL,), PANEL, PanelRules(0.9, 10_000, 0.005), FlagRates(RATE, 0.0, 0))


def units_of(animals: np.ndarray, site: np.ndarray, block: np.ndarray, km: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the unit of each site, and whether it is a contact zone, by some animals; `site` is -1 for the others."""
    return units_found(pair_replicates(counts_of(animals, site, len(km)), block), km)


def calls(dealt: DealtAnimals, lineage: np.ndarray, part: int) -> np.ndarray:
    """Return the lineage to which each animal of a part is assigned by the others; `lineage` is that of each unit."""
    held = dealt.fold == part
    if dealt.n_units == 1:
        return np.full(held.sum(), lineage[0])
    training = dealt.trained(part)
    table = training.panel(dealt).class_table(dealt.classes)
    dosages = dealt.genotypes.dosages[training.chosen][:, held].T
    return lineage[log_likelihoods(dosages, table)[:, : dealt.n_units].argmax(axis=1)]


def one_study(name: str, seed: int) -> tuple[float, float, int]:
    """Return accuracy with units fixed, with units found again, and in how many parts the same units were found."""
    scenario = SCENARIOS[name]
    animals, site, block = simulated_animals(scenario, seed)
    km = scenario.km
    true, mixed = np.array(scenario.lineage), np.arange(len(km)) == scenario.contact
    fold = deal_folds(site, np.arange(len(site)), PARTS, np.random.default_rng([seed, 5]))
    everywhere, every = places(block), np.ones(len(animals), dtype=bool)
    store, markers = Store(animals, block, everywhere), EligibleMarkers(every, every, block, everywhere)
    everything = map_from_positions(block, everywhere, 50.0)

    def dealt(unit: np.ndarray, contact: np.ndarray) -> tuple[DealtAnimals, np.ndarray]:
        n_units = int(unit.max()) + 1
        of_animal = np.where(contact, -1, unit)[site]
        lineage = [np.bincount(true[(unit == u) & ~mixed], minlength=2).argmax() for u in range(n_units)]
        return DealtAnimals(store, of_animal, site, fold, n_units, markers, everything, SETTINGS, RATE), np.array(
            lineage
        )

    whole = units_of(animals, site, block, km)
    fixed, right, same = dealt(*whole), np.zeros((2, 2)), 0
    for part in range(PARTS):
        held = fold == part
        judged = ~mixed[site[held]]
        found = units_of(animals, np.where(held, -1, site), block, km)
        same += np.array_equal(found[0][~mixed], whole[0][~mixed])
        told = calls(*fixed, part)
        alike = all(np.array_equal(one, other) for one, other in zip(found, whole, strict=True))
        told_again = told if alike else calls(*dealt(*found), part)
        for row, of_way in enumerate((told, told_again)):
            right[row] += (of_way == true[site[held]])[judged].sum(), judged.sum()
    return *(right[:, 0] / right[:, 1]).tolist(), same


def places(block: np.ndarray) -> np.ndarray:
    """Return positions, base pairs: loci evenly along each chromosome, eight markers close together in each."""
    within = np.arange(len(block)) - np.searchsorted(block, block)
    return 1 + LOCUS_BP * (within // 8) + 100 * (within % 8)


@pytest.mark.parametrize("name", ["contact_fst_02", "contact_fst_05"])
def test_units_found_again(record, name):
    found = np.array(spread_over_cores(partial(one_study, name), N))
    change = found[:, 0] - found[:, 1]
    figures = {
        "units_fixed": float(found[:, 0].mean()),
        "units_found_again": float(found[:, 1].mean()),
        **mean_of(change),
        "parts_with_the_same_units": share(int(found[:, 2].sum()), PARTS * N),
    }
    record[name] = provenance(COMMAND) | figures
    if name == "contact_fst_05":
        assert figures["difference"] <= 0.01
