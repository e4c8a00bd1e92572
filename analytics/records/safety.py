"""Refuse files that could harm the machine that reads them: sizes without reason, zip bombs, XML entities.

A workbook is a zip of XML. Its parts may unpack to far more than they weigh, may state a size they do not
have, and XML may define entities that grow when read (ECMA-376 part 2 forbids document type declarations in
such packages). Every part is unpacked once, in pieces, and counted before any library reads it. What its
cells may ask for is limited where they are read, in a process of their own (`records.workbooks`). The limits
are assumed: far above any clinic's register, far below what would exhaust a small machine.
"""

import copy
import re
import zipfile
import zlib
from pathlib import Path
from xml.parsers import expat

from analytics.errors import refused

LARGEST_FILE_BYTES = 512 * 2**20
LARGEST_UNPACKED_BYTES = 2**30
LARGEST_RATIO = 250  # unpacked over packed, looked at only where more than SMALL_BYTES come out
SMALL_BYTES = 32 * 2**20
MOST_PARTS = 5000
PIECE_BYTES = 2**18
COPY = "copy the tables alone into a new workbook"
SHEET_PART = re.compile(r"xl/worksheets/[^/]+\.xml", re.IGNORECASE)
MAGIC = {
    b"PK\x03\x04": "zip",
    b"PK\x05\x06": "zip",
    b"PAR1": "parquet",
    b"SQLite format 3\x00": "sqlite",
    b"\xd0\xcf\x11\xe0": "old_office",
}


def kind_of(path: Path) -> str:
    """Return what a file is by its first bytes: zip, parquet, duckdb, sqlite, old_office, or text.

    Parameters
    ----------
    path
        A file that is there.

    Returns
    -------
    str
        `zip`, `parquet`, `duckdb`, `sqlite`, `old_office` or `text`.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     place = Path(folder) / "patients.csv"
    ...     _ = place.write_text("patient_id,sex", encoding="utf-8")
    ...     kind_of(place)
    'text'
    """
    with path.open("rb") as file:
        head = file.read(16)
    if head[8:12] == b"DUCK":
        return "duckdb"
    return next((kind for magic, kind in MAGIC.items() if head.startswith(magic)), "text")


def refuse_large(path: Path) -> None:
    """Refuse a file larger than any register.

    Parameters
    ----------
    path
        A file that is there.

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
    """Refuse a workbook that is no sound zip, unpacks beyond reason, or whose XML is unsafe or broken.

    Parameters
    ----------
    path
        A workbook (.xlsx, .xlsm, .xlsb, .ods).

    Raises
    ------
    RecordError
        With the name of the file, what is wrong, the rule, and what to do.
    """
    refuse_large(path)
    try:
        with zipfile.ZipFile(path) as archive:
            _refuse_bomb(path, archive)
            for part in archive.infolist():
                _refuse_part(path, archive, part)
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


def _refuse_part(path: Path, archive: zipfile.ZipFile, part: zipfile.ZipInfo) -> None:
    """Unpack one part in pieces and refuse what is unsafe in it."""
    whole = copy.copy(part)
    whole.file_size = LARGEST_UNPACKED_BYTES + 1
    is_xml = part.filename.lower().endswith((".xml", ".rels", ".vml"))
    xml = _Xml(is_read_to_its_end=bool(SHEET_PART.fullmatch(part.filename)))
    size = 0
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
            if is_xml and xml.is_unsafe(piece):
                raise refused(
                    path.name,
                    "a part of the workbook declares a document type or entities",
                    "a workbook has none",
                    COPY,
                    code="unsafe",
                )
            if xml.is_broken:
                raise refused(
                    path.name,
                    "a sheet is no sound XML",
                    "a workbook is an unbroken .xlsx file without a password",
                    "open it in a spreadsheet program and save it again as .xlsx",
                    code="unsafe",
                )


class _Xml:
    """Read an XML part, piece by piece: does it declare a document type, and is it sound?

    A sheet is read to its end, so that no damaged cell is taken for another; of all other parts what stands
    before the first element is enough.
    """

    def __init__(self, *, is_read_to_its_end: bool) -> None:
        self._parser = expat.ParserCreate()
        self._parser.StartDoctypeDeclHandler = self._on_document_type
        self._parser.StartElementHandler = self._on_element
        self._is_whole = is_read_to_its_end
        self._has_begun = self._is_done = self._is_unsafe = False
        self.is_broken = False

    def is_unsafe(self, piece: bytes) -> bool:
        """Return True once a document type was met, or the part is not XML before its first element."""
        if self._is_done:
            return self._is_unsafe
        try:
            self._parser.Parse(piece, False)
        except _Stop:
            pass
        except (expat.ExpatError, LookupError):  # an encoding that does not exist
            self.is_broken = self._has_begun and not self._is_unsafe
            self._is_unsafe = not self.is_broken
            self._is_done = True
        return self._is_unsafe

    def _on_document_type(self, *_: object) -> None:
        self._is_unsafe = self._is_done = True
        raise _Stop

    def _on_element(self, *_: object) -> None:
        self._has_begun = True
        self._parser.StartElementHandler = None
        if not self._is_whole:
            self._is_done = True
            raise _Stop


class _Stop(Exception):
    """Raised inside the parser to stop it; never leaves this module."""
