"""Refuse files that could harm the machine that reads them: sizes without reason, zip bombs, XML entities.

A workbook is a zip of XML. Its parts may unpack to far more than they weigh, may state a size they do not
have, and XML may define entities that grow when read (ECMA-376 part 2 forbids document type declarations in
such packages). Every part is unpacked once, in pieces, and counted before any library reads it. The limits
are assumed: far above any clinic's register, far below what would exhaust a small machine.

Count the cells that the sheets of an OpenDocument file span, before a reader asks for room for them.

A row or cell may stand for many (`number-rows-repeated`, `number-columns-repeated`; OpenDocument 1.3 part 3,
from memory). A sheet ends with its last cell that has a value.

Count the cells that a sheet of a binary workbook (.xlsb) spans, before a reader asks for room for them.

A part is a row of records: a kind and a length, seven bits a byte, and the content; a row begins with its
number, a cell with its column, both from 0 ([MS-XLSB] 2.1.4 BrtRowHdr and the cell records; from memory).

Refuse a sheet whose cells lie where no register has any, before a reader asks for room for all between.

A reader of sheets makes one table from A1 to the last cell with a value, so that a single damaged address far
to the right or far down asks for more memory than a machine has. The addresses of all cells are therefore
read first, as the pieces of a part are unpacked. A sheet has at most 1,048,576 rows and 16,384 columns, the
last of them XFD (the limits of spreadsheet programs, from memory). How many cells all sheets may span is
assumed.
"""

import copy
import re
import zipfile
import zlib
from pathlib import Path
from xml.parsers import expat

from analytics.errors import RecordError, refused

ODS_TAG = re.compile(
    rb"""<(?:[^\s<>/:]*:)?(table|table-row|table-cell|covered-table-cell)((?:\s(?:[^<>"']|"[^"<]*"|'[^'<]*')*)?)(/?)>"""
)
REPEATED = re.compile(rb"""number-(?:rows|columns)-repeated\s*=\s*["']\s*\+?0*([0-9]+)""")
MOST_DIGITS = 12
MOST = 10**MOST_DIGITS


class Repeats:
    """Follow the rows and cells of the content of an OpenDocument file, piece by piece."""

    def __init__(self) -> None:
        self._rest = b""
        self._before = 0
        self._row = self._column = self._last_row = self._last_column = 0

    @property
    def cells(self) -> int:
        """Return how many cells all sheets span, each from its first to its last one with a value."""
        return self._before + self._last_row * self._last_column

    def take(self, piece: bytes) -> None:
        """Read the rows and cells of one more piece; an empty one ends the part."""
        held = self._rest + piece
        cut = held.rfind(b"<") if piece else len(held)
        if cut < 0:
            self._rest = held
            return
        self._rest = held[cut:]
        for name, inside, empty in ODS_TAG.findall(held[:cut]):
            self._take_tag(name, inside, is_empty=bool(empty) or inside.endswith(b"/"))

    def _take_tag(self, name: bytes, inside: bytes, *, is_empty: bool) -> None:
        found = REPEATED.search(inside)
        times = 1 if found is None else int(found.group(1)) if len(found.group(1)) <= MOST_DIGITS else MOST
        if name == b"table":
            self._before = self.cells
            self._row = self._last_row = self._last_column = 0
        elif name == b"table-row":
            self._row += times
            self._column = 0
        else:
            self._column += times
            if not is_empty or b"value" in inside:
                self._last_row = self._row
                self._last_column = max(self._last_column, self._column)


XLSB_ROW = 0
CELLS = range(2, 12)  # kinds 1 to 11 are cells; 1 is an empty one
KIND_BYTES, LENGTH_BYTES = 2, 4


class Records:
    """Follow the records of one binary sheet, piece by piece."""

    def __init__(self) -> None:
        self._rest = b""
        self._skip = 0
        self._row = self._last_row = self._last_column = 0

    @property
    def cells(self) -> int:
        """Return how many cells lie between the first and the last row and column with a value."""
        return self._last_row * self._last_column

    def take(self, piece: bytes) -> None:
        """Read the records of one more piece."""
        held = self._rest + piece[self._skip :]
        self._skip = max(0, self._skip - len(piece))
        at = 0
        while self._skip == 0 and (head := _head(held, at)) is not None:
            kind, length, inside = head
            if len(held) < inside + min(length, 4):
                break
            if length >= 4:
                self._take_record(kind, int.from_bytes(held[inside : inside + 4], "little"))
            at = inside + length
            self._skip = max(0, at - len(held))
        self._rest = held[at:]

    def _take_record(self, kind: int, number: int) -> None:
        if kind == XLSB_ROW:
            self._row = number + 1
        elif kind in CELLS:
            self._last_row = max(self._last_row, self._row, 1)
            self._last_column = max(self._last_column, number + 1)


def _head(held: bytes, at: int) -> tuple[int, int, int] | None:
    """Return kind, length and where the content begins; None where the piece ends before."""
    found = []
    for most in (KIND_BYTES, LENGTH_BYTES):
        number = 0
        for i in range(most):
            if at >= len(held):
                return None
            byte = held[at]
            at += 1
            number |= (byte & 0x7F) << 7 * i
            if byte < 0x80:
                break
        found.append(number)
    return found[0], found[1], at


MOST_ROWS = 1_048_576
MOST_COLUMNS = 16_384
MOST_CELLS = 20_000_000  # from A1 to the last cell, of all sheets together: 400,000 rows of 50 columns
LONGEST_TAG = 2**20
# A cell as spreadsheet programs write it; all else that names a cell, a row or a dimension goes the slow way.
PLAIN = re.compile(rb'<c r="([A-Z]{1,3})([0-9]{1,7})"(?: [st]="[^"<>]*"){0,2}(?:(/)>|>(?:<v>[^<]*</v></c>)?)')
PLAIN_ROW = re.compile(rb'<row r="([0-9]{1,7})"(?: (?!r=)[A-Za-z:]+="[^"<>]*")*>')
OPENS = re.compile(rb"<(?:[^\s<>/:]*:)?(?:c|row|dimension)[\s/>]")
TAG = re.compile(
    rb"""<(?:[^\s<>/:]*:)?(c|row|dimension)((?:\s(?:[^<>"']|"[^"<]*"|'[^'<]*')*)?)>""",
)
NAMED = re.compile(rb"""\s(r|ref)\s*=\s*(?:"([^"]*)"|'([^']*)')""")
ADDRESS = re.compile(rb"([A-Za-z]{1,3})([0-9]{1,7})")
ROW = re.compile(rb"[0-9]{1,7}")


class Extent:
    """Follow the cells of one part of a workbook, piece by piece."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._rest = b""
        self._last_row = self._last_column = 0
        self._row = self._unnamed = self._most_unnamed = 0

    @property
    def cells(self) -> int:
        """Return how many cells lie between A1 and the last row and column with a value."""
        return self._last_row * (self._last_column + self._most_unnamed)

    def take(self, piece: bytes) -> None:
        """Read the addresses of one more piece.

        Raises
        ------
        RecordError
            When an address is none, or lies outside a sheet.
        """
        held = self._rest + piece
        cut = held.rfind(b"<")
        if cut < 0:
            self._rest = b""
            return
        self._rest = held[cut:]
        if len(self._rest) > LONGEST_TAG:
            self._refuse_long()
        self._read(held[:cut])

    def end(self) -> None:
        """Read what is left of the last piece."""
        self._read(self._rest)
        self._rest = b""

    def _refuse_long(self) -> None:
        if OPENS.match(self._rest[:200]):
            raise self._out_of_form("a cell or row that does not end")
        self._rest = b""

    def _read(self, xml: bytes) -> None:
        found = PLAIN.split(xml)
        if len(found) > 1:
            self._take_plain(found[1::4], found[2::4], found[3::4])
        other = b" ".join(found[::4])
        opened, rows = len(OPENS.findall(other)), PLAIN_ROW.findall(other)
        if opened and len(rows) == opened:
            self._take_rows(rows)
            return
        tags = TAG.findall(other)
        if len(tags) != opened:
            raise self._out_of_form("a cell or row that does not end")
        for name, inside in tags:
            self._take_tag(name, inside)

    def _take_rows(self, rows: list[bytes]) -> None:
        """Take plain rows at once, where no cell without an address stands among them."""
        numbers = [int(row) for row in rows]
        if min(numbers) < 1 or max(numbers) > MOST_ROWS:
            raise self._outside()
        self._row, self._unnamed = numbers[-1], 0

    def _take_plain(self, letters: list[bytes], rows: list[bytes], empty: list[bytes]) -> None:
        for column in set(letters):
            self._column(column)
        numbers = [int(row) for row in set(rows)]
        if min(numbers) < 1 or max(numbers) > MOST_ROWS:
            raise self._outside()
        if any(empty):
            filled = [i for i, slash in enumerate(empty) if not slash]
            numbers = [int(row) for row in {rows[i] for i in filled}]
            letters = [letters[i] for i in filled]
        self._last_row = max([self._last_row, *numbers])
        self._last_column = max([self._last_column, *map(self._column, set(letters))])

    def _take_tag(self, name: bytes, inside: bytes) -> None:
        given = [double or single for kind, double, single in NAMED.findall(inside) if kind == _key(name)]
        if len(given) > 1:
            raise self._out_of_form("a cell or row with two addresses")
        if name == b"dimension":
            for corner in given[0].split(b":") if given else ():
                self._place(corner)
        elif name == b"row":
            self._begin_row(given)
        else:
            self._take_cell(given, is_empty=inside.endswith(b"/"))

    def _begin_row(self, given: list[bytes]) -> None:
        if given and not ROW.fullmatch(given[0]):
            raise self._out_of_form("a row whose number is none")
        self._row = int(given[0]) if given else self._row + 1
        self._unnamed = 0
        if not 1 <= self._row <= MOST_ROWS:
            raise self._outside()

    def _take_cell(self, given: list[bytes], *, is_empty: bool) -> None:
        if given:
            row, column = self._place(given[0])
        else:
            # It stands right of the one before it, which may be a plain one, passed by.
            row, column = self._row, 0
            self._unnamed += 1
            self._most_unnamed = max(self._most_unnamed, self._unnamed)
        if self._most_unnamed > MOST_COLUMNS:
            raise self._outside()
        if not is_empty:
            self._last_row = max(self._last_row, row, 1)
            self._last_column = max(self._last_column, column)

    def _place(self, address: bytes) -> tuple[int, int]:
        match = ADDRESS.fullmatch(address)
        if match is None:
            raise self._out_of_form("a cell whose address is none")
        row = int(match.group(2))
        if not 1 <= row <= MOST_ROWS:
            raise self._outside()
        return row, self._column(match.group(1))

    def _column(self, letters: bytes) -> int:
        column = 0
        for letter in letters.upper():
            column = column * 26 + letter - 64
        if column > MOST_COLUMNS:
            raise self._outside()
        return column

    def _out_of_form(self, what: str) -> RecordError:
        return refused(
            self._path.name,
            f"a sheet holds {what}",
            "a cell's address is letters and a number, as in B7",
            "open it in a spreadsheet program and save it again as .xlsx",
            code="unsafe",
        )

    def _outside(self) -> RecordError:
        return refused(
            self._path.name,
            "a sheet names a cell outside a sheet",
            f"a sheet has {MOST_ROWS:,} rows and {MOST_COLUMNS:,} columns (A to XFD)",
            "open it in a spreadsheet program and save it again as .xlsx",
            code="unsafe",
        )


def refuse_sparse(path: Path, cells: int) -> None:
    """Refuse sheets that together span more cells than a register has.

    Raises
    ------
    RecordError
        When the sheets span more than MOST_CELLS cells from A1 to their last one.
    """
    if cells > MOST_CELLS:
        raise refused(
            path.name,
            "the sheets span more cells than a register has",
            f"at most {MOST_CELLS:,} cells from A1 to the last one, all sheets together",
            "look for a value far to the right or far down (Ctrl+End goes there), clear it, or copy the "
            "tables alone into a new workbook",
            code="unsafe",
        )


def _key(name: bytes) -> bytes:
    return b"ref" if name == b"dimension" else b"r"


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
        refuse_sparse(path, cells)
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
    extent, repeats = Extent(path), Repeats()
    binary = Records()
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
