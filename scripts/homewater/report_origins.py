"""Pages on one species: the panel, the verdicts on animals, the moves and the sources."""

from __future__ import annotations

import pandas as pd
from markupsafe import Markup

from homewater import figure_style as fs
from homewater.panel_figures import draw_site_rates, draw_size_curve
from homewater.report_data import SpeciesResults, StudyResults
from homewater.report_parts import Section, Table, Writer
from homewater.report_summary import chosen_size, n_panel_markers
from homewater.rounding import is_missing

OUTCOMES = ("local", "non_local", "mixed", "unresolved", "unsampled_origin")
NEXT_TO_NOTHING = 0.001  # a share whose whole interval lies below is not spelt out
FLAGGED = ("non_local", "mixed", "unsampled_origin")


def panel_section(species: SpeciesResults, writer: Writer, anchor: str) -> Section:
    """Return the section on the panel and its proof."""
    section, numbers = Section(writer.say("heading.panel"), anchor), writer.numbers
    if species.n_units < 2 or not len(species.tables["panel"]):
        why = {0: "panel.none.no_unit", 1: "panel.none.one_unit"}.get(species.n_units, "panel.none.other")
        section.say(writer.say(why))
        if species.n_units > 1 and species.panel_order:
            section.say(*_shortage(species.panel_order, writer))
        return section
    count, row = n_panel_markers(species), chosen_size(species)
    section.say(writer.say("panel.text", count=count))
    section.say(*_order(species.panel_order, writer))
    curve = species.tables["size_curve"]
    if row is not None:
        accuracy = numbers.interval(row["nested_accuracy"], row["ci_low"], row["ci_high"], percent=True)
        crosses = {
            name: numbers.interval(
                row[f"{stem}_sensitivity"], row.get(f"{name}_ci_low"), row.get(f"{name}_ci_high"), percent=True
            )
            for name, stem in (("f1", "f1"), ("backcross", "backcross"))
        }
        section.say(writer.say("panel.accuracy", accuracy=accuracy, **crosses), *_size(species.panel_proof, writer))
        points = [
            writer.plain(
                "alt.curve.point", accuracy=numbers.percent(r["nested_accuracy"]), n=numbers.count(r["n_markers"])
            )
            for r in curve.to_dict("records")
        ]
        alt = writer.plain("alt.curve", points=writer.plain("format.comma").join(points))
        figure = draw_size_curve(curve, count, writer.words, numbers)
        section.add("drawing", writer.drawing(figure, alt, writer.say("caption.curve")))
    confusion = species.tables["confusion"]
    if len(confusion):
        section.add("table", _confusion_table(species, confusion, writer))
    if len(species.tables["controls"]):
        _add_controls(section, species, writer)
    return section


def _add_controls(section: Section, species: SpeciesResults, writer: Writer) -> None:
    """Add what stands beside the nested figure, and whether posteriors keep their word."""
    numbers, controls = writer.numbers, species.tables["controls"]
    rows = []
    for row in controls.to_dict("records"):
        accuracy = numbers.interval(row["accuracy"], row["ci_low"], row["ci_high"], percent=True)
        several = not is_missing(row["lowest"])
        ends = {"low": numbers.percent(row["lowest"]), "high": numbers.percent(row["highest"])} if several else {}
        spread = writer.say("controls.range", draws=numbers.count(row["n_draws"]), **ends) if several else ""
        rows.append([writer.say(f"controls.{row['method']}"), accuracy, spread, numbers.count(row["n_animals"])])
    columns = [
        writer.column("column.method"),
        *(writer.column(f"column.{name}", number=True) for name in ("accuracy", "draws", "animals")),
    ]
    section.add("table", writer.table(writer.say("caption.controls"), columns, rows))
    of_method = controls.set_index("method")

    def difference(method: str) -> str:
        row = of_method.loc[method]
        ends = [row[c] for c in ("difference_from_nested", "difference_ci_low", "difference_ci_high")]
        return numbers.interval(*ends, percent=True)

    if of_method["n_animals"].max() > 0:
        values = {"optimism": difference("resubstitution"), "other": difference("logistic_regression")}
        section.say(writer.say("controls.text", **values))
    bins = species.tables["calibration"]
    bins = bins[bins["n_animals"] > 0]
    error = species.panel_proof.get("calibration") or {}
    if not len(bins) or error.get("expected_calibration_error") is None:
        return
    cells = [
        [
            writer.say(
                "calibration.bin", low=numbers.percent(r["posterior_low"]), high=numbers.percent(r["posterior_high"])
            ),
            numbers.count(r["n_animals"]),
            numbers.percent(r["mean_posterior"]),
            numbers.interval(r["share_right"], r["ci_low"], r["ci_high"], percent=True),
        ]
        for r in bins.to_dict("records")
    ]
    columns = [writer.column("column.posterior")]
    columns += [writer.column(f"column.{name}", number=True) for name in ("animals", "mean_posterior", "share_right")]
    section.add("table", writer.table(writer.say("caption.calibration"), columns, cells))
    names = {"error": "expected_calibration_error", "mean": "if_calibrated", "high": "if_calibrated_high"}
    kept = error["expected_calibration_error"] <= error["if_calibrated_high"]
    texts = {name: numbers.percent(error[column]) for name, column in names.items()}
    section.say(writer.say("calibration.kept" if kept else "calibration.broken", **texts))


def _size(proof: dict, writer: Writer) -> list[Markup]:
    """Return where the size of the panel comes from, if it was not fixed, and what that choice is worth."""
    told = proof.get("at_own_size") or {}
    if proof.get("size_from") != "curve" or not told.get("backcrosses"):
        return []
    numbers = writer.numbers
    chosen = sorted(set(told["sizes"]))
    ends = {"low": numbers.count(chosen[0]), "high": numbers.count(chosen[-1])}
    share = told["backcrosses_found"] / told["backcrosses"]
    found = numbers.interval(share, told["ci_low"], told["ci_high"], percent=True)
    which = "panel.size.one" if len(chosen) == 1 else "panel.size.several"
    return [writer.say(which, parts=numbers.count(len(told["sizes"])), found=found, **ends)]


def _order(told: dict, writer: Writer) -> list[Markup]:
    """Return what an order of the panel rests on: whether it is whole, what lies near its markers, their flanks."""
    if not told:
        return []
    numbers, texts = writer.numbers, _shortage(told, writer)
    bases = numbers.count(told["flank_bases"])
    which = "panel.order.no_reference" if told["why_no_flanks"] else "panel.order.flanks"
    texts.append(writer.say(which, reserves=numbers.count(told["n_reserve"]), bases=bases))
    return [Markup(" ").join(texts)]


def _shortage(told: dict, writer: Writer) -> list[Markup]:
    """Return whether the panel is shorter than wanted, and how many markers lay too near another variant."""
    numbers, texts = writer.numbers, []
    if told["n_markers"] < told["n_wanted"]:
        texts.append(writer.say("panel.short", count=told["n_markers"], wanted=numbers.count(told["n_wanted"])))
    if told["min_clear_bases"]:
        bases = numbers.count(told["min_clear_bases"])
        texts.append(writer.say("panel.clear", bases=bases, count=told["n_near_others"]))
    return texts


def _confusion_table(species: SpeciesResults, confusion: pd.DataFrame, writer: Writer) -> Table:
    counts = confusion.groupby(["true_unit", "called_unit"])["n"].sum()
    called = [*species.unit_names, *sorted(set(confusion["called_unit"]) - set(species.unit_names))]
    rows = [
        [writer.chip(true), *(writer.numbers.count(counts.get((true, c), 0)) for c in called)]
        for true in species.unit_names
    ]
    columns = [writer.column("column.true_unit")]
    columns += [writer.column("column.called", number=True, unit=writer.unit(_known(c))) for c in called]
    return writer.table(writer.say("caption.confusion"), columns, rows)


def _known(unit: str) -> str:
    return unit if unit.startswith("unit_") else ""


def animals_section(study: StudyResults, species: SpeciesResults, writer: Writer, anchor: str) -> Section:
    """Return the section on the verdicts and the rates of sites."""
    section, calls = Section(writer.say("heading.animals"), anchor), species.tables["calls"]
    if not len(calls):
        why = {0: "animals.none.no_unit", 1: "animals.none"}.get(species.n_units, "animals.none.no_panel")
        section.say(writer.say(why))
        return section
    section.say(writer.say("animals.text"))
    section.add("table", _outcome_table(calls, writer))
    rates = species.tables["site_rates"]
    judged = rates[rates["rate"].notna() & ~rates["locationID"].isin(species.contact_sites)]
    if len(judged):
        numbers = {
            "n": writer.numbers.count(judged["n"].sum()),
            "flagged": writer.numbers.count((judged["n_non_local"] + judged["n_mixed"]).sum()),
            "expected": writer.numbers.expected(judged["expected_false"].astype(float).sum()),
        }
        section.say(writer.say("animals.expected", **numbers))
    if species.contact_sites:
        section.say(writer.say("animals.contact"))
    if len(rates):
        section.add("drawing", _rates_drawing(study, species, rates, writer))
    if len(species.tables["unit_rates"]):
        section.add("table", _unit_rates_table(species.tables["unit_rates"], writer))
    _add_natural_contact(section, study, species, writer)
    flagged = calls[calls["outcome"].isin(FLAGGED) & ~calls["locationID"].isin(species.contact_sites)]
    local = flagged["local_unit"].map(lambda unit: not is_missing(unit)).astype(bool)
    for has_local in (True, False):
        chosen = flagged[local == has_local]
        if len(chosen):
            section.add("table", _class_table(species, chosen, writer, has_local))
    shares = species.tables["mixture_shares"]
    if len(shares):
        section.say(writer.say("mixture.text"))
        section.add("table", _mixture_table(study, species, shares, writer))
    if len(species.tables["class_power"]):
        section.add("table", _power_table(species.tables["class_power"], writer))
    return section


def _add_natural_contact(section: Section, study: StudyResults, species: SpeciesResults, writer: Writer) -> None:
    """Add how much ancestry from the neighbouring stock the sites of a cline hold beyond what the cline explains."""
    table, numbers = species.tables["natural_contact"], writer.numbers
    judged = table[table["reading"] != "few_animals"]
    if not len(judged):
        return
    more = judged[judged["reading"] == "more_than_the_cline"]
    count = numbers.count(len(judged))
    section.say(
        writer.say("contact.text")
        + Markup(" ")
        + (writer.say("contact.more", count=len(more), n=count) if len(more) else writer.say("contact.none", n=count))
    )
    if not len(more):
        return
    place = {site: k for k, site in enumerate(study.in_coast_order(sorted(set(more["locationID"]))))}
    more = more.assign(place=more["locationID"].map(place)).sort_values(["place", "role"], kind="stable")
    rows = [
        [
            writer.site(row["locationID"]),
            writer.say(f"role.{row['role']}"),
            numbers.count(row["n"]),
            numbers.interval(row["observed_share"], row["ci_low"], row["ci_high"], percent=True),
            numbers.interval(row["expected_share"], row["expected_ci_low"], row["expected_ci_high"], percent=True)
            if row["expected_ci_high"] >= NEXT_TO_NOTHING
            else writer.say("contact.next_to_nothing"),
        ]
        for row in more.to_dict("records")
    ]
    columns = [writer.column("column.site"), writer.column("column.role")]
    columns += [
        writer.column(f"column.{name}", number=True) for name in ("animals", "ancestry_found", "ancestry_expected")
    ]
    section.add("table", writer.table(writer.say("caption.natural_contact"), columns, rows))


def _outcome_table(calls: pd.DataFrame, writer: Writer) -> Table:
    counts = calls.groupby(["role", "outcome"]).size()
    rows = []
    for role in ("baseline", "query"):
        cells = [int(counts.get((role, outcome), 0)) for outcome in OUTCOMES]
        if sum(cells) or role == "baseline":
            rows.append([writer.say(f"role.{role}"), *map(writer.numbers.count, [*cells, sum(cells)])])
    columns = [writer.column("column.role")]
    columns += [writer.column(f"outcome.{outcome}", number=True) for outcome in OUTCOMES]
    columns.append(writer.column("column.all", number=True))
    return writer.table(writer.say("caption.outcomes"), columns, rows)


def _rates_drawing(study: StudyResults, species: SpeciesResults, rates: pd.DataFrame, writer: Writer):
    rates = rates.set_index("locationID", drop=False)
    rates = rates.loc[study.in_coast_order(list(rates.index))].copy()
    contact = [site for site in rates.index if site in species.contact_sites]
    rates.loc[contact, ["rate", "ci_low", "ci_high"]] = float("nan")
    labels = [f"{writer.label(site)}*" if site in contact else writer.label(site) for site in rates.index]
    colours = [fs.unit_colour(species.unit_of.get(site, "")) for site in rates.index]
    figure = draw_site_rates(rates, labels, colours, writer.words, writer.numbers)
    parts = [
        writer.plain(
            "alt.rates.part",
            site=row["locationID"],
            rate=writer.numbers.interval(row["rate"], row["ci_low"], row["ci_high"], percent=True),
        )
        for row in rates.to_dict("records")
    ]
    alt = writer.plain("alt.rates", n=len(rates), parts=writer.plain("format.comma").join(parts))
    caption = writer.say("caption.rates")
    if contact:
        caption = Markup(" ").join([caption, writer.say("caption.rates.contact")])
    return writer.drawing(figure, alt, caption)


def _unit_rates_table(rates: pd.DataFrame, writer: Writer) -> Table:
    """Return the rates of the stocks, contact zones in rows of their own."""
    numbers, rows = writer.numbers, []
    for row in rates.to_dict("records"):
        name = writer.chip(row["unit"])
        if row["contact_zone"]:
            name = Markup(" ").join([name, writer.say("rates.contact")])
        # where stocks meet by themselves a corrected rate would speak of nature, not of moved animals
        ends = [float("nan") if row["contact_zone"] else row[c] for c in ("rate", "ci_low", "ci_high")]
        counts = [numbers.count(row[c]) for c in ("n_sites", "n", "n_non_local", "n_mixed")]
        cells = [numbers.expected(row["expected_false"]), numbers.interval(*ends, percent=True)]
        rows.append([name, *counts, *cells])
    columns = [writer.column("column.unit")]
    names = ("sites", "animals", "elsewhere", "mixed_animals", "expected_false", "corrected")
    columns += [writer.column(f"column.{name}", number=True) for name in names]
    return writer.table(writer.say("caption.unit_rates"), columns, rows)


def _class_table(species: SpeciesResults, flagged: pd.DataFrame, writer: Writer, has_local: bool) -> Table:
    """Return the flagged animals by class, of waters with a local stock or of those without.

    Where there is no local stock, the first unit of a class is the one that fits best, so nothing is called local.
    """
    classes = species.tables["origin_classes"].set_index("materialSampleID")["verdict_class"]
    merged = flagged.assign(verdict=[str(classes.get(a, "")) for a in flagged["materialSampleID"]])
    # No class stands for an animal that no sampled stock fits.
    merged.loc[merged["outcome"] == "unsampled_origin", "verdict"] = ""
    counts = merged.groupby(["verdict", "role"]).size()
    verdicts = sorted(set(merged["verdict"]), key=lambda v: (-merged["verdict"].eq(v).sum(), v))
    rows = []
    for verdict in verdicts:
        names = [name for name in verdict.split("+") if name]
        parts = [writer.say(f"class.{name}" if has_local else f"origin.{name}") for name in names]
        name = writer.say("class.or").join(parts) if parts else writer.say("outcome.unsampled_origin")
        rows.append([name, *(writer.numbers.count(counts.get((verdict, r), 0)) for r in ("baseline", "query"))])
    columns = [
        writer.column("column.class"),
        writer.column("column.baseline", number=True),
        writer.column("column.query", number=True),
    ]
    return writer.table(writer.say("caption.classes" if has_local else "caption.origins"), columns, rows)


def _mixture_table(study: StudyResults, species: SpeciesResults, shares: pd.DataFrame, writer: Writer) -> Table:
    """Return the shares of the stocks among the query animals of each site, by year where there are several."""
    rows = []
    for site in study.in_coast_order(list(dict.fromkeys(shares["locationID"]))):
        own = shares[shares["locationID"] == site]
        years = own.loc[own["scope"] == "site_year", "year"].unique()
        groups = [(None, own[own["scope"] == "site"])]
        groups += [(year, own[own["year"] == year]) for year in years] if len(years) > 1 else []
        for year, group in groups:
            of_unit = group.set_index("unit")
            cells = [
                writer.numbers.interval(*of_unit.loc[u, ["share", "ci_low", "ci_high"]], percent=True)
                for u in species.unit_names
            ]
            name = writer.site(site) if year is None else writer.say("mixture.year", year=str(int(year)))
            first = of_unit.iloc[0]
            counts = [writer.numbers.count(first[c]) for c in ("n_used", "n_mixed", "n_unsampled_origin")]
            rows.append([name, *cells, *counts])
    columns = [writer.column("column.site")]
    columns += [writer.column("column.share_of", number=True, unit=writer.unit(u)) for u in species.unit_names]
    names = ("column.animals", "column.of_them_mixed", "column.left_out")
    columns += [writer.column(name, number=True) for name in names]
    return writer.table(writer.say("caption.mixture"), columns, rows)


def _power_table(power: pd.DataFrame, writer: Writer) -> Table:
    means = power.groupby(["true_class", "called_class"], sort=False)["rate"].mean()
    # What is called a mixed class is summed here; its finer shares stay in the table.
    called = list(dict.fromkeys(power["called_class"]))
    groups = [(c, [c]) for c in ("local", "pure_a", "non_local", "pure_b") if c in called]
    groups.append(("mixed", [c for c in called if c not in (*OUTCOMES, "pure_a", "pure_b")]))
    groups += [(c, [c]) for c in ("unresolved", "unsampled_origin") if c in called]
    rows = []
    for true in dict.fromkeys(power["true_class"]):
        cells = [sum(means.get((true, c), 0.0) for c in members) for _, members in groups]
        rows.append([writer.say(f"class.{true}"), *map(writer.numbers.percent, cells)])
    columns = [writer.column("column.true_class")]
    columns += [writer.column(f"class.{name}", number=True) for name, _ in groups]
    return writer.table(writer.say("caption.power"), columns, rows)


def transfers_section(study: StudyResults, species: SpeciesResults, writer: Writer, anchor: str) -> Section:
    """Return the section on moves and sources."""
    section, flows = Section(writer.say("heading.transfers"), anchor), species.tables["flows"]
    if len(flows):
        section.add("table", _flow_table(flows, writer))
        uncounted = int(flows["transfers_without_count"].sum()) if "transfers_without_count" in flows else 0
        if uncounted:
            section.say(writer.say("flows.uncounted", count=uncounted))
    else:
        section.say(writer.say("flows.none"))
    ranking = species.tables["source_ranking"]
    if not len(ranking):
        section.say(writer.say("ranking.none"))
        return section
    most = study.settings["transfers_advice"]["max_sources"]
    section.say(writer.say("ranking.text"), writer.say("ranking.listed", max=most))
    section.add("table", _ranking_table(study, species, ranking, most, writer))
    return section


def _flow_table(flows: pd.DataFrame, writer: Writer) -> Table:
    def place(unit: str) -> Markup:
        return writer.say("unit.untraced") if unit == "untraced" else writer.chip(_known(unit))

    rows = []
    for row in flows.to_dict("records"):
        crosses = row["crosses_boundary"]
        answer = "flows.unknown" if is_missing(crosses) else "format.yes" if crosses else "format.no"
        numbers = [writer.numbers.count(row.get(c)) for c in ("transfers", "individuals", "lost_or_dead")]
        rows.append([place(row["source_unit"]), place(row["destination_unit"]), *numbers, writer.say(answer)])
    columns = [writer.column("column.from"), writer.column("column.to")]
    columns += [writer.column(f"column.{c}", number=True) for c in ("moves", "moved", "lost")]
    columns.append(writer.column("column.crosses"))
    return writer.table(writer.say("caption.flows"), columns, rows)


def _ranking_table(
    study: StudyResults, species: SpeciesResults, ranking: pd.DataFrame, most: int, writer: Writer
) -> Table:
    rows: list[list] = []
    for destination in study.in_coast_order(list(dict.fromkeys(ranking["destination"]))):
        own = ranking[ranking["destination"] == destination].head(most)
        unit = writer.unit(species.unit_of.get(destination, ""))
        rows.append([writer.say("cell.destination", site=writer.site(destination), unit=unit)])
        for row in own.to_dict("records"):
            rows.append(
                [
                    writer.numbers.count(row["rank"]),
                    writer.site(row["source"]),
                    writer.numbers.interval(row["fst"], row.get("fst_ci_low"), row.get("fst_ci_high")),
                    writer.numbers.km(row["sea_km"]),
                    writer.say(f"advice.{row['advice']}"),
                ]
            )
    columns = [
        writer.column("column.rank", number=True),
        writer.column("column.source"),
        writer.column("column.fst", number=True),
        writer.column("column.sea_km", number=True),
        writer.column("column.advice"),
    ]
    return writer.table(writer.say("caption.ranking"), columns, rows, "grouped")
