"""The settings of the filters, as the section `markers` of a study gives them."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any


@dataclass(frozen=True)
class FilterSettings:
    """What the filters are set to.

    Attributes:
        min_sample_call_rate: share of the widely called markers at which an animal must be called.
        duplicate_identity: share of equal genotypes from which two records count as one animal.
        max_contamination: share of reads from another animal above which an animal counts as contaminated.
        thin_kin: whether one animal a family alone defines frequencies.
        min_call_rate: share of the defining animals in which a marker must be called.
        min_site_call_rate: the same at every site with animals enough to tell.
        batch_fdr: false-discovery rate of markers that differ between batches.
        sex_linked_fdr: false-discovery rate of markers that differ between the sexes.
        min_minor_allele_frequency: least frequency of a marker's rarer allele.
        min_minor_allele_count: least copies of it.
        hardy_weinberg_fdr: false-discovery rate of both tests of heterozygotes within sites.
        thinning_distance_kb: distance along a chromosome within which correlated markers are thinned, kilobases.
        thinning_distance_cm: the same on chromosomes of which the species has a map, centimorgans.
        thinning_r2: squared correlation above which two markers count as correlated.
        genotyping_error: chance that a called genotype is wrong, for studies without replicates.
    """

    min_sample_call_rate: float
    duplicate_identity: float
    max_contamination: float
    thin_kin: bool
    min_call_rate: float
    min_site_call_rate: float
    batch_fdr: float
    sex_linked_fdr: float
    min_minor_allele_frequency: float
    min_minor_allele_count: int
    hardy_weinberg_fdr: float
    thinning_distance_kb: float
    thinning_distance_cm: float
    thinning_r2: float
    genotyping_error: float

    @classmethod
    def of_study(cls, settings: dict[str, Any]) -> FilterSettings:
        """Return the settings of a study.

        Args:
            settings: section `markers` of the study's checked settings.
        """
        return cls(**{field.name: settings[field.name] for field in fields(cls)})
