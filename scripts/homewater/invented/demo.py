"""The demo study: three invented species along the invented coasts of Vessland and Aldermark.

Rope-grazing animals are shipped from the Vessland coast to kelp farms in the far north of Aldermark. The topshell has
two lineages, which meet well north of the border between the two agencies, and at the northernmost wild sites about one
animal in five descends from what was shipped. The limpet differs little by little along the coast; the urchin nowhere.
"""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from homewater.invented.coast import FARM_PLACES, box_feature, demo_coast
from homewater.invented.plan import StudyPlan, TransferPlan
from homewater.invented.species import AnimalGroup, Faults, SpeciesPlan
from homewater.invented.stocks import StockModel

DEMO_SEED = 20260
N_WILD, N_FARMS = 20, len(FARM_PLACES)
RANGE_LIMIT = 60.15  # latitude at which the native range of topshell and limpet ends: the last two farms lie beyond
_VESSLAND_SITES = 8
_NAMES = [
    "Tarrow Head",
    "Ostrelby",
    "Pellfjord",
    "Varnsound",
    "Kelmerfjord",
    "Sarnwick",
    "Great Dunvey",
    "Mewnick",
    "Aldhaven",
    "Quernfjord",
    "Brackness",
    "Hollinskerry",
    "Nordlewick",
    "Marrenby",
    "Tveldefjord",
    "Stornawater",
    "Isker Holm",
    "Ulskafjord",
    "Fennerby",
    "Hvalness",
    "Nyrrasund kelp farm",
    "Ytterskelfjord kelp farm",
    "Polnaby kelp farm",
]
_WATERS = ("Tarrow Sound", "Quern Bight", "Marren Sea", "Hval Deep")
VESSLAND, ALDERMARK = "Vessland Shellfish Board", "Aldermark Coast Agency"
WILD = tuple(f"W{i + 1:02d}" for i in range(N_WILD))
FARMS = tuple(f"F{i + 1:02d}" for i in range(N_FARMS))
# Topshell: demes 0-10 southern, 11 and 12 the contact zone, 13-19 northern; the agencies' border lies between 7 and 8.
CONTACT = {11: (10, 13, 0.65), 12: (10, 13, 0.30)}
_SOURCES = (0, 1, 2, 3, 4, 5)  # Vessland sites that ship topshells


def demo_sites() -> pd.DataFrame:
    """Return sites.csv of the demo: 20 wild sites, south to north, then the farms."""
    _, places = demo_coast(N_WILD)
    wild = N_WILD
    return pd.DataFrame(
        {
            "locationID": [*WILD, *FARMS],
            "locality": _NAMES,
            "decimalLatitude": [latitude for latitude, _ in places],
            "decimalLongitude": [longitude for _, longitude in places],
            "jurisdiction": [VESSLAND] * _VESSLAND_SITES + [ALDERMARK] * (wild + N_FARMS - _VESSLAND_SITES),
            "waterBody": [_WATERS[min(i // 6, len(_WATERS) - 1)] for i in range(wild + N_FARMS)],
            "kind": ["wild"] * wild + ["farm"] * N_FARMS,
            "fishing": ["closed" if i % 5 == 3 else "open" for i in range(wild)] + ["closed"] * N_FARMS,
        }
    )


def demo_range() -> list[dict]:
    """Return the native range of topshell and limpet as GeoJSON features."""
    return [box_feature(-14, 50, -4, RANGE_LIMIT, "native range")]


def _chromosomes(n: int, megabases: float) -> dict[str, int]:
    """Return contigs of falling length."""
    return {f"chr{i + 1:02d}": round((megabases - 0.02 * megabases * i) * 1e6) for i in range(n)}


def _topshell(foreign_role: str) -> SpeciesPlan:
    groups = [
        AnimalGroup(
            WILD[17], 17, {"pure_a": 29, "pure_b": 1, "F1": 1, "F2": 1, "backcross_a": 4}, _SOURCES, foreign_role
        ),
        AnimalGroup(
            WILD[18], 18, {"pure_a": 29, "pure_b": 1, "F1": 2, "F2": 1, "backcross_a": 3}, _SOURCES, foreign_role
        ),
        AnimalGroup(
            WILD[19], 19, {"pure_a": 29, "pure_b": 2, "F1": 2, "F2": 1, "backcross_a": 2}, _SOURCES, foreign_role
        ),
        AnimalGroup(FARMS[0], 19, {"pure_a": 11, "pure_b": 22, "F1": 6, "backcross_a": 5, "backcross_b": 4}, _SOURCES),
        AnimalGroup(FARMS[1], 19, {"pure_a": 8, "pure_b": 34, "F1": 4, "backcross_b": 2}, _SOURCES),
        AnimalGroup(FARMS[2], 19, {"pure_a": 6, "pure_b": 38, "F1": 4}, _SOURCES),
    ]
    return SpeciesPlan(
        id="topshell",
        name="rope-grazing topshell",
        scientific_name="Funigrazus skarnensis",
        generation_years=2,
        model=StockModel(
            lineage_of_deme=(0,) * 12 + (1,) * 8,
            deme_size=1000,
            neighbour_migration=0.06,
            split_generations=2500,
            ancestral_size=9000,
            border_migration=0.002,
            contact=CONTACT,
            contact_generations=60,
        ),
        locations=WILD,
        n_baseline=(33,) * N_WILD,
        groups=tuple(groups),
        contigs=_chromosomes(12, 30),
        n_snps=24000,
        centimorgans=40,
        mapped=True,
        faults=Faults(
            replicates=12,
            duplicates=3,
            failed_samples=8,
            contaminated=2,
            mislabelled=2,
            sibling_families=5,
            bad_marker_share=0.03,
            collapsed_share=0.003,
        ),
        sample_prefix="TS",
        length_mm=24,
    )


def _limpet() -> SpeciesPlan:
    few = {6: 2, 12: 0}  # a site with two animals and one with none
    return SpeciesPlan(
        id="comb_limpet",
        name="kelp-comb limpet",
        scientific_name="Laminarasa vesslandica",
        generation_years=3,
        model=StockModel(
            lineage_of_deme=(0,) * N_WILD,
            deme_size=400,
            neighbour_migration=0.12,
            split_generations=1500,
            ancestral_size=10000,
        ),
        locations=WILD,
        n_baseline=tuple(few.get(deme, 15) for deme in range(N_WILD)),
        groups=(AnimalGroup(FARMS[0], 19, {"pure_b": 28}, _SOURCES),),
        contigs=_chromosomes(10, 22),
        n_snps=8000,
        faults=Faults(replicates=4, duplicates=1, failed_samples=3, bad_marker_share=0.03, collapsed_share=0.003),
        sample_prefix="CL",
        length_mm=38,
    )


def _urchin() -> SpeciesPlan:
    return SpeciesPlan(
        id="sweeper_urchin",
        name="rope-sweeping urchin",
        scientific_name="Scoparechinus aldermarki",
        generation_years=5,
        model=StockModel(
            lineage_of_deme=(0,) * N_WILD,
            deme_size=6000,
            neighbour_migration=0,
            split_generations=1,
            ancestral_size=6000,
            panmictic=True,
        ),
        locations=WILD,
        n_baseline=(15,) * N_WILD,
        groups=(),
        contigs=_chromosomes(10, 26),
        n_snps=8000,
        faults=Faults(replicates=4, failed_samples=3, bad_marker_share=0.03, collapsed_share=0.003),
        sample_prefix="SU",
        named_markers=False,
        length_mm=61,
    )


def demo_plan(seed: int = DEMO_SEED, foreign_role: str = "query", scale: float = 1.0) -> StudyPlan:
    """Return the plan of the demo study.

    Args:
        seed: seed of the study and of its generation.
        foreign_role: role of the animals at the northernmost sites among which movers and their offspring hide:
            ``query``, or ``baseline`` to plant them among those that define the units.
        scale: share of the markers and chromosomes that is made, for a quick look.
    """
    land, _ = demo_coast(N_WILD)
    species = tuple(_scaled(plan, scale) for plan in (_topshell(foreign_role), _limpet(), _urchin()))
    shipped = tuple(WILD[i] for i in _SOURCES)
    return StudyPlan(
        id="demo",
        title="Stocks and transfers of three rope-grazing species along the Vessland and Aldermark coasts",
        seed=seed,
        sites=demo_sites(),
        coast=land,
        species=species,
        ranges={"topshell": demo_range(), "comb_limpet": demo_range()},
        transfers=(
            TransferPlan("topshell", shipped, FARMS, 110, untraced=0.12),
            TransferPlan("topshell", (WILD[14], WILD[16]), FARMS, 24, untraced=0.05),
            TransferPlan("topshell", shipped, (WILD[17],), 4, untraced=0.5),
            TransferPlan("comb_limpet", shipped[:3], FARMS[:2], 26, untraced=0.2),
            TransferPlan("sweeper_urchin", (WILD[1], WILD[9], WILD[15]), FARMS, 18, untraced=0.1),
        ),
    )


def _scaled(plan: SpeciesPlan, scale: float) -> SpeciesPlan:
    n = max(2, round(len(plan.contigs) * scale))
    if n >= len(plan.contigs):
        return plan
    contigs = dict(list(plan.contigs.items())[:n])
    return replace(plan, contigs=contigs, n_snps=round(plan.n_snps * scale))
