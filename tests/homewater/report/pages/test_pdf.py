"""The report as a PDF: its tags hold, its bytes repeat, it stands alone."""

import io
import itertools
import os
import re
import subprocess
import sys

import pikepdf
import pytest
from tests.homewater.report.made_pages import ROOT, Reader, made

from homewater.report.pages.pdf import structure_elements, to_pdf
from homewater.running.environment import fixed_environment, prepare_caches

# The text libraries read their fonts when loaded, so the packaged ones are set before the first PDF of this process.
prepare_caches(ROOT)
os.environ["FONTCONFIG_FILE"] = fixed_environment(ROOT, os.environ)["FONTCONFIG_FILE"]


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
from tests.homewater.report.made_pages import page_of
from tests.homewater.report.made_results import study
from homewater.report.pages.pdf import to_pdf
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
