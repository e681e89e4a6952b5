"""How small a line would have been drawn, where sampling is best, where it is worst, and in a contact."""

from __future__ import annotations

from homewater.report.pages.elements import Section, SpeciesPage


def add_detection_curve(section: Section, page: SpeciesPage) -> None:
    """Add the table of F_ST drawn with three chances to a section; nothing where no line could have been drawn.

    Args:
        section: the section on stocks and lines.
        page: the species.
    """
    summary, writer, numbers = page.records["units_summary"], page.writer, page.numbers
    places = summary["smallest_detectable_fst"]["places"]
    if not places:
        return
    rows = []
    for place in places:
        ends = writer.listing([writer.site(place["side_a"]), writer.site(place["side_b"])])
        name = page.say(f"detection.{place['kind']}", sites=ends, count=place["n_contact_sites"])
        asked = numbers.interval(place["value"], place["ci_low"], place["ci_high"])
        rows.append([name, numbers.number(place["fst_seen_by_half"]), asked, numbers.number(place["fst_seen_by_95"])])
    columns = [writer.column("column.detection.place"), writer.column("column.detection.half", number=True)]
    columns.append(writer.column("column.detection.asked", number=True, power=numbers.stated(summary["power"])))
    columns.append(writer.column("column.detection.most", number=True))
    section.add("table", writer.table(page.say("caption.detection"), columns, rows))
    section.say(page.say("detection.meaning", studies=numbers.count(summary["smallest_detectable_fst"]["replicates"])))
