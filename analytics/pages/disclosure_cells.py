"""Which further cells must go, so that no withheld count comes back by subtraction?

Counts printed on a page are tied together: groups add up to totals, a numerator and its complement to a
denominator, and the same group may stand in several tables. These ties are written as linear equations,
between all the tables of a page and also through margins that are printed nowhere. A tie is taken when it
holds in the true numbers, whether or not it is meant to: an attacker may try it. The total of a population
is taken as known even where it is not printed.

A withheld count is safe when (1) it is not determined by the equations (its row of the null space of the
withheld columns is not zero); (2) the whole numbers that fit, each withheld count being at least 1 since
zeros are shown, are at least two; and (3) no sum of withheld cells that can be had by one subtraction is
itself below the threshold. While one is not safe, the smallest shown cell tied to it is withheld too.

Source: the general approach of cell suppression with an audit of the result by linear programming, as in
Willenborg & de Waal 2001, Elements of Statistical Disclosure Control, chapter on tables (from memory).
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
import pandas as pd

from analytics.pages import disclosure_audit as audit
from analytics.pages.disclosure_audit import KNOWN, ROW, VALUES, VIRTUAL, Cells

TOTALS = ("all", "total", "overall", "any", "")
# What kind of count, and the cell of each group: a set of (dimension, level).
Population = tuple[str, dict[frozenset, int]]


@dataclass(frozen=True, slots=True)
class CountTable:
    """The counts of one printed table.

    `groups` (frame, one column a dimension, "all" for a margin), `family` (n,) the population of each row:
    rows of different families do not add up. `counts` name -> (n,) counts of persons, NaN where none.
    `shares` denominator's name -> (n,) numerators behind printed percentages, NaN where the row is not a
    share.
    """

    groups: pd.DataFrame
    family: np.ndarray
    counts: dict[str, np.ndarray]
    shares: dict[str, np.ndarray] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Hidden:
    """Rows withheld whole, rows withheld but for their denominator, rows not even named; (n,) bool each."""

    rows: np.ndarray
    values: np.ndarray
    dropped: np.ndarray

    def spread(self, at: np.ndarray) -> "Hidden":
        """Return the same for rows that stand for others, `at` (m,) giving each row its place."""
        return Hidden(self.rows[at], self.values[at], self.dropped[at])


def suppress(tables: Mapping, threshold: int) -> dict:
    """Return for each table which rows to withhold.

    Parameters
    ----------
    tables
        Name to CountTable; all tables that will be seen together.
    threshold
        Counts from 1 to threshold - 1 are withheld.

    Returns
    -------
    dict
        Name to Hidden.

    Examples
    --------
    >>> groups = pd.DataFrame({"zone": ["crown", "front", "temples", "all"]})
    >>> table = CountTable(groups, np.full(4, ""), {"n": np.array([3.0, 40, 12, 55])})
    >>> suppress({"t": table}, 5)["t"].rows.tolist()
    [True, False, True, False]
    """
    hidden = {
        key: Hidden(*(np.zeros(len(t.family), dtype=bool) for _ in range(3))) for key, t in tables.items()
    }
    cells = _cells(tables, threshold)
    primary = [i for i, v in enumerate(cells.value) if cells.kind[i] in (ROW, VALUES) and 0 < v < threshold]
    for cell in primary:
        _hide(cells, cell, hidden)
    if not primary:
        return hidden
    known = audit.quantities(cells)
    while primary:
        away = audit.unseen(known, _unknown(cells, hidden))
        targets: dict[int, int] = {}
        for cell in primary:
            targets.setdefault(int(known.of[cell]), cell)
        exposed = audit.exposed(known, away, set(targets), threshold)
        if not exposed:
            break
        for quantity in exposed:
            more = audit.to_hide(known, away, quantity)
            if more is None:
                _drop_family(cells, tables, targets[quantity], hidden)
                continue
            away[more] = True
            for cell in known.members[more]:
                if cells.kind[cell] in (ROW, VALUES):
                    _hide(cells, cell, hidden)
        primary = [i for i in primary if not _dropped(cells, i, hidden)]
    return hidden


def _cells(tables: Mapping, threshold: int) -> Cells:
    """Write all counts as unknowns and all ties as equations."""
    cells = Cells()
    populations: list[Population] = []
    for key, table in tables.items():
        for rows in _families(table):
            indexes = {}
            for name, counts in table.counts.items():
                kind = VALUES if name == "numerator" else ROW
                index = {r: cells.add(counts[r], kind, (key, r)) for r in rows if np.isfinite(counts[r])}
                margins = _tie_margins(cells, table, index, threshold, counts_rows=kind == ROW)
                populations.append((kind, margins))
                indexes[name] = index
            for name, index in indexes.items():
                populations += _tie_shares(cells, table, key, name, index, threshold)
            _tie_numerators(cells, key, indexes)
    _tie_populations(cells, populations)
    return cells


def _tie_populations(cells: Cells, populations: list[Population]) -> None:
    """Take two populations as the same, cell by cell, when they agree wherever they can be compared."""
    for (kind, one), (other_kind, other) in combinations(populations, 2):
        if kind != other_kind:
            continue
        both = [group for group in one.keys() & other.keys() if group]
        if both and all(cells.value[one[g]] == cells.value[other[g]] for g in both):
            for group in both:
                cells.tie(one[group], (other[group],))


def _families(table: CountTable) -> list[list[int]]:
    """Return the rows of each population; rows that repeat a group are kept apart."""
    seen: dict[tuple, int] = {}
    found: dict[tuple, list[int]] = {}
    groups = [tuple(levels) for levels in table.groups.to_numpy()]
    for row, (family, group) in enumerate(zip(table.family, groups, strict=True)):
        repeat = seen.get((family, group), 0)
        seen[family, group] = repeat + 1
        found.setdefault((family, repeat), []).append(row)
    return list(found.values())


def _assignment(table: CountTable, row: int) -> frozenset:
    """Return the group of a row as a set of (dimension, level); a margin has none for its dimension."""
    values = zip(table.groups.columns, table.groups.iloc[row], strict=True)
    return frozenset((d, str(v)) for d, v in values if str(v).lower() not in TOTALS)


def _tie_margins(
    cells: Cells, table: CountTable, index: Mapping[int, int], threshold: int, *, counts_rows: bool
) -> dict[frozenset, int]:
    """Add the margins of one population, printed or not, tie each to its parts; return cells by group.

    The size of a population of several groups is taken as known to a reader, printed or not; that of those
    who had an event is not.
    """
    at = {_assignment(table, row): cell for row, cell in index.items()}
    for size in range(max((len(group) for group in at), default=0), 0, -1):
        parts: dict[tuple[frozenset, str], list[int]] = {}
        for group, cell in at.items():
            if len(group) == size:
                for pair in sorted(group):
                    parts.setdefault((group - {pair}, pair[0]), []).append(cell)
        for (margin, _), cells_of in parts.items():
            if margin not in at:
                total = sum(cells.value[p] for p in cells_of)
                is_known = not margin and len(cells_of) > 1 and total >= threshold and counts_rows
                at[margin] = cells.add(total, KNOWN if is_known else VIRTUAL)
            cells.tie(at[margin], tuple(cells_of))
    return at


def _tie_shares(
    cells: Cells, table: CountTable, key, name: str, index: Mapping[int, int], threshold: int
) -> list[Population]:
    """Add numerator and complement of each percentage, tied to the denominator and to their own margins."""
    if name not in table.shares:
        return []
    numerators = {r: table.shares[name][r] for r in index if np.isfinite(table.shares[name][r])}
    yes = {r: cells.add(k, VALUES, (key, r)) for r, k in numerators.items()}
    no = {r: cells.add(cells.value[index[r]] - k, VALUES, (key, r)) for r, k in numerators.items()}
    for row in numerators:
        cells.tie(index[row], (yes[row], no[row]))
    return [
        (word, _tie_margins(cells, table, part, threshold, counts_rows=False))
        for part, word in ((yes, "yes"), (no, "no"))
    ]


def _tie_numerators(cells: Cells, key, indexes: Mapping[str, Mapping[int, int]]) -> None:
    """Tie a printed numerator to its printed denominator through the complement."""
    below = indexes.get("denominator", {})
    for row, above in indexes.get("numerator", {}).items():
        if row in below:
            complement = cells.add(cells.value[below[row]] - cells.value[above], VALUES, (key, row))
            cells.tie(below[row], (above, complement))


def _hide(cells: Cells, cell: int, hidden: dict) -> None:
    key, row = cells.owner[cell]
    (hidden[key].rows if cells.kind[cell] == ROW else hidden[key].values)[row] = True


def _unknown(cells: Cells, hidden: dict) -> np.ndarray:
    """Return which counts a reader does not see; (n,) bool."""
    unknown = np.zeros(len(cells.value), dtype=bool)
    for i, kind in enumerate(cells.kind):
        if kind == VIRTUAL:
            unknown[i] = True
        elif kind != KNOWN:
            key, row = cells.owner[i]
            unknown[i] = hidden[key].rows[row] or (kind == VALUES and hidden[key].values[row])
    return unknown


def _drop_family(cells: Cells, tables: Mapping, exposed: int, hidden: dict) -> None:
    """Leave out a whole population, where even the number of its groups gives a count away."""
    key, row = cells.owner[exposed]
    same = tables[key].family == tables[key].family[row]
    hidden[key].rows[same] = True
    hidden[key].dropped[same] = True


def _dropped(cells: Cells, cell: int, hidden: dict) -> bool:
    key, row = cells.owner[cell]
    return bool(hidden[key].dropped[row])
