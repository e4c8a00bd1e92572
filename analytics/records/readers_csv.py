"""Read a folder of CSV files: encoding and separator found out, every cell kept as text."""

import csv
import hashlib
import io
from pathlib import Path

from analytics.records.dictionary import TABLES
from analytics.records.messages import Problem
from analytics.records.raw import Raw, RawTable, from_rows

SEPARATORS = (",", ";", "\t", "|")
BOMS = (
    (b"\xff\xfe\x00\x00", "utf-32"),
    (b"\x00\x00\xfe\xff", "utf-32"),
    (b"\xef\xbb\xbf", "utf-8-sig"),
    (b"\xff\xfe", "utf-16"),
    (b"\xfe\xff", "utf-16"),
)


def read_folder(folder: Path) -> Raw:
    """Return the tables of a folder, one `<table>.csv` each."""
    tables: dict[str, RawTable] = {}
    problems: list[Problem] = []
    for path in sorted(folder.glob("*.[cC][sS][vV]")):
        name = path.stem.strip().lower()
        if name in TABLES:
            tables[name], found = read_file(path, table=name)
            problems += found
    return Raw(tables, tuple(problems))


def read_file(path: Path, *, table: str) -> tuple[RawTable, list[Problem]]:
    """Return one CSV file as text, and what was odd about it."""
    data = path.read_bytes()
    text, problems = decode(data, table=table)
    rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator(text, table=table)))
    found, more = from_rows(rows, table=table, file=path.name, sha256=hashlib.sha256(data).hexdigest())
    return found, problems + more


def decode(data: bytes, *, table: str) -> tuple[str, list[Problem]]:
    """Return the text of a file by its byte order mark, else UTF-8, else Windows-1252 with a warning."""
    for mark, encoding in BOMS:
        if data.startswith(mark):
            return data.decode(encoding), []
    try:
        return data.decode("utf-8"), []
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace"), [_not_utf8(table)]


def separator(text: str, *, table: str) -> str:
    """Return the separator under which the first line names most columns of the dictionary."""
    first = text.lstrip("\ufeff").split("\n", 1)[0]
    names = set(TABLES[table].names())
    return max(SEPARATORS, key=lambda s: len(names & {cell.strip(' "\r') for cell in first.split(s)}))


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
