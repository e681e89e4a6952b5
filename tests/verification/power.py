"""The power that the detection limit states, set against the power that is reached on fresh studies of twelve designs.

`scripts/test --verify power` writes power.json beside this file, seeds 0 to n-1 all counted. Of each design, a study
without a line (seed 0) states the smallest F_ST that is drawn with a chance of 80 % at the place with the best sampling
and at that with the worst, as a run states it. Then N studies of the design are drawn with a line of that F_ST there,
by the code of the designs, which is not that of the library.

Limit: 0.12 on either side of 0.8, three standard errors of both simulations; the mean of all within 0.03.
"""

from functools import partial

import numpy as np
import pytest
from tests.verification.coasts.designs import DESIGNS, designed
from tests.verification.coasts.found import RULES, as_tested_sites
from tests.verification.counted import share, spread_over_cores
from tests.verification.records import provenance

from homewater.running.seeds import draws
from homewater.units.breaks import find_lines
from homewater.units.detection_curve import DetectableSettings, detectable_places, detection_curve

COMMAND = "scripts/test --verify power"
N, POWER = 200, 0.8
SETTINGS = DetectableSettings(power=POWER, replicates=200)  # the defaults of config/README.md


def stated(name: str) -> list[tuple[str, int, dict]]:
    """Return (kind, number of the site before the line, what is stated) of each place of a design."""
    tested = as_tested_sites(designed(0, DESIGNS[name]))
    curve = detection_curve(tested, RULES, SETTINGS, draws(1, "detection_curve", name))
    places = [place for place in detectable_places(curve, POWER) if place["kind"] != "contact"]
    return [(place["kind"], tested.ids.index(place["side_a"]), place) for place in places]


def drawn_at(name: str, fst: float, place: int, seed: int) -> bool:
    """Whether the rule draws the line that was put into one study, at its place."""
    study = as_tested_sites(designed(seed, DESIGNS[name], fst, place))
    return bool(find_lines(study.replicates, study.bridged_km, RULES).boundaries[place])


@pytest.mark.parametrize("name", DESIGNS)
def test_power_stated_is_power_reached(name, record):
    figures = provenance(COMMAND)
    for kind, place, told in stated(name):
        assert told["value"] == told["value"], "no F_ST is found often enough"
        hits = spread_over_cores(partial(drawn_at, name, told["value"], place), N)
        figures[kind] = {"place": place, "fst": told["value"], "reached": share(int(np.sum(hits)), N)}
    record[name] = figures
    for kind in ("best_sampled", "worst_sampled"):
        if kind in figures:
            assert figures[kind]["reached"]["count"] / N == pytest.approx(POWER, abs=0.12)


def test_the_mean_of_all_designs_is_the_power_stated(record):
    reached = [part["reached"]["count"] / N for of in record.values() for part in of.values() if "reached" in part]
    assert np.mean(reached) == pytest.approx(POWER, abs=0.03)
