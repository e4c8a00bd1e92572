"""A clinic's file as sheets of cells, and the account of every cell that holds something.

The account of a sheet is one small number per cell, its *fate*: 0 empty, 1 not yet dealt with, and beyond
that the place of a (kind, table, reason) in a list. A sheet is settled when no cell is left at 1. Parquet,
DuckDB and databases are read here: to read only, with one query per table.
"""

import datetime
import hashlib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import duckdb as engine_of_files
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import sqlalchemy as sa

from analytics.errors import refused
from analytics.records import (
    LOCKED,
    MOST_ROWS,
    PANDAS_INDEX,
    duckdb_table,
    only_read,
    read_parquet,
)

EMPTY, OPEN = 0, 1
SPACES = " \t\r\n\u00a0\u2007\u2009\u202f\ufeff\u200b\u3000"
MOST_CELLS_OF_A_BOOK = 50_000_000


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet as read: `cells` (rows, columns) of text, float, date, or "" where empty; `fate` beside it.

    `merged` are ranges (first row, first column, last row, last column) from 0. `blanks` counts cells that
    hold nothing but spaces and that the reader shows as empty.
    """

    name: str
    cells: np.ndarray
    fate: np.ndarray
    is_hidden: bool = False
    merged: tuple[tuple[int, int, int, int], ...] = ()
    remarks: int = 0
    blanks: int = 0


@dataclass(frozen=True, slots=True)
class Book:
    """All sheets of a source, its name without the folder, its hash, and how text was decoded."""

    name: str
    sheets: tuple[Sheet, ...]
    sha256: str
    encoding: str = ""
    separator: str = ""
    fates: list[tuple[str, str, str]] = field(default_factory=lambda: [("", "", ""), ("open", "", "")])

    def fate(self, kind: str, table: str = "", reason: str = "") -> int:
        """Return the number of a fate, new or known."""
        wanted = (kind, table, reason)
        if wanted not in self.fates:
            self.fates.append(wanted)
        return self.fates.index(wanted)


def sheet_of(name: str, rows: Sequence[Sequence[object]], **more) -> Sheet:
    """Return a sheet from rows of cells; cells of nothing but spaces become empty and are counted."""
    width = max((len(row) for row in rows), default=0)
    if width * len(rows) > MOST_CELLS_OF_A_BOOK:
        raise refused(
            name,
            "the sheet is too large",
            f"at most {MOST_CELLS_OF_A_BOOK} cells",
            "hand in the tables alone",
        )
    cells = np.full((len(rows), width), "", dtype=object)
    if all(len(row) == width for row in rows):
        cells[:] = rows
    else:
        for i, row in enumerate(rows):
            cells[i, : len(row)] = row
    fate, blanks = _first_fate(cells)
    return Sheet(name, cells, fate, blanks=blanks + more.pop("blanks", 0), **more)


def _first_fate(cells: np.ndarray) -> tuple[np.ndarray, int]:
    """Return EMPTY or OPEN for each cell, and empty those of nothing but spaces, in place."""
    flat = cells.ravel()
    if bool in set(map(type, flat)):
        flat[:] = [str(c) if isinstance(c, bool) else c for c in flat]
    codes, distinct = pd.factorize(flat, use_na_sentinel=False)
    empty = np.array([isinstance(c, str) and c == "" for c in distinct], dtype=bool)
    spaces = np.array([isinstance(c, str) and c != "" and not c.strip(SPACES) for c in distinct], dtype=bool)
    blank = spaces[codes] if len(distinct) else np.zeros(0, dtype=bool)
    flat[blank] = ""
    open_ = ~(empty | spaces)[codes] if len(distinct) else blank
    return np.where(open_, OPEN, EMPTY).astype(np.int16).reshape(cells.shape), int(blank.sum())


def letter(column: int) -> str:
    """Return the letters of a column, from 0.

    >>> letter(0), letter(27)
    ('A', 'AB')
    """
    text = ""
    column += 1
    while column:
        column, rest = divmod(column - 1, 26)
        text = chr(65 + rest) + text
    return text


READING = re.compile(r"^\s*(?:--[^\n]*\n\s*)*(?:select|with|table|values)\b", re.IGNORECASE)


def parquet(path: Path) -> Sheet:
    """Return one Parquet file as a sheet, its column names as the first row."""
    read_parquet(path)
    return _arrow(path.stem, pq.read_table(path))


def _arrow(name: str, table) -> Sheet:
    columns = [c for c in table.column_names if not c.startswith(PANDAS_INDEX)]
    values = [[_plain(v) for v in table[c].to_pylist()] for c in columns]
    return sheet_of(name, [list(columns), *(list(row) for row in zip(*values, strict=True))])


def duckdb(path: Path) -> tuple[Sheet, ...]:
    """Return every table of a DuckDB file as a sheet."""
    try:
        with engine_of_files.connect(str(path), read_only=True, config=LOCKED) as store:
            names = [
                row[0]
                for row in store.execute(
                    "select table_name from duckdb_tables() where not internal"
                ).fetchall()
            ]
            return tuple(_arrow(name, duckdb_table(store, name)) for name in sorted(names))
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
            only_read(link)
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
    rows += [[_plain(v) for v in row] for row in result.fetchmany(MOST_ROWS)]
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
