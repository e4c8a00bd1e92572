"""A clinic's file as sheets of cells, and the account of every cell that holds something.

The account of a sheet is one small number per cell, its *fate*: 0 empty, 1 not yet dealt with, and beyond
that the place of a (kind, table, reason) in a list. A sheet is settled when no cell is left at 1.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from xlsxwriter.utility import xl_col_to_name

from analytics.errors import refused

EMPTY, OPEN = 0, 1
SPACES = " \t\r\n\u00a0\u2007\u2009\u202f\ufeff\u200b\u3000"
MOST_CELLS_OF_A_BOOK = 50_000_000


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet as read: `cells` (rows, columns) of text, float, date, or "" where empty; `fate` beside it.

    `merged` are ranges (first row, first column, last row, last column) from 0. `blanks` counts cells that
    hold nothing but spaces and that the reader shows as empty.
    """

    name: str
    cells: np.ndarray
    fate: np.ndarray
    is_hidden: bool = False
    merged: tuple[tuple[int, int, int, int], ...] = ()
    remarks: int = 0
    blanks: int = 0
    is_unfolded: bool = False


@dataclass(frozen=True, slots=True)
class Book:
    """All sheets of a source, its name without the folder, its hash, and how text was decoded."""

    name: str
    sheets: tuple[Sheet, ...]
    sha256: str
    encoding: str = ""
    separator: str = ""
    fates: list[tuple[str, str, str]] = field(default_factory=lambda: [("", "", ""), ("open", "", "")])

    def fate(self, kind: str, table: str = "", reason: str = "") -> int:
        """Return the number of a fate, new or known."""
        wanted = (kind, table, reason)
        if wanted not in self.fates:
            self.fates.append(wanted)
        return self.fates.index(wanted)


def sheet_of(name: str, rows: Sequence[Sequence[object]], **more) -> Sheet:
    """Return a sheet from rows of cells; cells of nothing but spaces become empty and are counted."""
    width = max((len(row) for row in rows), default=0)
    if width * len(rows) > MOST_CELLS_OF_A_BOOK:
        raise refused(
            name,
            "the sheet is too large",
            f"at most {MOST_CELLS_OF_A_BOOK} cells",
            "hand in the tables alone",
        )
    cells = np.full((len(rows), width), "", dtype=object)
    if all(len(row) == width for row in rows):
        cells[:] = rows
    else:
        for i, row in enumerate(rows):
            cells[i, : len(row)] = row
    fate, blanks = _first_fate(cells)
    return Sheet(name, cells, fate, blanks=blanks + more.pop("blanks", 0), **more)


def _first_fate(cells: np.ndarray) -> tuple[np.ndarray, int]:
    """Return EMPTY or OPEN for each cell, and empty those of nothing but spaces, in place."""
    flat = cells.ravel()
    if bool in set(map(type, flat)):
        flat[:] = [str(c) if isinstance(c, bool) else c for c in flat]
    codes, distinct = pd.factorize(flat, use_na_sentinel=False)
    empty = np.array([isinstance(c, str) and c == "" for c in distinct], dtype=bool)
    spaces = np.array([isinstance(c, str) and c != "" and not c.strip(SPACES) for c in distinct], dtype=bool)
    blank = spaces[codes] if len(distinct) else np.zeros(0, dtype=bool)
    flat[blank] = ""
    open_ = ~(empty | spaces)[codes] if len(distinct) else blank
    return np.where(open_, OPEN, EMPTY).astype(np.int16).reshape(cells.shape), int(blank.sum())


def letter(column: int) -> str:
    """Return the letters of a column, from 0.

    Examples
    --------
    >>> letter(0), letter(27)
    ('A', 'AB')
    """
    return xl_col_to_name(column)


def column_number(letters: str) -> int:
    """Return the place of a column from 0.

    Examples
    --------
    >>> column_number("A"), column_number("AB")
    (0, 27)
    """
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - 64
    return number - 1
