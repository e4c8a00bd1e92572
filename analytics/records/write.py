"""Write records in any form that `load` reads, and an empty workbook to fill in.

What is written loads to the same records, what a person fills in loads as it stands. Text stays text in every
form, so that codes keep their zeros and no cell is taken for a formula. Files are written whole or not at
all, readable by their owner alone.
"""

from __future__ import annotations

import io
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import pandas as pd
import pyarrow as pa

from analytics.dictionary import OWN_FILE, TABLES, Column, Table, as_declared, must_be, note, zones
from analytics.errors import ParameterError
from analytics.files import file, refuse_file
from analytics.files import tables as writing
from analytics.records.frames import Records
from analytics.records.workbooks import EXPLAINS, WORDS

if TYPE_CHECKING:  # what writes one kind of file is loaded where that kind is written
    import xlsxwriter

Kind = Literal["csv", "xlsx", "parquet", "duckdb"]
KINDS = ("csv", "xlsx", "parquet", "duckdb")
PLAIN_BOOK = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}


def write(records: Records, place: str | Path, *, kind: Kind = "csv", by: str = "records") -> Path:
    """Write records to a folder (csv, parquet) or a file (xlsx, duckdb) and return it.

    Parameters
    ----------
    records
        The records as loaded; columns filled at load are left out, defaults are written as they were filled.
    place
        Folder or file. What this function wrote there and nobody changed is replaced, all else stays.
    kind
        One of csv, xlsx, parquet, duckdb.
    by
        Who writes them; the tables of another writer are not replaced.

    Returns
    -------
    Path
        Where the tables stand.

    Raises
    ------
    ParameterError
        When the kind is unknown, or a file of somebody else, or changed since, has the name of a table.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> with TemporaryDirectory() as folder:
    ...     names = sorted(p.name for p in write(clinic, f'{folder}/register').glob('p*.csv'))
    >>> names
    ['patients.csv', 'photographs.csv', 'placements.csv']
    """
    if kind not in KINDS:
        raise ParameterError(f"records.write(kind): unknown kind; use one of {', '.join(KINDS)}")
    tables = {name: as_written(getattr(records, name), name) for name in TABLES}
    if len(records.consultations):
        early = as_written(records.consultations, "measurements")
        both = [frame.astype(object) for frame in (tables["measurements"], early)]
        tables["measurements"] = pd.concat(both, ignore_index=True).astype(early.dtypes)
    target = Path(place)
    beside = {OWN_FILE: as_declared(records.own)} if records.own else {}
    if kind in ("xlsx", "duckdb"):
        for name, text in beside.items():
            writing.file(target.parent / name, text, by=by)
    if kind == "xlsx":
        return writing.file(target, _workbook(tables), by=by)
    if kind == "duckdb":
        return writing.file(target, _duckdb(tables), by=by)
    files = {
        f"{name}.{kind}": frame.to_csv(index=False).encode() if kind == "csv" else _parquet(frame)
        for name, frame in tables.items()
    }
    return writing.folder(target, {**files, **beside}, by=by)


def as_written(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    """Return a table as handed in: without the columns filled at load, whole numbers without decimals."""
    asked = TABLES[table].asked()
    own = [c for c in frame.columns if c not in TABLES[table].names()]
    whole = {c.name: "Int64" for c in asked if c.kind == "integer"}
    return frame[[*(c.name for c in asked), *own]].astype(whole)


def _parquet(frame: pd.DataFrame) -> bytes:
    import pyarrow.parquet as pq

    sink = pa.BufferOutputStream()
    pq.write_table(pa.Table.from_pandas(frame, preserve_index=False), sink, write_page_checksum=True)
    return sink.getvalue().to_pybytes()


def _duckdb(tables: dict[str, pd.DataFrame]) -> bytes:
    import duckdb

    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "register.duckdb"
        with duckdb.connect(str(place)) as store:
            for name, frame in tables.items():
                store.register("handed_in", pa.Table.from_pandas(frame, preserve_index=False))
                store.execute(f'create table "{name}" as select * from handed_in')
                store.unregister("handed_in")
        return place.read_bytes()


def _workbook(tables: dict[str, pd.DataFrame]) -> bytes:
    import xlsxwriter

    sink = io.BytesIO()
    with xlsxwriter.Workbook(sink, {"in_memory": True, **PLAIN_BOOK}) as book:
        text = book.add_format({"num_format": "@"})
        for name, frame in tables.items():
            sheet = book.add_worksheet(name)
            sheet.freeze_panes(1, 0)
            for column, title in enumerate(frame.columns):
                sheet.write_string(0, column, title)
                _fill_column(sheet, column, frame[title], text)
    return sink.getvalue()


def _fill_column(sheet, column: int, values: pd.Series, text) -> None:
    is_text, is_answer = values.dtype == "string", values.dtype == "boolean"
    for row, value in enumerate(values.astype(object).where(values.notna(), None), start=1):
        if value is None:
            continue
        if is_text:
            sheet.write_string(row, column, value, text)
        elif is_answer:
            sheet.write_boolean(row, column, bool(value))
        elif float(f"{value:.16G}") == value:
            sheet.write_number(row, column, value)
        else:
            # The workbook writer keeps 16 digits; a number that needs 17 is written as text.
            sheet.write_string(row, column, repr(float(value)))


ROWS_TO_FILL = 5000
LONGEST_LIST = 255  # letters a drop-down may hold in itself (limit of the file format)
HEADING, GREY, PAPER = "#1F3A4D", "#5B6B77", "#EAF0F3"
ON_ONE_SHEET = (
    "One row is one zone planted in one session, with its counts. Leave the names in row 1 as they are.",
    "patient_id, register_month and zone stand on every row. What is alike further down is filled down: mark "
    "the cells from the filled one on, then Ctrl+D.",
    "surgeon_id, method and grafts_out are said of the session: one of its rows is enough.",
    "density_before is the count before the operation. Each later count is a pair: the months since this "
    "row's session, to one decimal, and hairs per cm2. More pairs: month_4 and density_4, and so on, in the "
    "next free columns.",
    "Grafts of each size in place of grafts and hairs: columns grafts_1 to grafts_4. Any other column of the "
    "workbook without --one-sheet may be added by its name, as age_years, smoker or reader_id.",
    "Repeated counts, unplanted regions, donor counts, and two operations of one person in one month need "
    "that workbook; regrowth template NEW.xlsx --from FILLED.xlsx writes it from this one.",
)
ON_SHEETS = (
    "One sheet is one table, one row is what the sheet's line below says. Leave the names in row 1 as they "
    "are.",
)
EXPLANATION = (
    "Bold names: the cell is never empty. Plain names: the column stays, its cells may be empty. "
    "Slanted names: optional, and the column may be deleted.",
    "Rest the pointer on a name to read what it holds, its unit, its limits and what an empty cell means.",
    "An empty cell means that nothing is known. Do not write 0, a dash or a word for it.",
    "Numbers have no unit and no thousands mark. Codes are text, and keep their leading zeros.",
    "No names, no dates, no chart numbers, no remarks: time is counted in months.",
    "Month of the register: the month the register began is 1, the next 2, and so on.",
    "Month of a count, visit, event or rating: months since the session it names, to one decimal.",
    "A count is timed from the latest session that planted its zone, or else from the patient's latest "
    "session.",
    "A count at month -6 to 0 is a baseline. Without one the region has no yield.",
    "When filled in, let the workbook be checked before use: regrowth check, followed by the name of the "
    "file.",
)


def template(path: str | Path, *, one_sheet: bool = False) -> Path:
    """Write the empty workbook and return its path.

    Parameters
    ----------
    path
        An .xlsx file. One of the same name is replaced when it is an empty workbook as it was written.
    one_sheet
        A single sheet, a row a planted zone with its counts, in place of a sheet for each table.

    Returns
    -------
    Path
        Of the workbook.

    Raises
    ------
    ParameterError
        When a file of the same name is anything else, such as a workbook that was filled in.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     made = template(f'{folder}/my_records.xlsx')
    >>> made.name
    'my_records.xlsx'
    """
    import xlsxwriter

    refuse_file(Path(path), by="template")
    sink = io.BytesIO()
    with xlsxwriter.Workbook(sink, {"in_memory": True, **PLAIN_BOOK}) as book:
        styles = _styles(book)
        tables = (zones.table(is_short=True),) if one_sheet else tuple(TABLES.values())
        _explain(book, styles, tables, ON_ONE_SHEET if one_sheet else ON_SHEETS)
        lists = _long_lists(tables)
        for table in tables:
            _sheet(book, table, styles, lists)
        _words(book, styles, lists)
    return file(Path(path), sink.getvalue(), by="template")


def _styles(book: xlsxwriter.Workbook) -> dict:
    head = {"font_color": "white", "bg_color": HEADING, "text_wrap": True, "valign": "vcenter"}
    return {
        "required": book.add_format({**head, "bold": True}),
        "plain": book.add_format(head),
        "optional": book.add_format({**head, "italic": True, "bg_color": GREY}),
        "text": book.add_format({"num_format": "@"}),
        "title": book.add_format({"bold": True, "font_size": 16, "font_color": HEADING}),
        "wrap": book.add_format({"text_wrap": True, "valign": "top"}),
        "row": book.add_format({"text_wrap": True, "valign": "top", "bg_color": PAPER}),
    }


def _explain(book: xlsxwriter.Workbook, styles: dict, tables: Sequence[Table], first: Sequence[str]) -> None:
    sheet = book.add_worksheet(EXPLAINS)
    sheet.hide_gridlines(2)
    sheet.set_column(0, 0, 18)
    sheet.set_column(1, 1, 100)
    sheet.write_string(0, 0, "How to fill in this workbook", styles["title"])
    lines = (*first, *EXPLANATION)
    for row, line in enumerate(lines, start=2):
        sheet.write_string(row, 1, line, styles["wrap"])
    for row, table in enumerate(tables, start=len(lines) + 3):
        need = f" Optional; where it is absent: {table.absent}." if table.optional else " Always needed."
        sheet.write_url(row, 0, f"internal:'{table.name}'!A1", string=table.name)
        sheet.write_string(row, 1, f"one row is {table.row}.{need}", styles["row"])


def _long_lists(tables: Sequence[Table]) -> dict[tuple[str, ...], int]:
    """Return the lists too long for a drop-down of their own, each with its column on the sheet of words."""
    found = {c.allowed for t in tables for c in t.asked() if len(",".join(c.allowed)) > LONGEST_LIST}
    return {words: i for i, words in enumerate(sorted(found))}


def _sheet(book: xlsxwriter.Workbook, table: Table, styles: dict, lists: dict[tuple[str, ...], int]) -> None:
    sheet = book.add_worksheet(table.name)
    sheet.freeze_panes(1, 1)
    sheet.set_row(0, 32)
    for i, column in enumerate(table.asked()):
        kind = "required" if column.required else "optional" if column.optional else "plain"
        sheet.write_string(0, i, column.name, styles[kind])
        lines = note(column).split("\n")
        sheet.write_comment(
            0,
            i,
            note(column),
            {"width": 300, "height": 22 * (len(lines) + len(note(column)) // 45)},
        )
        sheet.set_column(i, i, max(12, len(column.name) + 2), None if _is_number(column) else styles["text"])
        rule = _validation(column, lists)
        if rule:
            sheet.data_validation(1, i, ROWS_TO_FILL, i, rule)


def _is_number(column: Column) -> bool:
    return column.kind in ("number", "integer")


def _validation(column: Column, lists: dict[tuple[str, ...], int]) -> dict | None:
    """Return the rule of the cells of a column, None for a free code or word."""
    said = {"error_title": column.name[:32], "error_message": must_be(column)[:255]}
    if column.kind == "yesno":
        return {"validate": "list", "source": ["yes", "no"], **said}
    if column.allowed in lists:
        letter = chr(ord("A") + lists[column.allowed])
        return {
            "validate": "list",
            "source": f"='{WORDS}'!${letter}$2:${letter}${len(column.allowed) + 1}",
            **said,
        }
    if column.allowed:
        return {"validate": "list", "source": list(column.allowed), **said}
    if not _is_number(column):
        return None
    kind = "integer" if column.kind == "integer" else "decimal"
    return {"validate": kind, "criteria": "between", "minimum": column.low, "maximum": column.high, **said}


def _words(book: xlsxwriter.Workbook, styles: dict, lists: dict[tuple[str, ...], int]) -> None:
    if not lists:
        return
    sheet = book.add_worksheet(WORDS)
    sheet.set_column(0, len(lists), 24)
    for words, i in lists.items():
        sheet.write_string(0, i, "allowed words", styles["plain"])
        for row, word in enumerate(words, start=1):
            sheet.write_string(row, i, word)
