"""Read Parquet, DuckDB and databases as sheets of cells: to read only, with one query a table."""

import datetime
import hashlib
import re
from collections.abc import Mapping
from pathlib import Path

import duckdb as engine_of_files
import pyarrow.parquet as pq
import sqlalchemy as sa

from analytics.records import readers_store
from analytics.records.mapping_sheet import Book, Sheet, sheet_of
from analytics.records.messages import refused

READING = re.compile(r"^\s*(?:--[^\n]*\n\s*)*(?:select|with|table|values)\b", re.IGNORECASE)


def parquet(path: Path) -> Sheet:
    """Return one Parquet file as a sheet, its column names as the first row."""
    readers_store.read_parquet(path)
    return _arrow(path.stem, pq.read_table(path))


def _arrow(name: str, table) -> Sheet:
    columns = [c for c in table.column_names if not c.startswith(readers_store.PANDAS_INDEX)]
    values = [[_plain(v) for v in table[c].to_pylist()] for c in columns]
    return sheet_of(name, [list(columns), *(list(row) for row in zip(*values, strict=True))])


def duckdb(path: Path) -> tuple[Sheet, ...]:
    """Return every table of a DuckDB file as a sheet."""
    try:
        with engine_of_files.connect(str(path), read_only=True, config=readers_store.LOCKED) as store:
            names = [
                row[0]
                for row in store.execute(
                    "select table_name from duckdb_tables() where not internal"
                ).fetchall()
            ]
            return tuple(_arrow(name, readers_store._duckdb_table(store, name)) for name in sorted(names))
    except engine_of_files.Error as fault:
        raise refused(
            path.name,
            "the DuckDB file cannot be read",
            "it is unbroken and closed elsewhere",
            "export it as CSV",
        ) from fault


def database(url: str, queries: Mapping[str, str] | None, *, name: str = "database") -> Book:
    """Return the tables of a database, each by one reading query in a transaction that is never committed."""
    bad = [
        key
        for key, query in (queries or {}).items()
        if not READING.match(query) or ";" in query.rstrip("; \n")
    ]
    if bad:
        raise refused(
            name,
            f"{len(bad)} of the queries are no reading queries",
            "a query is one SELECT",
            "write one SELECT a table",
        )
    try:
        engine = sa.create_engine(url, poolclass=sa.pool.NullPool)
        with engine.connect() as link:
            readers_store._only_read(link)
            quote = engine.dialect.identifier_preparer.quote
            wanted = dict(queries or {}) or {
                t: f"SELECT * FROM {quote(t)}" for t in sorted(sa.inspect(engine).get_table_names())
            }
            sheets = tuple(_query(link, key, query) for key, query in wanted.items())
            link.rollback()
    except (sa.exc.SQLAlchemyError, ImportError):
        raise refused(
            name,
            "the database cannot be read",
            "address, driver, permission and every query are right",
            "try the query in the database's own program",
        ) from None
    digest = hashlib.sha256()
    for sheet in sheets:
        digest.update(repr(sheet.cells.tolist()).encode())
    return Book(name, sheets, digest.hexdigest())


def _query(link: sa.Connection, name: str, query: str) -> Sheet:
    result = link.execute(sa.text(query))
    rows: list[list[object]] = [list(result.keys())]
    rows += [[_plain(v) for v in row] for row in result.fetchmany(readers_store.MOST_ROWS)]
    return sheet_of(name, rows)


def _plain(value: object) -> object:
    """Return a stored value as a cell: number, date, text, or empty where missing."""
    if value is None or value != value:
        return ""
    if isinstance(value, bool | str | float | datetime.date):
        return value
    if isinstance(value, int):
        return float(value)
    if hasattr(value, "as_integer_ratio"):
        return float(value)  # type: ignore[arg-type]
    if isinstance(value, bytes | bytearray | memoryview):
        raise refused(
            "database",
            "a column holds pictures or other bytes",
            "a cell is a text, a number or a date",
            "leave the column out of the query",
        )
    return str(value)
