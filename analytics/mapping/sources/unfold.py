"""Sheets of one row a fact (whose, the name of the fact, its value) become sheets of one column a fact.

Exports of databases and forms are kept so. What is left of a row when name and value are taken away tells
whose
fact it is; rows that agree in it become one. A fact that stands twice for the same rest begins another
row, so
that nothing is written over.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

from analytics.errors import ParameterError
from analytics.mapping.sources.sheets import EMPTY, OPEN, Book, Sheet, column_number, letter, sheet_of

UNFOLDED = ", unfolded"
FEWEST_NAMES, MOST_NAMES = 3, 200


@dataclass(frozen=True, slots=True)
class Unfold:
    """A sheet of one row a fact: its heading row, the columns of the facts' names and values."""

    sheet: str
    header_row: int
    names: str
    values: str


def found(book: Book, is_name: Callable[[str], bool], is_value: Callable[[str], bool]) -> tuple[Unfold, ...]:
    """Return the sheets that hold one row a fact, by words of headings for a fact's name and value."""
    out = []
    for sheet in (s for s in book.sheets if not s.is_hidden):
        for row in range(min(len(sheet.cells), 20)):
            heads = {c: at for at, c in enumerate(sheet.cells[row]) if isinstance(c, str) and c}
            names = [at for word, at in heads.items() if is_name(word)]
            values = [at for word, at in heads.items() if is_value(word)]
            if len(names) == len(values) == 1 and _are_names(sheet, row, names[0]):
                out.append(Unfold(sheet.name, row + 1, letter(names[0]), letter(values[0])))
                break
    return tuple(out)


def _are_names(sheet: Sheet, row: int, at: int) -> bool:
    """Tell whether the cells below are few texts, each standing often."""
    cells = [c for c in sheet.cells[row + 1 :, at] if c != ""]
    distinct = {c for c in cells if isinstance(c, str)}
    return FEWEST_NAMES <= len(distinct) <= min(MOST_NAMES, len(cells) / 2)


def unfolded(book: Book, wanted: tuple[Unfold, ...]) -> Book:
    """Return a book with a further sheet for each sheet to unfold, whose own cells are then accounted for.

    Raises
    ------
    ParameterError
        When a sheet or column that is named is not there.
    """
    sheets = {s.name: s for s in book.sheets}
    new = []
    for one in wanted:
        sheet = sheets.get(one.sheet)
        at = (column_number(one.names), column_number(one.values))
        if sheet is None or max(at) >= sheet.cells.shape[1] or one.header_row >= len(sheet.cells):
            raise ParameterError(
                f"mapping: unfold names sheet '{one.sheet}' with rows or columns it does not have"
            )
        new.append(_wide(sheet, one.header_row - 1, *at))
        below = sheet.fate[one.header_row - 1 :]
        below[below == OPEN] = book.fate("unfolded into a sheet of its own, counted there")
    return replace(book, sheets=(*book.sheets, *new))


def _wide(sheet: Sheet, head: int, name_at: int, value_at: int) -> Sheet:
    """Return the unfolded sheet."""
    rest = [c for c in range(sheet.cells.shape[1]) if c not in (name_at, value_at)]
    names: dict[object, int] = {}
    rows: list[list[object]] = []
    open_row: dict[tuple, int] = {}
    for cells in sheet.cells[head + 1 :][(sheet.fate[head + 1 :] != EMPTY).any(axis=1)]:
        who = tuple(cells[rest])
        name, value = cells[name_at], cells[value_at]
        place = len(rest) + names.setdefault(name, len(names))
        at = open_row.get(who)
        if at is None or (place < len(rows[at]) and rows[at][place] != "" and value != ""):
            at = open_row[who] = len(rows)
            rows.append(list(who))
        rows[at] += [""] * (place + 1 - len(rows[at]))
        rows[at][place] = value
    header = [*sheet.cells[head, rest], *("" if n == "" else str(n) for n in names)]
    return replace(sheet_of(sheet.name + UNFOLDED, [header, *rows]), is_unfolded=True)
