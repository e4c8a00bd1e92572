"""Read one workbook: each sheet named after a table, every cell as the text of its stored value.

The reader of cells (calamine) shows the error of a formula, and a formula that was never calculated, as an
empty cell. Both are looked up in the sheet's own XML and put back as marks, so that neither passes as
missing.
"""

import datetime
import hashlib
import re
import zipfile
from pathlib import Path
from xml.etree import ElementTree

from python_calamine import CalamineError, CalamineWorkbook

from analytics.records import filesafety, tables_named
from analytics.records.dictionary import TABLES
from analytics.records.messages import Problem, refused, twice
from analytics.records.raw import Raw, RawTable, from_rows

EXPLAINS, WORDS = "read me", "words"  # sheets of the template that hold no records
FORMULA_ERROR = "#ERROR!"
FORMULA_WITHOUT_VALUE = "#NOT CALCULATED!"
MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
LINK = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"
ERROR_CELL = re.compile(rb'<c\b(?=[^>]*\bt="e")[^>]*\br="([A-Z]+)([0-9]+)"')
FORMULA_CELL = re.compile(rb"<c\b([^>]*)>\s*(<f\b(?:[^>]*/>|[^>]*>[^<]*</f>))\s*(?:<v>([^<]*)</v>|<v\s*/>)?")
REFERENCE = re.compile(rb'\br="([A-Z]+)([0-9]+)"')


def read_workbook(path: Path) -> Raw:
    """Return the tables of a workbook, one sheet each.

    Raises
    ------
    RecordError
        When the file is unsafe or no workbook.
    """
    filesafety.refuse_unsafe_workbook(path)
    sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
    tables: dict[str, RawTable] = {}
    problems: list[Problem] = []
    others: dict[str, str] = {}
    for sheet, rows in sheets_as_text(path).items():
        name = sheet.strip().lower()
        if name in tables:
            problems.append(twice(name, "sheets of the workbook"))
        elif name in TABLES:
            tables[name], found = from_rows(rows, table=name, file=path.name, sha256=sha256)
            problems += found
        elif name not in (EXPLAINS, WORDS) and any(map(any, rows)):
            others[name] = f"sheet {len(tables) + len(problems) + len(others) + 1}"
    return Raw(tables, (*problems, *tables_named.others(others, "sheet", tables)))


def sheets_as_text(path: Path) -> dict[str, list[list[str]]]:
    """Return every sheet of a workbook as rows of text, from its first row and column on.

    Whole numbers have no decimals, yes and no are True and False, dates are in ISO form, an error of a
    formula and a formula without a stored value are marks that begin with #.
    """
    try:
        with CalamineWorkbook.from_path(str(path)) as book:
            found = {
                name: book.get_sheet_by_name(name).to_python(skip_empty_area=False)
                for name in book.sheet_names
            }
    except (CalamineError, OSError, ValueError) as fault:
        raise refused(
            path.name,
            "the workbook cannot be read",
            "a workbook is an unbroken .xlsx file without a password",
            "open it in a spreadsheet program and save it again as .xlsx",
        ) from fault
    text = {name: [[cell_text(v) for v in row] for row in rows] for name, rows in found.items()}
    for name, marks in marked_cells(path).items():
        for (row, column), mark in marks.items():
            _put(text.get(name, []), row, column, mark)
    return text


def cell_text(value: object) -> str:
    """Return the text of a stored value.

    >>> [cell_text(v) for v in ("00012", 12.0, 0.5, True, "")]
    ['00012', '12', '0.5', 'True', '']
    """
    if isinstance(value, str):
        return value
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    return str(value)


def marked_cells(path: Path) -> dict[str, dict[tuple[int, int], str]]:
    """Return, by sheet, the cells (row, column from 0) that hold an error or a formula without a value."""
    with zipfile.ZipFile(path) as archive:
        parts = set(archive.namelist())
        return {
            name: _marks(archive.read(part))
            for name, part in _parts_of_sheets(archive).items()
            if part in parts
        }


def _parts_of_sheets(archive: zipfile.ZipFile) -> dict[str, str]:
    try:
        book = ElementTree.fromstring(archive.read("xl/workbook.xml"))
        links = ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels"))
    except (KeyError, ElementTree.ParseError):
        return {}
    target = {link.get("Id", ""): link.get("Target", "") for link in links}
    return {
        sheet.get("name", ""): _absolute(target.get(sheet.get(LINK, ""), ""))
        for sheet in book.iter(f"{MAIN}sheet")
    }


def _absolute(target: str) -> str:
    return target.lstrip("/") if target.startswith("/") else f"xl/{target}"


def _marks(xml: bytes) -> dict[tuple[int, int], str]:
    marks = {_place(*m.groups()): FORMULA_ERROR for m in ERROR_CELL.finditer(xml)} if b't="e"' in xml else {}
    if b"<f" in xml:
        for match in FORMULA_CELL.finditer(xml):
            where = REFERENCE.search(match.group(1))
            if where and not match.group(3) and b't="str"' not in match.group(1):
                marks.setdefault(_place(*where.groups()), FORMULA_WITHOUT_VALUE)
    return marks


def _place(letters: bytes, digits: bytes) -> tuple[int, int]:
    column = 0
    for letter in letters:
        column = column * 26 + letter - 64
    return int(digits) - 1, column - 1


def _put(rows: list[list[str]], row: int, column: int, mark: str) -> None:
    if row < len(rows) and column < len(rows[row]) and not rows[row][column]:
        rows[row][column] = mark
