"""Which withheld counts could a reader get back, and which shown one must go so that he cannot?

Counts that are equal by a tie are one *quantity*: whoever sees one of them knows all. What is known, what is
determined and what must go is therefore asked of quantities, and the ties between them are written once.
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
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


def exposed(known: Quantities, away: np.ndarray, targets: set[int], threshold: int) -> list[int]:
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
