"""What the report is made from, and the look-ups that its pages share."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import pandas as pd

from homewater.report.words.numbers import is_missing
from homewater.tables.unit_names import unit_names
from homewater.water.coast_order import coast_order

# Every table of a species that the report reads: name here -> schema, which is also the file's stem.
SPECIES_TABLES = {
    "animals": "samples",
    "site_roles": "site_roles",
    "filter_summary": "filter_summary",
    "file_conflicts": "file_conflicts",
    "kin_thinning": "kin_thinning",
    "batch_effects": "batch_effects",
    "site_diversity": "site_diversity",
    "pairwise_fst": "pairwise_fst",
    "pca": "pca",
    "pca_axes": "pca_axes",
    "cluster_number": "cluster_number",
    "ancestry": "ancestry",
    "isolation_by_distance": "isolation_by_distance",
    "breaks": "breaks",
    "overall_fst": "overall_fst",
    "clusters_within_units": "clusters_within_units",
    "variance_shares": "variance_shares",
    "clines": "clines",
    "cline_sites": "cline_sites",
    "units": "units",
    "odd_kinships": "odd_kinships",
    "panel": "panel",
    "size_curve": "size_curve",
    "confusion": "confusion",
    "controls": "controls",
    "calibration": "calibration",
    "calls": "calls",
    "origin_classes": "origin_classes",
    "class_power": "class_power",
    "site_rates": "site_rates",
    "site_year_rates": "site_year_rates",
    "unit_rates": "unit_rates",
    "mixture_shares": "mixture_shares",
    "natural_contact": "natural_contact",
    "mixing_dates": "mixing_dates",
    "flows": "flows",
    "source_ranking": "source_ranking",
}


NO_DATE = "1980-01-01"  # the earliest that a zip file knows; only where no sample has a date


@dataclass(frozen=True)
class SpeciesResults:
    """The results of one species.

    Attributes:
        settings: its entry in the study file (id, name, scientific_name, ...).
        tables: {name: table} with the names of SPECIES_TABLES.
        summary: units/summary.json.
        genotyping_error: intake/genotyping_error.json.
        panel_order: panel/order.json.
        panel_proof: panel/validation.json.
    """

    settings: dict
    tables: dict[str, pd.DataFrame]
    summary: dict
    genotyping_error: dict
    panel_order: dict = field(default_factory=dict)
    panel_proof: dict = field(default_factory=dict)

    @property
    def n_units(self) -> int:
        """Number of units found."""
        return int(self.summary["n_units"])

    @cached_property
    def unit_of(self) -> dict[str, str]:
        """Unit of each site; empty where it has none."""
        units = self.tables["units"]
        return {s: "" if is_missing(u) else str(u) for s, u in zip(units["locationID"], units["unit"], strict=True)}

    @cached_property
    def contact_sites(self) -> set[str]:
        """Sites where units meet and mix by themselves."""
        units = self.tables["units"]
        return set(units.loc[units["contact_zone"].fillna(False).astype(bool), "locationID"])

    @property
    def unit_names(self) -> list[str]:
        """All units, in their order."""
        return unit_names(self.n_units)


@dataclass(frozen=True)
class StudyResults:
    """Everything that the report is made from.

    Attributes:
        settings: the full settings.
        check: inputs/check.json.
        samples, sites, transfers: the input tables as normalised.
        sea_distance, site_positions: distances by water and where sites were put.
        land: GeoJSON of land.
        species: one entry a species, in the study file's order.
        versions: {name: version} of the locked software that made the report.
        system_versions: the same of the machine's own libraries.
    """

    settings: dict
    check: dict
    samples: pd.DataFrame
    sites: pd.DataFrame
    transfers: pd.DataFrame
    sea_distance: pd.DataFrame
    site_positions: pd.DataFrame
    land: dict
    species: list[SpeciesResults]
    versions: dict[str, str] = field(default_factory=dict)
    system_versions: dict[str, str] = field(default_factory=dict)

    @cached_property
    def coast(self) -> list[str]:
        """All sites in coastal order."""
        latitude = dict(zip(self.sites["locationID"], self.sites["decimalLatitude"].astype(float), strict=True))
        return coast_order(list(self.sites["locationID"]), self.sea_distance, latitude)

    @cached_property
    def kind(self) -> dict[str, str]:
        """Kind of each site."""
        kinds = self.sites["kind"] if "kind" in self.sites else pd.Series("wild", index=self.sites.index)
        return {s: "wild" if is_missing(k) else str(k) for s, k in zip(self.sites["locationID"], kinds, strict=True)}

    @cached_property
    def jurisdiction(self) -> dict[str, str]:
        """Jurisdiction of each site."""
        return dict(zip(self.sites["locationID"], self.sites["jurisdiction"].astype(str), strict=True))

    @cached_property
    def locality(self) -> dict[str, str]:
        """Name of each site."""
        return dict(zip(self.sites["locationID"], self.sites["locality"].astype(str), strict=True))

    def in_coast_order(self, sites: set[str] | list[str]) -> list[str]:
        """Return the sites in coastal order."""
        wanted = set(sites)
        return [site for site in self.coast if site in wanted]

    @property
    def date(self) -> str:
        """Date of the report, YYYY-MM-DD: as set, else the last day of the samples; never the clock's."""
        return self.settings["report"].get("date") or self.check.get("report_date") or NO_DATE
