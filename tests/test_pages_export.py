"""The formats hold the same numbers, open offline, and cannot be made to run anything."""

import html
import json
import re
import struct
import zipfile
from html.parser import HTMLParser
from xml.etree import ElementTree

import nbformat
import openpyxl
import pytest

from analytics.reports import browser, export, workbook


@pytest.fixture(scope="module")
def page(sample_report):
    """Return the text of the HTML report."""
    return sample_report.files["html"].read_text(encoding="utf-8")


class _Tags(HTMLParser):
    """Every tag with its attributes, in order."""

    def __init__(self):
        super().__init__()
        self.tags = []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))


def _tags(page: str, name: str) -> list[dict]:
    reader = _Tags()
    reader.feed(page)
    return [attributes for tag, attributes in reader.tags if tag == name]


def test_the_page_has_its_language_one_first_heading_and_a_way_past_the_head(page):
    assert _tags(page, "html") == [{"lang": "en"}]
    assert len(_tags(page, "h1")) == 1
    assert {"class": "rw-skip", "href": "#answer"} in _tags(page, "a")
    assert 'id="answer"' in page


def test_the_page_names_nothing_outside_itself_and_forbids_it(page):
    addresses = re.findall(r'(?:src|href|srcset|action)="([^"]*)"', page)
    kinds = ("xlsx", "tex", "tables.html", "figures.zip")
    beside = (*(f"sample_20260331.{kind}" for kind in kinds), "results.json", "../index.html")
    assert [a for a in addresses if not a.startswith(("data:", "#")) and a not in beside] == []
    assert "@import" not in page
    assert not _tags(page, "script")
    assert "default-src 'none'" in page


def test_the_code_is_hidden(page):
    assert "pages.begin" not in page
    assert "import numpy" not in page


def test_every_image_has_a_written_alternative_with_its_numbers(page):
    images = [tag for tag in _tags(page, "svg") if tag.get("role") == "img"]
    assert len(images) == 4, "two pictures, each for a desk and for a telephone"
    assert images[0]["aria-label"].startswith(
        "A dot and a bar for each of three zones, in percent. Frontal 89"
    )
    assert "Temples fewer than 5 patients" in images[0]["aria-label"]
    assert images[1]["aria-label"] == images[0]["aria-label"]


def test_every_figure_has_the_table_of_its_numbers_folded_beneath(page):
    assert len(_tags(page, "figure")) == len(re.findall(r"<summary>The numbers of figure \d", page)) == 2


def test_no_id_is_used_twice(page):
    ids = [a["id"] for tag, a in _all(page) if "id" in a]
    assert len(ids) == len(set(ids))


def _all(page: str) -> list:
    reader = _Tags()
    reader.feed(page)
    return reader.tags


def test_the_settings_are_printed_with_the_code_as_typed(page):
    assert '<th scope="row">chair</th><td>007</td>' in page


def test_the_workbook_holds_real_numbers_at_full_precision(sample_report):
    # Read back by openpyxl, another library than the one that wrote it.
    book = openpyxl.load_workbook(sample_report.files["xlsx"])
    sheet = book["By zone"]
    head = [cell.value for cell in sheet[1]]
    row = dict(zip(head, [cell.value for cell in sheet[2]], strict=True))
    assert (row["zone"], row["estimate"], row["n_patients"]) == ("frontal", 89.25, 120)
    assert isinstance(row["estimate"], float)
    assert sheet.freeze_panes == "A2"
    assert sheet["C4"].value is None, "a number that is not there is an empty cell"


def test_the_workbook_has_a_sheet_a_table_and_one_of_meanings(sample_report):
    book = openpyxl.load_workbook(sample_report.files["xlsx"])
    assert book.sheetnames == [
        "About",
        "By zone",
        "Growth",
        "Growth curve",
        "Ages",
        "Rows left out, and why",
        "Meanings",
    ]
    meanings = {row[0].value: row[1].value for row in book["Meanings"].iter_rows(min_row=2)}
    assert {cell.value for cell in book["By zone"][1]} - {"zone"} <= set(meanings)


# The characters named by OWASP, "CSV Injection".
@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_text_a_spreadsheet_takes_for_a_formula_is_written_as_text(tmp_path, start):
    text = f"{start}cmd|' /C calc'!A0"
    table = {"columns": [text, "estimate"], "rows": [[text, -1.5]]}
    content = {
        "answer": text,
        "attention": [text],
        "audience": "internal",
        "results": {"r": {"table": table, "by": [], "notes": [text], "facts": {"method": text}}},
        "shown": [],
        "provenance": {"version": "1", "commit": "x", "settings": {"label": text}, "sources": []},
    }
    (tmp_path / "results.json").write_text(json.dumps(content))
    workbook.write(tmp_path / "results.json", tmp_path / "t.xlsx", title=text)
    book = openpyxl.load_workbook(tmp_path / "t.xlsx")
    cells = [
        cell for sheet in book for row in sheet.iter_rows() for cell in row if isinstance(cell.value, str)
    ]
    assert all(cell.data_type == "s" and not cell.value.startswith(start) for cell in cells)
    assert book["R"]["B2"].value == -1.5, "a negative number stays a number"


def test_the_workbook_holds_no_formula_and_no_link(sample_report):
    with zipfile.ZipFile(sample_report.files["xlsx"]) as book:
        sheets = [
            book.read(name).decode() for name in book.namelist() if name.startswith("xl/worksheets/sheet")
        ]
    assert sheets
    assert not any("<f>" in sheet or "<hyperlink" in sheet for sheet in sheets)


@pytest.mark.browser
@pytest.mark.skipif(browser.find() is None, reason="no Chromium, Chrome or Edge on this computer")
def test_the_pdf_is_tagged_and_knows_its_language(sample_report):
    data = sample_report.files["pdf"].read_bytes()
    assert data.startswith(b"%PDF-")
    # PDF 32000-1, 14.7 and 14.8: a tagged document has a structure tree and says that it is marked.
    assert b"/StructTreeRoot" in data
    assert re.search(rb"/MarkInfo\s*<<\s*/Type\s*/MarkInfo\s*/Marked true|/Marked true", data)
    assert b"/Lang" in data


def test_without_a_browser_the_pdf_is_a_plain_sentence(sample_report, tmp_path, monkeypatch):
    monkeypatch.setattr(browser, "find", lambda: None)
    with pytest.raises(browser.AnalyticsError, match="no Chromium, Chrome or Edge was found"):
        browser.pdf(sample_report.files["html"], tmp_path / "t.pdf")


def test_what_a_library_prints_is_not_published():
    """A warning names the file it arose in, and so the folders of the machine."""
    cell = nbformat.v4.new_code_cell("page = 1")
    cell.outputs = [
        nbformat.v4.new_output(
            "stream", name="stderr", text="/home/desk/analytics/x.py:1: UserWarning: small"
        ),
        nbformat.v4.new_output("display_data", data={"text/html": "<p>kept</p>"}),
    ]
    stripped = export.stripped(nbformat.v4.new_notebook(cells=[cell]))
    assert [o.output_type for o in stripped.cells[0].outputs] == ["display_data"]
    assert "/home/desk" not in nbformat.writes(stripped)


def test_every_figure_lies_as_svg_and_png_beside_each_other_without_titles_of_marks(sample_report, page):
    with zipfile.ZipFile(sample_report.files["figures.zip"]) as packed:
        content = {name: packed.read(name) for name in packed.namelist()}
    names = ("figure_1_by_zone", "figure_2_growth")
    assert sorted(content) == [f"{name}.{kind}" for name in names for kind in ("png", "svg")]
    for name in names:
        root = ElementTree.fromstring(content[f"{name}.svg"])
        assert root.get("aria-label") in html.unescape(page)
        assert "http" not in content[f"{name}.svg"].decode().replace("http://www.w3.org/", "")
        assert not root.findall(".//{http://www.w3.org/2000/svg}title")
        inches = [float(root.get(side).removesuffix("in")) for side in ("width", "height")]
        # PNG specification, section 11.2: width and height follow the first chunk's name, 300 dots an inch.
        dots = struct.unpack(">II", content[f"{name}.png"][16:24])
        assert dots == pytest.approx([300 * side for side in inches], abs=1)
