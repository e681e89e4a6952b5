"""The summary of the stage: who shares what."""

import pandas as pd

from homewater.units.summary import borders


def test_units_of_several_jurisdictions_and_jurisdictions_of_several_units():
    table = pd.DataFrame(
        {"unit": ["unit_1", "unit_1", "unit_2", ""], "jurisdiction": ["north", "south", "south", "east"]}
    )
    assert borders(table) == {
        "units": [
            {"unit": "unit_1", "jurisdictions": ["north", "south"], "n_sites": 2},
            {"unit": "unit_2", "jurisdictions": ["south"], "n_sites": 1},
        ],
        "shared_units": ["unit_1"],
        "divided_jurisdictions": ["south"],
    }
