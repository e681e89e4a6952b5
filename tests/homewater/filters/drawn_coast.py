"""Animals of two stocks drawn one by one, for the tests of the filters."""

import numpy as np
import pandas as pd

from homewater.filters.animals import filter_animals
from homewater.filters.settings import FilterSettings
from homewater.filters.site_roles import site_roles
from homewater.genotypes.store import StoredAnimals, VariantBlock, open_genotypes, write_genotypes

SETTINGS = {
    "min_sample_call_rate": 0.8,
    "min_call_rate": 0.9,
    "min_site_call_rate": 0.7,
    "min_minor_allele_frequency": 0.01,
    "min_minor_allele_count": 2,
    "hardy_weinberg_fdr": 0.01,
    "batch_fdr": 0.01,
    "sex_linked_fdr": 0.01,
    "thinning_r2": 0.2,
    "thinning_distance_kb": 1000.0,
    "thinning_distance_cm": 1.0,
    "duplicate_identity": 0.97,
    "genotyping_error": 0.005,
    "thin_kin": True,
    "max_contamination": 0.05,
}
LIMITS = FilterSettings.of_study(SETTINGS)
N_MARKERS = 800
ROLES = site_roles(
    pd.DataFrame({"locationID": ["north", "south", "farm", "abroad"], "kind": ["wild", "", "farm", "wild"]}),
    np.array([True, True, True, False]),
)


class Coast:
    """Two stocks that differ, and animals drawn from them one by one."""

    def __init__(self, seed=1, n_markers=N_MARKERS):
        self.rng = np.random.default_rng(seed)
        middle = self.rng.uniform(0.2, 0.8, n_markers)
        shift = self.rng.normal(0, 0.15, n_markers)
        self.north, self.south = (np.clip(middle + d, 0.02, 0.98) for d in (shift, -shift))
        self.rows, self.dosages, self.reads = [], [], {}
        for place, p in (("north", self.north), ("south", self.south)):
            for i in range(30):
                self.add(f"{place}{i}", place, "baseline", self.local(p))

    def gamete(self, p):
        """Draw one gamete."""
        return (self.rng.random(p.size) < p).astype(np.int8)

    def local(self, p):
        """Draw an animal of one stock."""
        return self.gamete(p) + self.gamete(p)

    def cross(self):
        """Draw a first cross of the two stocks."""
        return self.gamete(self.north) + self.gamete(self.south)

    def child(self, mother, father):
        """Draw a child of two animals."""
        return sum((self.rng.random(g.size) < g / 2).astype(np.int8) for g in (mother, father))

    def add(self, name, place, role, dosages, replicate_of=""):
        """Add an animal and return its genotypes."""
        self.rows.append((name, place, role, replicate_of))
        self.dosages.append(np.asarray(dosages, dtype=np.int8))
        return self.dosages[-1]

    def spoiled(self, dosages, missing=0.0, wrong=0.0):
        """Return genotypes with calls lost or turned into heterozygotes."""
        out = dosages.copy()
        out[self.rng.random(out.size) < wrong] = 1
        out[self.rng.random(out.size) < missing] = -1
        return out

    def _balance(self, names):
        """Reads by allele in the order of the store, for animals of `reads`; None where nobody has any."""
        if not self.reads:
            return None
        return np.array([self.reads.get(name, [0] * 6) for name in names], dtype=np.int64)

    def filtered(self, tmp_path, settings=LIMITS):
        """Run the filters of animals; return the table by id."""
        sheet = pd.DataFrame(self.rows, columns=["materialSampleID", "locationID", "role", "replicateOf"])
        rank = sheet["locationID"].map({name: i for i, name in enumerate(ROLES["locationID"])}).to_numpy()
        order = np.argsort(rank, kind="stable")
        sheet, dosages = sheet.iloc[order].reset_index(drop=True), np.array(self.dosages)[order].T
        n = len(dosages)
        block = VariantBlock(
            np.zeros(n, np.int32), np.arange(1, n + 1, dtype=np.int32), np.full(n, ".", object),
            np.array([["A", "C"]] * n, dtype=object), dosages,
        )  # fmt: skip
        animals = StoredAnimals(
            sheet["materialSampleID"], sheet["locationID"], self._balance(sheet["materialSampleID"])
        )
        write_genotypes(tmp_path / "g.zarr", animals, ["chr1"], [block])
        self.animals = filter_animals(open_genotypes(tmp_path / "g.zarr"), sheet, ROLES, settings)
        return self.animals.table.set_index("materialSampleID")
