"""A ledger of moved animals made by hand, with its sites and units."""

import pandas as pd

SITES = pd.DataFrame(
    {
        "locationID": ["holm", "skerry", "voe", "noup", "geo", "farm_s", "farm_n"],
        "kind": ["", "wild", "wild", "wild", "wild", "farm", "hatchery"],
        "fishing": ["open", "open", "open", "open", "closed", "", ""],
    }
)
UNITS = pd.DataFrame(
    {
        "locationID": SITES["locationID"],
        "unit": ["unit_1", "unit_1", "unit_2", "unit_2", "unit_1", "unit_1", ""],
        "jurisdiction": ["Vessland"] * 3 + ["Aldermark"] * 4,
        "contact_zone": [False] * 7,
        "basis": ["own_animals"] * 5 + ["nearest_by_water", "none"],
    }
)
LEDGER = pd.DataFrame(
    {
        "transferID": list("abcdef"),
        "species": ["topshell"] * 5 + ["urchin"],
        "sourceLocationID": ["holm", "voe", "", "holm", "voe", "voe"],
        "destinationLocationID": ["farm_s", "farm_s", "farm_s", "farm_n", "farm_s", "farm_s"],
        "individualCount": pd.array([100, 50, 30, 20, None, 999], dtype="Int64"),
        "lost_or_dead": pd.array([7, None, None, 1, 2, 5], dtype="Int64"),
    }
)
