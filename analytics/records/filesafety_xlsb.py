"""Count the cells that a sheet of a binary workbook (.xlsb) spans, before a reader asks for room for them.

A part is a row of records: a kind and a length, seven bits a byte, and the content; a row begins with its
number, a cell with its column, both from 0 ([MS-XLSB] 2.1.4 BrtRowHdr and the cell records; from memory).
"""

ROW = 0
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
        if kind == ROW:
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
