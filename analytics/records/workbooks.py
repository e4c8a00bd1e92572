"""Read a workbook: every sheet's cells, from a process of their own, and the text of each stored value.

Whoever made the file, reading it costs at most two gigabytes and two minutes of work: a process of its own
(`sheet_process`) reads the cells and is ended at its limits. Where an operating system has no limit of
memory, those of the file's bytes (`safety`) and of time stay.

The reader of cells shows the error of a formula, and a formula that was never calculated, as an empty cell.
Both are looked up in the sheet's own XML and put back as marks, so that neither passes as missing.
"""

import datetime
import hashlib
import json
import re
import signal
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from xml.etree import ElementTree

from analytics.dictionary import TABLES, Raw, RawTable, declared, from_rows, zones
from analytics.errors import Problem, RecordError, refused, twice
from analytics.records import one_sheet
from analytics.records.safety import COPY, refuse_unsafe_workbook
from analytics.records.stores import cell_text, other_names

SCRIPT = Path(__file__).with_name("sheet_process.py")
MOST_CELLS = 20_000_000  # from A1 to the last cell, of all sheets together: 400,000 rows of 50 columns
MOST_BYTES = 2 * 2**30  # of memory, to read them
MOST_SECONDS = 120  # of work, to read them; three times as many may pass on a busy machine
AN_XLSX = "a workbook is an unbroken .xlsx file without a password"
FAR_AWAY = (
    "look for a value far to the right or far down (Ctrl+End goes there), clear it, or copy the tables alone "
    "into a new workbook"
)
EXPLAINS, WORDS = "read me", "words"  # sheets of the template that hold no records
FORMULA_ERROR = "#ERROR!"
FORMULA_WITHOUT_VALUE = "#NOT CALCULATED!"
MAIN = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
LINK = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"
ERROR_CELL = re.compile(rb'<c\b(?=[^>]*\bt="e")[^>]*\br="([A-Z]+)([0-9]+)"')
FORMULA_CELL = re.compile(rb"<c\b([^>]*)>\s*(<f\b(?:[^>]*/>|[^>]*>[^<]*</f>))\s*(?:<v>([^<]*)</v>|<v\s*/>)?")
REFERENCE = re.compile(rb'\br="([A-Z]+)([0-9]+)"')


@dataclass(frozen=True, slots=True)
class SheetCells:
    """One sheet as stored: rows of cells from A1 on ("" where empty), and what the file says of it.

    `merged` are ranges (first row, first column, last row, last column) from 0.
    """

    name: str
    is_hidden: bool
    merged: tuple[tuple[int, int, int, int], ...] = ()
    remarks: int = 0
    rows: list[list[object]] = field(default_factory=list)


def read_workbook(path: Path) -> Raw:
    """Return the tables of a workbook, one sheet each.

    Raises
    ------
    RecordError
        When the file is unsafe or no workbook.
    """
    refuse_unsafe_workbook(path)
    sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
    tables: dict[str, RawTable] = {}
    problems: list[Problem] = []
    others: dict[str, str] = {}
    for sheet, rows in sheets_as_text(path).items():
        name = sheet.strip().lower()
        if name in tables:
            problems.append(twice(name, "sheets of the workbook"))
        elif name in (*TABLES, zones.SHEET):
            tables[name], ragged = from_rows(rows, table=name, file=path.name, sha256=sha256)
            problems += ragged
        elif name not in (EXPLAINS, WORDS) and any(map(any, rows)):
            others[name] = f"sheet {len(tables) + len(problems) + len(others) + 1}"
    is_one = zones.SHEET in tables
    near = {**tables, **dict.fromkeys(zones.FOUR)} if is_one else tables
    raw = Raw(tables, (*problems, *other_names(others, "sheet", near)))
    return one_sheet.unfolded(raw, declared(path)) if is_one else raw


def sheets_as_text(path: Path) -> dict[str, list[list[str]]]:
    """Return every sheet of a workbook as rows of text, from its first row and column on.

    Whole numbers have no decimals, yes and no are True and False, dates are in ISO form, an error of a
    formula and a formula without a stored value are marks that begin with #.
    """
    text = {s.name: [[cell_text(v) for v in row] for row in s.rows] for s in read_cells(path)}
    for name, marks in marked_cells(path).items():
        for (row, column), mark in marks.items():
            _put(text.get(name, []), row, column, mark)
    return text


def read_cells(path: Path, *, rule: str = AN_XLSX) -> list[SheetCells]:
    """Return the sheets of a spreadsheet (.xlsx, .xlsm, .xlsb, .xls, .ods), read in a process of their own.

    Parameters
    ----------
    path
        The file; one that is a zip has been looked over before (`safety.refuse_unsafe_workbook`).
    rule
        What a workbook is, as told where the file is none.

    Returns
    -------
    list of SheetCells
        Name, whether hidden, merged areas, rows of cells, number of remarks.

    Raises
    ------
    RecordError
        When the file is broken, or reading it would take more cells, memory or time than a register needs.
    """
    limits = [str(n) for n in (MOST_CELLS, MOST_BYTES, MOST_SECONDS)]
    try:
        process = subprocess.run(
            [sys.executable, "-P", str(SCRIPT), str(path), *limits],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=3 * MOST_SECONDS,
            check=False,
            creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
        )
    except subprocess.TimeoutExpired as late:
        raise _stopped(path, "time", rule) from late
    sheets: list[SheetCells] = []
    seen: dict[type, dict] = {}
    end = ""
    for line in _lines(process.stdout):
        if "sheet" in line:
            merged = tuple(tuple(m) for m in line["merged"])
            sheets.append(SheetCells(line["sheet"], line["is_hidden"], merged, line.get("remarks", 0)))
        elif "rows" in line:
            sheets[-1].rows.extend([_once(seen, cell) for cell in row] for row in line["rows"])
        else:
            end = line.get("stopped", "end")
    if end != "end":
        raise _stopped(path, end or _died_of(process.returncode, process.stderr), rule)
    return sheets


def _once(seen: dict[type, dict], cell: object) -> object:
    """Return the first cell that was equal to this one, so that a large sheet holds each value once.

    >>> seen = {}
    >>> first, second = _once(seen, "9 June"), _once(seen, " ".join(["9", "June"]))
    >>> first is second, _once(seen, 1.0), _once(seen, True)
    (True, 1.0, True)
    """
    return seen.setdefault(type(cell), {}).setdefault(cell, cell)


def _lines(output: bytes) -> Iterator[dict]:
    """Yield what the process wrote; what stands behind the last line end was cut off, and is no line."""
    for line in output.split(b"\n")[:-1]:
        yield json.loads(line, object_hook=_as_cell)


def _as_cell(found: dict) -> object:
    """Return the day, time or span that an object stands for, and any other object as it is."""
    if len(found) != 1:
        return found
    kind, value = next(iter(found.items()))
    if kind == "moment":
        return datetime.datetime.fromisoformat(value)
    if kind == "day":
        return datetime.date.fromisoformat(value)
    if kind == "time":
        return datetime.time.fromisoformat(value)
    return datetime.timedelta(seconds=value) if kind == "seconds" else found


def _died_of(returncode: int, stderr: bytes) -> str:
    """Return what ended a process that did not say so itself."""
    if returncode == -getattr(signal, "SIGXCPU", 0):
        return "time"
    is_memory = b"memory" in stderr.lower() or b"capacity overflow" in stderr
    return (
        "memory" if is_memory or -returncode in (signal.SIGABRT, getattr(signal, "SIGKILL", 0)) else "broken"
    )


def _stopped(path: Path, why: str, rule: str) -> RecordError:
    """Return the error of a spreadsheet that was not read."""
    again = "open it in a spreadsheet program and save it again as .xlsx"
    cells = f"at most {MOST_CELLS:,} cells from A1 to the last one, all sheets together"
    what, rule, action = {
        "broken": ("the workbook cannot be read", rule, again),
        "outside": (
            "a sheet names a cell outside a sheet",
            "a sheet has 1,048,576 rows and 16,384 columns (A to XFD)",
            again,
        ),
        "span": ("the sheets span more cells than a register has", cells, FAR_AWAY),
        "memory": (
            "the sheets span more cells than a register has, or need more memory",
            f"{cells}, and {MOST_BYTES // 2**20} MB to read them",
            FAR_AWAY,
        ),
        "time": (
            "the workbook takes far longer to read than a register does",
            f"a workbook is read in {MOST_SECONDS} seconds",
            COPY,
        ),
    }[why]
    return refused(path.name, what, rule, action, code="unreadable" if why == "broken" else "unsafe")


def marked_cells(path: Path) -> dict[str, dict[tuple[int, int], str]]:
    """Return, by sheet, the cells (row, column from 0) that hold an error or a formula without a value.

    Parameters
    ----------
    path
        An .xlsx file.

    Returns
    -------
    dict
        Sheet -> {(row, column), from 0: what is the matter}.
    """
    with zipfile.ZipFile(path) as archive:
        parts = set(archive.namelist())
        return {
            name: _marks(archive.read(part))
            for name, part in parts_of_sheets(archive).items()
            if part in parts
        }


def parts_of_sheets(archive: zipfile.ZipFile) -> dict[str, str]:
    """Return, by the name of its sheet, each sheet's part of an .xlsx file.

    Parameters
    ----------
    archive
        An open .xlsx file.

    Returns
    -------
    dict
        Name of the sheet -> name of its part; empty where the file has none.
    """
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
