"""What moved between the pins and the pages of today, in plain words."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from pinned.stored import Key, Pins, Table, decimals

NOISE = 1.01  # units of the last digit kept: what another machine's arithmetic may do


@dataclass(frozen=True)
class Move:
    """One thing that is not as it was pinned. `column` is empty where a whole row, table or page moved."""

    register: str
    page: str
    audience: str
    table: str
    part: str
    row: str
    column: str
    before: Any
    after: Any

    def sentence(self) -> str:
        """Say where, from what to what, and by how much."""
        where = [self.register, self.page]
        where += [self.audience] if self.audience else []
        where += [f"{self.part} {self.table!r}"] if self.table else []
        where += [self.row] if self.row else []
        return f"{', '.join(where)}: {self._what()}"

    def _what(self) -> str:
        if not self.column:
            if self.before is None or self.after is None:
                return "new" if self.before is None else "gone"
            return f"was {self.before}, is {self.after}"
        said = f"{self.column} moved from {_said(self.before)} to {_said(self.after)}"
        if not (_is_number(self.before) and _is_number(self.after)):
            return said
        by = self.after - self.before
        share = f", {100 * by / abs(self.before):+.3g} %" if self.before else ""
        return f"{said} (by {by:+.4g}{share})"

    @property
    def size(self) -> float:
        """Return how far a number moved, as a share of what it was; without limit for anything else."""
        if not (_is_number(self.before) and _is_number(self.after)) or not self.before:
            return float("inf")
        return abs((self.after - self.before) / self.before)


def moves(register: str, page: str, before: Pins, after: Pins) -> list[Move]:
    """Return everything that is not as it was pinned."""
    where = (register, page)
    if not before.tables and not before.refused:
        return [Move(*where, "", "", "", "", "", None, "there")]
    out = []
    for audience in sorted({*before.refused, *after.refused}):
        was, now = (p.refused.get(audience) for p in (before, after))
        if was != now:
            said = [f"refused ({kind})" if kind else "answered" for kind in (was, now)]
            out.append(Move(*where, audience, "", "", "", "", *said))
    for key in {**before.tables, **after.tables}:
        one, other = before.tables.get(key), after.tables.get(key)
        if one is None or other is None:
            out.append(Move(*where, *key, "", "", *(None if t is None else "there" for t in (one, other))))
        else:
            out += [Move(*where, *key, *found) for found in _between(one, other, key[0])]
    return out


def _between(before: Table, after: Table, audience: str) -> Iterator[tuple[str, str, Any, Any]]:
    """Yield row, column, from and to of what differs between two tables."""
    for column in (c for c in before.columns if c not in after.columns):
        yield "", f"column {column}", "there", None
    for column in (c for c in after.columns if c not in before.columns):
        yield "", f"column {column}", None, "there"
    for key in {**before.rows, **after.rows}:
        row = _row(before.names, key)
        if key not in before.rows or key not in after.rows:
            yield (row, "", *("there" if key in t.rows else None for t in (before, after)))
            continue
        was, now = (dict(zip(t.columns, t.rows[key], strict=True)) for t in (before, after))
        for column in (c for c in was if c in now):
            if not _same(column, was, now, audience):
                yield row, column, was[column], now[column]


def _same(column: str, was: dict[str, Any], now: dict[str, Any], audience: str) -> bool:
    one, other = was[column], now[column]
    if not (_is_number(one) and _is_number(other)):
        return type(one) is type(other) and one == other
    places = decimals(column, float(one), was.get("se"), audience)
    return one == other or (not _is_count(column) and abs(one - other) <= NOISE * 10.0**-places)


def _is_count(column: str) -> bool:
    return decimals(column, 0.5, None, "internal") == 0


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _row(names: list[str], key: Key) -> str:
    said = [f"{name} {value}" for name, value in zip(names, key, strict=False) if value]
    return " ".join(said + list(key[len(names) :])) or "its one row"


def _said(value: Any) -> str:
    return "nothing" if value is None else f"{value:g}" if isinstance(value, float) else repr(value)


def summary(found: list[Move]) -> list[str]:
    """Return one line a table: how much of it moved, and the largest move."""
    by_table: dict[tuple[str, ...], list[Move]] = {}
    for move in found:
        by_table.setdefault((move.register, move.page, move.table, move.part), []).append(move)
    return [_line(where, some) for where, some in by_table.items()]


def _line(where: tuple[str, ...], some: list[Move]) -> str:
    register, page, table, part = where
    audiences = " and ".join(dict.fromkeys(m.audience for m in some))
    head = ", ".join(word for word in (register, page, table and f"{part} {table!r}", audiences) if word)
    if len(some) == 1:
        return f"{head}: {f'{some[0].row}: ' if some[0].row else ''}{some[0]._what()}"
    cells = [m for m in some if m.column]
    counted = {
        "moved": len(cells),
        "new": sum(not m.column and m.before is None for m in some),
        "gone": sum(not m.column and m.after is None for m in some),
    }
    said = ", ".join(f"{n} {word}" for word, n in counted.items() if n) or some[0]._what()
    numbers = [m for m in cells if m.size < float("inf")] or cells
    if not numbers:
        return f"{head}: {said}"
    most = max(numbers, key=lambda m: m.size)
    return f"{head}: {said}; the most: {f'{most.row}: ' if most.row else ''}{most._what()}"
