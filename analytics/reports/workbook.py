"""The numbers of a report as an Excel file (a sheet a table, one of meanings), its tables in LaTeX or HTML.

Read from `results.json`, so that they hold what the report shows this audience and nothing else. Text that a
spreadsheet would take for a formula is written as text; what LaTeX would take for a command is escaped.
"""

import datetime
import io
import json
import re
from pathlib import Path
from typing import Any

import pandas as pd
import xlsxwriter

from analytics import files, numbers
from analytics.reports.layout import filled

MEANINGS = {
    "term": "the quantity",
    "x": "where on the axis the value stands (months since the session, unless the sheet says otherwise)",
    "estimate": "the estimate, in its unit, at full precision",
    "se": "standard error, in the unit of the estimate",
    "ci_low": "lower limit of the interval",
    "ci_high": "upper limit of the interval",
    "level": "confidence level of the interval",
    "unit": "unit of estimate, standard error and limits",
    "n_patients": "patients the number rests on",
    "n_rows": "rows (counts) the number rests on",
    "statistic": "test statistic",
    "df": "degrees of freedom",
    "p_value": "p-value",
    "flag": "why a number is not to be trusted, or is not there",
}
MAX_SHEET_NAME = 31
A4 = 9  # paper, in the words of the file format
MOST_WIDE = 60  # letters; longer texts are wrapped, not cut
TENTHS_FROM = 10.0  # numbers as large as this are shown to a tenth
DIGITS = 6  # significant: two more than a page shows
_FIXED_DATE = datetime.datetime(2000, 1, 1)
LATEX_LETTERS = {
    "\\": r"\textbackslash{}", "~": r"\textasciitilde{}", "^": r"\textasciicircum{}",
    **{letter: "\\" + letter for letter in "&%$#_{}"},
    "\u2212": "$-$", "\u00b2": "$^2$", "\u00d7": r"$\times$", "\u2264": r"$\le$", "\u2265": r"$\ge$",
}  # fmt: skip
FORMULA_START = ("=", "+", "-", "@", "\t", "\r")


def write(results: Path, target: Path, *, title: str) -> Path:
    """Write the workbook of a report from its `results.json`."""
    content = json.loads(results.read_text(encoding="utf-8"))
    buffer = io.BytesIO()
    options = {
        "in_memory": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "strings_to_numbers": False,
    }
    book = xlsxwriter.Workbook(buffer, options)
    # A fixed date: the same numbers are the same bytes.
    book.set_properties({"title": title, "comments": content["answer"], "created": _FIXED_DATE})
    _about(book, content, title)
    taken: set[str] = {"about", "meanings"}
    for name, table in _tables(content):
        _table(book, _sheet_name(name, taken), table)
    _meanings(book, content)
    book.close()
    return files.write(target, buffer.getvalue())


def write_latex(results: Path, target: Path, *, title: str) -> Path:
    """Write the tables of a report as LaTeX to take into a text; `booktabs` and `longtable` are needed.

    Columns that are empty in a whole table are left out.
    """
    content = json.loads(results.read_text(encoding="utf-8"))
    parts = [f"% {' '.join(title.split())}", "% needs: \\usepackage{booktabs, longtable}"]
    parts += [_latex(name, table) for name, table in _tables(content) if table["columns"]]
    return files.write(target, "\n\n".join(parts) + "\n")


def write_html(results: Path, target: Path, *, title: str) -> Path:
    """Write the tables of a report as plain HTML that word processors open: captions, heads and cells alone.

    Columns that are empty in a whole table are left out.
    """
    content = json.loads(results.read_text(encoding="utf-8"))
    tables = []
    for name, table in _tables(content):
        frame = pd.DataFrame(table["rows"], columns=table["columns"]).dropna(axis=1, how="all")
        heads = [numbers.heading(str(column)) for column in frame]
        cells = frame.map(lambda value: _digits(value, "\u2212"))
        rows = cells.to_numpy().tolist()
        if heads:
            tables.append({"name": numbers.title_case(numbers.readable(name)), "heads": heads, "rows": rows})
    said = {"title": title, "answer": content["answer"], "banner": content.get("banner", "")}
    return files.write(target, filled("tables", tables=tables, **said) + "\n")


def _latex(name: str, table: dict[str, Any]) -> str:
    frame = pd.DataFrame(table["rows"], columns=table["columns"]).dropna(axis=1, how="all")
    caption = _escaped(numbers.title_case(numbers.readable(name)))
    said = frame.map(_said_in_latex).rename(columns=lambda c: _escaped(numbers.heading(str(c))))
    return str(said.to_latex(index=False, escape=False, longtable=True, caption=caption)).strip()


def _said_in_latex(value: Any) -> str:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return _digits(value, "$-$") if is_number else _escaped(_digits(value, ""))


def _digits(value: Any, minus: str) -> str:
    """Return a cell as text, a number with more digits than a page shows."""
    if value is None or value != value:
        return ""
    if isinstance(value, int | float) and not isinstance(value, bool):
        size = f"{abs(value):.0f}" if float(value).is_integer() else f"{abs(value):.{DIGITS}g}"
        return f"{minus}{size}" if value < 0 else size
    return str(value)


def _escaped(text: str) -> str:
    """Return text of which LaTeX takes no letter for a command."""
    return "".join(LATEX_LETTERS.get(letter, letter) for letter in " ".join(text.split()))


def safe_text(text: str) -> str:
    """Return text that no spreadsheet takes for a formula.

    Examples
    --------
    >>> safe_text("=1+1"), safe_text("crown")
    ("'=1+1", 'crown')
    """
    return f"'{text}" if text.startswith(FORMULA_START) else text


def _tables(content: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    """Return every table of the report with a name, in the order of the page: frames as shown, results whole.

    A result the page shows only as a frame of its own, or not at all, comes last with its curve.
    """
    out: list[tuple[str, dict[str, Any]]] = []
    waiting = dict(content["results"])
    for entry in content["shown"]:
        if "frame" in entry:
            out.append((entry["title"], entry["frame"]))
        elif entry.get("name") in waiting:
            out += _whole(entry["name"], waiting.pop(entry["name"]))
    for name, result in waiting.items():
        out += _whole(name, result)
    return out


def _whole(name: str, result: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    curve = [(f"{name} curve", result["path"])] if "path" in result else []
    return [(name, result["table"]), *curve]


def _about(book: xlsxwriter.Workbook, content: dict[str, Any], title: str) -> None:
    sheet = book.add_worksheet("About")
    sheet.set_column(0, 0, 26)
    sheet.set_column(1, 1, 100, book.add_format({"text_wrap": True, "valign": "top"}))
    rests_on = content["provenance"]
    lines = [
        ("Question", title),
        ("Answer", content["answer"]),
        *(("Needs attention", text) for text in content["attention"]),
        ("Who may read it", content["audience"]),
        ("Note", content.get("banner", "")),
        ("Version", f"{rests_on['version']}, commit {rests_on['commit']}"),
        *((f"Setting {name}", str(value)) for name, value in rests_on["settings"].items()),
        *((f"Table {s['table']}", f"SHA-256 {s['sha256']}") for s in rests_on["sources"]),
    ]
    bold = book.add_format({"bold": True, "valign": "top"})
    for row, (name, text) in enumerate(line for line in lines if line[1]):
        sheet.write_string(row, 0, safe_text(name), bold)
        sheet.write_string(row, 1, safe_text(text))


def _table(book: xlsxwriter.Workbook, name: str, table: dict[str, Any]) -> None:
    """Write one table: heads in bold, first row frozen, filter on, numbers as numbers."""
    sheet = book.add_worksheet(name)
    head = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
    for column, title in enumerate(table["columns"]):
        sheet.write_string(0, column, safe_text(title), head)
    for row, values in enumerate(table["rows"], start=1):
        for column, value in enumerate(values):
            _cell(sheet, row, column, value)
    sheet.freeze_panes(1, 0)
    # Printed as it is read: across the page, one page wide, its head on each.
    sheet.set_landscape()
    sheet.set_paper(A4)
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)
    sheet.set_footer("&L&A&RPage &P of &N")
    if table["columns"]:
        sheet.autofilter(0, 0, max(1, len(table["rows"])), len(table["columns"]) - 1)
    for column, title in enumerate(table["columns"]):
        values = [v[column] for v in table["rows"]]
        longest = max([len(v) for v in values if isinstance(v, str)] or [0])
        looks = _looks(book, [v for v in values if v is not None], longest)
        sheet.set_column(column, column, min(MOST_WIDE, max(len(title), longest, 9) + 2), looks)


def _looks(book: xlsxwriter.Workbook, values: list[Any], longest: int) -> Any:
    """Return how a column is shown: whole numbers as such, others with the decimals they need, texts whole.

    The cells hold full precision: only what is seen is rounded.
    """
    if any(isinstance(v, str) for v in values):
        return book.add_format({"text_wrap": True, "valign": "top"}) if longest > MOST_WIDE else None
    numbers_here = [abs(v) for v in values if isinstance(v, int | float) and not isinstance(v, bool)]
    if not numbers_here:
        return None
    if all(float(v).is_integer() for v in numbers_here):
        return book.add_format({"num_format": "#,##0"})
    return book.add_format({"num_format": "#,##0.0" if max(numbers_here) >= TENTHS_FROM else "0.000"})


def _cell(sheet: Any, row: int, column: int, value: Any) -> None:
    if value is None:
        sheet.write_blank(row, column, None)
    elif isinstance(value, bool):
        sheet.write_boolean(row, column, value)
    elif isinstance(value, int | float):
        sheet.write_number(row, column, value)
    else:
        sheet.write_string(row, column, safe_text(str(value)))


def _meanings(book: xlsxwriter.Workbook, content: dict[str, Any]) -> None:
    rows = [[name, meaning] for name, meaning in MEANINGS.items()]
    for name, result in content["results"].items():
        rows.append([f"sheet {name}", f"{result['facts']['method']} {' '.join(result['notes'])}"])
        rows += [[f"{name}, group", numbers.heading(column)] for column in result["by"]]
    rows.append(["empty number", "not there, or withheld for this audience; the flag says which"])
    _table(book, "Meanings", {"columns": ["name", "meaning"], "rows": rows})


def _whole_words(text: str) -> str:
    """Return as many whole words as a sheet's name may hold, or the first letters of a word longer than that.

    >>> _whole_words("Every criterion against its standard")
    'Every criterion against its'
    """
    if len(text) <= MAX_SHEET_NAME:
        return text
    return text[: MAX_SHEET_NAME + 1].rpartition(" ")[0].rstrip(" ,;") or text[:MAX_SHEET_NAME]


def _sheet_name(name: str, taken: set[str]) -> str:
    """Return a name Excel takes: at most 31 characters, none it forbids, each once."""
    allowed = re.sub(r"[\[\]:*?/\\']", "", numbers.title_case(numbers.readable(name)))
    plain = _whole_words(" ".join(allowed.split())) or "Table"
    chosen, number = plain, 2
    while chosen.lower() in taken:
        suffix = f" {number}"
        chosen, number = plain[: MAX_SHEET_NAME - len(suffix)] + suffix, number + 1
    taken.add(chosen.lower())
    return chosen
