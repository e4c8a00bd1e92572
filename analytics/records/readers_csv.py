"""Read one CSV file: encoding and separator found out, every cell kept as text."""

import csv
import hashlib
import io
import re
from pathlib import Path

import pyarrow as pa
import pyarrow.csv as pacsv

from analytics.records import filesafety
from analytics.records.dictionary import TABLES
from analytics.records.messages import Problem, refused
from analytics.records.raw import RawTable, from_rows

SEPARATORS = (",", ";", "\t", "|")
BOMS = (
    (b"\xff\xfe\x00\x00", "utf-32"),
    (b"\x00\x00\xfe\xff", "utf-32"),
    (b"\xef\xbb\xbf", "utf-8-sig"),
    (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"),
)


def read_file(path: Path, *, table: str) -> tuple[RawTable, list[Problem]]:
    """Return one CSV file as text, and what was odd about it.

    Raises
    ------
    RecordError
        When the file is too large, or not text, or its quotes do not close.
    """
    filesafety.refuse_large(path)
    data = path.read_bytes()
    text, problems = decode(data, table=table, file=path.name)
    delimiter, sha256 = separator(text, table=table), hashlib.sha256(data).hexdigest()
    plain = _plain(text, delimiter=delimiter, file=path.name, sha256=sha256)
    if plain is not None:
        return plain, problems
    rows = rows_of(text, delimiter=delimiter, file=path.name)
    found, more = from_rows(rows, table=table, file=path.name, sha256=sha256)
    return found, problems + more


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
