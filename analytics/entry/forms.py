"""The bytes of a register after a change, in each form that can grow: CSV, Parquet, DuckDB, .xlsx.

Nothing is written here. What a file holds beside the rows that change stays as it is: separator, encoding and
line ends of a CSV file, types of a Parquet or DuckDB table, and every other part of a workbook.
"""

import csv
import io
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.parquet as pq

from analytics import records
from analytics.dictionary import TABLES
from analytics.entry import sheets
from analytics.entry.changes import Change, applied, by_table, new_columns, typed
from analytics.errors import ParameterError

if TYPE_CHECKING:
    import duckdb

ARROW_KINDS = {"yesno": pa.bool_(), "number": pa.float64(), "integer": pa.int64()}
SQL_KINDS = {"yesno": "boolean", "number": "double", "integer": "bigint"}


def files_of(place: Path) -> dict[str, bytes]:
    """Return the bytes of the files that a register at a path is made of, by name.

    Raises
    ------
    ParameterError
        When there is no register of a form that can grow.
    """
    if place.is_dir():
        found = {p.name: p.read_bytes() for p in sorted(place.iterdir()) if _table_of(p.name)}
    else:
        found = {place.name: place.read_bytes()} if place.is_file() else {}
    if not found:
        raise ParameterError(
            f"{place.name}: no register is there; name a folder of CSV or Parquet files, a workbook or "
            "a DuckDB file (regrowth template writes an empty workbook)"
        )
    return found


def changed(place: Path, was: Mapping[str, bytes], changes: Sequence[Change]) -> dict[str, bytes]:
    """Return the files of a register after changes, all of them, by name.

    Parameters
    ----------
    place
        The register.
    was
        Its files, as `files_of` gives them.
    changes
        In the order in which they happen.

    Raises
    ------
    ParameterError
        When a row to be changed is not there or is not as it was, or the form cannot grow.
    """
    if place.is_dir():
        return _folder(was, by_table(changes))
    kind = records.kind_of(place)
    if kind not in ("zip", "duckdb"):
        raise ParameterError(
            f"{place.name}: rows can be added to a folder of CSV or Parquet files, an .xlsx workbook or a "
            "DuckDB file; save the register as one of these"
        )
    data = was[place.name]
    return {place.name: (sheets.changed if kind == "zip" else _duckdb)(place.name, data, by_table(changes))}


def _table_of(name: str) -> str:
    """Return the table that a file of a folder holds, or nothing."""
    stem, _, ending = name.rpartition(".")
    return (
        stem.strip().lower()
        if ending.lower() in ("csv", "parquet") and stem.strip().lower() in TABLES
        else ""
    )


def _folder(was: Mapping[str, bytes], changes: Mapping[str, list[Change]]) -> dict[str, bytes]:
    place = {_table_of(name): name for name in was}
    ending = next(iter(was)).rpartition(".")[2].lower()
    out = dict(was)
    for table, of_table in changes.items():
        name = place.get(table, f"{table}.{ending}")
        is_csv = name.lower().endswith(".csv")
        if name not in was:
            head = [c.name for c in TABLES[table].asked() if c.required or not c.optional]
            before = (",".join(head) + "\n").encode() if is_csv else _empty_parquet(table)
        else:
            before = was[name]
        out[name] = (_csv if is_csv else _parquet)(name, before, of_table)
    return out


def _csv(name: str, data: bytes, changes: list[Change]) -> bytes:
    """Return a CSV file after changes; rows that only come are written behind what stands there."""
    encoding = next((e for mark, e in records.readers.BOMS if data.startswith(mark)), "") or _encoding(data)
    text = data.decode(encoding)
    table = changes[0].table
    mark = records.readers.separator(text, table=table)
    ends = "\r\n" if "\r\n" in text else "\n"
    rows = records.readers.rows_of(text, delimiter=mark, file=name)
    names, body = list(rows[0]) if rows else [], rows[1:]
    more = new_columns(names, changes)
    width = len(names) + len(more)
    full = [row + [""] * (width - len(row)) for row in body]
    todo = applied([*names, *more], full, changes)
    if not more and all(place is None and new is not None for place, new in todo):
        begin = "" if not text or text.endswith(("\n", "\r")) else ends
        return (text + begin + _lines((new for _, new in todo), mark, ends)).encode(encoding)
    return _lines([[*names, *more], *carried_out(full, todo)], mark, ends).encode(encoding)


def carried_out(rows: Sequence[Sequence[str]], todo: Iterable[tuple]) -> list[list[str]]:
    """Return rows after what `changes.applied` says is done."""
    now: list[Sequence[str] | None] = list(rows)
    for place, new in todo:
        if place is None:
            now.append(new)
        else:
            now[place] = new
    return [list(row) for row in now if row is not None]


def _lines(rows: Iterable[Sequence[str]], mark: str, ends: str) -> str:
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=mark, lineterminator=ends).writerows(rows)
    return out.getvalue()


def _encoding(data: bytes) -> str:
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def _empty_parquet(table: str) -> bytes:
    fields = [(c.name, ARROW_KINDS.get(c.kind, pa.string())) for c in TABLES[table].asked()]
    return _parquet_bytes(pa.schema(fields).empty_table())


def _parquet_bytes(table: pa.Table) -> bytes:
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, write_page_checksum=True)
    return sink.getvalue().to_pybytes()


def _parquet(name: str, data: bytes, changes: list[Change]) -> bytes:
    """Return a Parquet file after changes, each column of the type it had."""
    stored = pq.read_table(pa.BufferReader(data))
    columns = {c.name: c for c in TABLES[changes[0].table].columns}
    for new in new_columns(stored.column_names, changes):
        kind = ARROW_KINDS.get(columns[new].kind, pa.string())
        stored = stored.append_column(new, pa.nulls(stored.num_rows, kind))
    names = stored.column_names
    text = [records.text_of(stored.column(i), file=name).to_pylist() for i in range(len(names))]
    todo = applied(names, [list(row) for row in zip(*text, strict=True)], changes)
    values = {i: stored.column(i).to_pylist() for i in range(len(names))}
    for i, head in enumerate(names):
        column = columns.get(head.strip().casefold())
        for place, new in todo:
            value = None if new is None or column is None else typed(new[i], column)
            if place is None:
                values[i].append(value if column or new is None else new[i] or None)
            elif new is not None and column is not None:
                values[i][place] = value
    gone = {place if place is not None else None for place, new in todo if new is None}
    kept = [k for k in range(len(values[0])) if k not in gone] if names else []
    arrays = [_array([values[i][k] for k in kept], stored.schema.field(i).type) for i in range(len(names))]
    return _parquet_bytes(pa.Table.from_arrays(arrays, schema=stored.schema))


def _array(values: list, kind: pa.DataType) -> pa.Array:
    """Return values in the type of their column; a store that holds all as text keeps text."""
    if pa.types.is_string(kind) or pa.types.is_large_string(kind):
        values = [v if v is None or isinstance(v, str) else str(v) for v in values]
    elif pa.types.is_floating(kind):
        values = [None if v is None else float(v) for v in values]
    return (
        pa.array(values, pa.string()).cast(kind) if pa.types.is_dictionary(kind) else pa.array(values, kind)
    )


def _duckdb(name: str, data: bytes, changes: Mapping[str, list[Change]]) -> bytes:
    """Return a DuckDB file after changes; every other table and view in it stays."""
    import duckdb

    with tempfile.TemporaryDirectory(prefix="rw-entry-") as folder:
        copy = Path(folder) / "register.duckdb"
        copy.write_bytes(data)
        try:
            with duckdb.connect(str(copy), config=records.LOCKED) as store:
                store.execute("begin")
                for table, of_table in changes.items():
                    _change_table(store, name, table, of_table)
                store.execute("commit")
                store.execute("checkpoint")
        except duckdb.Error:
            raise ParameterError(
                f"{name}: a row could not be written to this file; nothing was done; close it elsewhere, and "
                "look whether its columns are of the types the dictionary asks for"
            ) from None
        return copy.read_bytes()


def _change_table(store: "duckdb.DuckDBPyConnection", file: str, table: str, changes: list[Change]) -> None:
    found = store.execute(
        "select table_name from duckdb_tables() where not internal and schema_name = 'main'"
    ).fetchall()
    stored = next((n for (n,) in found if n.lower() == table), "")
    if not stored:
        fields = ", ".join(f'"{c.name}" {SQL_KINDS.get(c.kind, "varchar")}' for c in TABLES[table].asked())
        store.execute(f'create table "{table}" ({fields})')
        stored = table
    quoted = '"' + stored.replace('"', '""') + '"'
    columns = {c.name: c for c in TABLES[table].columns}
    names = [d[0] for d in store.execute(f"select * from {quoted} limit 0").description or ()]
    for new in new_columns(names, changes):
        kind = SQL_KINDS.get(columns[new].kind, "varchar")
        store.execute(f'alter table {quoted} add column "{new}" {kind}')
        names.append(new)
    whole = store.sql(f"select rowid, * from {quoted} order by rowid").to_arrow_table()
    row_ids = whole.column(0).to_pylist()
    text = [records.text_of(whole.column(i + 1), file=file).to_pylist() for i in range(len(names))]
    for place, new in applied(names, [list(row) for row in zip(*text, strict=True)], changes):
        _one(store, quoted, names, columns, None if place is None else row_ids[place], new)


def _one(store, quoted: str, names: list[str], columns: Mapping, row_id: int | None, new) -> None:
    """Put one row in, take it out, or change its cells."""
    if new is None:
        store.execute(f"delete from {quoted} where rowid = ?", [row_id])
        return
    known = [
        (n, typed(text, columns[n.strip().casefold()]))
        for n, text in zip(names, new, strict=True)
        if n.strip().casefold() in columns
    ]
    heads = ['"' + n.replace('"', '""') + '"' for n, _ in known]
    values = [value for _, value in known]
    if row_id is None:
        marks = ", ".join("?" for _ in known)
        store.execute(f"insert into {quoted} ({', '.join(heads)}) values ({marks})", values)
    else:
        store.execute(
            f"update {quoted} set {', '.join(f'{h} = ?' for h in heads)} where rowid = ?", [*values, row_id]
        )
