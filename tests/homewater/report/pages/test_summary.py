"""Page one: what is told, and what is not told, of places where stocks meet."""

import re

from tests.homewater.report.made_pages import Reader, page_of
from tests.homewater.report.made_results import study


def test_mixed_descent_where_stocks_meet_is_not_told_as_animals_from_elsewhere():
    results = study(units=(2,), query=True, moved=True, n_wild=5, n_farm=1)
    species = results.species[0]
    (site,) = species.contact_sites
    rates = species.tables["site_rates"]
    assert site in set(rates["locationID"])
    species.tables["site_rates"] = rates.assign(rate=0.9, ci_low=0.8, ci_high=0.95, expected_false=0.0)
    words = Reader(page_of(results)).words
    named = f"At {results.locality[site]} ({site})"
    assert f"{named}, where stocks meet by themselves" in words
    assert f"{named}, 90" not in words
    assert re.search(r", 90 \(80 to 95\) % of animals carry", words)
    assert "it says nothing of moved animals" in words
