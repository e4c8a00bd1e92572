"""Read an old workbook (.xls) as sheets of cells, by xlrd: in Python, so that a broken file is an error.

The quicker reader of the other forms ends the process, or asks for gigabytes, where such a file is damaged or
a cell stands far from the others, and takes numbers of some files for days. Cells that are dates by their
format are days, as in the other forms; an error of a formula is a text that begins with #.
"""

import datetime
import os
import struct
from pathlib import Path

import xlrd
from xlrd.compdoc import CompDocError

from analytics.errors import RecordError
from analytics.records.filesafety_cells import MOST_CELLS, refuse_sparse
from analytics.records.mapping_sheet import Sheet, sheet_of
from analytics.records.messages import refused

FEW = 2_000_000  # cells a sheet may span however empty it is (assumed)
SPARSE = 100  # beyond, one cell in so many is filled at least (assumed)
# What xlrd raises on damaged bytes, beside its own errors.
DAMAGED = (
    xlrd.XLRDError,
    CompDocError,
    struct.error,
    LookupError,
    ValueError,
    TypeError,
    AttributeError,
    ArithmeticError,
    AssertionError,
    RecursionError,
    MemoryError,
    OSError,
)
FILLED = (xlrd.XL_CELL_TEXT, xlrd.XL_CELL_NUMBER, xlrd.XL_CELL_DATE, xlrd.XL_CELL_BOOLEAN, xlrd.XL_CELL_ERROR)


def sheets(path: Path) -> tuple[Sheet, ...]:
    """Return the sheets of an old workbook.

    Raises
    ------
    RecordError
        When the file is broken or locked, or its sheets span more cells than a register has.
    """
    try:
        with open(os.devnull, "w", encoding="utf-8") as nowhere:  # noqa: PTH123  xlrd writes its warnings there
            book = xlrd.open_workbook(path, logfile=nowhere, formatting_info=True, ragged_rows=True)
    except DAMAGED as fault:
        raise _broken(path) from fault
    spans = [_span(sheet) for sheet in book.sheets()]
    is_astray = any(r * c > max(FEW, SPARSE * filled) for r, c, filled in spans)
    refuse_sparse(path, MOST_CELLS + 1 if is_astray else sum(r * c for r, c, _ in spans))
    try:
        return tuple(
            sheet_of(
                sheet.name,
                [[_cell(book, cell) for cell in sheet.row(row)] for row in range(rows)],
                is_hidden=sheet.visibility != 0,
                merged=tuple(
                    (top, left, bottom - 1, right - 1) for top, bottom, left, right in sheet.merged_cells
                ),
                remarks=len(sheet.cell_note_map),
            )
            for sheet, (rows, _, _) in zip(book.sheets(), spans, strict=True)
        )
    except DAMAGED as fault:
        raise _broken(path) from fault


def _span(sheet: xlrd.sheet.Sheet) -> tuple[int, int, int]:
    """Return the last row and column with a value, counted from 1, and how many cells hold one."""
    rows = columns = filled = 0
    for row in range(sheet.nrows):
        places = [column for column, kind in enumerate(sheet.row_types(row)) if kind in FILLED]
        if places:
            rows, columns, filled = row + 1, max(columns, places[-1] + 1), filled + len(places)
    return rows, columns, filled


def _cell(book: xlrd.Book, cell: xlrd.sheet.Cell) -> object:
    if cell.ctype in (xlrd.XL_CELL_EMPTY, xlrd.XL_CELL_BLANK):
        return ""
    if cell.ctype == xlrd.XL_CELL_DATE:
        return _day(book, cell.value)
    if cell.ctype == xlrd.XL_CELL_BOOLEAN:
        return bool(cell.value)
    if cell.ctype == xlrd.XL_CELL_ERROR:
        return xlrd.error_text_from_code.get(cell.value, "#ERROR!")
    return cell.value


def _day(book: xlrd.Book, number: float) -> object:
    """Return a stored day as a date, with its time where it has one; a number that is no day stays one."""
    try:
        moment = xlrd.xldate_as_datetime(number, book.datemode)
    except (ValueError, OverflowError, xlrd.xldate.XLDateError):
        return number
    if number < 1:
        return moment.time()
    return moment.date() if moment.time() == datetime.time() else moment


def _broken(path: Path) -> RecordError:
    return refused(
        path.name,
        "the workbook cannot be read",
        "a workbook is unbroken and has no password",
        "open it in a spreadsheet program and save it again as .xlsx",
    )
