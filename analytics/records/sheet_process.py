"""Read the cells of one spreadsheet, in a process of its own with limits of memory and time.

    python sheet_process.py FILE MOST_CELLS MOST_BYTES MOST_SECONDS

A reader of sheets makes one table from A1 to the last cell, so a single damaged address may ask for more
memory than a machine has, and damaged bytes may end the process or keep it busy for days. That happens here,
where nobody is hurt by it: `records.workbooks` starts this file as a script, which loads nothing of the
package, and reads what it writes. Memory and time are limited where the operating system can (POSIX
setrlimit).

It writes lines of JSON: for each sheet its facts, then its rows in pieces; at the end "end" or why it stopped
(broken, outside, span, memory). Cells are texts, numbers, yes or no, and days, times and spans as objects.
"""

import contextlib
import datetime
import json
import os
import sys
from collections.abc import Iterable, Iterator

from python_calamine import CalamineWorkbook, SheetVisibleEnum

# The limits of spreadsheet programs (XFD1048576 is the last cell), from memory.
MOST_ROWS, MOST_COLUMNS = 1_048_576, 16_384
PIECE = 2000  # rows in a line of output
OLD_WORKBOOK = b"\xd0\xcf\x11\xe0"
# Of an old workbook, whose file may be tiny: cells a sheet may span however empty it is, and beyond those one
# cell in so many is filled at least. Assumed.
FEW, SPARSE = 2_000_000, 100


class Refused(Exception):
    """Why the file is not read: outside (a cell no sheet has) or span (too many cells)."""


def main(path: str, most_cells: int, most_bytes: int, most_seconds: int) -> None:
    """Write the sheets of a file, and how it ended."""
    _limit(most_bytes, most_seconds)
    try:
        with open(path, "rb") as file:  # noqa: PTH123  pathlib is not loaded here
            is_old = file.read(4) == OLD_WORKBOOK
        for line in _old_sheets(path, most_cells) if is_old else _sheets(path, most_cells):
            _write(line)
        _write({"end": ""})
    except Refused as reason:
        _write({"stopped": str(reason)})
    except MemoryError:
        _write({"stopped": "memory"})
    except BaseException:  # a reader in Rust ends damaged files by an exception that is none of Exception
        _write({"stopped": "broken"})


def _limit(most_bytes: int, most_seconds: int) -> None:
    """Limit memory, time and the image of a crash; where the system has no such limit, go on."""
    try:
        import resource
    except ImportError:
        return
    for kind, most in (
        (resource.RLIMIT_AS, most_bytes),
        (resource.RLIMIT_CPU, most_seconds),
        (resource.RLIMIT_CORE, 0),
    ):
        with contextlib.suppress(ValueError, OSError):
            resource.setrlimit(kind, (most, most))


def _write(line: dict) -> None:
    text = json.dumps(line, ensure_ascii=False, default=_as_object)
    sys.stdout.buffer.write(text.encode("utf-8") + b"\n")


def _as_object(value: object) -> dict:
    if isinstance(value, datetime.datetime):
        return {"moment": value.isoformat()}
    if isinstance(value, datetime.date):
        return {"day": value.isoformat()}
    if isinstance(value, datetime.time):
        return {"time": value.isoformat()}
    if isinstance(value, datetime.timedelta):
        return {"seconds": value.total_seconds()}
    raise TypeError(type(value).__name__)


def _in_pieces(rows: Iterable[list]) -> Iterator[dict]:
    piece: list[list] = []
    for row in rows:
        piece.append(row)
        if len(piece) == PIECE:
            yield {"rows": piece}
            piece = []
    yield {"rows": piece}


def _sheets(path: str, most_cells: int) -> Iterator[dict]:
    """Yield the sheets of an .xlsx, .xlsb or .ods file, each from its first row and column on."""
    with CalamineWorkbook.from_path(path) as book:
        cells = 0
        for facts in book.sheets_metadata:
            sheet = book.get_sheet_by_name(facts.name)
            row, column = sheet.end or (-1, -1)
            if row >= MOST_ROWS or column >= MOST_COLUMNS:
                raise Refused("outside")
            cells += (row + 1) * (column + 1)
            if cells > most_cells:
                raise Refused("span")
            yield {
                "sheet": facts.name,
                "is_hidden": facts.visible != SheetVisibleEnum.Visible,
                "merged": [(*first, *last) for first, last in sheet.merged_cell_ranges or ()],
            }
            before = [""] * (sheet.start or (0, 0))[1]  # the reader begins rows at the first filled column
            yield from _in_pieces([*before, *cells_of_row] for cells_of_row in sheet.iter_rows())


def _old_sheets(path: str, most_cells: int) -> Iterator[dict]:
    """Yield the sheets of an old workbook (.xls), by xlrd.

    The quicker reader takes numbers of some of these files for days.
    """
    import xlrd

    with open(os.devnull, "w", encoding="utf-8") as nowhere:  # noqa: PTH123  xlrd writes its warnings there
        book = xlrd.open_workbook(path, logfile=nowhere, formatting_info=True, ragged_rows=True)
    cells = 0
    for sheet in book.sheets():
        rows, columns, filled = _span(sheet)
        cells += rows * columns
        if cells > most_cells or rows * columns > max(FEW, SPARSE * filled):
            raise Refused("span")
        yield {
            "sheet": sheet.name,
            "is_hidden": sheet.visibility != 0,
            "merged": [(top, left, end - 1, right - 1) for top, end, left, right in sheet.merged_cells],
            "remarks": len(sheet.cell_note_map),
        }
        yield from _in_pieces([_old_cell(book, cell) for cell in sheet.row(row)] for row in range(rows))


def _span(sheet) -> tuple[int, int, int]:
    """Return the last row and column with a value, counted from 1, and how many cells hold one."""
    import xlrd

    rows = columns = filled = 0
    for row in range(sheet.nrows):
        kinds = sheet.row_types(row)
        places = [c for c, kind in enumerate(kinds) if kind not in (xlrd.XL_CELL_EMPTY, xlrd.XL_CELL_BLANK)]
        if places:
            rows, columns, filled = row + 1, max(columns, places[-1] + 1), filled + len(places)
    return rows, columns, filled


def _old_cell(book, cell) -> object:
    import xlrd

    if cell.ctype in (xlrd.XL_CELL_EMPTY, xlrd.XL_CELL_BLANK):
        return ""
    if cell.ctype == xlrd.XL_CELL_DATE:
        return _day(book, cell.value)
    if cell.ctype == xlrd.XL_CELL_BOOLEAN:
        return bool(cell.value)
    if cell.ctype == xlrd.XL_CELL_ERROR:
        return xlrd.error_text_from_code.get(cell.value, "#ERROR!")
    return cell.value


def _day(book, number: float) -> object:
    """Return a stored day as a date, with its time where it has one; a number that is no day stays one."""
    import xlrd

    try:
        moment = xlrd.xldate_as_datetime(number, book.datemode)
    except (ValueError, OverflowError, xlrd.xldate.XLDateError):
        return number
    if number < 1:
        return moment.time()
    return moment.date() if moment.time() == datetime.time() else moment


if __name__ == "__main__":
    main(sys.argv[1], *(int(a) for a in sys.argv[2:5]))
    sys.stdout.flush()
    os._exit(0)  # freeing what was read, cell by cell, would take as long again
