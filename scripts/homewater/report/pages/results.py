"""The results that the report tells, of the study and of each species, and the look-ups that its pages share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import pandas as pd

from homewater.report.words.numbers import is_missing
from homewater.tables.report_tables import REPORT_FILES
from homewater.tables.unit_names import unit_names
from homewater.water.coast_order import coast_order

NO_DATE = "1980-01-01"  # the earliest that a zip file knows; only where no sample has a date


@dataclass(frozen=True)
class SpeciesResults:
    """The results of one species.

    Attributes:
        settings: its entry in the study file (id, name, scientific_name, ...).
        tables: {name: table}, the tables that REPORT_FILES lists.
        records: {name: content}, the JSON files that REPORT_FILES lists.
    """

    settings: dict
    tables: dict[str, pd.DataFrame]
    records: dict[str, dict]

    @classmethod
    def of_files(cls, settings: dict, contents: Mapping[str, pd.DataFrame | dict]) -> SpeciesResults:
        """Return the results from the content of each file by its name in REPORT_FILES.

        Raises:
            ValueError: where a listed file is lacking or another one is given.
        """
        if set(contents) != set(REPORT_FILES):
            raise ValueError(f"the report's files differ from its list in {sorted(set(contents) ^ set(REPORT_FILES))}")
        tables = {name: content for name, content in contents.items() if isinstance(content, pd.DataFrame)}
        return cls(settings, tables, {name: content for name, content in contents.items() if name not in tables})

    @property
    def n_units(self) -> int:
        """Number of units found."""
        return int(self.records["units_summary"]["n_units"])

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
