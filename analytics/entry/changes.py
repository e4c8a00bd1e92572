"""What is changed in a register: rows put in, taken out, or put in the place of another.

A row is the text of its cells by column, as the dictionary has them; a column that a row does not name is an
empty cell. Two cells are the same when they mean the same (12 and 12.0, yes and True), since each stored form
has its own way to write them.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from analytics.dictionary import TABLES, Column
from analytics.errors import ParameterError

Row = Mapping[str, str]
YES, NO = ("true", "yes", "1", "1.0"), ("false", "no", "0", "0.0")


@dataclass(frozen=True, slots=True)
class Change:
    """One row of a table: `was` before and `becomes` after; None where there is no row."""

    table: str
    was: Row | None = None
    becomes: Row | None = None

    def undone(self) -> "Change":
        """Return the change that takes this one back.

        >>> Change("visits", None, {"month": "3"}).undone().was
        {'month': '3'}
        """
        return Change(self.table, self.becomes, self.was)

    def as_plain(self) -> dict:
        """Return what JSON can hold."""
        return {"table": self.table, "was": self.was, "becomes": self.becomes}


def undone(changes: Iterable[Change]) -> tuple[Change, ...]:
    """Return the changes that take others back, the last first."""
    return tuple(change.undone() for change in reversed(list(changes)))


def by_table(changes: Iterable[Change]) -> dict[str, list[Change]]:
    """Return the changes of each table, in order."""
    found: dict[str, list[Change]] = {}
    for change in changes:
        found.setdefault(change.table, []).append(change)
    return found


def new_columns(names: Sequence[str], changes: Iterable[Change]) -> list[str]:
    """Return the columns that rows fill and a table does not have yet."""
    known = {name.strip().casefold() for name in names}
    filled = [c for change in changes for c, text in (change.becomes or {}).items() if text]
    return [c for c in dict.fromkeys(filled) if c not in known]


def applied(names: Sequence[str], rows: Sequence[Sequence[str]], changes: Iterable[Change]) -> list[tuple]:
    """Return what to do, change by change, to rows of text: (place or None, new row of text or None).

    Parameters
    ----------
    names
        The header as it stands, columns that come new included.
    rows
        The rows as they stand, each of as many cells.
    changes
        Of this table.

    Raises
    ------
    ParameterError
        When a row to be changed is not there, or is not as it was.
    """
    at = {name.strip().casefold(): i for i, name in enumerate(names)}
    columns = {c.name: c for change in changes for c in TABLES[change.table].columns}
    now: list[list[str] | None] = [list(row) for row in rows]
    todo: list[tuple] = []
    for change in changes:
        place = None if change.was is None else _place(now, at, change, columns)
        base = [""] * len(names) if place is None else list(now[place] or [])
        new = None if change.becomes is None else _filled(base, at, change.becomes)
        if place is None:
            now.append(new)
        else:
            now[place] = new
        todo.append((place, new))
    return todo


def _filled(base: list[str], at: Mapping[str, int], row: Row) -> list[str]:
    for column, text in row.items():
        if column in at:
            base[at[column]] = text
    return base


def _place(
    rows: Sequence[list[str] | None], at: Mapping[str, int], change: Change, columns: Mapping[str, Column]
) -> int:
    """Return where the last row stands that a change names."""
    wanted = [(at.get(name), text, columns[name]) for name, text in (change.was or {}).items()]
    for place in range(len(rows) - 1, -1, -1):
        row = rows[place]
        if row is not None and all(
            is_same("" if i is None or i >= len(row) else row[i], text, column) for i, text, column in wanted
        ):
            return place
    raise ParameterError(
        f"{change.table}: a row of this entry is not there any more, or was changed since; nothing was done; "
        "correct it in the file itself"
    )


def is_same(one: str, other: str, column: Column) -> bool:
    """Tell whether two texts of a column mean the same.

    >>> month, mode = TABLES["visits"].column("month"), TABLES["visits"].column("withdrawn")
    >>> is_same("12", "12.0", month), is_same("yes", "True", mode), is_same("12", "", month)
    (True, True, False)
    """
    if one == other:
        return True
    if column.kind == "yesno":
        return any({one.casefold(), other.casefold()} <= set(words) for words in (YES, NO))
    if column.kind in ("number", "integer"):
        try:
            return float(one) == float(other)
        except ValueError:
            return False
    return " ".join(one.split()) == " ".join(other.split())


def typed(text: str, column: Column) -> str | float | int | bool | None:
    """Return the value of a cell for a store with types of its own.

    >>> typed("12.5", TABLES["visits"].column("month")), typed("", TABLES["visits"].column("mode"))
    (12.5, None)
    """
    if text == "":
        return None
    if column.kind == "yesno":
        return text.casefold() in YES
    if column.kind in ("number", "integer"):
        value = float(text)
        return int(value) if value.is_integer() else value
    return text
