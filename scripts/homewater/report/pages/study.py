"""Page on the study as a whole: the map and the table of all sites."""

from __future__ import annotations

from markupsafe import Markup

from homewater.report.figures.map import MapSite, draw_map
from homewater.report.pages.elements import Section, Table, Writer
from homewater.report.pages.results import SpeciesResults, StudyResults
from homewater.report.words.numbers import is_missing

MAP_HEIGHT_MM = (70, 112)  # the more sites, the lower, so that map and table of sites share a page


def map_sites(study: StudyResults, species: SpeciesResults | None) -> list[MapSite]:
    """Return the sites as a map shows them, with units where a species is given."""
    contact = species.contact_sites if species is not None else set()
    return [
        MapSite(
            site=row["locationID"],
            longitude=float(row["decimalLongitude"]),
            latitude=float(row["decimalLatitude"]),
            unit=species.unit_of.get(row["locationID"], "") if species is not None else "",
            jurisdiction=str(row["jurisdiction"]),
            kind=study.kind[row["locationID"]],
            contact_zone=row["locationID"] in contact,
        )
        for row in study.sites.to_dict("records")
    ]


def study_section(study: StudyResults, writer: Writer) -> Section:
    """Return the section with the map and the table of all sites, and what is to be said of their places."""
    section, text = (Section(writer.say("heading.study"), "study") for _ in range(2))
    text.say(writer.say("study.text"))
    farms = sum(kind != "wild" for kind in study.kind.values())
    if farms:
        text.say(writer.say("study.farms", count=farms))
    shift = study.site_positions["shift_km"].astype(float)
    if (shift > 0).any():
        text.say(writer.say("study.shifted", count=int((shift > 0).sum()), km=writer.numbers.km(shift.max())))
    cut_off = int(study.sea_distance["sea_km"].isna().sum())
    if cut_off:
        text.say(writer.say("study.cut_off", count=cut_off))
    jurisdictions = writer.listing(dict.fromkeys(study.jurisdiction.values()))
    height_mm = max(MAP_HEIGHT_MM[0], MAP_HEIGHT_MM[1] - 1.5 * max(0, len(study.sites) - 8))
    figure = draw_map(map_sites(study, None), study.land, writer.words, show_units=False, max_height_mm=height_mm)
    alt = writer.plain("alt.study_map", count=len(study.sites), jurisdictions=jurisdictions.unescape())
    section.illustrate(writer.drawing(figure, alt, writer.say("caption.study_map")), text)
    section.add("table", _sites_table(study, writer))
    return section


def _sites_table(study: StudyResults, writer: Writer) -> Table:
    sites = study.sites.set_index("locationID")
    rows, under = [], None
    for site in study.coast:
        if study.jurisdiction[site] != under:  # said once a stretch of coast, so that each site takes one line
            under = study.jurisdiction[site]
            rows.append([Markup.escape(under)])
        fishing = sites.loc[site, "fishing"] if "fishing" in sites else None
        cells = [
            Markup.escape(site),
            Markup.escape(study.locality[site]),
            writer.say(f"kind.{study.kind[site]}"),
            writer.say("format.missing" if is_missing(fishing) else f"fishing.{fishing}"),
        ]
        for species in study.species:
            animals = species.tables["animals"]
            own = animals[(animals["locationID"] == site) & (animals["status"] == "kept")]
            baseline, query = (int((own["role"] == role).sum()) for role in ("baseline", "query"))
            texts = {"baseline": writer.numbers.count(baseline), "query": writer.numbers.count(query)}
            cells.append(writer.say("cell.animals", **texts) if query else texts["baseline"])
        rows.append(cells)
    columns = [writer.column(f"column.{name}") for name in ("site", "name", "kind", "fishing")]
    columns += [writer.column("heading.species", number=True, name=s.settings["name"]) for s in study.species]
    return writer.table(writer.say("caption.sites"), columns, rows, "dense")
