"""Blocks of the genome that tell another story: where they lie, what they are, and each one's map along the coast."""

from __future__ import annotations

import pandas as pd
from markupsafe import Markup

from homewater.report.figures import style as fs
from homewater.report.figures.genome import draw_block, draw_genome
from homewater.report.pages.elements import Drawing, Section, SpeciesPage
from homewater.report.words.numbers import is_missing

MOST_DRAWN = 6  # blocks with a map of their own


def add_genome_blocks(section: Section, page: SpeciesPage) -> None:
    """Say which stretches of the genome depart from the rest, or what could have been found, and show the scan.

    Args:
        section: section on what the genes show.
        page: the species, its study and the writer.
    """
    windows, blocks = page.tables["genome_windows"], page.tables["genome_blocks"]
    section.add("heading", page.say("heading.blocks"))
    tested = windows["p_value"].notna() if len(windows) else pd.Series(dtype=bool)
    linked = windows.loc[windows["linkage_q_value"].notna(), "chrom"].nunique() if len(windows) else 0
    if not tested.any() and not linked:
        section.say(page.say("blocks.untested"))
        return
    values = {"windows": page.numbers.count(int(tested.sum())), "linked": _linked(page, linked)}
    least = windows["detectable_fst"].iloc[0]
    values["detectable"] = page.say("blocks.detectable.none")
    if not is_missing(least):
        values["detectable"] = page.say("blocks.detectable", least=page.numbers.number(least))
    level = page.numbers.stated(page.study.settings["structure"]["block_fdr"])
    if not len(blocks):
        section.say(page.say("blocks.none", level=level, **values))
        _add_scan(section, page)
        return
    section.say(page.say("blocks.found", count=len(blocks), level=level, **values))
    _add_scan(section, page)
    section.add("table", _table(page, blocks))
    section.say(*_texts(page, blocks))
    drawings = [_map(page, row) for row in blocks.head(MOST_DRAWN).to_dict("records")]
    drawings = [one for one in drawings if one is not None]
    for first in range(0, len(drawings), 2):
        section.add("pair", drawings[first : first + 2])
    section.say(page.say("blocks.whole_genome"))


def _linked(page: SpeciesPage, chromosomes: int) -> Markup:
    if not chromosomes:
        return page.say("blocks.linkage.none")
    return page.say("blocks.linkage", count=chromosomes)


def _name(page: SpeciesPage, block: str) -> str:
    return page.plain("block.name", number=int(block.removeprefix("block_")))


def _add_scan(section: Section, page: SpeciesPage) -> None:
    windows, blocks = page.tables["genome_windows"], page.tables["genome_blocks"]
    fst = windows["fst"].astype(float)
    if not fst.notna().any():
        return
    names = {block: _name(page, block) for block in blocks["block"]}
    figure = draw_genome(windows, names, page.writer.words)
    alt = page.plain(
        "alt.genome",
        windows=page.numbers.count(len(windows)),
        low=page.numbers.number(fst.min()),
        median=page.numbers.number(fst.median()),
        high=page.numbers.number(fst.max()),
    )
    section.add("drawing", page.writer.drawing(figure, alt, page.say("caption.genome")))


def _table(page: SpeciesPage, blocks: pd.DataFrame):
    rows = []
    for row in blocks.to_dict("records"):
        place = page.say(
            "blocks.place",
            chrom=row["chrom"],
            start=page.numbers.fixed(row["start"] / 1e6, 2),
            end=page.numbers.fixed(row["end"] / 1e6, 2),
        )
        rows.append(
            [
                Markup.escape(_name(page, row["block"])),
                place,
                page.numbers.count(row["n_markers"]),
                page.numbers.interval(row["fst"], row["ci_low"], row["ci_high"]),
                page.numbers.interval(row["rest_fst"], row["rest_ci_low"], row["rest_ci_high"]),
                page.numbers.p_value(row["q_value"]),
                page.say(f"blocks.reading.{row['reading']}"),
            ]
        )
    columns = [page.writer.column("column.block"), page.writer.column("column.block.place")]
    for head in ("column.block.markers", "column.block.fst", "column.block.rest", "column.block.q"):
        columns.append(page.writer.column(head, number=True))
    columns.append(page.writer.column("column.block.reading"))
    return page.writer.table(page.say("caption.blocks"), columns, rows, "wide")


def _texts(page: SpeciesPage, blocks: pd.DataFrame) -> list[Markup]:
    """Return what the blocks mean, and whether the lines rest on the genome without them."""
    texts = [page.say(f"blocks.meaning.{reading}") for reading in dict.fromkeys(blocks["reading"].tolist())]
    kept = blocks[~blocks["left_out"].astype(bool)]
    if len(kept) < len(blocks):
        texts.append(page.say("blocks.left_out", count=len(blocks) - len(kept)))
    if len(kept):
        names = page.writer.listing([_name(page, block) for block in kept["block"]])
        share = page.numbers.stated(page.study.settings["structure"]["min_rest_share"])
        texts.append(page.say("blocks.kept", count=len(kept), names=names, share=share))
    texts.append(page.say("blocks.advice"))
    return texts


def _map(page: SpeciesPage, block: dict) -> Drawing | None:
    table = page.tables["block_sites"]
    own = table[(table["block"] == block["block"]) & table["frequency"].notna()].set_index("locationID")
    sites = page.study.in_coast_order(list(own.index))
    if len(sites) < 2:
        return None
    own = own.loc[sites]
    what = str(own["what"].iloc[0])
    name = _name(page, block["block"])
    columns = (own[column].to_numpy(dtype=float) for column in ("frequency", "ci_low", "ci_high"))
    colours = [fs.unit_colour(page.species.unit_of.get(site, "")) for site in sites]
    labels = [page.writer.cut(site, 10).replace("$", r"\$") for site in sites]
    title = page.writer.words.drawn(f"figure.block.{what}")
    figure = draw_block(labels, *columns, colours, title)
    shares = [
        page.plain("alt.ancestry.share", site=site, share=page.numbers.percent(value))
        for site, value in zip(sites, own["frequency"], strict=True)
        if not is_missing(value)
    ]
    alt = page.plain("alt.block", block=name, shares=page.plain("format.comma").join(shares))
    return page.writer.drawing(figure, alt, page.say(f"caption.block.{what}", block=name))
