"""Who defines frequencies, and families."""

import pandas as pd

from homewater.panel.reference_animals import frequency_sites, kin_groups, reference_units


def test_sites_that_give_frequencies():
    units = pd.DataFrame(
        {
            "locationID": ["A", "B", "C", "D", "E"],
            "unit": ["unit_1", "unit_1", "unit_2", "unit_2", ""],
            "contact_zone": pd.array([False, True, False, False, False], dtype="boolean"),
            "basis": ["own_animals", "own_animals", "own_animals", "nearest_by_water", "none"],
        }
    )
    assert frequency_sites(units, 2) == ({"A": 0, "C": 1}, [])
    units.loc[2, "contact_zone"] = True  # nothing else is left for unit_2
    assert frequency_sites(units, 2) == ({"A": 0, "C": 1}, [1])
    samples = pd.DataFrame(
        {
            "locationID": ["A", "A", "A", "A", "D", "C"],
            "status": ["kept", "removed", "kept", "kept", "kept", "kept"],
            "role": ["baseline", "baseline", "query", "baseline", "baseline", "baseline"],
            "defines": pd.array([True, True, True, False, True, True], dtype="boolean"),
        }
    )
    assert reference_units(samples, {"A": 0, "C": 1}).tolist() == [0, -1, -1, -1, -1, 1]


def test_families_are_linked_however_long_the_chain():
    samples = pd.DataFrame(
        {"materialSampleID": ["a", "b/ä", "c", "d", "e"], "related_to": ["b/ä", "c", "", "nobody known", None]}
    )
    family = kin_groups(samples)
    assert family[0] == family[1] == family[2]
    assert len({family[0], family[3], family[4]}) == 3
