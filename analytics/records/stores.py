"""Read tables from stores with types of their own (Parquet, DuckDB, SQL), back to the text of every cell.

A store is opened to read only. Nothing in it is executed beyond the query of each table: DuckDB runs without
extensions and without access to other files, views are not read.

Which files, sheets or tables of a database bear no table's name, and which of them nearly do.

Read one workbook: each sheet named after a table, every cell as the text of its stored value.

The reader of cells (calamine) shows the error of a formula, and a formula that was never calculated, as an
empty cell. Both are looked up in the sheet's own XML and put back as marks, so that neither passes as
missing.
"""

from __future__ import annotations

import datetime
import hashlib
import re
import zipfile
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree import ElementTree

import duckdb
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
from python_calamine import CalamineError, CalamineWorkbook

from analytics.dictionary import TABLES, Raw, RawTable, from_rows
from analytics.errors import Problem, not_loaded, refused, twice
from analytics.records.safety import LARGEST_UNPACKED_BYTES, refuse_large, refuse_unsafe_workbook
from analytics.records.typed import nearest


def other_names(
    unread: Mapping[str, str], thing: str, found: Collection[str], *, only_near: bool = False
) -> list[Problem]:
    """Return what is said of things that are not read: a warning, or an error where an absent table is near.

    Parameters
    ----------
    unread
        Name in small letters to how a message calls it.
    thing
        file, sheet or table.
    found
        The tables that were read.
    only_near
        Say nothing of the others, as a database holds many.

    Examples
    --------
    >>> [p.severity for p in other_names({"therapie": "a.csv", "costs": "b.csv"}, "file", ("patients",))]
    ['error', 'warning']
    """
    absent = tuple(name for name in TABLES if name not in found)
    like = {name: nearest(name, absent) for name in unread}
    return [
        not_loaded(label, thing, like=like[name])
        for name, label in unread.items()
        if like[name] or not only_near
    ]


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
    refuse_unsafe_workbook(path)
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
    return Raw(tables, (*problems, *other_names(others, "sheet", tables)))


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


if TYPE_CHECKING:
    import sqlalchemy as sa  # loaded where a database is read: it takes a quarter of a second

MOST_ROWS = 20_000_000
PANDAS_INDEX = "__index_level_"
LOCKED: dict[str, str | bool | int | float | list[str]] = {
    "enable_external_access": False,
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
}


def read_parquet(path: Path) -> RawTable:
    """Return one Parquet file as text.

    Raises
    ------
    RecordError
        When the file is broken, too large, or holds a column that is neither text nor number.
    """
    refuse_large(path)
    try:
        file = pq.ParquetFile(path, page_checksum_verification=True)
        groups = (file.metadata.row_group(i).total_byte_size for i in range(file.metadata.num_row_groups))
        if file.metadata.num_rows > MOST_ROWS or sum(groups) > LARGEST_UNPACKED_BYTES:
            raise refused(
                path.name,
                "the file unpacks to far more than a register needs",
                f"at most {MOST_ROWS} rows and {LARGEST_UNPACKED_BYTES // 2**20} MB",
                "hand in the tables alone",
                code="unsafe",
            )
        table = file.read()
        table.validate(full=True)
    except (pa.ArrowException, OSError, ValueError) as fault:
        raise refused(
            path.name,
            "the file cannot be read",
            "a .parquet file is one unbroken table",
            "write it again from its source",
        ) from fault
    return from_arrow(table, file=path.name, sha256=hashlib.sha256(path.read_bytes()).hexdigest())


def read_duckdb(path: Path) -> Raw:
    """Return the tables of a DuckDB file, those named in the dictionary.

    Raises
    ------
    RecordError
        When the file cannot be opened or read.
    """
    refuse_large(path)
    sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
    try:
        with duckdb.connect(str(path), read_only=True, config=LOCKED) as store:
            names = [
                row[0]
                for row in store.execute(
                    "select table_name from duckdb_tables() where not internal and schema_name = 'main'"
                ).fetchall()
            ]
            tables = {
                name.lower(): from_arrow(_duckdb_table(store, name), file=path.name, sha256=sha256)
                for name in sorted(names)
                if name.lower() in TABLES
            }
            return Raw(tables, _nearly_tables(names, tables))
    except duckdb.Error as fault:
        raise refused(
            path.name,
            "the DuckDB file cannot be read",
            "it is unbroken, closed elsewhere, and not newer than this program",
            "close it elsewhere, or export the tables as CSV",
        ) from fault


def read_sql(url: str, *, queries: Mapping[str, str] | None = None) -> Raw:
    """Return the tables of a database by its SQLAlchemy URL, in the order the database gives the rows.

    Parameters
    ----------
    url
        For example `sqlite:///clinic.db`. SQLite and PostgreSQL sessions are opened to read only.
    queries
        One reading query a table, where the database holds them under other names; else `SELECT * FROM
        table`.

    Raises
    ------
    RecordError
        When the database cannot be reached or a query fails; the message holds neither address nor password.
    """
    import sqlalchemy as sa

    try:
        engine = sa.create_engine(url, poolclass=sa.pool.NullPool)
        with engine.connect() as link:
            _only_read(link)
            wanted = dict(queries or {}) or _queries(engine)
            tables = {
                name: _sql_table(link, query, engine.name) for name, query in wanted.items() if name in TABLES
            }
            others = list(wanted) if queries else sa.inspect(engine).get_table_names()
            return Raw(tables, _nearly_tables(others, tables))
    except (sa.exc.SQLAlchemyError, ImportError):
        # The driver's own message may hold the address, the user or a value.
        raise refused(
            "database",
            "it cannot be read",
            "address, driver, permission to read and every query are right",
            "try the query in the database's own program",
        ) from None


def sqlite_url(path: Path) -> str:
    """Return the URL of a SQLite file, opened to read only."""
    return f"sqlite:///file:{path.resolve().as_posix()}?mode=ro&uri=true"


def from_arrow(table: pa.Table, *, file: str, sha256: str) -> RawTable:
    """Return an Arrow table as text."""
    # By position: a name may stand twice.
    kept = [i for i, name in enumerate(table.column_names) if not name.startswith(PANDAS_INDEX)]
    names = tuple(table.column_names[i] for i in kept)
    return RawTable(names, tuple(text_of(table.column(i), file=file) for i in kept), file, sha256)


def text_of(column: pa.ChunkedArray | pa.Array, *, file: str) -> pa.Array:
    """Return the text of a typed column: whole numbers without decimals, True and False, missing as empty.

    >>> text_of(pa.array([12.0, 0.5, None]), file="").to_pylist()
    ['12', '0.5', '']
    """
    column = column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
    kind = column.type
    if pa.types.is_dictionary(kind):
        return text_of(column.dictionary_decode(), file=file)
    if pa.types.is_boolean(kind):
        return pc.fill_null(pc.if_else(column, "True", "False"), "")
    if pa.types.is_floating(kind):
        column = pc.if_else(pc.is_nan(column), pa.scalar(None, kind), column)
    elif not (pa.types.is_null(kind) or _has_plain_text(kind)):
        raise refused(
            file,
            "a column holds neither text nor numbers",
            "a cell is a text, a number, or True or False",
            "write the column again as text",
        )
    return pc.fill_null(column.cast(pa.string()), "")


def _has_plain_text(kind: pa.DataType) -> bool:
    tests = (
        pa.types.is_string,
        pa.types.is_large_string,
        pa.types.is_integer,
        pa.types.is_decimal,
        pa.types.is_temporal,
    )
    return any(test(kind) for test in tests) and not _is_a_span(kind)


def _is_a_span(kind: pa.DataType) -> bool:
    """Tell whether a type is a length of time: as text it is a number that has lost its unit."""
    return pa.types.is_interval(kind) or pa.types.is_duration(kind)


def _nearly_tables(names: Sequence[str], found: Mapping[str, RawTable]) -> tuple[Problem, ...]:
    """Return the tables of a database that are not read and are named nearly like one that is absent."""
    unread = {n.lower(): f"database, table {i}" for i, n in enumerate(names, 1) if n.lower() not in TABLES}
    return tuple(other_names(unread, "table", found, only_near=True))


def _duckdb_table(store: duckdb.DuckDBPyConnection, name: str) -> pa.Table:
    quoted = name.replace('"', '""')
    return store.sql(f'select * from "{quoted}"').to_arrow_table()


def _only_read(link: sa.Connection) -> None:
    import sqlalchemy as sa

    if link.dialect.name == "postgresql":
        link.execute(sa.text("SET TRANSACTION READ ONLY"))
    elif link.dialect.name == "sqlite":
        link.execute(sa.text("PRAGMA query_only = ON"))


def _queries(engine: sa.Engine) -> dict[str, str]:
    import sqlalchemy as sa

    quote = engine.dialect.identifier_preparer.quote
    found = {name.lower(): name for name in sa.inspect(engine).get_table_names()}
    return {name: f"SELECT * FROM {quote(found[name])}" for name in TABLES if name in found}


def _sql_table(link: sa.Connection, query: str, kind: str) -> RawTable:
    import sqlalchemy as sa

    result = link.execute(sa.text(query))
    names = tuple(result.keys())
    rows = result.fetchmany(MOST_ROWS)
    columns = list(zip(*rows, strict=True)) or [()] * len(names)
    cells = tuple(pa.array(_texts(column), pa.string()) for column in columns)
    return RawTable(names, cells, f"{kind} database", _digest(names, cells))


def _texts(column: Sequence[object]) -> list[str]:
    if any(isinstance(value, bytes | memoryview) for value in column):
        raise refused(
            "database",
            "a column holds neither text nor numbers",
            "a cell is a text, a number, or True or False",
            "leave the column out of the query",
        )
    return ["" if value is None else cell_text(value) for value in column]


def _digest(names: tuple[str, ...], cells: tuple[pa.Array, ...]) -> str:
    """Return a hash of the text of all cells, where there is no file to hash."""
    found = hashlib.sha256("\x1f".join(names).encode())
    for array in cells:
        found.update("\x1e".join(array.to_pylist()).encode())
    return found.hexdigest()
