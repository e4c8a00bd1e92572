"""Refuse files that could harm the machine that reads them: sizes without reason, zip bombs, XML entities.

A workbook is a zip of XML. Its parts may unpack to far more than they weigh, may state a size they do not
have, and XML may define entities that grow when read (ECMA-376 part 2 forbids document type declarations in
such packages). Every part is unpacked once, in pieces, and counted before any library reads it. The limits
are assumed: far above any clinic's register, far below what would exhaust a small machine.
"""

import copy
import zipfile
import zlib
from pathlib import Path
from xml.parsers import expat

from analytics.records import filesafety_cells, filesafety_ods, filesafety_xlsb
from analytics.records.messages import refused

LARGEST_FILE_BYTES = 512 * 2**20
LARGEST_UNPACKED_BYTES = 2**30
LARGEST_RATIO = 250  # unpacked over packed, looked at only where more than SMALL_BYTES come out
SMALL_BYTES = 32 * 2**20
MOST_PARTS = 5000
LONGEST_CELL = 32_767  # letters; the longest text a workbook cell can hold
PIECE_BYTES = 2**18
COPY = "copy the tables alone into a new workbook"
MAGIC = {
    b"PK\x03\x04": "zip",
    b"PK\x05\x06": "zip",
    b"PAR1": "parquet",
    b"SQLite format 3\x00": "sqlite",
    b"\xd0\xcf\x11\xe0": "old_office",
}


def kind_of(path: Path) -> str:
    """Return what a file is by its first bytes: zip, parquet, duckdb, sqlite, old_office, or text."""
    with path.open("rb") as file:
        head = file.read(16)
    if head[8:12] == b"DUCK":
        return "duckdb"
    return next((kind for magic, kind in MAGIC.items() if head.startswith(magic)), "text")


def refuse_large(path: Path) -> None:
    """Refuse a file larger than any register.

    Raises
    ------
    RecordError
        When the file holds more than LARGEST_FILE_BYTES.
    """
    if path.stat().st_size > LARGEST_FILE_BYTES:
        raise refused(
            path.name,
            "the file is too large",
            f"no register needs more than {LARGEST_FILE_BYTES // 2**20} MB",
            "look whether it holds pictures or a fault, and hand in the tables alone",
        )


def refuse_unsafe_workbook(path: Path) -> None:
    """Refuse a workbook that is no sound zip, unpacks beyond reason, declares entities, or has a cell astray.

    Raises
    ------
    RecordError
        With the name of the file, what is wrong, the rule, and what to do.
    """
    refuse_large(path)
    try:
        with zipfile.ZipFile(path) as archive:
            _refuse_bomb(path, archive)
            cells = sum(_refuse_part(path, archive, part) for part in archive.infolist())
        filesafety_cells.refuse_sparse(path, cells)
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, NotImplementedError, RuntimeError) as fault:
        raise refused(
            path.name,
            "the workbook cannot be unpacked",
            "a workbook is an unbroken .xlsx file without a password",
            "open it in a spreadsheet program and save it again as .xlsx",
        ) from fault


def _refuse_bomb(path: Path, archive: zipfile.ZipFile) -> None:
    parts = archive.infolist()
    unpacked = sum(part.file_size for part in parts)
    packed = max(1, sum(part.compress_size for part in parts))
    beyond_ratio = unpacked > SMALL_BYTES and unpacked > LARGEST_RATIO * packed
    if unpacked > LARGEST_UNPACKED_BYTES or beyond_ratio or len(parts) > MOST_PARTS:
        raise refused(
            path.name,
            "the workbook unpacks to far more than a register needs",
            f"at most {LARGEST_UNPACKED_BYTES // 2**20} MB in {MOST_PARTS} parts, {LARGEST_RATIO} times "
            "its own size",
            COPY,
            code="unsafe",
        )


def _refuse_part(path: Path, archive: zipfile.ZipFile, part: zipfile.ZipInfo) -> int:
    """Unpack one part in pieces, refuse what is unsafe in it, and return how many cells it spans."""
    whole = copy.copy(part)
    whole.file_size = LARGEST_UNPACKED_BYTES + 1
    prolog = _Prolog() if part.filename.lower().endswith((".xml", ".rels", ".vml")) else None
    extent, repeats = filesafety_cells.Extent(path), filesafety_ods.Repeats()
    binary = filesafety_xlsb.Records()
    is_content, is_sheet = part.filename == "content.xml", _is_binary_sheet(part.filename)
    size, is_text = 0, False
    with archive.open(whole) as file:
        while piece := file.read(PIECE_BYTES):
            size += len(piece)
            if size > part.file_size:
                raise refused(
                    path.name,
                    "a part of the workbook is larger than it states",
                    "a sound workbook states its sizes",
                    COPY,
                    code="unsafe",
                )
            if prolog is not None and prolog.holds_a_document_type(piece):
                raise refused(
                    path.name,
                    "a part of the workbook declares a document type or entities",
                    "a workbook has none",
                    COPY,
                    code="unsafe",
                )
            if size == len(piece):
                is_text = prolog is not None or piece.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"<")
            if is_text:
                extent.take(piece)
            if is_content:
                repeats.take(piece)
            if is_sheet:
                binary.take(piece)
    extent.end()
    repeats.take(b"")
    return extent.cells + repeats.cells + binary.cells


def _is_binary_sheet(name: str) -> bool:
    return name.lower().endswith(".bin") and "worksheets/sheet" in name.lower()


class _Prolog:
    """Read an XML part up to its first element and say whether a document type stands before it."""

    def __init__(self) -> None:
        self._parser = expat.ParserCreate()
        self._parser.StartDoctypeDeclHandler = self._on_document_type
        self._parser.StartElementHandler = self._on_element
        self._done = False
        self._found = False

    def holds_a_document_type(self, piece: bytes) -> bool:
        """Return True once a document type was met, or the part is not XML before its first element."""
        if self._done:
            return self._found
        try:
            self._parser.Parse(piece, False)
        except _Stop:
            pass
        except (expat.ExpatError, LookupError):  # an encoding that does not exist
            self._found = not self._done
            self._done = True
        return self._found

    def _on_document_type(self, *_: object) -> None:
        self._found = self._done = True
        raise _Stop

    def _on_element(self, *_: object) -> None:
        self._done = True
        raise _Stop


class _Stop(Exception):
    """Raised inside the parser to stop it; never leaves this module."""
