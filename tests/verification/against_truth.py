"""What a finished run found, set against the truth that its generator kept and no rule reads."""

from __future__ import annotations

import json
from pathlib import Path

import msprime
import numpy as np
import pandas as pd

from homewater.invented.species import SpeciesPlan
from homewater.invented.stocks import demography
from homewater.tables.schema_tables import read_table

FLAGGED = ["non_local", "mixed"]
LOCAL_BELOW = 0.02  # realised foreign ancestry of a true local
MOVED_ABOVE = 0.95  # of an animal that was moved itself


def statement(results: Path) -> str:
    """Return the id of the statement on units; `results` is results/<study>/<species>."""
    return json.loads((results / "units/summary.json").read_text())["statement_id"]


def units_found(results: Path, truth: Path, species: str) -> dict:
    """Return the grouping of the wild sites beside the planted one, contact zones apart."""
    true = pd.read_csv(truth / "sites.csv").query("species == @species").set_index("locationID")
    true = true[true["unit"].notna()]
    found = read_table(results / "units/units.csv").set_index("locationID")
    inner = true.index[~true["contact_zone"].astype(bool)]
    pairs = {(true.loc[site, "unit"], found.loc[site, "unit"]) for site in inner}
    return {
        "units_planted": int(true["unit"].nunique()),
        "units_found": int(found.loc[found["unit"] != "", "unit"].nunique()),
        "grouping_as_planted": len(pairs) == len({a for a, _ in pairs}) == len({b for _, b in pairs}),
        "contact_zones_planted": true.index[true["contact_zone"].astype(bool)].tolist(),
        "contact_zones_found": found.index[found["contact_zone"]].tolist(),
    }


def animals_told(results: Path, truth: Path, species: str, roles: tuple[str, ...] = ("baseline", "query")) -> dict:
    """Return how planted movers, first crosses and true locals were called; empty where no animal was.

    Only animals with a local unit outside contact zones count; the share flagged at contact sites stands apart.
    """
    true = pd.read_csv(truth / "animals.csv").query("species == @species").set_index("materialSampleID")
    calls = read_table(results / "assignment/calls.csv").set_index("materialSampleID")
    both = calls.join(true[["true_class", "foreign_share", "foreign_unit", "true_locationID"]], how="inner")
    if both.empty:
        return {}
    zones = read_table(results / "units/units.csv").set_index("locationID")["contact_zone"]
    in_zone = both["locationID"].map(zones).astype(bool)
    told = both["outcome"].isin(FLAGGED)
    where = both["role"].isin(roles) & (both["local_unit"] != "") & ~in_zone
    where &= both["true_locationID"] == both["locationID"]  # a planted label swap is judged in the flags, not here
    moved = where & ((both["true_class"] == "F1") | (both["foreign_share"] > MOVED_ABOVE))
    local = where & (both["foreign_share"] < LOCAL_BELOW)
    zone = both[in_zone & both["role"].isin(roles)]
    promised = promised_share(results, both[moved])
    return {
        "movers_and_f1": {"n": int(moved.sum()), "flagged": int((told & moved).sum()), "promised": promised},
        "true_locals": {"n": int(local.sum()), "flagged": int((told & local).sum())},
        "contact_sites": {
            site: {
                "n": len(rows),
                "share_flagged": float(rows["outcome"].isin(FLAGGED).mean()),
            }
            for site, rows in zone.groupby("locationID")
        },
    }


def promised_share(results: Path, moved: pd.DataFrame) -> float:
    """Return the share of these movers and F1 that class_power.csv says is flagged, with units as in the truth."""
    power = read_table(results / "assignment/class_power.csv")
    power = power[~power["called_class"].isin(["local", "pure_a", "unresolved", "unsampled_origin"])]
    flagged = power.groupby(["unit_a", "unit_b", "true_class"])["rate"].sum()
    shares = [
        flagged.get((row["local_unit"], row["foreign_unit"], "F1" if row["true_class"] == "F1" else "pure_b"), 0.0)
        for row in moved.to_dict("records")
    ]
    return float(sum(shares) / len(shares)) if shares else float("nan")


def site_rates(results: Path, truth: Path, species: str) -> dict:
    """Return, for each site with planted foreign animals and a local unit, the planted share and the interval."""
    sites = pd.read_csv(truth / "sites.csv").query("species == @species").set_index("locationID")
    rates = read_table(results / "assignment/site_rates.csv").set_index("locationID")
    zones = read_table(results / "units/units.csv").set_index("locationID")["contact_zone"]
    planted = [site for site in rates.index if site in sites.index and sites.loc[site, "n_foreign"]]
    return {
        site: {
            "planted": float(sites.loc[site, "foreign_share"]),
            "low": float(rates.loc[site, "ci_low"]),
            "rate": float(rates.loc[site, "rate"]),
            "high": float(rates.loc[site, "ci_high"]),
        }
        for site in planted
        if rates.loc[site, "local_unit"] and not zones.get(site, False)
    }


def share_admixed(species: SpeciesPlan, deme: int, n_animals: int = 33, seed: int = 0) -> float:
    """Return the share of animals of a contact deme with at least LOCAL_BELOW ancestry from each lineage.

    The files' own animals keep no record of it, so others are drawn from the same history: every chromosome, ancestry
    read where the zone was founded.
    """
    model, shares = species.model, np.zeros((n_animals, 2))
    for number, length in enumerate(species.contigs.values()):
        history = demography(model)
        history.add_census(time=model.contact_generations + 0.01)
        history.sort_events()
        trees = msprime.sim_ancestry(
            samples=[msprime.SampleSet(n_animals, population=f"deme_{deme}")], demography=history,
            sequence_length=length, recombination_rate=species.centimorgans / 100 / length,
            random_seed=1 + number + 1000 * seed, end_time=model.contact_generations + 1,
        )  # fmt: skip
        census = np.flatnonzero(trees.nodes_flags & msprime.NODE_IS_CEN_EVENT)
        edges = trees.tables.link_ancestors(trees.samples(), census)
        owner = {node: animal.id for animal in trees.individuals() for node in animal.nodes}
        for edge in edges:
            side = model.lineage_of_deme[trees.node(edge.parent).population]
            shares[owner[edge.child], side] += (edge.right - edge.left) / (2 * length)
    shares /= len(species.contigs)
    return float((shares.min(axis=1) >= LOCAL_BELOW).mean())
