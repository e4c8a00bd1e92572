"""Find the tables at a path and read every cell as text: CSV folder, workbook, Parquet folder, DuckDB, SQL.

Nothing is executed: formulas are read as the values last stored, no macro, no pickle. Whatever the form, the
same records give the same text. Of a CSV file, encoding and separator are found out.
"""

import csv
import hashlib
import io
import re
from collections.abc import Mapping
from pathlib import Path

import pyarrow as pa
import pyarrow.csv as pacsv

from analytics import files
from analytics.dictionary import TABLES, Raw, RawTable, from_rows
from analytics.errors import Problem, refused, twice
from analytics.records.safety import kind_of, refuse_large
from analytics.records.stores import other_names, read_duckdb, read_parquet, read_sql, sqlite_url
from analytics.records.workbooks import read_workbook

WHAT_TO_GIVE = (
    "give a folder of CSV or Parquet files named after the tables, one .xlsx workbook, a DuckDB file, or "
    "the URL of a database"
)
SEPARATORS = (",", ";", "\t", "|")
BOMS = (
    (b"\xff\xfe\x00\x00", "utf-32"),
    (b"\x00\x00\xfe\xff", "utf-32"),
    (b"\xef\xbb\xbf", "utf-8-sig"),
    (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"),
)


def read(path: str | Path, *, queries: Mapping[str, str] | None = None) -> Raw:
    """Return the tables found at a path or database URL, every cell as text.

    Parameters
    ----------
    path
        A folder of CSV or Parquet files, one .xlsx workbook, a DuckDB or SQLite file, or a SQLAlchemy URL.
    queries
        Only for a database: one reading query per table.

    Raises
    ------
    RecordError
        When there is nothing to read, or the file is unsafe or broken.
    """
    if isinstance(path, str) and "://" in path:
        return read_sql(path, queries=queries)
    place = Path(path)
    files.restore(place)
    if place.is_dir():
        return _read_folder(place)
    if not place.is_file():
        raise refused(
            place.name, "there is no such file or folder", "records are read from one", WHAT_TO_GIVE
        )
    return _read_file(place, queries)


def _read_file(place: Path, queries: Mapping[str, str] | None) -> Raw:
    kind = kind_of(place)
    if kind == "zip":
        return read_workbook(place)
    if kind == "duckdb":
        return read_duckdb(place)
    if kind == "sqlite":
        return read_sql(sqlite_url(place), queries=queries)
    what, rule = {
        "old_office": (
            "it is an old .xls workbook or locked",
            "a workbook is an .xlsx file without a password",
        ),
        "parquet": ("it is one Parquet file", "one file is one table, and four tables are needed"),
        "text": ("it is one file of text", "one file is at most one table, and four tables are needed"),
    }[kind]
    raise refused(place.name, what, rule, WHAT_TO_GIVE)


def _read_folder(folder: Path) -> Raw:
    paths = sorted(p for p in folder.iterdir() if p.is_file() and p.suffix.lower() in (".csv", ".parquet"))
    tables: dict[str, RawTable] = {}
    problems: list[Problem] = []
    others: dict[str, str] = {}
    for path in paths:
        name = path.stem.strip().lower()
        if name not in TABLES:
            others[name] = path.name
        elif name in tables:
            problems.append(twice(name, "files of the folder"))
        elif path.suffix.lower() == ".parquet":
            tables[name] = read_parquet(path)
        else:
            tables[name], of_file = read_csv(path, table=name)
            problems += of_file
    if not tables:
        raise refused(
            folder.name, "the folder holds no table", "a file is named after its table", WHAT_TO_GIVE
        )
    return Raw(tables, (*problems, *other_names(others, "file", tables)))


def read_csv(path: Path, *, table: str) -> tuple[RawTable, list[Problem]]:
    """Return one CSV file as text, and what was odd about it.

    Raises
    ------
    RecordError
        When the file is too large, or not text, or its quotes do not close.
    """
    refuse_large(path)
    data = path.read_bytes()
    text, problems = decode(data, table=table, file=path.name)
    delimiter, sha256 = separator(text, table=table), hashlib.sha256(data).hexdigest()
    plain = _plain(text, delimiter=delimiter, file=path.name, sha256=sha256)
    if plain is not None:
        return plain, problems
    rows = rows_of(text, delimiter=delimiter, file=path.name)
    raw, ragged = from_rows(rows, table=table, file=path.name, sha256=sha256)
    return raw, problems + ragged


def _plain(text: str, *, delimiter: str, file: str, sha256: str) -> RawTable | None:
    """Return a table without quotes or ragged rows by the fast reader, or None where it is not so plain."""
    names = _first_line(text).split(delimiter)
    if '"' in text or not names[-1].strip() or not text.strip():
        return None
    kinds = {f"f{i}": pa.string() for i in range(len(names))}
    try:
        table = pacsv.read_csv(
            pa.BufferReader(text.encode()),
            read_options=pacsv.ReadOptions(autogenerate_column_names=True),
            parse_options=pacsv.ParseOptions(delimiter=delimiter, quote_char=False, ignore_empty_lines=False),
            convert_options=pacsv.ConvertOptions(column_types=kinds, strings_can_be_null=False),
        )
    except pa.ArrowInvalid:
        return None
    cells = tuple(column.combine_chunks().slice(1) for column in table.columns)
    if table.num_columns != len(names):
        return None
    if table.num_rows > 1 and not any(array[-1].as_py() for array in cells):
        return None
    return RawTable(tuple(name.strip() for name in names), cells, file, sha256)


def rows_of(text: str, *, delimiter: str, file: str) -> list[list[str]]:
    """Return the rows of a CSV text (RFC 4180), each a list of cells."""
    try:
        return list(csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True))
    except csv.Error as fault:
        raise refused(
            file,
            "the cells cannot be told apart",
            "a quotation mark opens and closes a cell and is doubled inside it, and no cell holds more than "
            "131,072 letters",
            "save the table again as CSV UTF-8",
        ) from fault


def decode(data: bytes, *, table: str, file: str) -> tuple[str, list[Problem]]:
    """Return the text of a file by its byte order mark, else UTF-8, else Windows-1252 with a warning.

    Raises
    ------
    RecordError
        When the bytes are not text.
    """
    encoding = next((name for mark, name in BOMS if data.startswith(mark)), None)
    try:
        if encoding or b"\x00" not in data:
            return data.decode(encoding or "utf-8"), []
    except UnicodeDecodeError:
        if encoding is None:
            return data.decode("cp1252", errors="replace"), [_not_utf8(table)]
    raise refused(
        file, "the file is not text", "a table is a CSV file in UTF-8", "save it again as CSV UTF-8"
    )


def separator(text: str, *, table: str) -> str:
    """Return the separator under which the first line names most columns of the dictionary."""
    first = _first_line(text)
    names = set(TABLES[table].names())
    return max(SEPARATORS, key=lambda s: len(names & {cell.strip(' "').lower() for cell in first.split(s)}))


def _first_line(text: str) -> str:
    """Return the first line, whichever of the three line ends the file has."""
    return re.split(r"[\r\n]", text, maxsplit=1)[0]


def _not_utf8(table: str) -> Problem:
    return Problem(
        table,
        "",
        1,
        None,
        "it was read as Windows-1252",
        "look whether letters with accents are right, and save the file as CSV UTF-8",
        severity="warning",
        code="not_utf8",
        what=("the file is not UTF-8", ""),
    )
