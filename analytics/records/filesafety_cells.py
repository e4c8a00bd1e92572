"""Refuse a sheet whose cells lie where no register has any, before a reader asks for room for all between.

A reader of sheets makes one table from A1 to the last cell with a value, so that a single damaged address far
to the right or far down asks for more memory than a machine has. The addresses of all cells are therefore
read first, as the pieces of a part are unpacked. A sheet has at most 1,048,576 rows and 16,384 columns, the
last of them XFD (the limits of spreadsheet programs, from memory). How many cells all sheets may span is
assumed.
"""

import re
from pathlib import Path

from analytics.errors import RecordError
from analytics.records.messages import refused

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
