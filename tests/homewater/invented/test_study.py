"""Invented studies: files that an outside reader opens, the planted truth found again by plain counting."""

import allel
import cyvcf2
import numpy as np
import pandas as pd
import pytest
from tests.small_study import small_study

from homewater.invented.species import Faults

ALL_FAULTS = Faults(
    replicates=2,
    duplicates=2,
    failed_samples=1,
    contaminated=1,
    mislabelled=2,
    sibling_families=2,
    bad_marker_share=0.05,
    collapsed_share=0.02,
)


def read(study, species: str = "topshell") -> tuple[list[str], np.ndarray]:
    """Return header names and dosages (n_markers, n), -1 missing, read by a library that the writer does not use."""
    reader = cyvcf2.VCF(str(study.genotypes[species]), gts012=True)
    dosages = np.array([record.gt_types.copy() for record in reader], dtype=np.int8)  # the buffer is used again
    dosages[dosages == 3] = -1
    return list(reader.samples), dosages


def hudson(a: np.ndarray, b: np.ndarray) -> float:
    """F_ST of two groups by scikit-allel (Hudson's estimator, Bhatia et al. 2013)."""
    counts = [allel.GenotypeArray(to_alleles(g)).count_alleles(max_allele=1) for g in (a, b)]
    numerator, denominator = allel.hudson_fst(*counts)
    return float(np.nansum(numerator) / np.nansum(denominator))


def to_alleles(dosages: np.ndarray) -> np.ndarray:
    first, second = (dosages == 2).astype(np.int8), (dosages >= 1).astype(np.int8)
    first[dosages < 0] = second[dosages < 0] = -1
    return np.stack([first, second], axis=2)


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    return small_study(tmp_path_factory.mktemp("small"), seed=3)


@pytest.mark.parametrize("file_format", ["vcf.gz", "gzip", "vcf", "bcf"])
def test_every_format_holds_the_same_genotypes(file_format, study, tmp_path):
    other = small_study(tmp_path, seed=3, file_format=file_format)
    (ids, dosages), (other_ids, other_dosages) = read(study), read(other)
    assert ids == other_ids
    assert np.array_equal(dosages, other_dosages)


def test_same_seed_same_bytes_and_other_seed_other_data(study, tmp_path):
    again = small_study(tmp_path / "again", seed=3)
    names = sorted(p.relative_to(study.folder) for p in study.folder.rglob("*") if p.is_file())
    assert len(names) >= 10
    assert [n for n in names if (study.folder / n).read_bytes() != (again.folder / n).read_bytes()] == []
    assert not np.array_equal(read(small_study(tmp_path / "other", seed=4))[1], read(study)[1])


def test_sheet_header_and_truth_name_the_same_animals(study):
    samples = pd.read_csv(study.samples)
    ids, dosages = read(study)
    assert sorted(ids) == sorted(samples["materialSampleID"]) == sorted(study.truth["materialSampleID"])
    assert ids != samples["materialSampleID"].tolist()  # header order is not sheet order
    assert dosages.shape == (900, 130)
    assert (samples["role"] == "query").sum() == 30


def test_lineages_differ_as_planted_and_neighbours_do_not(study):
    """Two lineages of 1,000 that parted 300 generations ago: F_ST about 300 / (300 + 2 x 1,000 x 1.1) = 0.12."""
    ids, dosages = read(study)
    truth = study.truth.set_index("materialSampleID").loc[ids]
    at = {
        place: dosages[:, (truth["locationID"] == place) & (truth["role"] == "baseline")]
        for place in truth["locationID"]
    }
    assert 0.06 < hudson(at["S01"], at["S05"]) < 0.22
    assert hudson(at["S01"], at["S02"]) < 0.04
    assert hudson(at["S04"], at["S05"]) < 0.04


def test_missing_and_error_rates_are_those_planted(tmp_path):
    """Declared replicates differ at about twice the error rate: each record is read wrong on its own."""
    faults = Faults(genotyping_error=0.02, missing=0.05, replicates=20)
    study = small_study(tmp_path, seed=5, faults=faults)
    ids, dosages = read(study)
    assert (dosages < 0).mean() == pytest.approx(0.05, abs=0.01)
    sheet = pd.read_csv(study.samples).dropna(subset=["replicateOf"])
    assert len(sheet) == 20
    pairs = [(ids.index(a), ids.index(b)) for a, b in zip(sheet["materialSampleID"], sheet["replicateOf"], strict=True)]
    a, b = dosages[:, [i for i, _ in pairs]], dosages[:, [j for _, j in pairs]]
    both = (a >= 0) & (b >= 0)
    assert (a != b)[both].mean() == pytest.approx(2 * 0.02, rel=0.15)


def test_foreign_shares_are_those_of_the_classes(study):
    """F1 half, backcross about a quarter, movers all; from the tracts, not from the class's name."""
    shares = study.truth.groupby("true_class")["foreign_share"]
    assert shares.get_group("pure_a").eq(0).all()
    assert shares.get_group("pure_b").eq(1).all()
    assert shares.get_group("F1").eq(0.5).all()
    backcross = shares.get_group("backcross_a")
    assert backcross.between(0, 0.5).all()
    assert 0.1 < backcross.mean() < 0.4
    at_last = study.true_sites.set_index("locationID").loc["S05"]
    assert (at_last["n_animals"], at_last["n_foreign"]) == (35, 7)


def test_planted_faults_show_in_the_genotypes(tmp_path):
    study = small_study(tmp_path, seed=6, faults=ALL_FAULTS, n_animals=120)
    ids, dosages = read(study)
    truth = study.truth.set_index("materialSampleID").loc[ids].reset_index()
    call_rate = (dosages >= 0).mean(axis=0)
    assert (call_rate[truth["fault"] == "failed"] < 0.65).all()
    assert (call_rate[truth["fault"] != "failed"] > 0.8).all()
    heterozygous = (dosages == 1).sum(axis=0) / (dosages >= 0).sum(axis=0)
    ordinary = heterozygous[(truth["fault"] == "").to_numpy() & (truth["true_class"] == "pure_a").to_numpy()]
    assert (heterozygous[truth["fault"] == "contaminated"] > ordinary.max()).all()
    bad = pd.read_csv(tmp_path / "truth" / "collapsed_markers_topshell.csv")
    assert 5 <= len(bad) <= 40
    copies = truth[truth["same_animal_as"] != ""]
    assert sorted(copies["fault"]) == ["duplicate", "duplicate", "replicate", "replicate"]
    for record, first in zip(copies["materialSampleID"], copies["same_animal_as"], strict=True):
        a, b = dosages[:, ids.index(record)], dosages[:, ids.index(first)]
        assert (a == b)[(a >= 0) & (b >= 0)].mean() > 0.97
    swapped = truth[truth["fault"] == "mislabelled"]
    assert sorted(swapped["locationID"] + swapped["true_locationID"]) == ["S01S05"] * 2 + ["S05S01"] * 2
    sizes = truth[truth["family"] != ""].groupby("family").size()
    assert sizes.tolist() == [4, 4]


@pytest.mark.parametrize(
    "choices",
    [
        {"n_lineages": 1, "within": "panmixia"},
        {"n_lineages": 1, "within": "distance", "query": False},
        {"n_lineages": 4, "n_sites": 8, "contact": True, "faults": ALL_FAULTS},
        {"n_sites": 3, "n_per_site": (12, 1, 0), "farm": False, "transfers": False, "n_chromosomes": 1},
        {"odd_ids": True, "shuffle_sites": True, "named_markers": False, "optional_columns": False},
        {"foreign_in_baseline": True, "native_range": False, "fjords": False},
    ],
)
def test_variants_hold_together(choices, tmp_path):
    study = small_study(tmp_path, seed=2, n_snps=300, **choices)
    ids, dosages = read(study)
    samples, sites = pd.read_csv(study.samples), pd.read_csv(study.sites)
    assert sorted(ids) == sorted(samples["materialSampleID"])
    assert samples["materialSampleID"].is_unique
    assert set(samples["locationID"]) <= set(sites["locationID"])
    assert len(dosages) == 300
    assert study.n_units["topshell"] == choices.get("n_lineages", 2)
    listed = study.true_sites.set_index("locationID")["unit"].reindex(sites["locationID"]).replace("", np.nan).dropna()
    assert list(dict.fromkeys(listed)) == [f"unit_{i + 1}" for i in range(study.n_units["topshell"])]
    assert (study.transfers is None) == (choices.get("transfers", True) is False)
