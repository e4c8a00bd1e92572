"""The distribution of a time that is only known to lie between two visits.

`fit` returns the nonparametric maximum-likelihood estimate for half-open intervals (left, right]: the event
had not happened at `left` and had at `right`; an infinite right is censored, equal ends are an exact time.
(Turnbull 1976, JRSS B 38(3):290; Peto 1973.) The estimate comes from surpyval with its Kaplan-Meier update.
What a library does not answer is added here: a certificate (the largest positive derivative of the
log-likelihood, which is zero at the maximum and nowhere else), computed from the data and not from the
library's own report; the intervals in which the curve is not determined; refusals in words. Where the library
leaves the certificate open (truncation, or weights that are not whole numbers, which it refuses) own steps
finish the climb, and `finished_by` says so.

Closed intervals, as some libraries use them, let neighbours overlap on a shared visit month and pile all mass
there; with the visits of a clinic that is the rule, not the exception.
"""

import warnings
from dataclasses import dataclass

import numpy as np

from analytics.errors import ParameterError
from analytics.numerics.turnbull import cells as cells_of
from analytics.numerics.turnbull.cells import Cells

# Largest gap that counts as the maximum: total weight times this bounds the log-likelihood still to be
# gained.
CERTIFIED_GAP = 1e-8
# Own steps aim lower than they must; rounding stops them near 1e-11.
TARGET_GAP = 1e-10
# Mass below this is not reported as a step of the curve.
SMALLEST_MASS = 1e-10
# Masses are found to about 1e-7: within this, a share reached exactly counts as reached.
SAME_SHARE = 1e-6


@dataclass(frozen=True, slots=True)
class TurnbullFit:
    """A distribution over intervals.

    `left`, `right`, `mass` (m,): the intervals that hold mass, in order; the last may end at infinity (never
    reached, as far as was seen). `loglik`; `gap` (the certificate, see the module) and `certified` (gap at
    most CERTIFIED_GAP); `is_unique`: without truncation the masses always are (each cell is the last of some
    observation, whose fitted probability is unique), under truncation surpyval's study of the windows says
    so; `total_weight`; `finished_by` names what reached the maximum; `checks` as every iterative fit. `cells`
    and `cell_mass` let `reweighted` start where this fit ended.
    """

    left: np.ndarray
    right: np.ndarray
    mass: np.ndarray
    loglik: float
    gap: float
    certified: bool
    is_unique: bool
    total_weight: float
    finished_by: str
    checks: dict[str, bool]
    cells: Cells
    cell_mass: np.ndarray

    def survival(self, t) -> tuple[np.ndarray, np.ndarray]:
        """Return the lowest and the highest share still without the event after time t that fit equally well.

        They differ only inside an interval that holds mass. They are not a confidence interval.

        >>> fit([0.0, 0.0, 3.0, 6.0], [3.0, 3.0, 6.0, np.inf]).survival([3.0, 4.0])
        (array([0.5 , 0.25]), array([0.5, 0.5]))
        """
        t = np.asarray(t, dtype=float)
        total = np.concatenate([[0.0], np.cumsum(self.mass)])
        certain = np.searchsorted(self.right, t, side="right")
        exact = (self.left == self.right).astype(float)
        begun = np.searchsorted(self.left - exact * np.spacing(self.left), t, side="left")
        return np.clip(1.0 - total[np.maximum(begun, certain)], 0.0, 1.0), np.clip(
            1.0 - total[certain], 0.0, 1.0
        )

    def interpolated(self, t) -> np.ndarray:
        """Return the share still without the event after t, mass spread evenly over its interval.

        Mass that ends at infinity is never used up: past the last time seen the curve stays where it is.
        """
        t = np.asarray(t, dtype=float)
        bounded = np.isfinite(self.right)
        left, right, mass = self.left[bounded], self.right[bounded], self.mass[bounded]
        width = np.where(right > left, right - left, 1.0)
        gone = np.clip((t[..., None] - left) / width, 0.0, 1.0)
        gone = np.where(right > left, gone, t[..., None] >= right)
        return np.clip(1.0 - gone @ mass, 0.0, 1.0)

    def quantile(self, share: float) -> tuple[float, float]:
        """Return the interval in which a share (0 to 1, both excluded) has come to have the event.

        >>> fit([0.0, 0.0, 3.0, 6.0], [3.0, 3.0, 6.0, np.inf]).quantile(0.6)
        (3.0, 6.0)
        """
        if not 0.0 < share < 1.0:
            raise ParameterError(
                "turnbull.quantile(share): 1 value out of range; expected above 0 and under 1; give a share"
            )
        at = self._interval_of(share)
        return float(self.left[at]), float(self.right[at])

    def _interval_of(self, share: float) -> int:
        return min(int(np.searchsorted(np.cumsum(self.mass), share - SAME_SHARE)), self.mass.size - 1)

    def median(self) -> tuple[float, float]:
        """Return the interval in which half have had the event for the first time."""
        return self.quantile(0.5)

    def time_at(self, share: float) -> float:
        """Return the month at which a share has had the event, mass spread evenly; infinite if never."""
        low, high = self.quantile(share)
        if not np.isfinite(high):
            return np.inf
        at = self._interval_of(share)
        before = float(self.mass[:at].sum())
        return low + (high - low) * min((share - before) / self.mass[at], 1.0)

    def restricted_mean(self, tau: float) -> float:
        """Return the mean of min(time, tau), the area under the interpolated curve up to tau.

        >>> fit([0.0, 3.0], [3.0, 6.0]).restricted_mean(6.0)
        3.0
        """
        knots = np.unique(np.concatenate([[0.0, tau], self.left, self.right[np.isfinite(self.right)]]))
        knots = knots[knots <= tau]
        after = self.interpolated(knots)
        jumps = np.isin(knots, self.right[self.left == self.right])
        before = after.copy()
        for j in np.flatnonzero(jumps):
            before[j] += self.mass[(self.left == self.right) & (self.right == knots[j])].sum()
        return float(np.sum(np.diff(knots) * (after[:-1] + before[1:]) / 2.0))

    def reweighted(self, weights) -> "TurnbullFit":
        """Return the fit of the same rows under other weights, started from this one.

        One weight per row, zero leaves the row out. For resampling: own Newton steps only, on the cells
        of the rows that are left.
        """
        row_weights = _checked_weights(weights, self.cells.row.size)
        weight = cells_of.weigh(self.cells, row_weights)
        mass, gap, _ = cells_of.climb(self.cells, weight, self.cell_mass, tol=CERTIFIED_GAP)
        return describe(self.cells, weight, mass, gap, "own steps from the full fit")


def fit(left, right, weights=None, truncation=None) -> TurnbullFit:
    """Fit the distribution of a time known to lie in (left, right].

    Parameters
    ----------
    left, right
        Shape (n,), months, 0 <= left <= right. An infinite right is censored at left; left = right is exact.
    weights
        Shape (n,), at least 0. Whole numbers are counts of rows.
    truncation
        Shape (n, 2) entry and exit of each row's window (entry, exit] outside which the row would not have
        been seen, or shape (n,) entries alone.

    Raises
    ------
    ParameterError
        Where an interval is not one, in words; every broken rule at once.

    Source
    ------
    Turnbull 1976, JRSS B 38(3):290; certificate: Gentleman and Geyer 1994, Biometrika 81(3):618 (from
    memory).

    Examples
    --------
    >>> month = fit([0.0, 0.0, 3.0, 6.0], [3.0, 3.0, 6.0, np.inf])
    >>> month.left.tolist(), month.right.tolist(), month.mass.round(9).tolist()
    ([0.0, 3.0, 6.0], [3.0, 6.0, inf], [0.5, 0.25, 0.25])
    """
    left, right = np.atleast_1d(np.asarray(left, dtype=float)), np.atleast_1d(np.asarray(right, dtype=float))
    refuse_intervals(left, right, "turnbull.fit(left, right)")
    row_weights = _checked_weights(weights, left.size)
    window = _checked_window(truncation, left, right)
    used = row_weights > 0
    cells = cells_of.build(left, right, window)
    weight = cells_of.weigh(cells, row_weights)
    start, warned, is_unique = _from_library(
        cells, left[used], right[used], row_weights[used], None if window is None else window[used]
    )
    finished_by = "surpyval" if start is not None else "own steps"
    mass = _stab(cells) if start is None else start
    gap = float(cells_of.gradient(cells, weight, mass).max())
    if not gap < CERTIFIED_GAP:
        mass, gap, steps = cells_of.climb(cells, weight, mass, tol=TARGET_GAP)
        finished_by = f"surpyval, then {steps} own steps" if start is not None else f"{steps} own steps"
    return describe(cells, weight, mass, gap, finished_by, warned=warned, is_unique=is_unique)


def refuse_intervals(left: np.ndarray, right: np.ndarray, where: str) -> None:
    """Refuse limits that are not intervals, every broken rule at once; `where` is the caller.

    Parameters
    ----------
    left, right
        Limits, to be of shape (n,).
    where
        What the message begins with.

    Raises
    ------
    ParameterError
        When they are no intervals, every broken rule at once.

    Examples
    --------
    >>> refuse_intervals(np.array([3.0]), np.array([6.0]), "example")
    """
    if left.ndim != 1 or left.shape != right.shape:
        raise ParameterError(
            f"{where}: the two have different shapes; one value per row in each; give equal lengths"
        )
    if left.size == 0:
        raise ParameterError(f"{where}: no rows; at least 1 is needed; check what was left out before")
    missing = np.isnan(left) | np.isnan(right)
    rules = [
        (
            missing,
            "missing",
            "every limit must be known, with infinity for never",
            "leave the row out with a reason",
        ),
        (
            ~missing & (left < 0),
            "negative",
            "months are 0 or more",
            "check from which session the month is counted",
        ),
        (
            ~missing & (left > right),
            "with left after right",
            "left is at most right",
            "exchange or correct the two",
        ),
        (
            np.isinf(left) & ~missing & (left > 0),
            "with an infinite left",
            "left is the last visit below",
            "use that visit's month",
        ),
    ]
    problems = [
        f"{where}: {int(bad.sum())} row(s) {what}, first at row {int(bad.argmax()) + 1}; {rule}; {act}"
        for bad, what, rule, act in rules
        if bad.any()
    ]
    if problems:
        raise ParameterError("\n".join(problems))


def _checked_weights(weights, n: int) -> np.ndarray:
    if weights is None:
        return np.ones(n)
    weights = np.asarray(weights, dtype=float)
    where = "turnbull.fit(weights)"
    if weights.shape != (n,):
        raise ParameterError(
            f"{where}: the shape differs from the rows; one weight per row; give equal lengths"
        )
    bad = ~(np.isfinite(weights) & (weights >= 0))
    if bad.any():
        first = int(np.flatnonzero(bad)[0]) + 1
        raise ParameterError(
            f"{where}: {int(bad.sum())} negative or missing, first at row {first}; weights are 0 or more; "
            "correct them"
        )
    if not weights.sum() > 0:
        raise ParameterError(
            f"{where}: every weight is 0; at least one row must count; check what was left out before"
        )
    return weights


def _checked_window(truncation, left: np.ndarray, right: np.ndarray) -> np.ndarray | None:
    if truncation is None:
        return None
    window = np.asarray(truncation, dtype=float)
    if window.ndim == 1:
        window = np.column_stack([window, np.full(window.size, np.inf)])
    where = "turnbull.fit(truncation)"
    if window.shape != (left.size, 2):
        raise ParameterError(
            f"{where}: the shape differs from the rows; entry and exit per row; give shape (n, 2)"
        )
    exact = left == right
    empty = ~(
        (window[:, 0] < window[:, 1]) & (window[:, 0] < right) & (window[:, 1] > left) & (window[:, 0] >= 0)
    )
    empty |= exact & (window[:, 1] < right)
    if empty.any():
        first = int(np.flatnonzero(empty)[0]) + 1
        raise ParameterError(
            f"{where}: {int(empty.sum())} interval(s) outside their own window, first at row {first}; "
            "a row is seen only if its event lies in (entry, exit]; correct the entry or leave the row out"
        )
    return window


def _from_library(cells: Cells, left, right, weights, window):
    """Return surpyval's masses (None where it cannot serve), whether it warned, whether they are unique."""
    if not np.array_equal(weights, np.round(weights)):
        return None, False, window is None
    import surpyval

    limits = {} if window is None else {"tl": window[:, 0], "tr": window[:, 1]}
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            model = surpyval.Turnbull.fit(
                xl=left, xr=right, n=weights.astype(int), turnbull_estimator="Kaplan-Meier", **limits
            )
        except ValueError:
            return None, True, window is None
    is_unique = window is None or str(getattr(model, "npmle", "")) == "exists"
    steps, after = np.asarray(model.x, dtype=float), np.asarray(model.R, dtype=float)
    return _mass_on_cells(cells, steps, after), bool(caught), is_unique


def _mass_on_cells(cells: Cells, steps: np.ndarray, after: np.ndarray) -> np.ndarray | None:
    """Return the fall of a step curve over each cell, or None where an observation is left without mass."""
    begin, end = cells.limits()
    curve = np.concatenate([[1.0], after])
    open_begin = cells.cell_begin % 2 == 1
    start = np.where(
        open_begin, np.searchsorted(steps, begin, "right"), np.searchsorted(steps, begin, "left") + 1
    )
    stop = np.searchsorted(steps, end, "right")
    mass = np.maximum(curve[start] - np.where(np.isinf(end), 0.0, curve[stop]), 0.0)
    mass[mass < cells_of.NEGLIGIBLE_MASS] = 0.0
    total = mass.sum()
    if not np.isfinite(total) or total <= 0:
        return None
    mass = mass / total
    covered = cells_of.probability(mass, cells.first, cells.last)
    return mass if (covered > 0).all() else None


def _stab(cells: Cells) -> np.ndarray:
    """Return equal mass on a few cells that between them touch every observation, the earliest ends first."""
    chosen: list[int] = []
    for at in np.argsort(cells.last, kind="stable"):
        if not chosen or chosen[-1] < cells.first[at]:
            chosen.append(int(cells.last[at]))
    mass = np.zeros(cells.n_cells)
    mass[chosen] = 1.0 / len(chosen)
    return mass


def describe(cells, weight, mass, gap, finished_by, *, warned=False, is_unique=True) -> TurnbullFit:
    """Return masses on cells as a fit: of rows that count, with certificate and checks."""
    held = weight > 0
    if held.all():
        shown, shown_mass = cells, mass
    else:
        shown = cells_of.subset(cells, held)
        shown_mass = _gather(cells, mass, shown)
    begin, end = shown.limits()
    keep = shown_mass > SMALLEST_MASS
    checks = {
        "certified": bool(gap <= CERTIFIED_GAP),
        "no_warnings": not warned,
        "mass_is_unique": is_unique,
        "any_reached": bool(np.isfinite(cells.limits()[1][np.flatnonzero(mass)]).any()),
    }
    kept = shown_mass[keep] / shown_mass[keep].sum()
    return TurnbullFit(
        left=begin[keep],
        right=end[keep],
        mass=kept,
        loglik=cells_of.loglik(cells, weight, mass),
        gap=max(gap, 0.0),
        certified=checks["certified"],
        is_unique=is_unique,
        total_weight=float(weight.sum()),
        finished_by=finished_by,
        checks=checks,
        cells=cells,
        cell_mass=mass,
    )


def _gather(cells: Cells, mass: np.ndarray, shown: Cells) -> np.ndarray:
    """Return mass on the wider cells that are left once some observations are gone.

    A cell of all observations lies in one cell of those left, or holds no mass at their maximum.
    """
    at = np.clip(np.searchsorted(shown.cell_end, cells.cell_end, side="left"), 0, shown.n_cells - 1)
    inside = (shown.cell_begin[at] <= cells.cell_begin) & (cells.cell_end <= shown.cell_end[at])
    gathered = np.bincount(at, weights=np.where(inside, mass, 0.0), minlength=shown.n_cells)
    return gathered / gathered.sum()
