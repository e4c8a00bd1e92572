"""Count the cells that the sheets of an OpenDocument file span, before a reader asks for room for them.

A row or cell may stand for many (`number-rows-repeated`, `number-columns-repeated`; OpenDocument 1.3 part 3,
from memory). A sheet ends with its last cell that has a value.
"""

import re

TAG = re.compile(
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
        for name, inside, empty in TAG.findall(held[:cut]):
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
