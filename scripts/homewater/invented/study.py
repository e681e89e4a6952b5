"""Whole invented studies: every file of the contract, with the truth beside them in a folder that no rule reads."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import yaml

from homewater.invented.coast import box_feature, small_coast
from homewater.invented.files import FileForm, write_csv, write_genotype_file, write_geojson
from homewater.invented.plan import StudyPlan, TransferPlan, even_map, ledger, sample_sheet, site_truth, study_settings
from homewater.invented.species import AnimalGroup, Faults, SpeciesPlan, generate_species, true_units
from homewater.invented.stocks import StockModel
from homewater.running.seeds import generator
from homewater.running.writer import write_json, write_text

SUFFIX = {"vcf.gz": "vcf.gz", "gzip": "vcf.gz", "vcf": "vcf", "bcf": "bcf"}
NOTE = "Invented: no such coast, species or agency exists."


@dataclass
class WrittenStudy:
    """Where a generated study lies, and what is true of it.

    Attributes:
        folder: the study's folder.
        config: its study file.
        samples: its sample sheet.
        sites: its list of sites.
        transfers: its ledger, or None.
        coastline: its coastline.
        genotypes: genotype file by species id.
        truth: one row a record; materialSampleID, species, true_class, foreign_share, home_unit, fault ...
        true_sites: species, locationID, unit, contact_zone, foreign animals planted, share.
        n_units: true number of units by species id.
    """

    folder: Path
    config: Path
    samples: Path
    sites: Path
    transfers: Path | None
    coastline: Path
    genotypes: dict[str, Path]
    truth: pd.DataFrame
    true_sites: pd.DataFrame
    n_units: dict[str, int]


def write_study(
    plan: StudyPlan,
    folder: str | Path,
    file_format: str = "vcf.gz",
    index: bool = True,
    settings: dict | None = None,
    mapper: Callable = map,
    report: Callable[[str], None] = lambda line: None,
) -> WrittenStudy:
    """Generate a study and write its files; the truth goes to the subfolder `truth`.

    Args:
        plan: the study.
        folder: destination, made where it is missing.
        file_format: format of the genotypes, one of `homewater.invented.files.FORMATS`.
        index: whether genotypes get an index.
        settings: further sections of the study file.
        mapper: like `map`, used over chromosomes.
        report: called with a line on progress.
    """
    folder = Path(folder)
    sheets, truths, places, genotypes = [], [], [], {}
    for species in plan.species:
        report(f"{species.id}: simulating {species.n_snps} markers on {len(species.contigs)} chromosomes")
        generated = generate_species(species, plan.seed, mapper)
        genotypes[species.id] = folder / f"{species.id}.{SUFFIX[file_format]}"
        report(f"{species.id}: writing {len(generated.sample_ids)} animals")
        write_genotype_file(
            genotypes[species.id],
            species.contigs,
            generated.markers,
            generated.sample_ids,
            generated.dosages,
            generator(plan.seed, "generate", species.id, "reads"),
            FileForm(file_format, index, assembly=f"{species.id}_invented_1"),
        )
        sheets.append(sample_sheet(plan, species, generated))
        truths.append(generated.truth.drop(columns="animal").assign(species=species.id))
        places.append(site_truth(species, generated.truth))
        bad = generated.markers.loc[generated.markers["collapsed"], ["chrom", "pos"]].assign(species=species.id)
        write_csv(folder / "truth" / f"collapsed_markers_{species.id}.csv", bad)
    files = {"samples": "samples.csv", "sites": "sites.csv", "coastline": "coastline.geojson"}
    write_csv(folder / "samples.csv", pd.concat(sheets, ignore_index=True))
    write_csv(folder / "sites.csv", plan.sites)
    write_geojson(folder / "coastline.geojson", plan.coast, NOTE)
    for species_id, features in plan.ranges.items():
        files[f"range_{species_id}"] = f"range_{species_id}.geojson"
        write_geojson(folder / files[f"range_{species_id}"], features, NOTE)
    for species in plan.species:
        if species.mapped:
            files[f"map_{species.id}"] = f"{species.id}_map.csv"
            write_csv(folder / files[f"map_{species.id}"], even_map(species))
    if plan.transfers:
        files["transfers"] = "transfers.csv"
        write_csv(folder / "transfers.csv", ledger(plan))
    truth, true_sites = pd.concat(truths, ignore_index=True), pd.concat(places, ignore_index=True)
    n_units = {species.id: len(set(true_units(species.model))) for species in plan.species}
    write_csv(folder / "truth" / "animals.csv", truth)
    write_csv(folder / "truth" / "sites.csv", true_sites)
    write_json({"seed": plan.seed, "n_units": n_units}, folder / "truth" / "truth.json")
    content = study_settings(plan, {key: path.name for key, path in genotypes.items()}, files, settings)
    write_text(yaml.safe_dump(content, sort_keys=False, allow_unicode=True), folder / "study.yaml")
    return WrittenStudy(
        folder,
        folder / "study.yaml",
        folder / "samples.csv",
        folder / "sites.csv",
        folder / "transfers.csv" if plan.transfers else None,
        folder / "coastline.geojson",
        genotypes,
        truth,
        true_sites,
        n_units,
    )


def small_plan(
    seed: int = 1,
    *,
    n_sites: int = 5,
    n_animals: int = 100,
    n_lineages: int = 2,
    query: bool = True,
    n_chromosomes: int = 3,
    n_snps: int = 900,
    within: str = "mixing",
    contact: bool = False,
    transfers: bool = True,
    farm: bool = True,
    native_range: bool = True,
    fjords: bool = True,
    odd_ids: bool = False,
    shuffle_sites: bool = False,
    n_per_site: tuple[int, ...] | None = None,
    foreign_in_baseline: bool = False,
    optional_columns: bool = True,
    named_markers: bool = True,
    faults: Faults | None = None,
    study_id: str = "small",
    split_generations: float = 300,
) -> StudyPlan:
    """Return the plan of a small study of one species.

    There are more than seven parameters because each is one habit of studies that a test may ask for by its name, and
    leaves the others as they are.

    Args:
        seed: seed of the study and of its generation.
        n_sites: wild sites, in a row along the coast.
        n_animals: baseline animals, at all sites together.
        n_lineages: lineages, each along its own stretch of coast.
        query: whether query animals are taken, among them movers and their offspring.
        n_chromosomes: chromosomes of the species.
        n_snps: markers.
        within: how the sites of a lineage exchange animals: `mixing` (many move between neighbours), `distance` (few
            do, so that differentiation rises with distance) or `panmixia` (one population).
        contact: whether the last site of the first lineage is one where both mix.
        transfers: whether there is a ledger of moves.
        farm: whether there is a farm, F01.
        native_range: whether the study names a native range.
        fjords: whether the coast has a fjord and an island.
        odd_ids: whether ids of animals hold spaces, slashes and letters beyond ASCII.
        shuffle_sites: whether the sites are listed in another order than along the coast.
        n_per_site: baseline animals at each site, in place of `n_animals`.
        foreign_in_baseline: whether the movers hide among the baseline animals.
        optional_columns: whether the tables have their optional columns.
        named_markers: whether markers have names.
        faults: faults of laboratory and sample sheet; none by default.
        study_id: id of the study.
        split_generations: generations since the lineages parted.

    Raises:
        ValueError: on panmixia with more than one lineage.
    """
    blocks = np.array_split(np.arange(n_sites), n_lineages)
    lineages = tuple(number for number, block in enumerate(blocks) for _ in block)
    migration = {"mixing": 0.05, "distance": 0.004, "panmixia": 0.0}[within]
    if within == "panmixia" and n_lineages > 1:
        raise ValueError("panmixia has one lineage")
    zone = {}
    if contact and n_lineages > 1 and len(blocks[0]) > 1:
        last = int(blocks[0][-1])
        zone = {last: (last - 1, last + 1, 0.6)}
    model = StockModel(
        lineage_of_deme=lineages,
        deme_size=2000 if within == "panmixia" else 1000 / max(len(block) for block in blocks),
        neighbour_migration=migration,
        split_generations=3000 if within == "distance" and n_lineages == 1 else split_generations,
        ancestral_size=1000,
        border_migration=0.001 if zone else 0.0,
        contact=zone,
        panmictic=within == "panmixia",
    )
    n_farms = int(farm)
    land, positions = small_coast(n_sites, n_farms, fjords)
    wild = tuple(f"S{i + 1:02d}" for i in range(n_sites))
    border = n_sites // 2 - (n_sites % 2 == 0 and n_sites > 2)  # never where two lineages meet
    sites = pd.DataFrame(
        {
            "locationID": [*wild, *["F01"][:n_farms]],
            "locality": [f"Skarn Bay {i + 1}" for i in range(n_sites)] + ["Ulsund kelp farm"][:n_farms],
            "decimalLatitude": [latitude for latitude, _ in positions],
            "decimalLongitude": [longitude for _, longitude in positions],
            "jurisdiction": ["Vessland"] * border + ["Aldermark"] * (n_sites - border + n_farms),
            "waterBody": "Skarn Sea",
            "kind": ["wild"] * n_sites + ["farm"] * n_farms,
            "fishing": ["open", *["closed"] * (n_sites - 1), *["closed"] * n_farms][: n_sites + n_farms],
        }
    )
    if not optional_columns and not farm:
        sites = sites.drop(columns=["waterBody", "kind", "fishing"])
    if shuffle_sites:
        sites = sites.iloc[generator(seed, "generate", "", "site order").permutation(len(sites))].reset_index(drop=True)
    counts = n_per_site or tuple(len(part) for part in np.array_split(np.arange(n_animals), n_sites))
    far, near = tuple(int(d) for d in blocks[0] if d not in zone), n_sites - 1
    groups = []
    if query:
        if n_lineages > 1:
            local = {"pure_a": 8, "pure_b": 2, "F1": 2, "backcross_a": 2, "F2": 1}
            farmed = {"pure_a": 3, "pure_b": 6, "F1": 3, "backcross_a": 2, "backcross_b": 1}
        else:
            local, farmed = {"pure_a": 8}, {"pure_b": 6}
        groups.append(AnimalGroup(wild[near], near, local, far, "baseline" if foreign_in_baseline else "query"))
        if farm:
            groups.append(AnimalGroup("F01", near, farmed, far))
    north = positions[n_sites - 1][0] + 0.1
    species = SpeciesPlan(
        id="topshell",
        name="rope-grazing topshell",
        scientific_name="Funigrazus skarnensis",
        generation_years=2,
        model=model,
        locations=wild,
        n_baseline=tuple(int(n) for n in counts),
        groups=tuple(groups),
        contigs={f"chr{i + 1}": 10_000_000 - 500_000 * i for i in range(n_chromosomes)},
        n_snps=n_snps,
        faults=faults or Faults(),
        sample_prefix="Å s" if odd_ids else "TS",
        odd_ids=odd_ids,
        named_markers=named_markers,
        listed=tuple(wild.index(place) for place in sites["locationID"] if place in wild),
    )
    return StudyPlan(
        id=study_id,
        title="Stocks of the rope-grazing topshell along the Aldermark and Vessland coasts (invented)",
        seed=seed,
        sites=sites,
        coast=land,
        species=(species,),
        ranges={"topshell": [box_feature(-11, 50, -5, round(north, 4), "native range")]} if native_range else {},
        transfers=(TransferPlan("topshell", tuple(wild[d] for d in far), ("F01",) if farm else (wild[near],), 12),)
        if transfers
        else (),
        optional_columns=optional_columns,
    )
