"""Break Parquet and DuckDB files: their bytes, or soundly written with cells and types nobody expects.

A file with damaged bytes must be refused or hold the sound file's numbers. A file soundly written with odd
contents must be refused, or every number in it must stand in the file as its own library shows it (to
Python values), and no more often than there.
"""

import shutil
from collections import Counter
from decimal import Decimal
from pathlib import Path

import duckdb
import fuzzed_files as fuzz
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from analytics import records
from analytics.errors import AnalyticsError

ODD_NUMBERS = (
    float("nan"), float("inf"), -0.0, 5e-324, 1e308, 2.0**53 + 2, -1.0, 0.1, 1 / 3, 1e16, 123456789.125, 1e-7,
    7.0,
)  # fmt: skip
ARROW_TYPES = (
    pa.float32(), pa.float16(), pa.int8(), pa.int64(), pa.uint16(), pa.decimal128(20, 3), pa.string(),
    pa.large_string(), pa.binary(), pa.bool_(), pa.date32(), pa.timestamp("us"), pa.duration("s"),
    pa.dictionary(pa.int8(), pa.string()), pa.list_(pa.float64()), pa.struct([("a", pa.float64())]),
    pa.null(), pa.string_view(), pa.time64("us"), pa.int32(),
)  # fmt: skip
DUCKDB_TYPES = (
    "float", "tinyint", "hugeint", "uhugeint", "decimal(20, 3)", "varchar", "blob", "boolean", "date",
    "timestamp", "interval", "double[]", "struct(a double)", "bit", "uuid", "time", "map(varchar, double)",
    "enum('a', 'b')", "timestamptz", "json",
)  # fmt: skip


def parquet_folder(tables: dict[str, pd.DataFrame], folder: Path) -> Path:
    """Write the tables as this package does, with a check sum a page."""
    folder.mkdir()
    for name, rows in tables.items():
        pq.write_table(
            pa.Table.from_pandas(rows, preserve_index=False),
            folder / f"{name}.parquet",
            write_page_checksum=True,
        )
    return folder


def duckdb_store(tables: dict[str, pd.DataFrame], path: Path) -> Path:
    """Write the tables into one DuckDB file."""
    with duckdb.connect(str(path)) as store:
        for name, rows in tables.items():
            store.register("given", pa.Table.from_pandas(rows, preserve_index=False))
            store.execute(f'create table "{name}" as select * from given')
            store.unregister("given")
    return path


def break_parquet(base: Path, place: Path, rng: np.random.Generator) -> str:
    """Write a broken copy of a Parquet folder, read it, and return how it went."""
    shutil.rmtree(place, ignore_errors=True)
    shutil.copytree(base, place)
    files = sorted(place.iterdir())
    chosen = files[int(rng.integers(len(files)))]
    if rng.random() < 0.4:
        chosen.write_bytes(fuzz.broken(chosen.read_bytes(), rng))
        return _as_the_sound_one(place, base)
    table = pq.read_table(chosen)
    for _ in range(int(rng.integers(1, 4))):
        table = _odd_column(table, rng)
    pq.write_table(table, chosen)
    return _as_the_file_says(place, {p.stem: pq.ParquetFile(p).read() for p in files})


def break_duckdb(base: Path, place: Path, rng: np.random.Generator) -> str:
    """Write a broken copy of a DuckDB file, read it, and return how it went."""
    place.write_bytes(fuzz.broken(base.read_bytes(), rng) if rng.random() < 0.4 else base.read_bytes())
    if place.read_bytes() != base.read_bytes():
        return _as_the_sound_one(place, base)
    with duckdb.connect(str(place)) as store:
        names = sorted(r[0] for r in store.execute("select table_name from duckdb_tables()").fetchall())
        for _ in range(int(rng.integers(1, 4))):
            _odd_cell(store, names[int(rng.integers(len(names)))], rng)
        written = {n: store.sql(f'select * from "{n}"').fetchall() for n in names}
        heads = {n: [d[0] for d in store.sql(f'select * from "{n}" limit 0').description] for n in names}
    tables = {n: {c: [row[i] for row in rows] for i, c in enumerate(heads[n])} for n, rows in written.items()}
    return _as_the_file_says(place, tables)


def _odd_column(table: pa.Table, rng: np.random.Generator) -> pa.Table:
    at = int(rng.integers(table.num_columns))
    name, column = table.column_names[at], table.column(at)
    what = int(rng.integers(6))
    if what == 0:
        return table.remove_column(at) if table.num_columns > 1 else table
    if what == 1:
        other = table.column_names[int(rng.integers(table.num_columns))]
        return table.rename_columns([other if i == at else n for i, n in enumerate(table.column_names)])
    if what == 2:
        return pa.concat_tables([table, table.slice(0, int(rng.integers(1, 3)))])
    if what == 3:
        kind = ARROW_TYPES[int(rng.integers(len(ARROW_TYPES)))]
        return table.set_column(at, name, _cast(column, kind))
    values = column.to_pylist()
    row = int(rng.integers(len(values)))
    if what == 4 and (pa.types.is_floating(column.type) or pa.types.is_integer(column.type)):
        values[row] = ODD_NUMBERS[int(rng.integers(len(ODD_NUMBERS)))]
        return table.set_column(at, name, pa.array(values, pa.float64()))
    texts = [None if v is None else str(v) for v in values]
    texts[row] = fuzz.WORDS[int(rng.integers(len(fuzz.WORDS)))].decode("utf-8", "replace")
    return table.set_column(at, name, pa.array(texts, pa.string()))


def _cast(column: pa.ChunkedArray, kind: pa.DataType) -> pa.ChunkedArray | pa.Array:
    """Return the column as another type; where nothing can be cast, a column of that type without values."""
    try:
        return column.cast(kind, safe=False)
    except pa.ArrowException:
        return pa.nulls(len(column), kind)


def _odd_cell(store: duckdb.DuckDBPyConnection, name: str, rng: np.random.Generator) -> None:
    columns = [d[0] for d in store.sql(f'select * from "{name}" limit 0').description]
    column = columns[int(rng.integers(len(columns)))]
    word = fuzz.WORDS[int(rng.integers(len(fuzz.WORDS)))].decode("utf-8", "replace").replace("\x00", "")
    number = ODD_NUMBERS[int(rng.integers(len(ODD_NUMBERS)))]
    kind = DUCKDB_TYPES[int(rng.integers(len(DUCKDB_TYPES)))]
    row = int(rng.integers(3))
    alter = f'alter table "{name}" alter "{column}" type'
    steps = (
        (f'{alter} {kind} using try_cast("{column}" as {kind})', []),
        (f'{alter} varchar using cast("{column}" as varchar)', []),
        (f'update "{name}" set "{column}" = ? where rowid = {row}', [number]),
        (f'update "{name}" set "{column}" = ? where rowid = {row}', [word]),
        (f'alter table "{name}" drop "{column}"', []),
        (f'insert into "{name}" select * from "{name}" limit 1', []),
        (f'delete from "{name}" where rowid = {row}', []),
    )
    try:
        store.execute(*steps[int(rng.integers(len(steps)))])
    except duckdb.Error:
        return


def _as_the_sound_one(place: Path, base: Path) -> str:
    """Load a file with damaged bytes: refused, or the numbers of the sound one."""
    try:
        found = records.load(place)
    except AnalyticsError as refused:
        return fuzz.sentence(str(refused))
    same = fuzz.numbers_loaded(found) == fuzz.numbers_loaded(records.load(base))
    return fuzz.RIGHT if same else "numbers of a damaged file that are not the sound one's"


def _as_the_file_says(place: Path, tables: dict) -> str:
    """Load a file with odd contents: refused, or no number that the file does not hold."""
    try:
        found = records.load(place)
    except AnalyticsError as refused:
        return fuzz.sentence(str(refused))
    for (name, column), values in fuzz.numbers_loaded(found).items():
        cells = _cells(tables[name], column) if name in tables else None
        if cells is None:
            continue
        there = Counter(n for n in map(_number, cells) if n is not None)
        empty = sum(c is None or c != c or (isinstance(c, str) and not c.strip()) for c in cells)
        if sum((values - there).values()) > empty:
            return f"wrong numbers in {name}.{column}"
    return fuzz.RIGHT


def _cells(table, column: str) -> list | None:
    """Return the first column of that name as Python values, or None."""
    if isinstance(table, dict):
        found = [v for k, v in table.items() if k.strip().casefold() == column]
        return found[0] if found else None
    at = [i for i, n in enumerate(table.column_names) if n.strip().casefold() == column]
    if not at:
        return None
    cells = table.column(at[0])
    if cells.type == pa.float32():
        # A short float is read as the shortest decimal that means it.
        return [None if v is None else float(str(np.float32(v))) for v in cells.to_pylist()]
    return cells.to_pylist()


def _number(cell: object) -> float | None:
    if isinstance(cell, bool):
        return None
    if isinstance(cell, int | float | Decimal):
        return float(cell)
    return fuzz.plain_number(cell.strip(" \t\r\n\u00a0")) if isinstance(cell, str) else None
