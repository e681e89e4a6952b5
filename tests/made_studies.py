"""Small handmade studies of one species: the files that intake and filters write, for the steps that read them.

One writer for each stage that reads: `write_structure_intake`, `write_units_intake` and `write_panel_intake`. Ids and
names hold spaces, slashes and accents on purpose.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from tests.drawn_genotypes import positions

from homewater.genotypes.site_counts import SiteCounts, write_site_counts
from homewater.genotypes.store import Genotypes, StoredAnimals, VariantBlock, open_genotypes, write_genotypes
from homewater.running.writer import write_json
from homewater.tables.schema_tables import empty_table, table_schema, write_table

INTAKE = {"genotypes": "genotypes.zarr", "samples": "samples.csv", "markers": "markers.parquet"}


def write_store(folder: Path, dosages, sites, chrom, pos, chromosomes) -> Genotypes:
    """Write genotypes.zarr with animals `S-000/ä` and so on; returns it opened.

    Args:
        folder: destination.
        dosages: int8 (n_markers, n_animals), animals of one site together.
        sites: locationID of each animal.
        chrom: number of each marker's chromosome.
        pos: position of each marker, in base pairs.
        chromosomes: names of the chromosomes.
    """
    n_markers, n_animals = dosages.shape
    ids = np.array([f"S-{i:03d}/ä" for i in range(n_animals)])
    alleles = np.array([["A", "C"]] * n_markers, dtype=object).reshape(-1, 2)
    names = np.array(["."] * n_markers, object)
    block = VariantBlock(chrom.astype(np.int32), pos.astype(np.int32), names, alleles, dosages)
    animals = StoredAnimals(ids, sites)
    write_genotypes(folder / "genotypes.zarr", animals, np.array(chromosomes), [block] if n_markers else [])
    return open_genotypes(folder / "genotypes.zarr")


def write_samples(folder: Path, store, role, **columns):
    """Write samples.csv, the filters' table of animals: all kept, with no flag, unless `columns` say otherwise."""
    known = {"materialSampleID": store.sample_ids, "locationID": store.location_ids, "role": role, "status": "kept"}
    known |= {"reason": "", "flags": "", "call_rate": 1.0} | columns
    names = empty_table("samples").columns
    table = empty_table("samples") if len(role) == 0 else pd.DataFrame(known).reindex(columns=names)
    write_table(table, folder / "samples.csv")


def write_markers(folder: Path, markers: pd.DataFrame, **columns):
    """Write markers.parquet, the filters' table of markers: all kept and sound, unless `columns` say otherwise."""
    known = {"ref": "A", "alt": "C", "status": "kept", "reason": "", "call_rate": 1.0, "minor_allele_frequency": 0.2}
    table = markers.assign(**(known | {"thinned": True, "passes_technical": True} | columns))
    write_table(table.reindex(columns=empty_table("markers").columns), folder / "markers.parquet")


def paths_of(folder: Path, names: dict[str, str]) -> dict[str, str]:
    """Return the paths of files, by the names that rules give them."""
    return {name: str(folder / file) for name, file in names.items()}


def write_structure_intake(
    folder: Path, dosages, sites, *, query=(), farm_sites=(), removed=(), n_chrom=10, thinned=True
):
    """Write what the steps of structure read; returns paths by the names that rules give them.

    Args:
        folder: destination.
        dosages: int8 (n_markers, n_animals), animals of one site together.
        sites: locationID of each animal.
        query: indices of query animals.
        farm_sites: locationIDs that define nothing.
        removed: indices of animals that the filters removed.
        n_chrom: chromosomes, equally many markers each.
        thinned: bool (n_markers,), the linkage-thinned markers; all by default.
    """
    n_markers, n_animals = dosages.shape
    sites = np.asarray(sites)
    chrom = np.arange(n_markers) * n_chrom // n_markers
    pos = np.arange(1, n_markers + 1) * 100
    store = write_store(folder, dosages, sites, chrom, pos, [f"chr{i}" for i in range(n_chrom)])
    everyone = np.arange(n_animals)
    role = np.where(np.isin(everyone, list(query)), "query", "baseline")
    status = np.where(np.isin(everyone, list(removed)), "removed", "kept")
    defines = (role == "baseline") & (status == "kept") & ~np.isin(sites, list(farm_sites))
    order = list(dict.fromkeys(sites[defines].tolist()))
    group = np.array([order.index(s) if d else -1 for s, d in zip(sites, defines, strict=True)])
    counts = SiteCounts(
        store.genotype_counts(group, len(order)), np.array(order, dtype=str), store.markers[["marker", "chrom", "pos"]]
    )
    write_site_counts(folder / "site_counts.zarr", counts)
    write_samples(
        folder,
        store,
        role,
        status=status,
        reason=np.where(status == "removed", "call_rate", ""),
        call_rate=(dosages >= 0).mean(axis=0) if n_markers else np.nan,
        defines=defines,
        defines_with_kin=defines,
    )
    write_markers(folder, store.markers, thinned=thinned)
    write_table(distances(list(dict.fromkeys(sites.tolist()))), folder / "sea_distance.csv")
    return paths_of(folder, INTAKE)


def site_counts(counts, names, chrom, pos):
    """Return genotype counts (n_markers, n_sites, 4) as the store of counts by site holds them."""
    markers = pd.DataFrame({"marker": [f"m{i}" for i in range(len(counts))], "chrom": chrom, "pos": pos})
    return SiteCounts(counts, np.asarray(names), markers)


def distances(order):
    """Return sea_distance.csv of sites 10 km apart in the order given; the last is cut off."""
    rows = [
        (a, b, np.nan if j == len(order) - 1 else 10.0 * (j - i))
        for i, a in enumerate(order)
        for j, b in enumerate(order)
        if i < j
    ]
    return pd.DataFrame(rows, columns=["site_a", "site_b", "sea_km"])


def site_table(ids, latitude, longitude, jurisdiction, kind):
    """Return the checked table of sites."""
    columns = {"locationID": ids, "locality": ids, "decimalLatitude": latitude, "decimalLongitude": longitude}
    return pd.DataFrame({**columns, "jurisdiction": jurisdiction, "waterBody": "", "kind": kind, "fishing": ""})


def write_units_intake(folder: Path, animals, shift, *, n_markers=1200, n_chrom=10, seed=0):
    """Write what the steps of units read, counts by site and no store; returns every site's id.

    Args:
        folder: destination.
        animals: animals at each wild site `w0/ä`, `w1/ä` and so on, 40 km apart; a farm and a site out of the native
            range are added.
        shift: how far each wild site's frequencies move from those of the ancestor.
        n_markers: markers.
        n_chrom: chromosomes, equally many markers each.
        seed: of the draws.
    """
    rng = np.random.default_rng(seed)
    ids = [f"w{i}/ä" for i in range(len(animals))]
    base = rng.uniform(0.2, 0.8, (n_markers, 1))
    p = np.clip(base + rng.normal(0, 1, (n_markers, 1)) * np.array(shift)[None], 0.02, 0.98)
    tally = []
    for i, n in enumerate(animals):
        genotypes = rng.binomial(2, p[:, i : i + 1], (n_markers, n))
        tally.append(np.stack([(genotypes == d).sum(axis=1) for d in (0, 1, 2, -1)], axis=1))
    present = [i for i, n in enumerate(animals) if n]
    counts = np.stack(tally, axis=1).astype(np.int32)[:, present] if present else np.zeros((n_markers, 0, 4), np.int32)
    markers = pd.DataFrame(
        {
            "marker": [f"m{k}" for k in range(n_markers)],
            "chrom": [f"chr{k * n_chrom // n_markers}" for k in range(n_markers)],
            "pos": np.arange(n_markers) + 1,
        }
    )
    write_site_counts(folder / "site_counts.zarr", SiteCounts(counts, np.array(ids, dtype=str)[present], markers))
    write_markers(folder, markers, minor_allele_frequency=0.3, passes_technical=np.arange(n_markers) > 0)
    write_table(empty_table("genome_blocks"), folder / "genome_blocks.csv")
    everyone = [*ids, "farm", "abroad"]
    n = len(everyone)
    at = np.array([*(40.0 * np.arange(n - 2)), 4.0, 40.0 * n])
    agency = ["Aldermark"] * (n - 3) + ["Vessland"] * 3
    kind = ["wild"] * (n - 2) + ["farm", "wild"]
    write_table(site_table(everyone, 55.0, -10.0, agency, kind), folder / "sites.csv", "input_sites")
    native = [True] * (n - 1) + [False]
    roles = {"locationID": everyone, "kind": kind, "in_native_range": native, "defines": [True] * (n - 2) + [False] * 2}
    write_table(pd.DataFrame(roles), folder / "site_roles.csv")
    pairs = [(a, b, abs(at[i] - at[j])) for i, a in enumerate(everyone) for j, b in enumerate(everyone) if i < j]
    write_table(pd.DataFrame(pairs, columns=["site_a", "site_b", "sea_km"]), folder / "sea_distance.csv")
    return everyone


def write_panel_intake(
    folder: Path, dosages, sites, unit_of_site, *, query=(), n_units=2, contact=(), n_chromosomes=10
):
    """Write what the steps of panel and assignment read; returns paths by the names that rules give them.

    Args:
        folder: destination.
        dosages: int8 (n_markers, n_animals), animals of one site together.
        sites: locationID of each animal.
        unit_of_site: {locationID: unit name, "" for none}; those of named sites without animals too.
        query: indices of query animals; animals at sites without a unit are queries too.
        n_units: as the units' summary says.
        contact: locationIDs of contact-zone sites.
        n_chromosomes: chromosomes, equally many markers each.
    """
    n_markers, n_animals = dosages.shape
    sites = np.asarray(sites, dtype=str)
    chromosome, pos = positions(n_markers, n_chromosomes)
    names = [f"chr{c + 1}" for c in range(n_chromosomes)]
    chrom = np.array([names.index(c) for c in chromosome], dtype=np.int32)
    store = write_store(folder, dosages, sites, chrom, pos, names)
    has_unit = np.array([bool(unit_of_site.get(s, "")) for s in sites], dtype=bool)
    role = np.where(np.isin(np.arange(n_animals), list(query)) | ~has_unit, "query", "baseline")
    defines = role == "baseline"
    write_samples(folder, store, role, heterozygosity=0.3, defines=defines, defines_with_kin=defines)
    called = (dosages >= 0).mean(axis=1) if n_animals else np.zeros(n_markers)
    write_markers(
        folder,
        store.markers,
        status=np.where(called > 0, "kept", "removed"),
        reason=np.where(called > 0, "", "call_rate"),
        call_rate=called,
        thinned=called > 0,
        passes_technical=called > 0,
    )
    own = set(sites[defines])
    basis = {s: ("own_animals" if s in own else "nearest_by_water") if u else "none" for s, u in unit_of_site.items()}
    units = {"locationID": list(unit_of_site), "unit": list(unit_of_site.values()), "jurisdiction": "Aldermark",
             "contact_zone": [s in contact for s in unit_of_site], "basis": list(basis.values())}  # fmt: skip
    known = {field["name"] for field in table_schema("units")["fields"]}
    write_table(pd.DataFrame({k: v for k, v in units.items() if k in known}), folder / "units.csv", "units")
    write_json({"n_units": n_units}, folder / "summary.json")
    write_json({"estimate": 0.005}, folder / "genotyping_error.json")
    dated = pd.DataFrame({"materialSampleID": store.sample_ids, "species": "topshell", "locationID": sites})
    dated["eventDate"] = np.where(np.arange(n_animals) % 2 == 0, "2019-06-01", "2021")
    write_table(dated.assign(role=role)[["materialSampleID", "species", "locationID", "eventDate", "role"]],
                folder / "input_samples.csv")  # fmt: skip
    places = {"locationID": list(unit_of_site), "locality": "Skarn Bay", "decimalLatitude": 57.5}
    places |= {"decimalLongitude": -6.5, "jurisdiction": "Aldermark"}
    write_table(pd.DataFrame(places), folder / "input_sites.csv")
    others = {"units": "units.csv", "units_summary": "summary.json", "genotyping_error": "genotyping_error.json"}
    others["blocks"] = "genome_blocks.csv"
    write_table(empty_table("genome_blocks"), folder / "genome_blocks.csv")
    return paths_of(folder, INTAKE | others)
