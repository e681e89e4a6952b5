"""A small handmade study for the tests of the structure stage: store, counts and tables as the intake writes them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from homewater.genotypes.site_counts import SiteCounts, write_site_counts
from homewater.genotypes.store import VariantBlock, open_genotypes, write_genotypes
from homewater.tables.schema_tables import empty_table, write_table


def drawn_dosages(seed, sizes, n_markers=600, fst=0.05, missing=0.03):
    """Genotypes of sites that drifted from one ancestor: frequencies from the beta distribution of an island model."""
    rng = np.random.default_rng(seed)
    ancestral = rng.uniform(0.1, 0.9, n_markers)
    scale = (1 - fst) / fst if fst else None
    columns = []
    for size in sizes:
        p = ancestral if scale is None else rng.beta(ancestral * scale, (1 - ancestral) * scale)
        columns.append(rng.binomial(2, p[:, None], (n_markers, size)))
    dosages = np.concatenate(columns, axis=1).astype(np.int8)
    dosages[rng.random(dosages.shape) < missing] = -1
    return dosages


def write_study(folder: Path, dosages, sites, *, query=(), farm_sites=(), removed=(), n_chrom=10, thinned=None):
    """Write the intake's files of one species; returns their paths by the names that rules give them.

    Args:
        folder: destination.
        dosages: int8 (n_markers, n_animals), animals of one site together.
        sites: locationID of each animal.
        query: indices of query animals.
        farm_sites: locationIDs that define nothing.
        removed: indices of animals that the intake removed.
        n_chrom: chromosomes, equally many markers each.
        thinned: bool (n_markers,), the linkage-thinned markers; all by default.
    """
    n_markers, n_animals = dosages.shape
    ids = np.array([f"S-{i:03d}/ä" for i in range(n_animals)])
    sites = np.asarray(sites)
    contig = (np.arange(n_markers) * n_chrom // n_markers).astype(np.int32)
    alleles = np.array([["A", "C"]] * n_markers, dtype=object).reshape(-1, 2)
    block = VariantBlock(
        contig, np.arange(1, n_markers + 1, dtype=np.int32) * 100, np.array(["."] * n_markers, object), alleles, dosages
    )
    chromosomes = np.array([f"chr{i}" for i in range(n_chrom)])
    write_genotypes(folder / "genotypes.zarr", ids, sites, chromosomes, [block] if n_markers else [])
    store = open_genotypes(folder / "genotypes.zarr")
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
    samples = pd.DataFrame(
        {
            "materialSampleID": ids,
            "locationID": sites,
            "role": role,
            "status": status,
            "reason": np.where(status == "removed", "call_rate", ""),
            "flags": "",
            "call_rate": (dosages >= 0).mean(axis=0) if n_markers else np.nan,
            "heterozygosity": np.nan,
            "defines": defines,
            "defines_with_kin": defines,
        }
    )
    table = empty_table("samples") if samples.empty else samples.reindex(columns=empty_table("samples").columns)
    write_table(table, folder / "samples.csv")
    thinned = np.ones(n_markers, dtype=bool) if thinned is None else thinned
    markers = store.markers.assign(status="kept", thinned=thinned, passes_technical=True)
    write_table(markers.reindex(columns=empty_table("markers").columns), folder / "markers.parquet")
    order = list(dict.fromkeys(sites.tolist()))
    write_table(distances(order), folder / "sea_distance.csv")
    intake = ("genotypes.zarr", "samples.csv", "markers.parquet")
    return {name.split(".")[0]: str(folder / name) for name in intake}


def distances(order):
    """Return sea_distance.csv of sites 10 km apart in the order given; the last is cut off."""
    rows = [
        (a, b, np.nan if j == len(order) - 1 else 10.0 * (j - i))
        for i, a in enumerate(order)
        for j, b in enumerate(order)
        if i < j
    ]
    return pd.DataFrame(rows, columns=["site_a", "site_b", "sea_km"])
