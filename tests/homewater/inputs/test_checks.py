"""Checks across files: each function on hand-worked tables."""

import numpy as np
import pytest
import shapely
from tests.made_inputs import IDS, SAMPLES, SITES, TRANSFERS

from homewater.inputs.checks import (
    baseline_problems,
    contig_problems,
    defining_sites,
    last_day,
    loss_problems,
    map_problems,
    merged_contigs,
    reference_problems,
    replicate_problems,
    sample_file_problems,
    site_problems,
    table_problems,
)
from homewater.inputs.genotype_headers import GenotypeHeader
from homewater.inputs.user_tables import read_input_table


@pytest.fixture
def table(tmp_path):
    def read(text, kind):
        path = tmp_path / f"{kind}.csv"
        path.write_text(text, encoding="utf-8")
        return read_input_table(path, f"{kind}.csv", f"input_{kind}")

    return read


def header(ids, name="a.vcf", contigs=None):
    return GenotypeHeader(name, tuple(ids), 9, contigs or {"chr1": 5000})


def told(problems):
    assert all(p.file and p.allowed for p in problems)
    return [(p.place, p.column, p.found) for p in problems]


def test_the_handmade_tables_are_without_fault(table):
    moves = table(TRANSFERS, "transfers")
    assert table_problems(table(SAMPLES, "samples"), table(SITES, "sites"), moves, ["topshell"]) == []


def sites_at(*places):
    rows = "\n".join(f"s{i},Site {i},{lat},{lon},Aldermark" for i, (lat, lon) in enumerate(places))
    return f"locationID,locality,decimalLatitude,decimalLongitude,jurisdiction\n{rows}\n"


@pytest.mark.parametrize(
    ("places", "swapped"),
    [
        ([(58, -6), (57, -6), (56, -7), (-6, 55)], [3]),
        ([(58, -6), (-6, 57), (56, -7)], [1]),
        ([(58, -6), (57, -6), (-6, 56)], [2]),
        ([(58, -6), (57, -6), (56, -7)], []),
        ([(58, -6), (20, 30), (56, -7)], []),  # far, but no nearer the other way round
        ([(58, -6), (-6, 58)], []),  # of two, neither is known to be right
        ([(52, 50), (50, 52), (51, 51)], []),
        ([(58, 179), (58, -179), (57, 178)], []),
        ([(-178, 58)], []),  # out of range is told when read, not here
    ],
)
def test_a_site_that_fits_only_the_other_way_round_is_told(table, places, swapped):
    problems = site_problems(table(sites_at(*places), "sites"))
    assert [(p.place, p.column) for p in problems] == [(f"line {i + 2}", "decimalLatitude") for i in swapped]
    for p, i in zip(problems, swapped, strict=True):
        assert f"latitude {places[i][1]} and longitude {places[i][0]}" in p.allowed


def test_unknown_names_are_told_with_the_nearest(table):
    samples = table(SAMPLES.replace("T3,topshell,ald_south", "T3,topshel,ald_soth"), "samples")
    problems = table_problems(samples, table(SITES, "sites"), None, ["topshell"])
    assert told(problems) == [("line 4", "species", "topshel"), ("line 4", "locationID", "ald_soth")]
    assert [p.allowed for p in problems] == [
        "a species of the study file: topshell; did you mean topshell?",
        "a locationID of sites.csv; did you mean ald_south?",
    ]


def test_names_are_not_looked_up_in_what_was_not_read(table):
    samples = table(SAMPLES, "samples")
    assert reference_problems(samples, ["locationID"], None, "a site") == []
    broken = table(SITES.replace("ald_north,", "ald_north,x,"), "sites")
    assert not broken.whole
    assert told(table_problems(samples, broken, None, ["topshell"])) == [("line 2", "", "7 fields")]


def test_an_untraced_move_names_no_source(table):
    moves = table(TRANSFERS.replace(",ves_west,150", ",ves_est,150"), "transfers")
    problems = table_problems(table(SAMPLES, "samples"), table(SITES, "sites"), moves, ["topshell"])
    assert told(problems) == [("line 3", "destinationLocationID", "ves_est")]


@pytest.mark.parametrize(
    ("of", "found"),
    [
        ("T4", None),
        ("S-05/a", "S-05/a, the record itself"),
        ("T9", "T9, no record of this species"),
        ("U1", "U1, a record of urchin"),
    ],
)
def test_a_replicate_names_another_record_of_its_species(table, of, found):
    text = SAMPLES.replace("19,T4", f"19,{of}") + "U1,urchin,ald_north,2019,baseline,,\n"
    expected = [] if found is None else [("line 6", "replicateOf", found)]
    assert told(replicate_problems(table(text, "samples"))) == expected


def test_replicates_in_a_ring_are_told(table):
    text = SAMPLES.replace("query,,", "query,,S-05/a").replace("role,length_mm", "role,length_mm")
    found = told(replicate_problems(table(text, "samples")))
    assert [(place, column) for place, column, _ in found] == [("line 5", "replicateOf"), ("line 6", "replicateOf")]


def test_a_chain_of_replicates_is_allowed(table):
    text = SAMPLES.replace("query,,", "query,,T1")
    assert replicate_problems(table(text, "samples")) == []


def test_no_move_loses_more_than_it_moved(table):
    assert loss_problems(table(TRANSFERS.replace("400,12", "400,400"), "transfers")) == []
    problems = loss_problems(table(TRANSFERS.replace("400,12", "400,401"), "transfers"))
    assert told(problems) == [("line 2", "lost_or_dead", "401")]


def test_samples_stand_in_table_and_header(table):
    samples = table(SAMPLES, "samples")
    assert sample_file_problems("topshell", samples, [header(IDS)], True) == []
    in_two_files = [header(IDS[:3], "a.vcf"), header(IDS[2:], "b.vcf")]
    assert sample_file_problems("topshell", samples, in_two_files, True) == []


def test_a_sample_in_one_place_only_is_told_from_its_side(table):
    samples = table(SAMPLES, "samples")
    problems = sample_file_problems("topshell", samples, [header(["T1", "T2", "T03", "T4", "S-05/a"])], True)
    assert [(p.file, *t) for p, t in zip(problems, told(problems), strict=True)] == [
        ("samples.csv", "line 4", "materialSampleID", "T3, not in the header of the genotypes of topshell"),
        ("a.vcf", "line 9", "T03", "a sample without a row of topshell in samples.csv"),
    ]
    assert problems[0].allowed == "a sample of a.vcf; did you mean T03?"


def test_a_sample_of_another_species_is_told_as_such(table):
    samples = table(SAMPLES + "U1,urchin,ald_north,2019,baseline,,\n", "samples")
    problems = sample_file_problems("topshell", samples, [header([*IDS, "U1"])], True)
    assert told(problems) == [
        ("line 9", "U1", "a sample without a row of topshell in samples.csv (there it is urchin)")
    ]


def test_what_was_not_read_is_not_held_against_the_rest(table):
    samples = table(SAMPLES, "samples")
    assert sample_file_problems("topshell", samples, [header(IDS[:3])], False) == []
    broken = table(SAMPLES.replace("T1,", "T1,x,"), "samples")
    assert sample_file_problems("topshell", broken, [header(IDS)], True) == []


def test_files_of_one_species_share_their_assembly():
    first = header(IDS, "a.vcf", {"chr1": 5000, "chr2": None})
    second = header(IDS, "b.vcf", {"chr2": 700, "chr1": 4000, "chr3": 9})
    third = header(IDS, "c.vcf", {"chr2": 701})
    problems = contig_problems([first, second, third])
    assert [(p.file, p.found) for p in problems] == [
        ("b.vcf", "chromosome chr1 of 4000 bp"),
        ("c.vcf", "chromosome chr2 of 701 bp"),
    ]
    assert list(merged_contigs([first, second]).items()) == [("chr1", 5000), ("chr2", 700), ("chr3", 9)]


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        ("chr1,1,0\nchr1,100,0\nchr1,200,1.5\nchr2,5,0\nchr2,50,2", []),
        ("chr1,1,0\nchr1,100,2\nchr1,50,3", [("line 4", "pos", "50")]),
        ("chr1,1,0\nchr1,100,2\nchr1,200,1", [("line 4", "cm", "1")]),
        ("chr1,1,0\nchr1,100,2\nchr2,1,0", [("line 4", "chrom", "chr2 with one position")]),
        ("1,1,0\n1,100,2", [("", "chrom", "only 1")]),
        ("chr1,1,0\nscaffold9,1,0\nchr1,9,1\nscaffold9,8,1", []),
    ],
)
def test_a_map_rises_along_known_chromosomes(tmp_path, rows, expected):
    (tmp_path / "map.csv").write_text(f"chrom,pos,cm\n{rows}\n")
    read = read_input_table(tmp_path / "map.csv", "map.csv", "input_recombination_map")
    assert read.problems == []
    assert told(map_problems(read, ["chr1", "chr2"])) == expected


def test_a_position_twice_in_a_map_is_told_when_read(tmp_path):
    (tmp_path / "map.csv").write_text("chrom,pos,cm\nchr1,1,0\nchr1,1,2\n")
    read = read_input_table(tmp_path / "map.csv", "map.csv", "input_recombination_map")
    assert told(read.problems) == [("line 3", "pos", "1 again (first in line 2)")]
    assert map_problems(read, None) == []


NORTH = shapely.box(-8, 58, -6, 59)


def test_only_wild_sites_of_the_range_define_units(table):
    """By hand: ald_north is wild and in the box, ald_south south of it, ves_west a farm."""
    sites = table(SITES, "sites")
    assert defining_sites(sites, None).tolist() == [True, True, False]
    assert defining_sites(sites, NORTH).tolist() == [True, False, False]
    assert defining_sites(sites, shapely.box(-8, 56, -6, 59)).tolist() == [True, True, False]
    assert defining_sites(sites, shapely.box(-6.5, 58.25, -6, 59)).tolist() == [True, False, False]  # on the border


@pytest.mark.parametrize(
    ("old", "new", "native_range", "place", "column", "found"),
    [
        ("", "", None, None, None, None),
        ("", "", NORTH, None, None, None),
        (",topshell,", ",urchin,", None, "", "species", "no sample of topshell"),
        ("baseline", "query", None, "species topshell", "role", "no baseline animal"),
        (
            "ald_north",
            "ald_south",
            NORTH,
            "species topshell",
            "role",
            "no baseline animal but at ald_south (outside the native range)",
        ),
        (
            "ald_north",
            "ves_west",
            NORTH,
            "species topshell",
            "role",
            "no baseline animal but at ves_west (farm), ald_south (outside the native range)",
        ),
        ("ald_north", "nowhere", NORTH, None, None, None),  # told as an unknown site already
    ],
)
def test_a_species_needs_a_baseline_animal_that_may_define(table, old, new, native_range, place, column, found):
    samples = table(SAMPLES.replace(old, new) if old else SAMPLES, "samples")
    expected = [] if found is None else [(place, column, found)]
    assert told(baseline_problems("topshell", samples, table(SITES, "sites"), native_range)) == expected


def test_the_last_day_is_that_of_the_latest_span(table):
    assert last_day(table(SAMPLES, "samples")) == "2019-12-31"
    text = SAMPLES.replace("2019,baseline", "2019-02,baseline")
    assert last_day(table(text, "samples")) == "2019-06-30"
    assert last_day(table(SAMPLES.replace("2019-06-03/2019-06-05", "2019/2021-02-03"), "samples")) == "2021-02-03"


def test_swapped_places_are_found_among_many(table):
    """Twenty sites along a coast, one after another written the other way round: that one alone is told."""
    rng = np.random.default_rng(3)
    places = [(50 + 0.4 * i, -8 + float(rng.uniform(0, 2))) for i in range(20)]
    for i in range(20):
        turned = [place[::-1] if j == i else place for j, place in enumerate(places)]
        assert [p.place for p in site_problems(table(sites_at(*turned), "sites"))] == [f"line {i + 2}"]
