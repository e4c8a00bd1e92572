"""Read tables from stores with types of their own (Parquet, DuckDB, SQL), back to the text of every cell.

A store is opened to read only. Nothing in it is executed beyond the query of each table: DuckDB runs without
extensions and without access to other files, views are not read.
"""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.compute as pc

from analytics.dictionary import TABLES, Raw, RawTable
from analytics.errors import Problem, nearest, not_loaded, refused
from analytics.records.safety import LARGEST_UNPACKED_BYTES, refuse_large

if TYPE_CHECKING:  # what reads one kind of store is loaded where that kind is read
    import duckdb
    import sqlalchemy as sa

MOST_ROWS = 20_000_000
PANDAS_INDEX = "__index_level_"
LOCKED: dict[str, str | bool | int | float | list[str]] = {
    "enable_external_access": False,
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
}


def read_parquet(path: Path) -> RawTable:
    """Return one Parquet file as text.

    Parameters
    ----------
    path
        A .parquet file.

    Returns
    -------
    RawTable
        Its cells as text, with the hash of the file.

    Raises
    ------
    RecordError
        When the file is broken, too large, or holds a column that is neither text nor number.
    """
    import pyarrow.parquet as pq

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
    import duckdb

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
                name.lower(): from_arrow(duckdb_table(store, name), file=path.name, sha256=sha256)
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
        One reading query per table, where the database holds them under other names; else `SELECT * FROM
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
            only_read(link)
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
    """Return the URL of a SQLite file, opened to read only.

    Parameters
    ----------
    path
        A SQLite file.

    Returns
    -------
    str
        A URL for `sqlalchemy.create_engine`.
    """
    return f"sqlite:///file:{path.resolve().as_posix()}?mode=ro&uri=true"


def from_arrow(table: pa.Table, *, file: str, sha256: str) -> RawTable:
    """Return an Arrow table as text."""
    # By position: a name may stand twice.
    places = [i for i, name in enumerate(table.column_names) if not name.startswith(PANDAS_INDEX)]
    names = tuple(table.column_names[i] for i in places)
    return RawTable(names, tuple(text_of(table.column(i), file=file) for i in places), file, sha256)


def text_of(column: pa.ChunkedArray | pa.Array, *, file: str) -> pa.Array:
    """Return the text of a typed column: whole numbers without decimals, True and False, missing as empty.

    Parameters
    ----------
    column
        Numbers, truth values, text or categories.
    file
        What messages call the file.

    Returns
    -------
    pyarrow.Array
        Text of the same length.

    Raises
    ------
    RecordError
        When the column is neither text nor number.

    Examples
    --------
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


def other_names(
    unread: Mapping[str, str], thing: str, read: Collection[str], *, only_near: bool = False
) -> list[Problem]:
    """Return what is said of things that are not read: a warning, or an error where an absent table is near.

    Parameters
    ----------
    unread
        Name in small letters to how a message calls it.
    thing
        file, sheet or table.
    read
        The tables that were read.
    only_near
        Say nothing of the others, as a database holds many.

    Examples
    --------
    >>> [p.severity for p in other_names({"therapie": "a.csv", "costs": "b.csv"}, "file", ("patients",))]
    ['error', 'warning']
    """
    absent = tuple(name for name in TABLES if name not in read)
    like = {name: nearest(name, absent) for name in unread}
    return [
        not_loaded(label, thing, like=like[name])
        for name, label in unread.items()
        if like[name] or not only_near
    ]


def _nearly_tables(names: Sequence[str], read: Mapping[str, RawTable]) -> tuple[Problem, ...]:
    """Return the tables of a database that are not read and are named nearly like one that is absent."""
    unread = {n.lower(): f"database, table {i}" for i, n in enumerate(names, 1) if n.lower() not in TABLES}
    return tuple(other_names(unread, "table", read, only_near=True))


def duckdb_table(store: duckdb.DuckDBPyConnection, name: str) -> pa.Table:
    """Return one table of an open DuckDB file.

    Parameters
    ----------
    store
        An open DuckDB file.
    name
        Of the table.

    Returns
    -------
    pyarrow.Table
        All its rows.
    """
    quoted = name.replace('"', '""')
    return store.sql(f'select * from "{quoted}"').to_arrow_table()


def only_read(link: sa.Connection) -> None:
    """Open the session of a database to read only, where the database can.

    Parameters
    ----------
    link
        An open connection.
    """
    import sqlalchemy as sa

    if link.dialect.name == "postgresql":
        link.execute(sa.text("SET TRANSACTION READ ONLY"))
    elif link.dialect.name == "sqlite":
        link.execute(sa.text("PRAGMA query_only = ON"))


def _queries(engine: sa.Engine) -> dict[str, str]:
    import sqlalchemy as sa

    quote = engine.dialect.identifier_preparer.quote
    stored = {name.lower(): name for name in sa.inspect(engine).get_table_names()}
    return {name: f"SELECT * FROM {quote(stored[name])}" for name in TABLES if name in stored}


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


def _digest(names: tuple[str, ...], cells: tuple[pa.Array, ...]) -> str:
    """Return a hash of the text of all cells, where there is no file to hash."""
    digest = hashlib.sha256("\x1f".join(names).encode())
    for array in cells:
        digest.update("\x1e".join(array.to_pylist()).encode())
    return digest.hexdigest()
