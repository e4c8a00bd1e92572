"""Which further cells must go, so that no withheld count comes back by subtraction?

Counts printed on a page are tied together: groups add up to totals, a numerator and its complement to a
denominator, and the same group may stand in several tables. These ties are written as linear equations,
between all the tables of a page and also through margins that are printed nowhere. A tie is taken when it
holds in the true numbers, whether or not it is meant to: an attacker may try it. The total of a population
is taken as known even where it is not printed. Counts that are equal by a tie are one *quantity*: whoever
sees one of them knows all.

A withheld count is safe when (1) it is not determined by the equations (its row of the null space of the
withheld columns is not zero); (2) the whole numbers that fit, each withheld count being at least 1 since
zeros are shown, are at least two; and (3) no sum of withheld cells that can be had by one subtraction is
itself below the threshold. While one is not safe, the smallest shown quantity tied to it is withheld too.

Source: the general approach of cell suppression with an audit of the result by linear programming, as in
Willenborg & de Waal 2001, Elements of Statistical Disclosure Control, chapter on tables (from memory).
"""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
import scipy

# What a count is withheld with: its whole row, or the row's values alone; printed nowhere; known to all.
ROW, VALUES, VIRTUAL, KNOWN = "row", "values", "virtual", "known"
PARTS = ("numerator", "complement")
TOTALS = ("all", "total", "overall", "any", "")
# Beyond this many withheld quantities tied together ranges are wide, and the audit by ranges is skipped.
MOST_CELLS_FOR_RANGES = 60
EXACT = 1e-7

Terms = list[tuple[int, int]]  # the quantities of one equation, each with its sign
Group = frozenset[tuple[str, str]]  # a set of (dimension, level); a margin has none for its dimension


@dataclass(frozen=True, slots=True)
class CountTable:
    """The counts of one printed table.

    `groups` (frame, one column per dimension, "all" for a margin); `family` (n,) the population of each row:
    rows of different families do not add up; `counts` name -> (n,) counts, NaN where none. Of these
    `numerator` is withheld with the values of its row and is part of `denominator`; any other takes the row
    with it. `quarter` (n,) is that of a row of a group's history, else NaN; None where rows are points.
    """

    groups: pd.DataFrame
    family: np.ndarray
    counts: dict[str, np.ndarray]
    quarter: np.ndarray | None = None


@dataclass(frozen=True, slots=True)
class Hidden:
    """Rows withheld whole, rows withheld but for their denominator, rows not even named; (n,) bool each."""

    rows: np.ndarray
    values: np.ndarray
    dropped: np.ndarray


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
    cells, places = _cells(tables, threshold)
    small = [i for i, v in enumerate(cells.value) if cells.kind[i] in (ROW, VALUES) and 0 < v < threshold]
    for cell in small:
        _hide(cells, cell, hidden)
    _hide_over_few(cells, places, threshold, hidden)
    if not small:
        return hidden
    known = _quantities(cells)
    while small:
        away = _unseen(cells, known, hidden)
        target = {int(known.of[cell]): cell for cell in reversed(small)}
        exposed = _exposed(known, away, set(target), threshold)
        if not exposed:
            break
        for quantity in exposed:
            more = _next_to_hide(known, away, quantity)
            if more is None:
                # Even the number of its groups gives the count away: the whole population is left out.
                key, row = cells.owner[target[quantity]]
                same = tables[key].family == tables[key].family[row]
                hidden[key].rows[same] = True
                hidden[key].dropped[same] = True
                continue
            away[more] = True
            for cell in known.members[more]:
                if cells.kind[cell] in (ROW, VALUES):
                    _hide(cells, cell, hidden)
        small = [i for i in small if not hidden[cells.owner[i][0]].dropped[cells.owner[i][1]]]
    return hidden


@dataclass(frozen=True, slots=True)
class _Cells:
    """All counts of a page, what each is withheld with and whose row it is, and what adds up to what."""

    value: list[float] = field(default_factory=list)
    kind: list[str] = field(default_factory=list)
    owner: list[tuple] = field(default_factory=list)
    sums: list[tuple[int, tuple[int, ...]]] = field(default_factory=list)

    def add(self, value: float, kind: str, owner: tuple = ()) -> int:
        """Add a count and return its place."""
        self.value.append(float(value))
        self.kind.append(kind)
        self.owner.append(owner)
        return len(self.value) - 1

    def tie(self, total: int, parts: tuple[int, ...]) -> None:
        """Note that the parts add up to the total, if they do in the true numbers."""
        if parts and abs(self.value[total] - sum(self.value[p] for p in parts)) < EXACT:
            self.sums.append((total, parts))


def _cells(tables: Mapping, threshold: int) -> tuple[_Cells, list[tuple[str, CountTable, dict[int, int]]]]:
    """Write all counts as unknowns and all ties as sums; return also where the counts of each table stand."""
    cells = _Cells()
    populations: list[tuple[str, dict[Group, int]]] = []
    in_time: list[tuple[str, CountTable, dict[int, int]]] = []
    for key, table in tables.items():
        never = np.full(len(table.family), np.nan)
        for rows in _families(table):
            index = {
                name: {
                    r: cells.add(counts[r], VALUES if name == "numerator" else ROW, (key, r))
                    for r in rows
                    if np.isfinite(counts[r])
                }
                for name, counts in table.counts.items()
            }
            above, below = index.get("numerator", {}), dict(index.get("denominator", {}))
            index["complement"] = {
                r: cells.add(cells.value[below[r]] - cells.value[above[r]], VALUES, (key, r))
                for r in above
                if r in below
            }
            for r, complement in index["complement"].items():
                cells.tie(below[r], (above[r], complement))
            # A denominator that the row's own count says too is no population of its own.
            told = [r for r in below if cells.value[below[r]] == table.counts.get("n_rows", never)[r]]
            for r in told:
                cells.tie(index["denominator"].pop(r), (index["n_rows"][r],))
            for name, places in index.items():
                is_part = name in PARTS
                known_from = np.inf if is_part or name == "denominator" else threshold
                margins = _tie_margins(cells, table, places, below if is_part else {}, known_from)
                populations.append((name if is_part else ROW, margins))
                in_time.append((name, table, places))
    _tie_populations(cells, populations)
    return cells, in_time


def _families(table: CountTable) -> list[list[int]]:
    """Return the rows of each population; rows that repeat a group are kept apart."""
    seen: Counter = Counter()
    found: dict[tuple, list[int]] = {}
    groups = [tuple(levels) for levels in table.groups.to_numpy()]
    for row, named in enumerate(zip(table.family, groups, strict=True)):
        found.setdefault((named[0], seen[named]), []).append(row)
        seen[named] += 1
    return list(found.values())


def _tie_margins(
    cells: _Cells,
    table: CountTable,
    index: Mapping[int, int],
    wholes: Mapping[int, int],
    known_from: float,
) -> dict[Group, int]:
    """Add the margins of one population, printed or not, tie each to its parts; return cells by group.

    The size of a population of several groups is taken as known to a reader from `known_from` on, printed or
    not; that of those who had an event is not. Where numerators are the classes of one whole, they add up to
    its denominator.
    """
    at = {_group(table, row): cell for row, cell in index.items()}
    row_of = {cell: row for row, cell in index.items()}
    for size in range(max((len(group) for group in at), default=0), 0, -1):
        parts: dict[tuple[Group, str], list[int]] = {}
        for group, cell in at.items():
            if len(group) == size:
                for pair in sorted(group):
                    parts.setdefault((group - {pair}, pair[0]), []).append(cell)
        for (margin, _), inside in parts.items():
            if margin not in at:
                total = sum(cells.value[p] for p in inside)
                is_known = not margin and len(inside) > 1 and total >= known_from
                at[margin] = cells.add(total, KNOWN if is_known else VIRTUAL)
            cells.tie(at[margin], tuple(inside))
            if row_of.get(inside[0]) in wholes:
                cells.tie(wholes[row_of[inside[0]]], tuple(inside))
    return at


def _group(table: CountTable, row: int) -> Group:
    levels = zip(table.groups.columns, table.groups.iloc[row], strict=True)
    return frozenset((d, str(v)) for d, v in levels if str(v).lower() not in TOTALS)


def _tie_populations(cells: _Cells, populations: list[tuple[str, dict[Group, int]]]) -> None:
    """Take two populations as the same, cell by cell, when they agree wherever they can be compared."""
    with_group: dict[tuple[str, Group], list[int]] = {}
    for place, (kind, one) in enumerate(populations):
        for group in filter(None, one):
            with_group.setdefault((kind, group), []).append(place)
    for place, (kind, one) in enumerate(populations):
        shared: dict[int, list[Group]] = {}
        for group in filter(None, one):
            for later in with_group[kind, group]:
                if later > place:
                    shared.setdefault(later, []).append(group)
        for later in sorted(shared):
            other, both = populations[later][1], shared[later]
            if all(cells.value[one[g]] == cells.value[other[g]] for g in both):
                for group in both:
                    cells.tie(one[group], (other[group],))


def _hide_over_few(
    cells: _Cells, counts: list[tuple[str, CountTable, dict[int, int]]], threshold: int, hidden: dict
) -> None:
    """Withhold counts over the last quarters of a group's history where all but few of it is known.

    Each quarter was printed in a report of its own: they and the sum would give back the one withheld, or the
    few of several. The sum that an earlier report printed and this one differ by the quarter just left.
    """
    histories: dict[tuple[str, Group], dict[str, list[tuple[float, float]]]] = {}
    totals: list[tuple[tuple[str, Group], int]] = []
    for name, table, places in counts:
        if table.quarter is None:
            continue
        for row, cell in places.items():
            of = (name if name in PARTS else ROW, _group(table, row))
            if np.isnan(table.quarter[row]):
                totals.append((of, cell))
            else:
                lines = histories.setdefault(of, {})
                lines.setdefault(name, []).append((-table.quarter[row], cells.value[cell]))
    for of, total in totals:
        for line in histories.get(of, {}).values():
            if _is_over_few([n for _, n in sorted(line)], cells.value[total], threshold):
                _hide(cells, total, hidden)


def _is_over_few(newest_first: list[float], total: float, threshold: int) -> bool:
    """Tell whether a total is that of the last quarters, and what it leaves of the others is few.

    >>> _is_over_few([12, 10, 4, 8], 26, 5), _is_over_few([12, 10, 4, 3], 29, 5)
    (True, False)
    """
    for length in range(2, len(newest_first) + 1):
        inside, just_left = newest_first[:length], newest_first[length : length + 1]
        few = [n for n in inside if 0 < n < threshold]
        gives_back = len(few) == 1 or 0 < sum(few) < threshold or any(0 < n < threshold for n in just_left)
        if gives_back and total >= threshold and abs(sum(inside) - total) < EXACT:
            return True
    return False


def _hide(cells: _Cells, cell: int, hidden: dict) -> None:
    key, row = cells.owner[cell]
    (hidden[key].rows if cells.kind[cell] == ROW else hidden[key].values)[row] = True


@dataclass(frozen=True, slots=True)
class _Quantities:
    """Counts that are equal by a tie, taken as one.

    `of` (n,) the quantity of each count; `members` their counts; `value` (q,); `is_fixed` (q,) known to a
    reader whatever is withheld; `is_virtual` (q,) printed nowhere; `equations` between quantities, each once,
    the total first; `tied` the quantities that share an equation with one.
    """

    of: np.ndarray
    members: list[list[int]]
    value: np.ndarray
    is_fixed: np.ndarray
    is_virtual: np.ndarray
    equations: list[Terms]
    tied: dict[int, set[int]]


def _quantities(cells: _Cells) -> _Quantities:
    """Return the quantities of all counts and the equations between them."""
    equal = np.array([(total, parts[0]) for total, parts in cells.sums if len(parts) == 1], dtype=int)
    n = len(cells.value)
    links = scipy.sparse.coo_array((np.ones(len(equal)), tuple(equal.reshape(-1, 2).T)), shape=(n, n))
    count, of = scipy.sparse.csgraph.connected_components(links, directed=False)
    members: list[list[int]] = [[] for _ in range(count)]
    for cell, quantity in enumerate(of):
        members[quantity].append(cell)
    kinds = [{cells.kind[cell] for cell in inside} for inside in members]
    rows = {
        ((int(of[total]), -1), *((int(of[p]), 1) for p in parts))
        for total, parts in cells.sums
        if len(parts) > 1
    }
    equations = [terms for terms in map(_each_once, sorted(rows)) if terms]
    tied: dict[int, set[int]] = {}
    for row in equations:
        inside = {q for q, _ in row}
        for q in inside:
            tied.setdefault(q, set()).update(inside)
    return _Quantities(
        of,
        members,
        np.array([cells.value[inside[0]] for inside in members]),
        np.array([KNOWN in kind for kind in kinds], dtype=bool),
        np.array([kind == {VIRTUAL} for kind in kinds], dtype=bool),
        equations,
        tied,
    )


def _each_once(row: tuple[tuple[int, int], ...]) -> Terms:
    """Return an equation with each quantity once, the order kept."""
    total: dict[int, int] = {}
    for quantity, sign in row:
        total[quantity] = total.get(quantity, 0) + sign
    return [(quantity, sign) for quantity, sign in total.items() if sign]


def _unseen(cells: _Cells, known: _Quantities, hidden: dict) -> np.ndarray:
    """Return which quantities (q,) a reader sees nowhere."""
    away = np.ones(len(known.members), dtype=bool)
    for i, kind in enumerate(cells.kind):
        if kind in (ROW, VALUES):
            key, row = cells.owner[i]
            if not (hidden[key].rows[row] or (kind == VALUES and hidden[key].values[row])):
                away[known.of[i]] = False
    return away & ~known.is_fixed


def _exposed(known: _Quantities, away: np.ndarray, targets: set[int], threshold: int) -> list[int]:
    """Return the withheld small quantities that a reader could get back; by the cheaper tests first."""
    targets = {q for q in targets if away[q]}
    found = _by_difference(known, away, targets, threshold)
    if found:
        return found
    rows = [[(q, c) for q, c in row if away[q]] for row in known.equations]
    for columns, matrix in _components(_without_loose(rows, targets)):
        found += [int(q) for q, free in zip(columns, _free(matrix), strict=True) if q in targets and not free]
    if found:
        return found
    for columns, matrix in _components(rows):
        inside = [j for j, q in enumerate(columns) if q in targets]
        if inside and len(columns) <= MOST_CELLS_FOR_RANGES:
            found += _pinned(known, columns, matrix, inside)
    return found


def _by_difference(known: _Quantities, away: np.ndarray, targets: set[int], threshold: int) -> list[int]:
    """Return quantities of sums that one subtraction gives and that are few persons, or one each."""
    found = []
    for row in known.equations:
        gone = [(q, c) for q, c in row if away[q]]
        if not gone or away[row[0][0]] or any(known.is_virtual[q] for q, _ in gone):
            continue
        rest = sum(c * known.value[q] for q, c in gone)
        first = next((q for q, _ in gone if q in targets), None)
        if first is not None and (0 < rest < threshold or rest < sum(c for _, c in gone) + EXACT):
            found.append(first)
    return list(dict.fromkeys(found))


def _without_loose(rows: list[Terms], targets: set[int]) -> list[Terms]:
    """Return the equations that can determine anything.

    An equation with an unknown of its own (in no other equation) that is no target, or with two unknowns of
    its own, determines nothing; leaving it out may make others so.
    """
    rows = [row for row in rows if row]
    while True:
        degree = Counter(i for row in rows for i, _ in row)
        own = [[i for i, _ in row if degree[i] == 1] for row in rows]
        useful = [
            r for r, alone in zip(rows, own, strict=True) if len(alone) < 2 and targets.issuperset(alone)
        ]
        if len(useful) == len(rows):
            return rows
        rows = useful


def _components(rows: list[Terms]) -> list[tuple[np.ndarray, np.ndarray]]:
    """Return the unknown quantities tied together, each set with the coefficients of its equations."""
    rows = [row for row in rows if row]
    names, flat = np.unique([q for row in rows for q, _ in row], return_inverse=True)
    equation = np.repeat(np.arange(len(rows)), [len(row) for row in rows])
    signs = np.array([c for row in rows for _, c in row], dtype=float)
    matrix = scipy.sparse.csr_array((signs, (equation, flat)), shape=(len(rows), len(names)))
    count, label = scipy.sparse.csgraph.connected_components(abs(matrix).T @ abs(matrix), directed=False)
    label_of_row = label[flat[np.searchsorted(equation, np.arange(len(rows)))]] if rows else np.array([])
    return [(names[label == k], matrix[label_of_row == k][:, label == k].toarray()) for k in range(count)]


def _free(matrix: np.ndarray) -> np.ndarray:
    """Return which unknowns are not determined by matrix @ x = known; (n,) bool.

    An unknown is determined when its unit vector lies in the space of the rows.
    """
    rotation, triangle, _ = scipy.linalg.qr(matrix.T, mode="economic", pivoting=True)
    size = np.abs(np.diag(triangle))
    basis = rotation[:, : len(size)][:, size > EXACT * max(1.0, size.max(initial=0.0))]
    return np.square(basis).sum(axis=1) < 1.0 - EXACT


def _pinned(known: _Quantities, columns: np.ndarray, matrix: np.ndarray, inside: list[int]) -> list[int]:
    """Return the first unknown whose value is the only whole number that fits, or none."""
    bounds = [(0.0 if known.is_virtual[q] or known.value[q] == 0 else 1.0, None) for q in columns]
    right = matrix @ known.value[columns]
    for j in inside:
        aim = np.zeros(len(columns))
        aim[j] = 1.0
        low = scipy.optimize.linprog(aim, A_eq=matrix, b_eq=right, bounds=bounds, method="highs")
        high = scipy.optimize.linprog(-aim, A_eq=matrix, b_eq=right, bounds=bounds, method="highs")
        if low.status == 0 and high.status == 0 and -high.fun - low.fun < 1.0 - EXACT:
            return [int(columns[j])]
    return []


def _next_to_hide(known: _Quantities, away: np.ndarray, quantity: int) -> int | None:
    """Return the smallest shown quantity tied to an exposed one; None if all tied ones are withheld."""
    reached, seen = {quantity}, {quantity}
    while reached:
        tied = set().union(*(known.tied.get(q, set()) for q in reached))
        shown = [
            q
            for q in tied
            if not (away[q] or known.is_fixed[q] or known.is_virtual[q]) and known.value[q] > 0
        ]
        if shown:
            return min(shown, key=lambda q: (known.value[q], q))
        reached = {q for q in tied if away[q]} - seen
        seen |= reached
    return None
