"""Page on the panel of a species: its size, its order, its proof and what stands beside that."""

from __future__ import annotations

import pandas as pd
from markupsafe import Markup

from homewater.report.figures.panel import draw_size_curve
from homewater.report.pages.elements import Section, SpeciesPage, Table, Writer, unit_or_none
from homewater.report.pages.summary import chosen_size, n_panel_markers
from homewater.report.words.numbers import is_missing


def panel_section(page: SpeciesPage) -> Section:
    """Return the section on the panel and its proof."""
    section, numbers = page.section("panel"), page.numbers
    if page.n_units < 2 or not len(page.tables["panel"]):
        why = {0: "panel.none.no_unit", 1: "panel.none.one_unit"}.get(page.n_units, "panel.none.other")
        section.say(page.say(why))
        if page.n_units > 1 and page.records["panel_order"]:
            section.say(*_shortage(page.records["panel_order"], page.writer))
        return section
    count, row = n_panel_markers(page.species), chosen_size(page.species)
    section.say(page.say("panel.text", count=count))
    section.say(*_order(page.records["panel_order"], page.writer), *_blocks(page.records["panel_summary"], page.writer))
    curve = page.tables["size_curve"]
    if row is not None:
        accuracy = numbers.interval(row["nested_accuracy"], row["ci_low"], row["ci_high"], percent=True)
        crosses = {
            name: numbers.interval(
                row[f"{stem}_sensitivity"], row.get(f"{name}_ci_low"), row.get(f"{name}_ci_high"), percent=True
            )
            for name, stem in (("f1", "f1"), ("backcross", "backcross"))
        }
        section.say(
            page.say("panel.accuracy", accuracy=accuracy, **crosses), *_size(page.records["panel_proof"], page.writer)
        )
        points = [
            page.plain(
                "alt.curve.point", accuracy=numbers.percent(r["nested_accuracy"]), n=numbers.count(r["n_markers"])
            )
            for r in curve.to_dict("records")
        ]
        alt = page.plain("alt.curve", points=page.plain("format.comma").join(points))
        figure = draw_size_curve(curve, count, page.writer.words, numbers)
        section.add("drawing", page.writer.drawing(figure, alt, page.say("caption.curve")))
    confusion = page.tables["confusion"]
    if len(confusion):
        section.add("table", _confusion_table(page, confusion))
    if len(page.tables["controls"]):
        _add_controls(section, page)
    return section


def _add_controls(section: Section, page: SpeciesPage) -> None:
    """Add what stands beside the nested figure, and whether posteriors keep their word."""
    numbers, controls = page.numbers, page.tables["controls"]
    rows = []
    for row in controls.to_dict("records"):
        accuracy = numbers.interval(row["accuracy"], row["ci_low"], row["ci_high"], percent=True)
        several = not is_missing(row["lowest"])
        ends = {"low": numbers.percent(row["lowest"]), "high": numbers.percent(row["highest"])} if several else {}
        spread = page.say("controls.range", draws=numbers.count(row["n_draws"]), **ends) if several else ""
        rows.append([page.say(f"controls.{row['method']}"), accuracy, spread, numbers.count(row["n_animals"])])
    columns = [
        page.writer.column("column.method"),
        *(page.writer.column(f"column.{name}", number=True) for name in ("accuracy", "draws", "animals")),
    ]
    section.add("table", page.writer.table(page.say("caption.controls"), columns, rows))
    of_method = controls.set_index("method")

    def difference(method: str) -> str:
        row = of_method.loc[method]
        ends = [row[c] for c in ("difference_from_nested", "difference_ci_low", "difference_ci_high")]
        return numbers.interval(*ends, percent=True)

    if of_method["n_animals"].max() > 0:
        values = {"optimism": difference("resubstitution"), "other": difference("logistic_regression")}
        section.say(page.say("controls.text", **values))
    bins = page.tables["calibration"]
    bins = bins[bins["n_animals"] > 0]
    error = page.records["panel_proof"].get("calibration") or {}
    if not len(bins) or error.get("expected_calibration_error") is None:
        return
    cells = [
        [
            page.say(
                "calibration.bin", low=numbers.percent(r["posterior_low"]), high=numbers.percent(r["posterior_high"])
            ),
            numbers.count(r["n_animals"]),
            numbers.percent(r["mean_posterior"]),
            numbers.interval(r["share_right"], r["ci_low"], r["ci_high"], percent=True),
        ]
        for r in bins.to_dict("records")
    ]
    columns = [page.writer.column("column.posterior")]
    columns += page.writer.number_columns("animals", "mean_posterior", "share_right")
    section.add("table", page.writer.table(page.say("caption.calibration"), columns, cells))
    names = {"error": "expected_calibration_error", "mean": "if_calibrated", "high": "if_calibrated_high"}
    kept = error["expected_calibration_error"] <= error["if_calibrated_high"]
    texts = {name: numbers.percent(error[column]) for name, column in names.items()}
    section.say(page.say("calibration.kept" if kept else "calibration.broken", **texts))


def _size(proof: dict, writer: Writer) -> list[Markup]:
    """Return where the size of the panel comes from, if it was not fixed, and what that choice is worth."""
    at_own_size = proof.get("at_own_size") or {}
    if proof.get("size_from") != "curve" or not at_own_size.get("backcrosses"):
        return []
    numbers = writer.numbers
    chosen = sorted(set(at_own_size["sizes"]))
    ends = {"low": numbers.count(chosen[0]), "high": numbers.count(chosen[-1])}
    share = at_own_size["backcrosses_found"] / at_own_size["backcrosses"]
    found = numbers.interval(share, at_own_size["ci_low"], at_own_size["ci_high"], percent=True)
    which = "panel.size.one" if len(chosen) == 1 else "panel.size.several"
    return [writer.say(which, parts=numbers.count(len(at_own_size["sizes"])), found=found, **ends)]


def _order(order: dict, writer: Writer) -> list[Markup]:
    """Return what an order of the panel rests on: whether it is whole, what lies near its markers, their flanks."""
    if not order:
        return []
    numbers, texts = writer.numbers, _shortage(order, writer)
    bases = numbers.count(order["flank_bases"])
    which = "panel.order.no_reference" if order["why_no_flanks"] else "panel.order.flanks"
    texts.append(writer.say(which, reserves=numbers.count(order["n_reserve"]), bases=bases))
    return [Markup(" ").join(texts)]


def _blocks(summary: dict, writer: Writer) -> list[Markup]:
    """Return how many markers lie in blocks of the genome, and what a panel without any of them would hold."""
    if not summary.get("n_blocks"):
        return []
    most, inside = int(summary["max_block_markers"]), int(summary["n_in_blocks"])
    if not inside:
        return [writer.say("panel.blocks.none", count=most)]
    share = writer.numbers.percent(summary["share_without_blocks"])
    return [writer.say("panel.blocks", count=inside, most=writer.numbers.count(most), share=share)]


def _shortage(order: dict, writer: Writer) -> list[Markup]:
    """Return whether the panel is shorter than wanted, and how many markers lay too near another variant."""
    numbers, texts = writer.numbers, []
    if order["n_markers"] < order["n_wanted"]:
        texts.append(writer.say("panel.short", count=order["n_markers"], wanted=numbers.count(order["n_wanted"])))
    if order["min_clear_bases"]:
        bases = numbers.count(order["min_clear_bases"])
        texts.append(writer.say("panel.clear", bases=bases, count=order["n_near_others"]))
    return texts


def _confusion_table(page: SpeciesPage, confusion: pd.DataFrame) -> Table:
    counts = confusion.groupby(["true_unit", "called_unit"])["n"].sum()
    called = [*page.species.unit_names, *sorted(set(confusion["called_unit"]) - set(page.species.unit_names))]
    rows = [
        [page.writer.chip(true), *(page.numbers.count(counts.get((true, c), 0)) for c in called)]
        for true in page.species.unit_names
    ]
    columns = [page.writer.column("column.true_unit")]
    units = [page.writer.unit(unit_or_none(name)) for name in called]
    columns += [page.writer.column("column.called", number=True, unit=unit) for unit in units]
    return page.writer.table(page.say("caption.confusion"), columns, rows)
