"""The report as a page and as a PDF: what it says, that it stands alone, that its bytes repeat, that its tags hold."""

import io
import itertools
import os
import re
import subprocess
import sys
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
import pikepdf
import pytest
import yaml
from tests.homewater.report_tables import sea_table, site_table, study

from homewater.report.pages.closing import flat_settings
from homewater.report.pages.page import render
from homewater.report.pages.pdf import structure_elements, to_pdf
from homewater.report.pages.results import StudyResults
from homewater.running.environment import fixed_environment, prepare_caches

ROOT = Path(__file__).resolve().parents[4]
TEMPLATES = ROOT / "workflow" / "templates"
WORDS = yaml.safe_load((TEMPLATES / "catalogue" / "en.yaml").read_text(encoding="utf-8"))
# The text libraries read their fonts when loaded, so the packaged ones are set before the first PDF of this process.
prepare_caches(ROOT)
os.environ["FONTCONFIG_FILE"] = fixed_environment(ROOT, os.environ)["FONTCONFIG_FILE"]


def page_of(results: StudyResults) -> str:
    template = (TEMPLATES / "report.html.j2").read_text(encoding="utf-8")
    return render(results, WORDS, template, (TEMPLATES / "style.css").read_text(encoding="utf-8"))


class Reader(HTMLParser):
    """Collects text, headings, tags that stay open, addresses, alternative texts and anchors."""

    def __init__(self, page: str):
        super().__init__()
        self.text, self.headings, self.open, self.addresses, self.alts, self.ids, self.tags = [], [], [], [], [], [], []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        values = dict(attrs)
        self.tags.append(tag)
        if tag not in ("meta", "img", "br", "link"):
            self.open.append(tag)
        if re.fullmatch("h[1-6]", tag):
            self.headings.append(int(tag[1]))
        self.addresses += [values[name] for name in ("src", "href") if name in values]
        self.ids += [values["id"]] if "id" in values else []
        if tag == "img":
            self.alts.append(values.get("alt", ""))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open:
            self.text.append(data)

    @property
    def words(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.text))


VARIANTS = {
    "two units and one": {"units": (2, 1)},
    "four units, no query, odd ids": {"units": (4,), "query": False, "moved": False, "odd": True},
    "one unit alone": {"units": (1,), "query": False, "moved": False},
    "three sites, no farm": {"units": (1, 2), "n_wild": 3, "n_farm": 0},
}


@cache
def made(name: str) -> tuple[StudyResults, str]:
    """Return the results and the page of one variant, made once; callers change neither."""
    results = study(**VARIANTS[name])
    return results, page_of(results)


@pytest.fixture(params=VARIANTS)
def case(request):
    return made(request.param)


def test_the_page_is_well_formed_and_stands_alone(case):
    reader = Reader(case[1])
    assert not reader.open
    assert all(a.startswith(("data:image/svg+xml;base64,", "#")) for a in reader.addresses)
    assert "url(" not in case[1].replace("url(#", "")
    assert len(set(reader.ids)) == len(reader.ids)
    assert {a[1:] for a in reader.addresses if a.startswith("#")} <= set(reader.ids)


def test_headings_do_not_skip_and_figures_have_texts(case):
    reader = Reader(case[1])
    assert reader.headings[0] == 1
    assert reader.headings.count(1) == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(reader.headings))
    assert reader.alts
    assert all(len(alt) > 20 for alt in reader.alts)


def test_nothing_missing_is_printed_as_the_program_writes_it(case):
    words = Reader(case[1]).words
    assert not re.findall(r"\b(nan|NaN|None|NaT|inf|NA)\b|<NA>|unit_\d", words.replace(" {x}", ""))


def test_every_site_and_species_stands_in_the_report(case):
    results, page = case
    words = Reader(page).words
    for site in results.sites["locationID"]:
        assert site in words
    for species in results.species:
        assert species.settings["name"] in words
        assert species.settings["scientific_name"] in words


def test_clines_are_said_and_drawn_a_step_as_a_step_and_none_with_its_reason():
    words = Reader(made("two units and one")[1]).words
    assert "From unit 1 to unit 2 the share of unit 2 rises along a cline that is 52 (31 to 88) km wide." in words
    assert "Its centre lies between Noup Bay (V06) and Skarn Ness (V07), 220 (213 to 229) km by water from" in words
    four = Reader(made("four units, no query, odd ids")[1])
    assert "From unit 2 to unit 3 ancestry changes in one step between" in four.words
    assert "A cline there would be at most 88 km wide." in four.words
    assert "No cline was fitted between unit 3 and unit 4: their sites do not follow one another" in four.words
    assert sum(alt.startswith("Share of unit") for alt in four.alts) == 2
    assert "The sites lie farther from the curve than chance explains" in four.words
    assert "farther from the curve" not in words
    assert words.count("stands for its stock") == four.words.count("stands for its stock") == 1
    assert "cline" not in Reader(made("one unit alone")[1]).words


def test_odd_ids_are_escaped_everywhere():
    page = made("four units, no query, odd ids")[1]
    assert "<ж>" not in page
    assert "<b>{x}" not in page
    assert "&lt;ж&gt;" in page
    reader = Reader(page)
    assert "ж" not in reader.tags
    assert any("<ж>&" in alt for alt in reader.alts)


def test_units_lines_panel_and_rates_are_said():
    words = Reader(made("two units and one")[1]).words
    assert "Two stocks" in words
    assert "A line runs between Noup Bay (V06) and Skarn Ness (V07)." in words
    assert "0.045 (0.041 to 0.049)" in words
    assert "differ in F ST by 0.001 (0.000 to 0.003) more" in words
    assert "Among the 11 ways" in words
    assert "four add more (rank 5). This rank describes; it is not a p value. The interval holds 0" in words
    assert "99.5 (98.7 to 99.8) %" in words
    assert "16,920 animals moved" in words
    assert "No panel: one unit." in words
    assert "0.0021 or more would have been seen with a chance of 80 %" in words
    assert "Holm Bay (F03) has no local stock" in words
    assert "closed to fishing" not in words.split("Kelp urchin Strongylus")[0]


def test_the_panel_is_said_as_an_order_with_its_controls_and_catches():
    results = study((2,))
    text = Reader(page_of(results)).words
    assert "Only 80 markers could be had, of 84 wanted" in text
    assert "has another known variant within 20 bases" in text
    assert "because the study names no reference genome" in text
    assert "is 2.0 (1.0 to 3.0) % of animals" in text  # the optimism: 0.02, 0.01 to 0.03
    assert "more than chance makes" in text  # an error of 0.012 beyond 0.011
    assert "in 2022" in text  # two years at the first site with query animals
    assert text.count("(where stocks meet)") == 2
    tables = results.species[0].tables
    tables["panel"] = tables["panel"].iloc[:0]
    results.species[0].records["panel_order"]["n_markers"] = 0
    text = Reader(page_of(results)).words
    assert "Only 0 markers could be had, of 84 wanted" in text


def test_flagged_animals_are_counted_beside_those_expected_by_chance():
    results, page = made("two units and one")
    rates = results.species[0].tables["site_rates"]
    rates = rates[~rates["locationID"].isin(results.species[0].contact_sites)]
    assert len(rates) > 3
    flagged = int((rates["n_non_local"] + rates["n_mixed"]).sum())
    assert f"{flagged} are flagged as from elsewhere or mixed; {0.02 * len(rates):.2f} such" in Reader(page).words


def test_groups_beyond_their_cline_stand_in_a_table_and_the_others_are_counted():
    results = study((2,))
    text = Reader(page_of(results)).words
    groups = len(results.species[0].tables["natural_contact"])
    assert f"Of {groups} groups of animals 1 holds more than the cline explains" in text
    assert "below 0.1 %" in text
    table = results.species[0].tables["natural_contact"]
    results.species[0].tables["natural_contact"] = table[table["reading"] == "as_the_cline"]
    text = Reader(page_of(results)).words
    assert f"None of {groups - 1} groups of animals holds more than the cline explains" in text


def test_dates_of_mixing_stand_in_a_table_or_the_page_says_why_not():
    results = study((2,))
    text = Reader(page_of(results)).words
    assert "61 (44 to 80)" in text
    assert "3.0 (1.0 to ∞)" in text
    assert "Up to 10 generations count as recent here" in text
    table = results.species[0].tables["mixing_dates"]
    results.species[0].tables["mixing_dates"] = table.iloc[:0]
    assert "that needs a recombination map" in Reader(page_of(results)).words
    results.species[0].settings["recombination"]["map"] = "map.csv"
    text = Reader(page_of(results)).words
    assert "no animal is clearly mixed" in text
    assert "that needs a recombination map" not in text


def test_no_animal_is_called_local_where_there_is_no_local_stock():
    """Every animal at the site without a unit is flagged pure_a, which there means the stock that fits best."""
    results = study(units=(2,), n_wild=4, n_farm=1)
    tables = results.species[0].tables
    empty = tables["calls"]["local_unit"] == ""
    assert empty.sum() >= 5
    calls = tables["calls"].assign(outcome=np.where(empty, "non_local", "local"))
    tables["calls"] = calls
    tables["origin_classes"] = tables["origin_classes"].assign(verdict_class="pure_a")
    words = Reader(page_of(results)).words
    assert f"from the best-fitting stock 0 {empty.sum()}" in words
    assert "Animals from elsewhere or mixed at sites with a local stock" not in words


def test_only_invented_studies_say_so():
    results = study(units=(1,), query=False, n_wild=3, n_farm=0)
    assert "The data in this report are invented." in page_of(results)
    results.settings["study"]["invented"] = False
    assert "invented." not in Reader(page_of(results)).words


def test_the_report_holds_no_path_of_the_machine(case):
    assert not re.findall(r"/(?:home|tmp|root|work|usr|opt)/", case[1])


def test_settings_are_listed_flat():
    settings = {"a": {"b": 0.5, "c": [1, 2]}, "d": [{"e": "x"}, {"e": "y"}], "f": True}
    expected = [("a.b", "0.5"), ("a.c", "[1, 2]"), ("d[1].e", "x"), ("d[2].e", "y"), ("f", "true")]
    assert flat_settings(settings) == expected


def test_empty_tables_make_a_report_that_says_so():
    """Nothing but headers in every table of the species: no animal kept, no unit, no rates."""
    results = study(units=(1,), query=False, moved=False, n_wild=3, n_farm=1)
    species = results.species[0]
    for name, table in species.tables.items():
        if name not in ("units", "site_roles"):
            species.tables[name] = table.iloc[:0]
    species.tables["units"] = species.tables["units"].assign(unit="", basis="none", contact_zone=False)
    values = {name: None for name in species.records["units_summary"]["values"]} | {"n_units": 0, "n_sites_tested": 0}
    species.records["units_summary"].update(n_units=0, statement_id="too_few_animals", values=values)
    species.records["units_summary"]["smallest_detectable_fst"]["value"] = None
    words = Reader(page_of(results)).words
    assert "None can be described." in words
    assert "No site has animals enough to describe a stock." in words
    assert "cannot be stated" in words
    assert "No panel. No stock could be described" in words
    assert "Sample more animals" in words
    assert "No place along the coast could be tested" in words
    assert "one stock." not in words.split("Methods")[0]
    assert "0 animals passed" in words
    assert "too few sites, or too few far ones" in words


def test_unknown_numbers_are_printed_as_dashes():
    """Every number of every table missing, as after a study with one chromosome or too few animals."""
    results = study(units=(2,), query=False, moved=True, n_wild=4, n_farm=1)
    for name, table in results.species[0].tables.items():
        keep = ("rank", "axis", "k", "n", "n_markers", "before", "removed", "after", "n_sites", "transfers")
        unknown = {c: np.nan for c in table.select_dtypes("number").columns if c not in keep}
        results.species[0].tables[name] = table.assign(**unknown)
    words = Reader(page_of(results)).words
    assert not re.findall(r"\b(nan|NaN|inf|NA)\b|<NA>", words)
    assert " – " in words


def test_mixed_descent_where_stocks_meet_is_not_told_as_animals_from_elsewhere():
    results = study(units=(2,), query=True, moved=True, n_wild=5, n_farm=1)
    species = results.species[0]
    (site,) = species.contact_sites
    rates = species.tables["site_rates"]
    assert site in set(rates["locationID"])
    species.tables["site_rates"] = rates.assign(rate=0.9, ci_low=0.8, ci_high=0.95, expected_false=0.0)
    words = Reader(page_of(results)).words
    named = f"At {results.locality[site]} ({site})"
    assert f"{named}, where stocks meet by themselves" in words
    assert f"{named}, 90" not in words
    assert re.search(r", 90 \(80 to 95\) % of animals carry", words)
    assert "it says nothing of moved animals" in words


def test_the_report_says_why_a_supported_number_of_groups_is_not_shown():
    """Four units stand for five supported groups of which four are found again (report_tables)."""
    words = Reader(made("four units, no query, odd ids")[1]).words
    assert "predicted best by five groups. Shares in so many groups are not reported: of 9 starts" in words
    assert "next smaller number that is found again, four groups. Of 3 starts of the fit 2 agree" in words
    assert "are not reported" not in Reader(made("two units and one")[1]).words


def test_overall_fst_axes_and_groups_within_stocks_are_said_with_their_cautions():
    words = Reader(made("two units and one")[1]).words
    assert "sites is 0.0312 (0.0301 to 0.0323) at equal sample sizes (9 animals a site" in words
    assert "and 0.029 (0.027 to 0.030) with all animals as sampled" in words
    assert "one group is supported (70 animals)" in words
    assert "no number of groups, however well supported, divides a stock" in words
    assert "One axis of difference among animals is beyond what chance gives" in words
    assert "no upper end" in words
    alone = Reader(made("one unit alone")[1]).words
    assert "inside each stock" not in alone
    assert "Overall F ST of" in alone


def test_odd_kinships_come_with_all_readings_and_what_would_tell():
    words = Reader(made("two units and one")[1]).words
    assert "one is closer kin to a site far away than to both of its neighbours" in words
    assert "0.017 (0.014 to 0.021)" in words
    for reading in ("Old history:", "Transfers:", "Sampling:", "before the first recorded move of 1 May 2021"):
        assert reading in words
    alone = Reader(made("one unit alone")[1]).words
    assert "none is closer kin to a site far away" in alone
    assert "of 0.0031 would have been seen with a chance of 80 %" in alone


def test_what_files_disagree_in_is_counted_by_kind():
    words = Reader(page_of(study(units=(2,)))).words
    assert "the other strand, turned (1), strand that cannot be told, calls left out (1)" in words
    assert "calls of an animal, left missing (1) and further rows not listed (12)" in words
    assert "Several genotype files were joined" not in Reader(page_of(study(units=(1,)))).words


# The PDF


@pytest.fixture(scope="module")
def pdf_case():
    results, page = made("four units, no query, odd ids")
    with pikepdf.open(io.BytesIO(to_pdf(page, results.date))) as pdf:
        yield results, page, pdf


def test_pdf_says_what_it_is(pdf_case):
    """PDF/UA-1 (ISO 14289-1) conditions that a machine can read; a pass is no conformance."""
    results, _, pdf = pdf_case
    root = pdf.Root
    assert str(root.Lang) == "en"
    assert root.MarkInfo.Marked
    assert root.ViewerPreferences.DisplayDocTitle
    with pdf.open_metadata() as metadata:
        assert metadata["pdfuaid:part"] == "1"
        assert results.settings["study"]["title"] in str(metadata["dc:title"])
    assert str(pdf.docinfo["/CreationDate"]).startswith("D:20220615")
    assert all(str(page.get("/Tabs")) == "/S" for page in pdf.pages if "/Annots" in page)


def test_pdf_figures_have_texts_and_heads_of_tables_a_scope(pdf_case):
    _, page, pdf = pdf_case
    elements = list(structure_elements(pdf))
    figures = [e for e, _ in elements if str(e.S) == "/Figure"]
    assert len(figures) == len(Reader(page).alts)
    assert all(len(str(e.Alt)) > 20 for e in figures)
    heads = [(str(e.A.Scope), above) for e, above in elements if str(e.S) == "/TH"]
    assert len(heads) > 50
    assert all((scope == "/Column") == ("/THead" in above) for scope, above in heads)
    tables = [e for e, _ in elements if str(e.S) == "/Table"]
    assert len(tables) >= 10


def test_pdf_headings_do_not_skip_and_links_have_texts(pdf_case):
    levels = [int(str(e.S)[2]) for e, _ in structure_elements(pdf_case[2]) if re.fullmatch("/H[1-6]", str(e.S))]
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))
    notes = [note for page in pdf_case[2].pages for note in page.get("/Annots", [])]
    assert notes
    assert all(str(note.Contents) for note in notes)


def fonts_of(pdf: pikepdf.Pdf) -> list[pikepdf.Dictionary]:
    found = {}
    for page in pdf.pages:
        for font in page.Resources.get("/Font", {}).values():
            found[font.objgen] = font
    return list(found.values())


def test_pdf_fonts_are_the_packaged_ones_embedded_and_mapped_to_letters(pdf_case):
    fonts = fonts_of(pdf_case[2])
    assert fonts
    for font in fonts:
        assert "Source-Sans-Pro" in str(font.BaseFont).replace("SourceSansPro", "Source-Sans-Pro")
        assert "/ToUnicode" in font
        descriptor = font.DescendantFonts[0].FontDescriptor if "/DescendantFonts" in font else font.FontDescriptor
        assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(descriptor.keys())


def test_pdf_has_no_content_outside_its_tags(pdf_case):
    for page in pdf_case[2].pages:
        depth, marked = 0, 0
        for operands, operator in pikepdf.parse_content_stream(page):
            name = str(operator)
            if name in ("BDC", "BMC"):
                depth += 1
                marked += 1
            elif name == "EMC":
                depth -= 1
            elif name in ("Tj", "TJ", "Do") and not depth:
                pytest.fail(f"{name} {operands} outside marked content")
        assert marked


MAKER = """
import sys
sys.path[:0] = [{scripts!r}, {tests!r}]
from pathlib import Path
from tests.homewater.report.pages.test_page import page_of, study, to_pdf
results = study(units=(2,), n_wild=4, n_farm=1, query=False)
page = page_of(results)
Path("r.html").write_text(page, encoding="utf-8")
Path("r.pdf").write_bytes(to_pdf(page, results.date))
"""


def test_the_same_bytes_twice_in_two_folders_under_two_hash_seeds(tmp_path):
    code = MAKER.format(scripts=str(ROOT / "scripts"), tests=str(ROOT))
    for name in ("one", "another/deeper"):
        folder = tmp_path / name
        folder.mkdir(parents=True)
        environment = {**os.environ, "PYTHONHASHSEED": str(len(name)), "MPLCONFIGDIR": str(folder / "cache")}
        subprocess.run([sys.executable, "-c", code], cwd=folder, env=environment, check=True)
    for file in ("r.html", "r.pdf"):
        assert (tmp_path / "one" / file).read_bytes() == (tmp_path / "another/deeper" / file).read_bytes()


def test_a_page_that_refers_outside_itself_is_refused(tmp_path):
    picture = tmp_path / "a.svg"
    picture.write_text("<svg xmlns='http://www.w3.org/2000/svg'/>", encoding="utf-8")
    html = f"<html lang='en'><title>t</title><body><h1>h</h1><img alt='a' src='{picture.as_uri()}'></body></html>"
    with pytest.raises(ValueError, match="outside itself"):
        to_pdf(html, "2022-06-15")


def test_invented_tables_are_not_in_coastal_order():
    """The tests above would not notice a report that keeps the list's order if the list were in coastal order."""
    sites = site_table()
    assert list(sites["locationID"]) != sorted(sites["locationID"])
    assert isinstance(sea_table(sites), pd.DataFrame)
