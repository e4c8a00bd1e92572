"""The tables of a report in LaTeX, read again by the rules of its tables (LaTeX manual, `tabular`)."""

import json
import re

from analytics.reports import workbook

TABLE = {
    "columns": ["zone", "estimate", "n_patients", "flag"],
    "rows": [
        ["crown & a_b", -12.3456789, 1234567, None],
        ["50 % {x} #1 $ ~ ^ \\", 0.001234567, 9, None],
    ],
}


def _cells(text: str) -> list[list[str]]:
    """Return the cells of the body of each line that ends in two backslashes, escapes undone."""
    body = text.split(r"\endlastfoot")[1].split(r"\end{longtable}")[0]
    lines = [line.strip() for line in re.split(r"\\\\\n", body) if "&" in line]
    undone = {r"\textbackslash{}": "\\", r"\textasciitilde{}": "~", r"\textasciicircum{}": "^", "$-$": "-"}
    out = []
    for line in lines:
        cells = []
        for cell in re.split(r"(?<!\\)&", line.replace(r"\midrule", "").replace(r"\bottomrule", "")):
            for made, letter in undone.items():
                cell = cell.replace(made, letter)
            cells.append(re.sub(r"\\([&%$#_{}])", r"\1", cell).strip())
        out.append(cells)
    return out


def test_tables_in_latex_are_read_again_with_two_digits_more_and_no_letter_is_a_command(tmp_path):
    source = tmp_path / "results.json"
    content = {"shown": [{"frame": TABLE, "title": "Zones & months"}], "results": {}}
    source.write_text(json.dumps(content))
    made = workbook.write_latex(source, tmp_path / "made.tex", title="Does it\ngrow?").read_text()
    assert made.startswith("% Does it grow?\n")
    assert r"\caption{Zones \& months}" in made
    assert _cells(made) == [
        ["crown & a_b", "-12.3457", "1234567"],
        ["50 % {x} #1 $ ~ ^ \\", "0.00123457", "9"],
    ]
    assert r"crown \& a\_b" in made
    assert r"50 \% \{x\} \#1 \$ \textasciitilde{} \textasciicircum{} \textbackslash{}" in made
    assert made.count("{") == made.count("}")


def test_a_report_is_made_in_latex_where_asked(sample_report):
    text = sample_report.files["tex"].read_text()
    assert text.count(r"\begin{longtable}") == text.count(r"\end{longtable}") > 0
