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

Which withheld counts could a reader get back, and which shown one must go so that he cannot?

Counts that are equal by a tie are one *quantity*: whoever sees one of them knows all. What is known, what is
determined and what must go is therefore asked of quantities, and the ties between them are written once.
"""

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.linalg import qr
from scipy.optimize import linprog

ROW, VALUES, VIRTUAL, KNOWN = "row", "values", "virtual", "known"
# Beyond this many withheld quantities tied together ranges are wide, and the audit by ranges is skipped.
MOST_CELLS_FOR_RANGES = 60
EXACT = 1e-7

# The quantities of one equation with their coefficients.
Terms = list[tuple[int, int]]


@dataclass(frozen=True, slots=True)
class Cells:
    """All counts of a page as unknowns, and the equations between them."""

    value: list[float] = field(default_factory=list)
    kind: list[str] = field(default_factory=list)
    owner: list[tuple] = field(default_factory=list)
    equations: list[tuple[tuple[int, ...], tuple[int, ...]]] = field(default_factory=list)

    def add(self, value: float, kind: str, owner: tuple = ()) -> int:
        """Add a count and return its place."""
        self.value.append(float(value))
        self.kind.append(kind)
        self.owner.append(owner)
        return len(self.value) - 1

    def tie(self, total: int, parts: tuple[int, ...]) -> None:
        """Note that the parts add up to the total, if they do in the true numbers."""
        if parts and abs(self.value[total] - sum(self.value[p] for p in parts)) < EXACT:
            self.equations.append(((total, *parts), (-1, *(1 for _ in parts))))


@dataclass(frozen=True, slots=True)
class Quantities:
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


def quantities(cells: Cells) -> Quantities:
    """Return the quantities of all counts and the equations between them."""
    n = len(cells.value)
    pairs = np.array([places for places, _ in cells.equations if len(places) == 2], dtype=int).reshape(-1, 2)
    links = sparse.coo_array((np.ones(len(pairs)), tuple(pairs.T)), shape=(n, n))
    count, of = sparse.csgraph.connected_components(links, directed=False)
    members: list[list[int]] = [[] for _ in range(count)]
    for cell, quantity in enumerate(of):
        members[quantity].append(cell)
    kinds = [{cells.kind[cell] for cell in inside} for inside in members]
    rows = {
        tuple((int(of[i]), c) for i, c in zip(places, signs, strict=True))
        for places, signs in cells.equations
        if len(places) > 2
    }
    equations = [_summed(row) for row in sorted(rows)]
    tied: dict[int, set[int]] = {}
    for row in equations:
        inside = {q for q, _ in row}
        for q in inside:
            tied.setdefault(q, set()).update(inside)
    return Quantities(
        of,
        members,
        np.array([cells.value[inside[0]] for inside in members]),
        np.array([KNOWN in kind for kind in kinds], dtype=bool),
        np.array([kind == {VIRTUAL} for kind in kinds], dtype=bool),
        [row for row in equations if row],
        tied,
    )


def _summed(row: Iterable[tuple[int, int]]) -> Terms:
    """Return an equation with each quantity once, the order kept."""
    total: dict[int, int] = {}
    for quantity, sign in row:
        total[quantity] = total.get(quantity, 0) + sign
    return [(quantity, sign) for quantity, sign in total.items() if sign]


def unseen(known: Quantities, unknown: np.ndarray) -> np.ndarray:
    """Return which quantities (q,) a reader sees nowhere, from the counts (n,) he does not see."""
    away = np.ones(len(known.members), dtype=bool)
    away[known.of[~unknown]] = False
    return away & ~known.is_fixed


def exposed_counts(known: Quantities, away: np.ndarray, targets: set[int], threshold: int) -> list[int]:
    """Return the withheld small quantities that a reader could get back; by the cheaper tests first.

    Parameters
    ----------
    known, away
        The quantities, and which of them are seen nowhere.
    targets
        Quantities below the threshold.
    threshold
        A sum of withheld quantities had by one subtraction must not be smaller.
    """
    open_ = {q for q in targets if away[q]}
    found = _by_difference(known, away, open_, threshold)
    if found:
        return found
    rows = [[(q, c) for q, c in row if away[q]] for row in known.equations]
    determined = []
    for columns, matrix in _components(_without_loose(rows, open_)):
        loose = _free(matrix)
        determined += [int(q) for q, free in zip(columns, loose, strict=True) if int(q) in open_ and not free]
    if determined:
        return determined
    pinned = []
    for columns, matrix in _components([row for row in rows if row]):
        inside = [j for j, q in enumerate(columns) if int(q) in open_]
        if inside and len(columns) <= MOST_CELLS_FOR_RANGES:
            pinned += [int(columns[j]) for j in _pinned(known, columns, matrix, inside)]
    return pinned


def _by_difference(known: Quantities, away: np.ndarray, open_: set[int], threshold: int) -> list[int]:
    """Return quantities of sums that one subtraction gives and that are few persons, or one each."""
    found = []
    for row in known.equations:
        gone = [(q, c) for q, c in row if away[q]]
        if not gone or away[row[0][0]] or any(known.is_virtual[q] for q, _ in gone):
            continue
        rest = sum(c * known.value[q] for q, c in gone)
        first = next((q for q, _ in gone if q in open_), None)
        if first is not None and (0 < rest < threshold or rest < sum(c for _, c in gone) + EXACT):
            found.append(first)
    return list(dict.fromkeys(found))


def to_hide(known: Quantities, away: np.ndarray, quantity: int) -> int | None:
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


def _without_loose(rows: list[Terms], targets: set[int]) -> list[Terms]:
    """Return the equations that can determine anything.

    An equation with an unknown of its own (in no other equation) that is no target, or with two unknowns of
    its own, determines nothing; leaving it out may make others so.
    """
    kept = [row for row in rows if row]
    while True:
        degree = Counter(i for row in kept for i, _ in row)
        own = [[i for i, _ in row if degree[i] == 1] for row in kept]
        useful = [
            row for row, alone in zip(kept, own, strict=True) if len(alone) < 2 and targets.issuperset(alone)
        ]
        if len(useful) == len(kept):
            return kept
        kept = useful


def _components(rows: list[Terms]) -> list[tuple[np.ndarray, np.ndarray]]:
    """Return the unknown counts tied together, each set with the coefficients of its equations."""
    names = sorted({i for row in rows for i, _ in row})
    place = {i: j for j, i in enumerate(names)}
    ends = [(place[row[0][0]], place[i]) for row in rows for i, _ in row[1:]]
    links = sparse.coo_array(
        (np.ones(len(ends)), tuple(np.array(ends, dtype=int).reshape(-1, 2).T)), shape=(len(names),) * 2
    )
    _, label = sparse.csgraph.connected_components(links, directed=False)
    by_label: dict[int, list[Terms]] = {}
    for row in rows:
        if row:
            by_label.setdefault(int(label[place[row[0][0]]]), []).append(row)
    out = []
    for inside in by_label.values():
        members = sorted({i for row in inside for i, _ in row})
        at = {i: j for j, i in enumerate(members)}
        matrix = np.zeros((len(inside), len(members)))
        for k, row in enumerate(inside):
            for i, c in row:
                matrix[k, at[i]] += c
        out.append((np.array(members), matrix))
    return out


def _free(matrix: np.ndarray) -> np.ndarray:
    """Return which unknowns are not determined by matrix @ x = known; (n,) bool.

    An unknown is determined when its unit vector lies in the space of the rows.
    """
    rotation, triangle, _ = qr(matrix.T, mode="economic", pivoting=True)
    size = np.abs(np.diag(triangle))
    basis = rotation[:, : len(size)][:, size > EXACT * max(1.0, size.max(initial=0.0))]
    return np.square(basis).sum(axis=1) < 1.0 - EXACT


def _pinned(known: Quantities, columns: np.ndarray, matrix: np.ndarray, inside: list[int]) -> list[int]:
    """Return the first unknown whose value is the only whole number that fits, or none."""
    floor = [0.0 if known.is_virtual[q] or known.value[q] == 0 else 1.0 for q in columns]
    bounds = [(low, None) for low in floor]
    right = matrix @ known.value[columns]
    for j in inside:
        aim = np.zeros(len(columns))
        aim[j] = 1.0
        low = linprog(aim, A_eq=matrix, b_eq=right, bounds=bounds, method="highs")
        high = linprog(-aim, A_eq=matrix, b_eq=right, bounds=bounds, method="highs")
        if low.status == 0 and high.status == 0 and -high.fun - low.fun < 1.0 - EXACT:
            return [j]
    return []


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
    known = quantities(cells)
    while primary:
        away = unseen(known, _unknown(cells, hidden))
        targets: dict[int, int] = {}
        for cell in primary:
            targets.setdefault(int(known.of[cell]), cell)
        exposed = exposed_counts(known, away, set(targets), threshold)
        if not exposed:
            break
        for quantity in exposed:
            more = to_hide(known, away, quantity)
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
