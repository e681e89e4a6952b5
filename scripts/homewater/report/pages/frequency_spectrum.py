"""Whether the markers look as if they had been chosen in one stock, and what that does to every comparison."""

from __future__ import annotations

from markupsafe import Markup

from homewater.report.pages.elements import Section, SpeciesPage, Table
from homewater.report.words.numbers import is_missing

READINGS = ("chosen_here", "chosen_elsewhere", "rare_alleles_missing", "no_sign")


def add_frequency_spectrum(section: Section, page: SpeciesPage) -> None:
    """Say whether rare alleles are missing and in which stock, what may be behind it, and what it means."""
    table = page.tables["frequency_spectrum"]
    judged = [row for row in table.to_dict("records") if row["reading"] != "too_few"]
    if not judged:
        section.say(page.say("spectrum.untested"))
        return
    of_reading = {reading: [row for row in judged if row["reading"] == reading] for reading in READINGS}
    texts = [page.say("spectrum.start")]
    for row in of_reading["chosen_here"]:
        texts.append(page.say("spectrum.chosen", **_figures(page, row)))
        texts += [page.say("spectrum.chosen.means", unit=page.writer.unit(row["unit"])), page.say("spectrum.causes")]
    missing = of_reading["rare_alleles_missing"]
    if missing:
        listed = page.writer.listing(page.writer.unit(row["unit"]) for row in missing)
        texts += [page.say("spectrum.missing", count=len(missing), units=listed), page.say("spectrum.causes")]
    if of_reading["no_sign"] and not missing:
        seen = [row["detectable_rare_ratio"] for row in judged if not is_missing(row["detectable_rare_ratio"])]
        texts.append(page.say("spectrum.no_sign", detectable=page.numbers.number(min(seen, default=None))))
    texts.append(page.say("spectrum.one_stock" if len(judged) < 2 else "spectrum.power"))
    section.say(Markup(" ").join(texts))
    section.add("table", _spectrum_table(page, judged))


def fst_caution(page: SpeciesPage) -> list[Markup]:
    """Return what a choice of the markers in one stock means for F_ST; nothing where nothing suggests one."""
    table = page.tables["frequency_spectrum"]
    chosen = table.loc[table["reading"] == "chosen_here", "unit"]
    return [page.say("spectrum.fst", unit=page.writer.unit(unit)) for unit in chosen]


def _figures(page: SpeciesPage, row: dict) -> dict[str, str]:
    other = "" if is_missing(row["private_ratio_unit"]) else row["private_ratio_unit"]
    return {
        "unit": page.writer.unit(row["unit"]),
        "other": page.writer.unit(other),
        "rare": page.numbers.interval(row["rare_ratio"], row["rare_ratio_ci_low"], row["rare_ratio_ci_high"]),
        "private": page.numbers.interval(
            row["private_ratio"], row["private_ratio_ci_low"], row["private_ratio_ci_high"]
        ),
    }


def _spectrum_table(page: SpeciesPage, judged: list[dict]) -> Table:
    rows = []
    for row in judged:
        figures = _figures(page, row)
        variable = page.numbers.interval(
            row["share_variable"], row["share_variable_ci_low"], row["share_variable_ci_high"], percent=True
        )
        cells = [page.writer.chip(row["unit"]), page.numbers.count(row["n_animals"]), variable, figures["rare"]]
        rows.append([*cells, figures["private"], page.say(f"spectrum.reading.{row['reading']}")])
    columns = [page.writer.column("column.unit"), page.writer.column("column.n_animals", number=True)]
    columns += [page.writer.column(f"column.spectrum.{name}", number=True) for name in ("variable", "rare", "private")]
    columns.append(page.writer.column("column.spectrum.reading"))
    drawn, least = judged[0]["drawn_copies"], judged[0]["least_frequency"]
    caption = page.say("caption.spectrum", drawn=page.numbers.count(drawn), least=page.numbers.percent(least))
    return page.writer.table(caption, columns, rows)
