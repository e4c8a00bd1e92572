"""Read a clinic's own file as sheets of cells.

A workbook (.xlsx, .xlsb, .xls, .ods), a text file (any usual separator; UTF-8, UTF-16 or Windows-1252), a
Parquet or DuckDB file, or a database: each becomes one or more sheets, a cell being a text, a number, a date,
or empty. Nothing is taken for a header here, and nothing is converted.
"""

import csv
import hashlib
import io
import re
import zipfile
from collections.abc import Mapping
from pathlib import Path

from analytics.errors import refused
from analytics.mapping.sheets import Book, Sheet, database, duckdb, parquet, sheet_of
from analytics.records import (
    kind_of,
    parts_of_sheets,
    read_cells,
    refuse_large,
    refuse_unsafe_workbook,
    sqlite_url,
)

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

    Raises
    ------
    RecordError
        When the source cannot be read, is unsafe, or is too large.
    """
    if isinstance(source, str) and "://" in source:
        return database(source, queries)
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
        return database(sqlite_url(place), queries, name=place.name)
    if kind == "duckdb":
        return Book(place.name, duckdb(place), sha256)
    if kind == "parquet":
        return Book(place.name, (parquet(place),), sha256)
    if place.suffix.lower() in WORKBOOKS or kind in ("zip", "old_office"):
        return Book(place.name, _workbook(place, kind), sha256)
    sheet, encoding, separator = _text(place, encoding, separator)
    return Book(place.name, (sheet,), sha256, encoding, separator)


def _workbook(path: Path, kind: str) -> tuple[Sheet, ...]:
    if kind == "zip":
        refuse_unsafe_workbook(path)
    return tuple(
        sheet_of(
            sheet.name,
            sheet.rows,
            is_hidden=sheet.is_hidden,
            merged=sheet.merged,
            **{"remarks": sheet.remarks, **_beside(path, sheet.name, kind)},
        )
        for sheet in read_cells(path, rule="a workbook is unbroken and has no password")
    )


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
            sheets.append(parquet(path))
        else:
            sheet, encoding, separator = _text(path, encoding, separator)
            sheets.append(sheet)
    return Book(folder.name, tuple(sheets), digest.hexdigest(), encoding, separator)


def _text(path: Path, encoding: str, separator: str) -> tuple[Sheet, str, str]:
    """Return a text file as a sheet, its encoding and separator."""
    data = path.read_bytes()
    found = encoding or encoding_of(data, path.name)
    try:
        text = data.decode(found)
    except (UnicodeDecodeError, LookupError) as fault:
        raise refused(
            path.name,
            "the letters cannot be read",
            f"the file was taken as {found[:20]}",
            "declare its encoding",
        ) from fault
    if "\x00" in text:
        raise refused(
            path.name, "the file is not text", "a table is a text file or a workbook", "save it again as CSV"
        )
    mark = separator or separator_of(text)
    try:
        rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=mark))
    except csv.Error as fault:
        raise refused(
            path.name,
            "the cells cannot be told apart",
            "quotation marks open and close a cell",
            "save it again as CSV",
        ) from fault
    return sheet_of(path.stem, [list(row) for row in rows]), found, mark


def encoding_of(data: bytes, name: str) -> str:
    """Return the encoding of a text file: by its mark, its zero bytes, UTF-8 if it can be, else Windows-1252.

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
