"""Read a clinic's own file as sheets of cells.

A workbook (.xlsx, .xlsb, .xls, .ods), a text file (any usual separator; UTF-8, UTF-16 or Windows-1252), a
Parquet or DuckDB file, or a database: each becomes one or more sheets, a cell being a text, a number, a date,
or empty. Nothing is taken for a header here, and nothing is converted. Stores are opened to read only, with
one query per table.
"""

import csv
import datetime
import hashlib
import io
import json
import re
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.parquet as pq

from analytics.errors import refused
from analytics.mapping.sources.sheets import Book, Sheet, sheet_of
from analytics.records import (
    LOCKED,
    MOST_ROWS,
    PANDAS_INDEX,
    duckdb_table,
    kind_of,
    marked_cells,
    only_read,
    parts_of_sheets,
    read_cells,
    read_parquet,
    refuse_large,
    refuse_unsafe_workbook,
    sqlite_url,
)

if TYPE_CHECKING:
    # Imported where a store is read: a quarter of a second, and most sources are workbooks and text.
    import sqlalchemy

READING = re.compile(r"^\s*(?:--[^\n]*\n\s*)*(?:select|with|table|values)\b", re.IGNORECASE)
JSON = (".jsonl", ".ndjson", ".json")
SEPARATORS = (";", "\t", "|", ",")
WORKBOOKS = (".xlsx", ".xlsm", ".xlsb", ".xls", ".ods")


def read(
    source: str | Path, *, queries: Mapping[str, str] | None = None, encoding: str = "", separator: str = ""
) -> Book:
    """Return a source as sheets of cells.

    Parameters
    ----------
    source
        A file, a folder of text or Parquet files, or a SQLAlchemy URL.
    queries
        For a database: name to one reading query; by default every table of it.
    encoding, separator
        Of text files, where they were declared.

    Returns
    -------
    Book
        Sheets of cells as text, with what becomes of each.

    Raises
    ------
    RecordError
        When the source cannot be read, is unsafe, or is too large.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     place = Path(folder) / "clinic.csv"
    ...     _ = place.write_text("Patient,Zone", encoding="utf-8")
    ...     [sheet.name for sheet in read(place).sheets]
    ['clinic']
    """
    if isinstance(source, str) and "://" in source:
        return _database(source, queries)
    place = Path(source)
    if place.is_dir():
        return _folder(place, encoding, separator)
    if not place.is_file():
        raise refused(
            place.name, "there is no such file", "give a file, a folder or a database URL", "look at the name"
        )
    refuse_large(place)
    sha256 = hashlib.sha256(place.read_bytes()).hexdigest()
    kind = kind_of(place)
    if kind == "sqlite":
        return _database(sqlite_url(place), queries, name=place.name)
    if kind == "duckdb":
        return Book(place.name, _duckdb(place), sha256)
    if kind == "parquet":
        return Book(place.name, (_parquet(place),), sha256)
    if place.suffix.lower() in WORKBOOKS or kind in ("zip", "old_office"):
        return Book(place.name, _workbook(place, kind), sha256)
    if place.suffix.lower() in JSON:
        return Book(place.name, (_json(place),), sha256)
    sheet, encoding, separator = _text(place, encoding, separator)
    return Book(place.name, (sheet,), sha256, encoding, separator)


def _json(path: Path) -> Sheet:
    """Return lines of JSON objects, or one list of them, as a sheet: a column a name, inner names joined."""
    try:
        text = path.read_text(encoding="utf-8-sig")
        found = (
            json.loads(text)
            if text.lstrip()[:1] == "["
            else [json.loads(x) for x in text.splitlines() if x.strip()]
        )
        objects = [_flat(one) for one in found]
    except (ValueError, AttributeError, RecursionError) as fault:
        raise refused(
            path.name,
            "it cannot be read as JSON lines",
            "a line is one object of names and values, in UTF-8; a list inside a value is no cell",
            "export it again, one row a line, or as CSV",
        ) from fault
    names = list(dict.fromkeys(name for one in objects for name in one))
    return sheet_of(path.stem, [names, *([one.get(n, "") for n in names] for one in objects)])


def _flat(one: dict, before: str = "") -> dict[str, object]:
    """Return an object with the names of inner objects written before theirs."""
    out: dict[str, object] = {}
    for name, value in one.items():
        if isinstance(value, dict):
            out |= _flat(value, f"{before}{name} ")
        elif isinstance(value, list):
            raise ValueError(name)
        else:
            out[f"{before}{name}"] = _plain(value)
    return out


def _workbook(path: Path, kind: str) -> tuple[Sheet, ...]:
    if kind == "zip":
        refuse_unsafe_workbook(path)
    marks = marked_cells(path) if kind == "zip" and path.suffix.lower() in (".xlsx", ".xlsm") else {}
    return tuple(
        sheet_of(
            sheet.name,
            _marked(sheet.rows, marks.get(sheet.name, {})),
            is_hidden=sheet.is_hidden,
            merged=sheet.merged,
            **{"remarks": sheet.remarks, **_beside(path, sheet.name, kind)},
        )
        for sheet in read_cells(path, rule="a workbook is unbroken and has no password")
    )


def _marked(rows: list[list[object]], marks: Mapping[tuple[int, int], str]) -> list[list[object]]:
    """Return rows with errors and formulas without a value as marks, so that neither passes as empty."""
    if not marks:
        return rows
    out = [list(row) for row in rows]
    for (row, column), mark in marks.items():
        out += [[] for _ in range(row + 1 - len(out))]
        out[row] += [""] * (column + 1 - len(out[row]))
        if out[row][column] == "":
            out[row][column] = mark
    return out


def _beside(path: Path, sheet: str, kind: str) -> dict[str, int]:
    """Return the remarks on cells of a sheet, and its cells of nothing but spaces, from the XML."""
    if kind != "zip" or path.suffix.lower() not in (".xlsx", ".xlsm"):
        return {}
    with zipfile.ZipFile(path) as archive:
        part = _sheet_part(archive, sheet)
        if part is None:
            return {}
        xml = archive.read(part)
        spaces = _blank_strings(archive)
        blanks = len(re.findall(rb"<is>\s*<t[^>]*>\s+</t>\s*</is>", xml))
        if spaces:
            wanted = b"|".join(str(i).encode() for i in sorted(spaces))
            blanks += len(re.findall(rb'<c\b[^>]*\bt="s"[^>]*>\s*<v>(?:' + wanted + rb")</v>", xml))
        links = f"{Path(part).parent.as_posix()}/_rels/{Path(part).name}.rels"
        remarks = 0
        if links in archive.namelist():
            for target in re.findall(
                rb'Target="([^"]*comments?[^"]*\.xml)"', archive.read(links), re.IGNORECASE
            ):
                name = target.decode().replace("../", "xl/").lstrip("/")
                if name in archive.namelist():
                    remarks += len(re.findall(rb"<(?:threadedComment|comment)\b", archive.read(name)))
    return {"blanks": blanks, "remarks": remarks}


def _sheet_part(archive: zipfile.ZipFile, sheet: str) -> str | None:
    part = parts_of_sheets(archive).get(sheet)
    return part if part in archive.namelist() else None


def _blank_strings(archive: zipfile.ZipFile) -> set[int]:
    """Return the places of shared strings that are nothing but spaces."""
    if "xl/sharedStrings.xml" not in archive.namelist():
        return set()
    items = re.findall(rb"<si>(.*?)</si>|<si/>", archive.read("xl/sharedStrings.xml"), re.DOTALL)
    return {
        i for i, item in enumerate(items) if b"<t" in item and re.sub(rb"<[^>]+>", b"", item).strip() == b""
    }


def _folder(folder: Path, encoding: str, separator: str) -> Book:
    paths = sorted(p for p in folder.iterdir() if p.suffix.lower() in (".csv", ".txt", ".tsv", ".parquet"))
    if not paths:
        raise refused(
            folder.name, "the folder holds no table", "a table is a CSV or Parquet file", "look at the folder"
        )
    sheets, digest = [], hashlib.sha256()
    for path in paths:
        refuse_large(path)
        digest.update(path.read_bytes())
        if path.suffix.lower() == ".parquet":
            sheets.append(_parquet(path))
        else:
            sheet, encoding, separator = _text(path, encoding, separator)
            sheets.append(sheet)
    return Book(folder.name, tuple(sheets), digest.hexdigest(), encoding, separator)


def _text(path: Path, encoding: str, separator: str) -> tuple[Sheet, str, str]:
    """Return a text file as a sheet, its encoding and separator."""
    data = path.read_bytes()
    encoding_read = encoding or encoding_of(data, path.name)
    try:
        text = data.decode(encoding_read)
    except (UnicodeDecodeError, LookupError) as fault:
        raise refused(
            path.name,
            "the letters cannot be read",
            f"the file was taken as {encoding_read[:20]}",
            "declare its encoding",
        ) from fault
    if "\x00" in text:
        raise refused(
            path.name, "the file is not text", "a table is a text file or a workbook", "save it again as CSV"
        )
    try:
        mark = separator or separator_of(text)
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=mark))
    except csv.Error as fault:
        raise refused(
            path.name,
            "the cells cannot be told apart",
            "quotation marks open and close a cell, and no cell holds more than 131,072 letters",
            "save it again as CSV",
        ) from fault
    return sheet_of(path.stem, [list(row) for row in rows]), encoding_read, mark


def encoding_of(data: bytes, name: str) -> str:
    """Return the encoding of a text file: by its mark, its zero bytes, UTF-8 if it can be, else Windows-1252.

    Examples
    --------
    >>> encoding_of("Größe".encode("utf-16-le"), ""), encoding_of("Größe".encode("cp1252"), "")
    ('utf-16-le', 'cp1252')
    """
    for mark, encoding in ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16")):
        if data.startswith(mark):
            return encoding
    head = data[:4096]
    if head.count(b"\x00") > len(head) / 4:
        return "utf-16-le" if head[1::2].count(0) > head[0::2].count(0) else "utf-16-be"
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def separator_of(text: str) -> str:
    r"""Return the separator that cuts most lines into the same number of cells, more than one.

    Examples
    --------
    >>> separator_of("a;b;c\n1,5;2,5;3\n2,5;1,0;4\n")
    ';'
    """
    lines = [line for line in text.splitlines()[:200] if line.strip()]
    best, most = ",", 0.0
    for mark in SEPARATORS:
        counts = [len(row) for row in csv.reader(lines, delimiter=mark)]
        usual = max(set(counts), key=counts.count, default=1)
        score = sum(c == usual for c in counts) * (usual > 1) * (1 + usual / 1000)
        if score > most:
            best, most = mark, score
    return best


def _parquet(path: Path) -> Sheet:
    """Return one Parquet file as a sheet, its column names as the first row."""
    read_parquet(path)
    return _arrow(path.stem, pq.read_table(path))


def _arrow(name: str, table: pa.Table) -> Sheet:
    columns = [c for c in table.column_names if not c.startswith(PANDAS_INDEX)]
    values = [[_plain(v) for v in table[c].to_pylist()] for c in columns]
    return sheet_of(name, [list(columns), *(list(row) for row in zip(*values, strict=True))])


def _duckdb(path: Path) -> tuple[Sheet, ...]:
    """Return every table of a DuckDB file as a sheet."""
    import duckdb

    try:
        with duckdb.connect(str(path), read_only=True, config=LOCKED) as store:
            names = [
                row[0]
                for row in store.execute(
                    "select table_name from duckdb_tables() where not internal"
                ).fetchall()
            ]
            return tuple(_arrow(name, duckdb_table(store, name)) for name in sorted(names))
    except duckdb.Error as fault:
        raise refused(
            path.name,
            "the DuckDB file cannot be read",
            "it is unbroken and closed elsewhere",
            "export it as CSV",
        ) from fault


def _database(url: str, queries: Mapping[str, str] | None, *, name: str = "database") -> Book:
    """Return the tables of a database, each by one reading query in a transaction that is never committed."""
    import sqlalchemy as sa

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


def _query(link: "sqlalchemy.Connection", name: str, query: str) -> Sheet:
    from sqlalchemy import text

    result = link.execute(text(query))
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
