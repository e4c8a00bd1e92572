"""The numbers of a report as an Excel file: one sheet per table, real numbers, a sheet of meanings.

Read from `results.json`, so that it holds what the report shows this audience and nothing else. Text that a
spreadsheet would take for a formula is written as text.
"""

import datetime
import io
import json
import re
from pathlib import Path
from typing import Any

import xlsxwriter

from analytics import files, numbers

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
_FIXED_DATE = datetime.datetime(2000, 1, 1)
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


def safe_text(text: str) -> str:
    """Return text that no spreadsheet takes for a formula.

    Examples
    --------
    >>> safe_text("=1+1"), safe_text("crown")
    ("'=1+1", 'crown')
    """
    return f"'{text}" if text.startswith(FORMULA_START) else text


def _tables(content: dict[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    """Return every table of the report with a name: results, their curves, and the plain frames shown."""
    out = []
    for name, result in content["results"].items():
        out.append((name, result["table"]))
        if "path" in result:
            out.append((f"{name} curve", result["path"]))
    out += [(entry["title"], entry["frame"]) for entry in content["shown"] if "frame" in entry]
    return out


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
    head = book.add_format({"bold": True, "bottom": 1})
    for column, title in enumerate(table["columns"]):
        sheet.write_string(0, column, safe_text(title), head)
    for row, values in enumerate(table["rows"], start=1):
        for column, value in enumerate(values):
            _cell(sheet, row, column, value)
    sheet.freeze_panes(1, 0)
    if table["columns"]:
        sheet.autofilter(0, 0, max(1, len(table["rows"])), len(table["columns"]) - 1)
    for column, title in enumerate(table["columns"]):
        longest = max([len(str(v[column])) for v in table["rows"][:200] if isinstance(v[column], str)] or [0])
        sheet.set_column(column, column, min(60, max(len(title), longest, 9) + 2))


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


def _sheet_name(name: str, taken: set[str]) -> str:
    """Return a name Excel takes: at most 31 characters, none it forbids, each once."""
    plain = (
        re.sub(r"[\[\]:*?/\\']", " ", numbers.title_case(numbers.readable(name))).strip()[:MAX_SHEET_NAME]
        or "Table"
    )
    chosen, number = plain, 2
    while chosen.lower() in taken:
        suffix = f" {number}"
        chosen, number = plain[: MAX_SHEET_NAME - len(suffix)] + suffix, number + 1
    taken.add(chosen.lower())
    return chosen
