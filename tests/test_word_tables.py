"""The tables of a report as a word processor reads them: parsed again by another library's HTML reader."""

import json

from bs4 import BeautifulSoup
from test_latex import TABLE

from analytics.reports import workbook


def test_tables_in_html_are_read_again_cell_by_cell(tmp_path):
    source = tmp_path / "results.json"
    content = {"shown": [{"frame": TABLE, "title": "Zones <b> months"}], "results": {}, "answer": "1 < 2"}
    source.write_text(json.dumps(content))
    made = workbook.write_html(source, tmp_path / "made.tables.html", title="Does it grow?")
    read = BeautifulSoup(made.read_text(), "html.parser").find("table")
    assert [[cell.text for cell in row.find_all("td")] for row in read.find("tbody").find_all("tr")] == [
        ["crown & a_b", "−12.3457", "1234567"],
        ["50 % {x} #1 $ ~ ^ \\", "0.00123457", "9"],
    ]
    text = made.read_text()
    assert "<caption>Zones &lt;b&gt; months</caption>" in text
    assert "<p>1 &lt; 2</p>" in text
    for word in ("<script", "<style", "<svg", "http"):
        assert word not in text


def test_a_report_is_made_for_a_word_processor_where_asked(sample_report):
    assert sample_report.files["tables.html"].read_text().count("<table") > 0
