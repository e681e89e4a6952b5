"""Invented stocks for the tests of panel and verdicts: drawn from drifted frequencies, kept as arrays or as a store."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from homewater.crosses.gene_drop import RecombinationMap, map_from_positions
from homewater.genotypes.store import VariantBlock, open_genotypes, write_genotypes


def drifted(rng, n_markers, fst, n_units=2):
    """Frequencies of units that drifted from one ancestor by `fst` (beta distribution of an island model)."""
    ancestral = rng.uniform(0.1, 0.9, n_markers)
    if fst == 0:
        return np.repeat(ancestral[:, None], n_units, axis=1)
    scale = (1 - fst) / fst
    drawn = rng.beta(ancestral[:, None] * scale, (1 - ancestral[:, None]) * scale, (n_markers, n_units))
    return np.clip(drawn, 0.001, 0.999)


def with_errors(rng, dosages, missing=0.03, error=0.005):
    """Genotypes as called."""
    wrong = rng.random(dosages.shape) < error
    called = np.where(wrong, (dosages + rng.integers(1, 3, dosages.shape)) % 3, dosages).astype(np.int8)
    called[rng.random(dosages.shape) < missing] = -1
    return called


def positions(n_markers, n_chromosomes=10, length=20_000_000):
    """Chromosome and position of markers, evenly spread."""
    chrom = np.arange(n_markers) * n_chromosomes // max(n_markers, 1)
    pos = np.zeros(n_markers, dtype=np.int64)
    for c in range(n_chromosomes):
        pos[chrom == c] = np.linspace(1, length, (chrom == c).sum()).astype(np.int64)
    return np.array([f"chr{c + 1}" for c in chrom]), pos


def even_map(n_markers, n_chromosomes=10, centimorgans=50) -> RecombinationMap:
    """Map of `positions`."""
    return map_from_positions(*positions(n_markers, n_chromosomes), centimorgans)


class Arrays:
    """What the library asks of a genotype store, over arrays in memory: the slow second version of counting."""

    def __init__(self, dosages, location_ids=None, n_chromosomes=10):
        self.dosages, (self.n_markers, self.n_samples) = dosages, dosages.shape
        chrom, pos = positions(self.n_markers, n_chromosomes)
        names = [f"m{i}" for i in range(self.n_markers)]
        self.markers = pd.DataFrame({"marker": names, "chrom": chrom, "pos": pos, "ref": "A", "alt": "C"})
        self.sample_ids = np.array([f"S-{i:03d}/ä" for i in range(self.n_samples)])
        self.location_ids = np.asarray(location_ids if location_ids is not None else ["x"] * self.n_samples)

    def select(self, markers, mask=None):
        return self.dosages[markers][:, slice(None) if mask is None else mask]

    def genotype_counts(self, group, n_groups):
        counts = np.zeros((self.n_markers, n_groups, 4), dtype=np.int32)
        for g in range(n_groups):
            here = self.dosages[:, group == g]
            for k, value in enumerate((0, 1, 2, -1)):
                counts[:, g, k] = (here == value).sum(axis=1)
        return counts


def write_intake(folder: Path, dosages, sites, unit_of_site, *, query=(), n_units=2, contact=(), n_chromosomes=10):
    """Write the files that the panel's steps read; returns their paths by the names that rules give them.

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
    from homewater.running.writer import write_json
    from homewater.tables.schema_tables import table_schema, write_table

    n_markers, n_animals = dosages.shape
    sites = np.asarray(sites, dtype=str)
    chrom, pos = positions(n_markers, n_chromosomes)
    names = [f"chr{c + 1}" for c in range(n_chromosomes)]
    ids = np.array([f"S-{i:03d}/ä" for i in range(n_animals)])
    alleles = np.array([["A", "C"]] * n_markers, dtype=object).reshape(-1, 2)
    contig = np.array([names.index(c) for c in chrom], dtype=np.int32)
    block = VariantBlock(contig, pos.astype(np.int32), np.array(["."] * n_markers, object), alleles, dosages)
    write_genotypes(folder / "genotypes.zarr", ids, sites, np.array(names), [block] if n_markers else [])
    has_unit = np.array([bool(unit_of_site.get(s, "")) for s in sites], dtype=bool)
    role = np.where(np.isin(np.arange(n_animals), list(query)) | ~has_unit, "query", "baseline")
    nothing = dict.fromkeys(("value", "limit"), np.nan)
    samples = {"materialSampleID": ids, "locationID": sites, "role": role, "status": "kept", "reason": "", "flags": ""}
    samples |= {"call_rate": 1.0, "heterozygosity": 0.3, "defines": role == "baseline", **nothing, "related_to": ""}
    samples |= {"family": "", "defines_with_kin": role == "baseline", "best_site": ""}
    samples |= dict.fromkeys(("contamination", "contamination_ci_low", "contamination_ci_high"), np.nan)
    write_table(pd.DataFrame(samples), folder / "samples.csv", "samples")
    called = (dosages >= 0).mean(axis=1) if n_animals else np.zeros(n_markers)
    markers = open_genotypes(folder / "genotypes.zarr").markers.assign(
        status=np.where(called > 0, "kept", "removed"), reason=np.where(called > 0, "", "call_rate"), call_rate=called,
        minor_allele_frequency=0.2, thinned=called > 0, passes_technical=called > 0, hardy_weinberg_p=np.nan,
        hardy_weinberg_q=np.nan, **nothing, excess_heterozygosity_q=np.nan)  # fmt: skip
    write_table(markers, folder / "markers.parquet", "markers")
    own = {s for s in sites[role == "baseline"]}
    basis = {s: ("own_animals" if s in own else "nearest_by_water") if u else "none" for s, u in unit_of_site.items()}
    units = {"locationID": list(unit_of_site), "unit": list(unit_of_site.values()), "jurisdiction": "Aldermark",
             "contact_zone": [s in contact for s in unit_of_site], "basis": list(basis.values())}  # fmt: skip
    known = {field["name"] for field in table_schema("units")["fields"]}
    write_table(pd.DataFrame({k: v for k, v in units.items() if k in known}), folder / "units.csv", "units")
    write_json({"n_units": n_units}, folder / "summary.json")
    write_json({"estimate": 0.005}, folder / "genotyping_error.json")
    dated = pd.DataFrame({"materialSampleID": ids, "species": "topshell", "locationID": sites, "role": role})
    dated["eventDate"] = np.where(np.arange(n_animals) % 2 == 0, "2019-06-01", "2021")
    write_table(dated[["materialSampleID", "species", "locationID", "eventDate", "role"]], folder / "input_samples.csv")
    places = {"locationID": list(unit_of_site), "locality": "Skarn Bay", "decimalLatitude": 57.5}
    places |= {"decimalLongitude": -6.5, "jurisdiction": "Aldermark"}
    write_table(pd.DataFrame(places), folder / "input_sites.csv")
    paths = {"genotypes": "genotypes.zarr", "samples": "samples.csv", "markers": "markers.parquet"}
    paths |= {"units": "units.csv", "units_summary": "summary.json", "genotyping_error": "genotyping_error.json"}
    return {name: str(folder / path) for name, path in paths.items()}
