"""How firm lines are: found again where they are plain, not where a site carries them, and by the stated readings."""

import numpy as np
import pandas as pd
import pytest
from tests.made_replicates import RULES, made, on_a_line
from tests.made_studies import write_structure_intake

from homewater.tables.schema_tables import check_table, empty_table, read_table, write_table
from homewater.units.break_rules import BreakRules
from homewater.units.breaks import find_lines
from homewater.units.line_support import Wanted, at_limits, chromosome_halves, found_again, support_table, wanted_of
from steps import line_support

KM = on_a_line(50 * np.arange(8))
NOBODY = np.zeros(0, dtype=np.int64)
SETTINGS = {"min_break_fst": 0.01, "break_level": 0.05, "median_step_multiple": 3.0}


def with_line(after=4, own=0.002, apart=None, n=8):
    own = np.full(n, own)
    if apart is not None:
        own[apart] = 0.06
    side = np.arange(n) >= after
    linear = own[:, None] + own[None, :] + 0.05 * (side[:, None] != side[None, :])
    np.fill_diagonal(linear, 0)
    return linear


def found(linear, kept):
    return find_lines(made(linear[np.ix_(kept, kept)], noise=0.0003), KM[np.ix_(kept, kept)], RULES)


EVERYONE = np.arange(8)
IDS = list("ABCDEFGH")


def test_lines_and_sites_apart_are_looked_for_with_their_stocks():
    line, site = wanted_of(found(with_line(apart=2), EVERYONE), IDS)
    assert (line.name, line.kind, site.name, site.kind) == ("break_1", "line", "C", "site_apart")
    assert (line.one.tolist(), line.other.tolist()) == ([0, 1, 3], [4, 5, 6, 7])
    assert (site.one.tolist(), site.other.tolist()) == ([2], [])
    assert wanted_of(found(np.full((8, 8), 0.002) * (1 - np.eye(8)), EVERYONE), IDS) == []


def test_a_line_is_found_again_without_any_site_and_a_site_apart_without_any_other():
    linear = with_line(apart=2)
    line, site = wanted_of(found(linear, EVERYONE), IDS)
    for gone in range(8):
        kept = np.delete(EVERYONE, gone)
        assert found_again(line, found(linear, kept), kept) is True
        assert found_again(site, found(linear, kept), kept) is (None if gone == 2 else True)


def test_a_line_elsewhere_is_not_the_line():
    line = wanted_of(found(with_line(4), EVERYONE), IDS)[0]
    assert found_again(line, found(with_line(4), EVERYONE), EVERYONE) is True
    for after in (3, 5):
        assert found_again(line, found(with_line(after), EVERYONE), EVERYONE) is False
    none = np.full((8, 8), 0.002) * (1 - np.eye(8))
    assert found_again(line, found(none, EVERYONE), EVERYONE) is False


def test_the_last_site_of_a_stock_must_stand_apart():
    linear = with_line(2)
    line = wanted_of(found(linear, EVERYONE), IDS)[0]
    assert line.one.tolist() == [0, 1]
    for gone in (0, 1):
        kept = np.delete(EVERYONE, gone)
        lines = found(linear, kept)
        assert not lines.boundaries.any()
        assert found_again(line, lines, kept) is True
    kept = np.arange(2, 8)
    assert found_again(line, found(linear, kept), kept) is None


def test_a_contact_is_found_again_where_its_line_runs_through_any_of_its_sites():
    share = np.array([0, 0, 0, 0.35, 0.7, 1, 1, 1])
    linear = 0.004 + 0.1 * (share[:, None] - share[None, :]) ** 2
    np.fill_diagonal(linear, 0)
    lines = find_lines(made(linear, noise=0.0002), KM, RULES)
    contact = wanted_of(lines, IDS)[0]
    assert contact.kind == "contact"
    assert lines.contact[[3, 4]].all()
    for gone in range(8):
        kept = np.delete(EVERYONE, gone)
        assert found_again(contact, found(linear, kept), kept) is True
    sharp = with_line(4)
    assert found_again(contact, found(sharp, EVERYONE), EVERYONE) is True
    assert found_again(contact, found(with_line(2), EVERYONE), EVERYONE) is False


def test_limits_half_and_twice_as_strict():
    assert at_limits(RULES, 2) == BreakRules(0.02, 0.025, 5.0)
    assert at_limits(RULES, 0.5) == BreakRules(0.005, 0.1, 2.0)
    assert at_limits(RULES, 1) == RULES


def test_halves_of_chromosomes_leave_out_empty_ones_and_need_five():
    weights = np.array([10, 0, 10, 20, 30, 10, 5])
    halves = chromosome_halves(weights, 6, np.random.default_rng(0))
    assert len(halves) == 20
    assert all(len(half) == 3 and 1 not in half for half in halves)
    assert set(np.concatenate(halves).tolist()) == {0, 2, 3, 4, 5, 6}
    assert chromosome_halves(np.full(20, 5), 4, np.random.default_rng(0)) == []


def test_support_is_the_smallest_share_and_readings_follow_it():
    wanted = [Wanted(f"break_{k}", "line", NOBODY, NOBODY) for k in range(1, 5)]
    changes = {
        "sites": np.array([[1, 1, 1, np.nan]] * 3 + [[1, np.nan, 1, np.nan]]),
        "animals": np.array([[1, 1, 0, 1]] * 6 + [[1, 1, 1, 1]] * 4),
        "chromosomes": np.zeros((0, 4)),
    }
    limits = {"at_half_threshold": [True] * 4, "at_double_threshold": [True, False, True, True]}
    table = check_table(support_table(wanted, changes, limits), "line_support")
    assert table["support"].tolist() == [1, 1, 0.4, 1]
    assert table["reading"].tolist() == ["firm", "fair", "loose", "firm"]
    assert table["n_sites_changes"].tolist() == [4, 3, 4, 0]
    assert table["sites_share"].isna().tolist() == [False] * 3 + [True]
    assert table["chromosomes_share"].isna().all()


def intake(folder, fst, animals, n_chrom=10, seed=0, n_sites=6):
    rng = np.random.default_rng(seed)
    start = rng.uniform(0.1, 0.9, 1500)
    sides = [start if not fst else rng.beta(start * (1 - fst) / fst, (1 - start) * (1 - fst) / fst) for _ in range(2)]
    site = np.repeat(np.arange(n_sites), animals)
    p = np.stack([sides[int(s >= n_sites // 2)] for s in site], axis=1)
    names = np.array([f"S{s}" for s in site])
    given = write_structure_intake(folder, rng.binomial(2, p).astype(np.int8), names, n_chrom=n_chrom)
    write_table(empty_table("genome_blocks"), folder / "genome_blocks.csv")
    pairs = [(f"S{i}", f"S{j}", 40.0 * (j - i)) for i in range(n_sites) for j in range(i + 1, n_sites)]
    write_table(pd.DataFrame(pairs, columns=["site_a", "site_b", "sea_km"]), folder / "sea_distance.csv")
    return given | {name: str(folder / file) for name, file in {
        "site_counts": "site_counts.zarr", "blocks": "genome_blocks.csv", "sea_distance": "sea_distance.csv",
    }.items()}  # fmt: skip


def step(folder, given, min_individuals=5):
    line_support.main(
        **given, table=str(folder / "line_support.csv"), settings=SETTINGS, min_individuals=min_individuals, seed=1,
        species="topshell",
    )  # fmt: skip
    return read_table(folder / "line_support.csv", "line_support")


def test_the_step_tells_a_plain_line_as_firm_and_writes_the_same_bytes(tmp_path):
    given = intake(tmp_path, 0.08, [20] * 6)
    table = step(tmp_path, given)
    row = table.iloc[0]
    assert len(table) == 1
    assert (row["line"], row["kind"], row["reading"]) == ("break_1", "line", "firm")
    assert (row["n_sites_changes"], row["n_animals_changes"], row["n_chromosomes_changes"]) == (6, 20, 20)
    first = (tmp_path / "line_support.csv").read_bytes()
    step(tmp_path, given)
    assert (tmp_path / "line_support.csv").read_bytes() == first


def test_a_line_near_the_least_size_is_not_firm(tmp_path):
    table = step(tmp_path, intake(tmp_path, 0.014, [20] * 6, seed=2))
    assert table["kind"].tolist() == ["line"]
    assert table["reading"].isin(["fair", "loose"]).all()
    assert not table["at_double_threshold"].any()


@pytest.mark.parametrize(("animals", "fst"), [([20] * 6, 0.0), ([20, 0, 0, 0, 0, 0], 0.0), ([2] * 6, 0.1)])
def test_nothing_found_gives_an_empty_table(tmp_path, animals, fst):
    assert len(step(tmp_path, intake(tmp_path, fst, animals))) == 0


def test_few_chromosomes_have_no_halves(tmp_path):
    row = step(tmp_path, intake(tmp_path, 0.08, [20] * 6, n_chrom=2)).iloc[0]
    assert row["n_chromosomes_changes"] == 0
    assert np.isnan(row["chromosomes_share"])
    assert row["n_animals_changes"] == 20
