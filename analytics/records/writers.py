"""Write records in any form that `load` reads; what is written loads to the same records.

Text stays text in every form, so that codes keep their zeros and no cell is taken for a formula. Files are
written whole or not at all, readable by their owner alone.
"""

import io
import tempfile
from pathlib import Path
from typing import Literal

import duckdb
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import xlsxwriter

from analytics.errors import ParameterError
from analytics.records import writing
from analytics.records.dictionary import TABLES
from analytics.records.schema import Records

Kind = Literal["csv", "xlsx", "parquet", "duckdb"]
KINDS = ("csv", "xlsx", "parquet", "duckdb")
PLAIN_BOOK = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}


def write(records: Records, place: str | Path, *, kind: Kind = "csv") -> Path:
    """Write records to a folder (csv, parquet) or a file (xlsx, duckdb) and return it.

    Parameters
    ----------
    records
        The records as loaded; columns filled at load are left out, defaults are written as they were filled.
    place
        Folder or file; a file of the same name is replaced.
    kind
        One of csv, xlsx, parquet, duckdb.

    Raises
    ------
    ParameterError
        When the kind is unknown.
    """
    if kind not in KINDS:
        raise ParameterError(f"records.write(kind): unknown kind; use one of {', '.join(KINDS)}")
    tables = {name: as_written(getattr(records, name), name) for name in TABLES}
    target = Path(place)
    if kind == "xlsx":
        return writing.file(target, _workbook(tables))
    if kind == "duckdb":
        return writing.file(target, _duckdb(tables))
    files = {
        f"{name}.{kind}": frame.to_csv(index=False).encode() if kind == "csv" else _parquet(frame)
        for name, frame in tables.items()
    }
    if not writing.holds_others(target, files):
        return writing.folder(target, files)
    # A folder with other files in it is kept, and its tables are changed one by one.
    for name, content in files.items():
        writing.file(target / name, content)
    return target


def as_written(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    """Return a table as handed in: without the columns filled at load, whole numbers without decimals."""
    asked = TABLES[table].asked()
    whole = {c.name: "Int64" for c in asked if c.kind == "integer"}
    return frame[[c.name for c in asked]].astype(whole)


def _parquet(frame: pd.DataFrame) -> bytes:
    sink = pa.BufferOutputStream()
    pq.write_table(pa.Table.from_pandas(frame, preserve_index=False), sink, write_page_checksum=True)
    return sink.getvalue().to_pybytes()


def _duckdb(tables: dict[str, pd.DataFrame]) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "register.duckdb"
        with duckdb.connect(str(place)) as store:
            for name, frame in tables.items():
                store.register("handed_in", pa.Table.from_pandas(frame, preserve_index=False))
                store.execute(f'create table "{name}" as select * from handed_in')
                store.unregister("handed_in")
        return place.read_bytes()


def _workbook(tables: dict[str, pd.DataFrame]) -> bytes:
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
