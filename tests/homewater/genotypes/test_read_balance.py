"""Limits of a fair draw of reads against scipy; counts of reads survive the store and are summed over files."""

import numpy as np
from scipy.stats import binom
from tests.intake_steps import imported, tables
from tests.made_vcf import snp, vcf_text, written

from homewater.genotypes.read_balance import MAX_DEPTH, MIN_DEPTH, balance_limits


def test_limits_are_those_of_the_binomial():
    """scipy.stats.binom as the outside source: ppf(0.025) is the least count with at most 2.5 % below it."""
    depth = np.arange(2000)
    limits = balance_limits()
    assert limits.size == MAX_DEPTH + 1
    assert np.array_equal(limits[:2000], binom.ppf(0.025, depth, 0.5).clip(0))
    assert np.all(binom.cdf(limits - 1, np.arange(limits.size), 0.5) <= 0.025)
    assert np.all(binom.cdf(limits, np.arange(limits.size), 0.5) > 0.025 - 1e-12)
    assert limits[MIN_DEPTH] == 1


def with_reads(text, cells):
    head, body = text.split("#CHROM")
    body = body.replace("\tGT\t", "\tGT:AD\t")
    for call, cell in cells.items():
        body = body.replace(call, cell)
    return head + '##FORMAT=<ID=AD,Number=R,Type=Integer,Description="x">\n#CHROM' + body


def test_reads_are_kept_by_the_store_and_summed_over_files(tmp_path):
    tables(tmp_path, [("d", "south"), ("a", "north"), ("b", "north")])
    records = [snp("chr1", 5, ["0/0", "1/1"]), snp("chr1", 9, ["0/1", "0/0"])]
    cells = {"0/0": "0/0:10,1", "1/1": "1/1:2,20", "0/1": "0/1:0,8"}
    one = written(tmp_path / "one", with_reads(vcf_text(["a", "b"], records), cells))
    two = written(tmp_path / "two", with_reads(vcf_text(["a", "d"], records), cells))
    three = written(tmp_path / "three", vcf_text(["a", "b"], records))
    genotypes = imported(tmp_path / "run", [one, three, two])
    assert genotypes.sample_ids.tolist() == ["a", "b", "d"]
    assert genotypes.attributes["read_depths"] is True
    assert genotypes.read_balance.dtype == np.int64
    assert genotypes.read_balance.tolist() == [[22, 2, 0, 0, 2, 2], [11, 1, 22, 2, 0, 0], [11, 1, 22, 2, 0, 0]]
    without = imported(tmp_path / "other", [three])
    assert without.read_balance is None
    assert without.attributes["read_depths"] is False
