"""What the page says and draws of blocks of the genome: found, not found, not looked for."""

import numpy as np
from tests.homewater.report.made_pages import Reader, made, page_of
from tests.homewater.report.made_results import study

from homewater.tables.schema_tables import empty_table


def test_blocks_are_said_drawn_and_mapped():
    reader = Reader(made("two units and one")[1])
    assert "Two blocks of the genome tell another story than the rest." in reader.words
    assert "F ST lies 0.013 or more above the rest is found by that alone" in reader.words
    assert "chr3: 0.00 to 47.90 Mb" in reader.words
    assert "0.21 (0.18 to 0.24)" in reader.words
    assert "The lines between stocks, and all that rests on the counts by site, are found without it." in reader.words
    assert "Too little of the genome would remain without block 2: less than 50 % of the markers." in reader.words
    assert "A block is no stock" in reader.words
    assert "By chance alone, 5 % of studies at most would show any block." in reader.words
    assert any(alt.startswith("F-statistics of 60 windows along the chromosomes") for alt in reader.alts)
    maps = [alt for alt in reader.alts if alt.startswith("What sites carry of block")]
    assert [alt.split(",")[0] for alt in maps] == [f"What sites carry of block {k}" for k in (1, 2)]


def test_none_found_says_what_could_have_been():
    words = Reader(made("one unit alone")[1]).words
    assert "none of 60 windows differs between sites otherwise" in words
    assert "A window whose F ST lies 0.013 or more above the rest is found by that alone." in words
    assert "On 10 chromosomes linkage" in words
    assert "chance of a false one is 5 % at most" in words


def test_no_scan_and_no_linkage_are_said():
    results = study(units=(1,), query=False, moved=False, n_wild=3, n_farm=1)
    tables = results.species[0].tables
    tables["genome_windows"] = tables["genome_windows"].assign(
        linkage=np.nan, linkage_q_value=np.nan, detectable_fst=np.nan
    )
    assert "none could stand out by its F ST alone" in Reader(page_of(results)).words
    assert "too few chromosomes or animals to measure linkage" in Reader(page_of(results)).words
    tables["genome_windows"] = empty_table("genome_windows")
    assert "The genome was not searched for blocks" in Reader(page_of(results)).words


def test_the_panel_says_what_it_would_be_without_blocks():
    words = Reader(made("two units and one")[1]).words
    assert "Three markers of the panel lie in blocks of the genome" in words
    assert "of one block no more than 2 are taken" in words
    assert "would hold 94 % of what this one tells of backcrosses" in words
