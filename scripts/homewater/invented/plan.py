"""The plan of an invented study, and what follows from it: sample sheet, ledger of transfers, truth, settings."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from homewater.invented.species import GeneratedSpecies, SpeciesPlan, true_units
from homewater.running.seeds import generator


@dataclass(frozen=True)
class TransferPlan:
    """Moves of one species: from any of `sources` to any of `destinations`.

    Attributes:
        species: species id.
        sources: locationIDs.
        destinations: locationIDs.
        n: rows of the ledger.
        untraced: share of rows without a source.
        years: first and last year.
    """

    species: str
    sources: tuple[str, ...]
    destinations: tuple[str, ...]
    n: int
    untraced: float = 0.15
    years: tuple[int, int] = (2015, 2023)


@dataclass(frozen=True)
class StudyPlan:
    """All that makes up one invented study.

    Attributes:
        id: study id.
        title: title of the report.
        seed: seed of the study and of its generation.
        sites: the columns of sites.csv.
        coast: GeoJSON features of the land.
        species: the species.
        ranges: GeoJSON features of the native range by species id.
        transfers: the ledger's rows to be made.
        baseline_years: years in which baseline animals were taken.
        query_years: years in which query animals were taken.
        optional_columns: whether the optional columns of samples and transfers are written.
    """

    id: str
    title: str
    seed: int
    sites: pd.DataFrame
    coast: list[dict]
    species: tuple[SpeciesPlan, ...]
    ranges: dict[str, list[dict]] = field(default_factory=dict)
    transfers: tuple[TransferPlan, ...] = ()
    baseline_years: tuple[int, ...] = (2019, 2021)
    query_years: tuple[int, ...] = (2023,)
    optional_columns: bool = True


def sample_sheet(plan: StudyPlan, species: SpeciesPlan, generated: GeneratedSpecies) -> pd.DataFrame:
    """Return the species' rows of samples.csv; the optional columns hold plausible values."""
    rng = generator(plan.seed, "generate", species.id, "sheet")
    rows = generated.samples
    n = len(rows)
    query = (rows["role"] == "query").to_numpy()
    year = np.where(query, rng.choice(plan.query_years, n), rng.choice(plan.baseline_years, n))
    day = pd.to_datetime([f"{y}-05-01" for y in year]) + pd.to_timedelta(rng.integers(0, 120, n), unit="D")
    adult = rng.random(n) < 0.8
    length = np.where(adult, rng.normal(species.length_mm, 0.1 * species.length_mm, n), 0.6 * species.length_mm)
    sheet = pd.DataFrame(
        {
            "materialSampleID": rows["materialSampleID"],
            "species": species.id,
            "locationID": rows["locationID"],
            "eventDate": day.strftime("%Y-%m-%d"),
            "role": rows["role"],
        }
    )
    if not plan.optional_columns:
        return sheet.assign(replicateOf=rows["replicateOf"]) if (rows["replicateOf"] != "").any() else sheet
    sheet["lifeStage"] = np.where(adult, "adult", "juvenile")
    sheet["sex"] = np.where(adult, rng.choice(["female", "male", ""], n, p=[0.45, 0.45, 0.1]), "")
    sheet["length_mm"] = np.round(length, 1)
    sheet["replicateOf"] = rows["replicateOf"]
    sheet["batch"] = [f"plate_{k}" for k in rng.integers(1, 2 + n // 96, n)]
    return sheet


def ledger(plan: StudyPlan) -> pd.DataFrame:
    """Return transfers.csv."""
    rng = generator(plan.seed, "generate", "", "transfers")
    rows = []
    for part in plan.transfers:
        for _ in range(part.n):
            year, source = (
                int(rng.integers(part.years[0], part.years[1] + 1)),
                part.sources[rng.integers(len(part.sources))],
            )
            untraced = rng.random() < part.untraced
            destination = part.destinations[rng.integers(len(part.destinations))]
            count = int(rng.integers(4, 60)) * 50
            rows.append(
                {
                    "species": part.species,
                    "eventDate": f"{year}-{rng.integers(4, 10):02d}-{rng.integers(1, 29):02d}",
                    "sourceLocationID": "" if untraced or source == destination else source,
                    "destinationLocationID": destination,
                    "individualCount": count,
                    "lifeStage": "adult",
                    "lost_or_dead": int(rng.binomial(count, 0.06)),
                    "purpose": str(rng.choice(["grazing", "grazing", "broodstock"])),
                }
            )
    table = pd.DataFrame(rows).sort_values(["eventDate"], kind="stable", ignore_index=True)
    table.insert(0, "transferID", [f"T{i + 1:04d}" for i in range(len(table))])
    return table if plan.optional_columns else table.drop(columns=["lifeStage", "lost_or_dead", "purpose"])


def site_truth(species: SpeciesPlan, truth: pd.DataFrame) -> pd.DataFrame:
    """Return, per site, its true unit and the share of animals with recent ancestry from elsewhere, as planted."""
    units = true_units(species.model, species.listed)
    places = list(dict.fromkeys([*species.locations, *truth["true_locationID"]]))
    rows = []
    for place in places:
        here = truth[(truth["true_locationID"] == place) & (truth["same_animal_as"] == "")]
        elsewhere = (here["foreign_unit"] != "") & (here["foreign_unit"] != here["home_unit"])
        foreign = int(elsewhere.sum())
        deme = species.locations.index(place) if place in species.locations else None
        rows.append(
            {
                "species": species.id,
                "locationID": place,
                "unit": "" if deme is None else units[deme],
                "contact_zone": deme in species.model.contact,
                "n_animals": len(here),
                "n_foreign": foreign,
                "foreign_share": foreign / len(here) if len(here) else float("nan"),
            }
        )
    return pd.DataFrame(rows)


def even_map(species: SpeciesPlan) -> pd.DataFrame:
    """Return the recombination map (chrom, pos, cm) by which a species was generated: even along each chromosome."""
    rows = [
        (name, pos, cm)
        for name, length in species.contigs.items()
        for pos, cm in ((1, 0.0), (length, species.centimorgans))
    ]
    return pd.DataFrame(rows, columns=["chrom", "pos", "cm"])


def study_settings(
    plan: StudyPlan, genotypes: dict[str, str], files: dict[str, str], settings: dict | None = None
) -> dict:
    """Return the study file's content.

    Args:
        plan: the study.
        genotypes: path of the genotypes by species id, as the study file shall write it.
        files: paths of samples, sites, coastline and, where there are any, transfers, range_<species id> and
            map_<species id>.
        settings: further sections, e.g. ``{"structure": {"permutations": 99}}``.
    """
    content: dict = {"study": {"id": plan.id, "title": plan.title, "seed": plan.seed, "invented": True}, "species": []}
    for species in plan.species:
        entry = {
            "id": species.id,
            "name": species.name,
            "scientific_name": species.scientific_name,
            "genotypes": [genotypes[species.id]],
            "generation_years": species.generation_years,
            "recombination": {"cm_per_chromosome": species.centimorgans},
        }
        if f"map_{species.id}" in files:
            entry["recombination"]["map"] = files[f"map_{species.id}"]
        if f"range_{species.id}" in files:
            entry["native_range"] = files[f"range_{species.id}"]
        content["species"].append(entry)
    content |= {key: files[key] for key in ("samples", "sites", "transfers", "coastline") if key in files}
    return content | (settings or {})
