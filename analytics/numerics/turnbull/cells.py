"""Where interval-censored data allow mass, and the climb to the maximum there.

An observation is a half-open interval (left, right]; an exact one is the single time left = right. The
likelihood sees a distribution only through the mass it puts on the *innermost* intervals: those that begin
where some observation begins, end where some observation ends, and hold no other begin or end (Peto 1973,
Applied Statistics 22(1); Turnbull 1976, JRSS B 38(3)). They are called cells here. Under truncation the
entries count as ends and the exits as begins (Frydman 1994, JRSS B 56(1)).

Order of begins and ends at one time t: the exact observation t begins, everything that ends at t ends, the
open interval (t, ..] begins. Integer keys keep that order: 2 rank(t) for an exact begin and for an end, 2
rank(t) + 1 for an open begin. So nothing is lost to rounding and neighbours that share a visit month do not
overlap.

The climb is a constrained Newton method on the cells that hold mass, cells being added where the gradient is
positive (Wang 2007, JRSS B 69(2), the constrained Newton method for mixtures; the sum-to-one constraint drops
out because the Lagrange multiplier is the total weight). It ends with a certificate, not with a small step:
at the maximum the gradient is at most zero everywhere, and `gap`, its largest value over the total weight,
bounds how far the log-likelihood is from its maximum (gap times total weight). Citations from memory.
"""

from dataclasses import dataclass, replace

import numpy as np
import scipy

# Mass below this is rounding of the quadratic step, far under what any count can resolve.
NEGLIGIBLE_MASS = 1e-13
RIDGE = 1e-11
# Up to here a quadratic step looks at every cell; choosing among them would cost more.
FEW_CELLS = 30


@dataclass(frozen=True, slots=True)
class Cells:
    """Distinct observations and the cells they cover.

    `times` (k,) the finite times in order; `begin`, `end` (d,) integer keys of the distinct observations;
    `window` (d, 2) keys of their truncation windows, (d, 0) without; `row` (n,) the distinct observation of
    each row; `first`, `last` (d,) the range of cells an observation covers; `seen_first`, `seen_last` the
    range its window covers; `cell_begin`, `cell_end` (c,) keys of the cells.
    """

    times: np.ndarray
    begin: np.ndarray
    end: np.ndarray
    window: np.ndarray
    row: np.ndarray
    first: np.ndarray
    last: np.ndarray
    seen_first: np.ndarray
    seen_last: np.ndarray
    cell_begin: np.ndarray
    cell_end: np.ndarray

    @property
    def is_truncated(self) -> bool:
        """Say whether rows were seen only inside windows."""
        return self.window.shape[1] > 0

    @property
    def n_cells(self) -> int:
        """Return the number of cells."""
        return int(self.cell_begin.size)

    def limits(self) -> tuple[np.ndarray, np.ndarray]:
        """Return the begin and the end of every cell as times; the end may be infinite."""
        bounded = np.append(self.times, np.inf)
        return bounded[self.cell_begin // 2], bounded[self.cell_end // 2]


def build(left: np.ndarray, right: np.ndarray, window: np.ndarray | None = None) -> Cells:
    """Return the cells of observations (left, right], truncated to (entry, exit] where a window is given.

    Parameters
    ----------
    left, right
        Shape (n,), 0 <= left <= right, left finite; equal is exact, infinite right is censored.
    window
        Shape (n, 2), entry and exit of each row, or None.

    >>> cells = build(np.array([0.0, 3.0, 3.0]), np.array([3.0, 6.0, np.inf]))
    >>> [limit.tolist() for limit in cells.limits()]
    [[0.0, 3.0], [3.0, 6.0]]
    """
    parts = [left, right] if window is None else [left, right, window.ravel()]
    stacked = np.concatenate(parts)
    times = np.unique(stacked[np.isfinite(stacked)])
    begin = 2 * np.searchsorted(times, left) + (left != right)
    end = 2 * np.searchsorted(times, right)
    if window is None:
        # Two keys in one number: sorting numbers is much quicker than sorting pairs.
        n_keys = 2 * times.size + 2
        pairs, row = np.unique(begin * n_keys + end, return_inverse=True)
        return _cover(times, np.column_stack(np.divmod(pairs, n_keys)), row.ravel())
    entry = 2 * np.searchsorted(times, window[:, 0]) + 1
    leave = 2 * np.searchsorted(times, window[:, 1])
    keys = [np.maximum(begin, entry), np.minimum(end, leave), entry, leave]
    distinct, row = np.unique(np.column_stack(keys), axis=0, return_inverse=True)
    return _cover(times, distinct, row.ravel())


def subset(cells: Cells, present: np.ndarray) -> Cells:
    """Return the cells of those distinct observations that are present."""
    distinct = np.column_stack([cells.begin, cells.end, cells.window])
    return _cover(cells.times, distinct[present], cells.row)


def _cover(times: np.ndarray, distinct: np.ndarray, row: np.ndarray) -> Cells:
    begin, end = distinct[:, 0], distinct[:, 1]
    window = distinct[:, 2:]
    is_truncated = window.shape[1] > 0
    n_keys = 2 * times.size + 2
    begins, ends = np.zeros(n_keys, dtype=bool), np.zeros(n_keys, dtype=bool)
    begins[begin], ends[end] = True, True
    if is_truncated:
        begins[window[:, 1] + 1] = True
        ends[window[:, 0] - 1] = True
    cell_begin, cell_end = _innermost(np.flatnonzero(begins), np.flatnonzero(ends))
    if is_truncated:
        covered = _times_covered(begin, end, cell_begin, cell_end) > 0
        cell_begin, cell_end = cell_begin[covered], cell_end[covered]
    first, last = _range(begin, end, cell_begin, cell_end)
    seen_first = seen_last = np.empty(0, dtype=int)
    if is_truncated:
        seen_first, seen_last = _range(window[:, 0], window[:, 1], cell_begin, cell_end)
    return Cells(times, begin, end, window, row, first, last, seen_first, seen_last, cell_begin, cell_end)


def _innermost(begins: np.ndarray, ends: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return begin and end keys of the intervals that hold no other begin or end."""
    at = np.searchsorted(begins, ends, side="right") - 1
    latest = begins[np.maximum(at, 0)]
    previous_end = np.concatenate([[-1], ends[:-1]])
    keep = (at >= 0) & (previous_end < latest)
    return latest[keep], ends[keep]


def _range(begin, end, cell_begin, cell_end) -> tuple[np.ndarray, np.ndarray]:
    first = np.searchsorted(cell_begin, begin, side="left")
    return first, np.searchsorted(cell_end, end, side="right") - 1


def _times_covered(begin, end, cell_begin, cell_end) -> np.ndarray:
    first, last = _range(begin, end, cell_begin, cell_end)
    return _spread(np.ones(first.size), first, last, cell_begin.size)


def weigh(cells: Cells, weights: np.ndarray | None) -> np.ndarray:
    """Return the total weight of each distinct observation."""
    return np.bincount(cells.row, weights=weights, minlength=cells.begin.size).astype(float)


def probability(mass: np.ndarray, first: np.ndarray, last: np.ndarray) -> np.ndarray:
    """Return the mass each observation covers."""
    total = np.concatenate([[0.0], np.cumsum(mass)])
    return total[last + 1] - total[first]


def gradient(cells: Cells, weights: np.ndarray, mass: np.ndarray) -> np.ndarray:
    """Return the derivative of the log-likelihood in each cell's mass, over the total weight, on the simplex.

    Zero where there is mass and nowhere positive: that is the maximum.
    """
    covered = np.maximum(probability(mass, cells.first, cells.last), np.finfo(float).tiny)
    slope = _spread(weights / covered, cells.first, cells.last, cells.n_cells)
    if not cells.is_truncated:
        return slope / weights.sum() - 1.0
    seen = np.maximum(probability(mass, cells.seen_first, cells.seen_last), np.finfo(float).tiny)
    return (slope - _spread(weights / seen, cells.seen_first, cells.seen_last, cells.n_cells)) / weights.sum()


def loglik(cells: Cells, weights: np.ndarray, mass: np.ndarray) -> float:
    """Return the log-likelihood, minus infinity where an observation covers no mass."""
    cells, weights = _that_count(cells, weights)
    covered = probability(mass, cells.first, cells.last)
    if covered.min() <= 0:
        return -np.inf
    value = float(weights @ np.log(covered))
    if cells.is_truncated:
        value -= float(weights @ np.log(probability(mass, cells.seen_first, cells.seen_last)))
    return value


def _that_count(cells: Cells, weights: np.ndarray) -> tuple[Cells, np.ndarray]:
    """Return the distinct observations of positive weight alone; the cells stay."""
    used = weights > 0
    if used.all():
        return cells, weights
    seen = (cells.seen_first[used], cells.seen_last[used]) if cells.is_truncated else (cells.seen_first,) * 2
    kept = replace(
        cells, first=cells.first[used], last=cells.last[used], seen_first=seen[0], seen_last=seen[1]
    )
    return kept, weights[used]


def climb(cells: Cells, weights: np.ndarray, mass: np.ndarray, *, tol: float, max_steps: int = 200):
    """Return the mass at the maximum, the gap left and the number of steps, from any positive cover.

    Without truncation by constrained Newton steps; with it, where the likelihood is not concave in the mass,
    by accelerated self-consistency steps.
    """
    cells, weights = _that_count(cells, weights)
    if cells.is_truncated:
        return _climb_truncated(cells, weights, mass, tol=tol, max_steps=20 * max_steps)
    for step in range(max_steps):
        slope = gradient(cells, weights, mass)
        gap = float(slope.max())
        if gap < tol:
            return mass, gap, step
        new = _newton_step(cells, weights, mass, slope)
        if np.array_equal(new, mass):
            return mass, gap, step
        mass = new
    return mass, float(gradient(cells, weights, mass).max()), max_steps


def _newton_step(cells, weights, mass, slope) -> np.ndarray:
    """Return the mass after a quadratic step over the cells with mass and the best between each two."""
    support = np.arange(mass.size)
    if mass.size > FEW_CELLS:
        support = np.union1d(np.flatnonzero(mass > 0), _best_between(mass, slope))
    curvature, total = _curvature(cells, weights, mass, support)
    curvature[np.diag_indices_from(curvature)] += RIDGE * np.trace(curvature) / support.size
    aim = total * (2.0 * slope[support] + 1.0)
    for solve in (_drop_negative, _nonnegative):
        wanted = solve(curvature, aim)
        if wanted is not None:
            direction = -mass
            direction[support] += wanted
            new = _search(cells, weights, mass, direction, slope)
            if new is not None:
                return new
    return _self_consistent(mass, slope)


def _drop_negative(curvature, aim) -> np.ndarray | None:
    """Return a nonnegative near-solution: solve, drop what is negative, solve again; nearly always enough."""
    kept = np.arange(aim.size)
    while kept.size:
        root, failed = scipy.linalg.lapack.dpotrf(curvature[np.ix_(kept, kept)], lower=1)
        if failed:
            return None
        found, _ = scipy.linalg.lapack.dpotrs(root, aim[kept], lower=1)
        if (found >= 0).all():
            wanted = np.zeros(aim.size)
            wanted[kept] = found
            return wanted
        kept = kept[found > 0]
    return None


def _nonnegative(curvature, aim) -> np.ndarray | None:
    """Return the nonnegative solution, by least squares on the Cholesky root."""
    root, failed = scipy.linalg.lapack.dpotrf(curvature, lower=1)
    if failed:
        return None
    try:
        return scipy.optimize.nnls(
            np.tril(root).T, scipy.linalg.lapack.dtrtrs(root, aim, lower=1)[0], maxiter=30 * aim.size
        )[0]
    except RuntimeError:
        return None


def _best_between(mass, slope) -> np.ndarray:
    """Return the cell of steepest ascent in each run of cells without mass, where it ascends."""
    starts = np.union1d([0], np.flatnonzero(mass > 0))
    steepest = np.maximum.reduceat(slope, starts)
    highest = np.repeat(steepest, np.diff(np.append(starts, slope.size)))
    return np.flatnonzero((slope == highest) & (slope > 0))


def _curvature(cells, weights, mass, support) -> tuple[np.ndarray, float]:
    """Return minus the second derivative on the support, by sums over ranges of cells, and the weight."""
    low, high, size = cells.first, cells.last, support.size
    if size < cells.n_cells:
        held = np.zeros(cells.n_cells + 1, dtype=int)
        held[support + 1] = 1
        before = np.cumsum(held)
        low, high = before[low], before[high + 1] - 1
    covered = np.maximum(probability(mass, cells.first, cells.last), np.finfo(float).tiny)
    share = weights / covered**2
    inside = low <= high
    table = np.bincount(low[inside] * size + high[inside], share[inside], size * size).reshape(size, size)
    reach = np.cumsum(np.cumsum(table, axis=0)[:, ::-1], axis=1)[:, ::-1]
    upper = np.triu(reach)
    full = upper + upper.T
    np.fill_diagonal(full, np.diag(upper))
    return full, float(weights.sum())


def _search(cells, weights, mass, direction, slope) -> np.ndarray | None:
    """Return the mass after the longest halved step that raises the log-likelihood enough, if one does."""
    total = weights.sum()
    now = loglik(cells, weights, mass) - total * mass.sum()
    rise = total * float(slope @ direction)
    length = 1.0
    for _ in range(40):
        new = np.maximum(mass + length * direction, 0.0)
        new[new < NEGLIGIBLE_MASS] = 0.0
        if loglik(cells, weights, new) - total * new.sum() >= now + 1e-4 * length * rise:
            return new / new.sum()
        length *= 0.5
    return None


def _self_consistent(mass, slope) -> np.ndarray:
    new = mass * np.maximum(1.0 + slope, 0.0)
    return new / new.sum()


def _climb_truncated(cells, weights, mass, *, tol, max_steps):
    """Climb by self-consistency (Turnbull 1976) with squared extrapolation (Varadhan & Roland 2008)."""
    for step in range(0, max_steps, 3):
        gap = float(gradient(cells, weights, mass).max())
        if gap < tol:
            return mass, gap, step
        once = _ghost_step(cells, weights, mass)
        twice = _ghost_step(cells, weights, once)
        jump, bend = once - mass, twice - 2.0 * once + mass
        size = np.linalg.norm(bend)
        length = max(1.0, float(np.linalg.norm(jump) / size)) if size > 0 else 1.0
        leap = np.maximum(mass + 2.0 * length * jump + length**2 * bend, 0.0)
        leap = _ghost_step(cells, weights, leap / leap.sum()) if leap.sum() > 0 else twice
        mass = leap if loglik(cells, weights, leap) >= loglik(cells, weights, twice) else twice
    return mass, float(gradient(cells, weights, mass).max()), max_steps


def _ghost_step(cells, weights, mass) -> np.ndarray:
    """Return the expected share of each cell among the observed and those that the windows hid."""
    tiny = np.finfo(float).tiny
    covered = weights / np.maximum(probability(mass, cells.first, cells.last), tiny)
    seen = weights / np.maximum(probability(mass, cells.seen_first, cells.seen_last), tiny)
    inside = _spread(covered, cells.first, cells.last, cells.n_cells)
    hidden = seen.sum() - _spread(seen, cells.seen_first, cells.seen_last, cells.n_cells)
    new = mass * (inside + hidden)
    return new / new.sum()


def _spread(values, first, last, n_cells) -> np.ndarray:
    """Return, for each cell, the sum of the values whose range of cells holds it."""
    starts = np.bincount(first, weights=values, minlength=n_cells + 1)
    stops = np.bincount(last + 1, weights=values, minlength=n_cells + 1)
    return np.cumsum(starts - stops)[:n_cells]
