"""The search for the optimum of the criterion, one exchange of sums per step.

Far from the optimum: Fisher scoring in gamma, each variance changed by a factor of at most 25. Near it, or
where scoring fails: Newton steps in theta inside a trust region, with the Hessian of the criterion. The step
within the radius that lowers the quadratic model most is found from the eigenvalues of the Hessian, so that
directions that curve down are used, not feared; the search ends at a point that is a minimum to second order.

The deviance is even in each column of Lambda. Entries that stand alone in their column are varied through
their square, bounded at zero, where the deviance may still rise: there a variance of zero is found in fewer
exchanges than in theta itself (scipy's unbounded `trust-exact` in theta reaches the same optima in the same
time, with a fifth more exchanges where variances are zero; between clinics an exchange is a round of files).
Elsewhere a variance of zero is a stationary point in theta, and the optimum if the curvature there is not
negative, which says that the deviance does not fall as the variance leaves zero (the Kuhn-Tucker condition).

Source: Nocedal & Wright 2006, Numerical Optimization, sec. 4.3.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

import numpy as np

from analytics.errors import FitError
from analytics.numerics.mixed.likelihood import Criterion, along, criterion
from analytics.numerics.mixed.parts import Sums
from analytics.numerics.mixed.plan import (
    Plan,
    chain_squared,
    column_signs,
    diagonal_entries,
    factors,
    split_gamma,
    squared_entries,
    start_theta,
    theta_from,
    theta_scale,
)

Array = np.ndarray
T = TypeVar("T")
# A step is taken if the function falls by this share of what the model promised, the radius grown beyond
# that share.
ACCEPT, GROW = 0.1, 0.7
# Directions with less curvature than this share of the greatest are flat.
FLAT = 1e-9
SMALLEST_RADIUS = 1e-10
Evaluate = Callable[[Array, Array | None], Sums]
# Deviance a step still promises, below which the search ends: with the exact Hessian, and with the one-column
# probe. Parameters are then within 1e-7 and 1e-6 standard errors.
PROMISE_EXACT, PROMISE = 1e-14, 1e-12
MAX_EXCHANGES = 200
# Scaled by Z and the residual, a diagonal entry of Lambda below this is tried at zero.
NEAR_ZERO = 1e-3
MAX_SNAPS = 4
# Scoring leaves at least this share of a standard deviation.
KEEP = 0.2
# A Newton step of more than this share of a parameter is replaced by scoring.
TRUSTED = 0.6
# Parameters below this share of the residual's scale are taken to be of that size when steps are judged.
SMALL_PART = 0.3
# Rounding of the deviance, relative to its size and the number of rows.
ROUNDING = 1e-12
# Curvature of the deviance per row, below which it says nothing.
NO_CURVATURE = 1e-6


@dataclass(frozen=True)
class Look(Generic[T]):
    """The function at one point, and whatever the caller wants to keep with it."""

    at: Array
    value: float
    gradient: Array
    hessian: Array
    kept: T


@dataclass(frozen=True)
class Model:
    """The quadratic model at a point; `promised` is what Newton's step promises, all curvatures positive."""

    gradient: Array
    values: Array
    vectors: Array
    floor: float
    promised: float

    @property
    def bowl(self) -> bool:
        """Whether no direction curves down."""
        return bool(self.values[0] > -self.floor)

    def newton(self) -> Array:
        """Return Newton's step, every curvature taken positive."""
        size = np.maximum(np.abs(self.values), self.floor)
        return -self.vectors @ (self.vectors.T @ self.gradient / size)


@dataclass(frozen=True)
class Optimum:
    """Where the search ended: theta, sums and criterion there, exchanges used, whether it converged."""

    theta: Array
    sums: Sums
    point: Criterion
    n_exchanges: int
    converged: bool


@dataclass(frozen=True)
class Stop:
    """What is kept of a point the search has seen."""

    theta: Array
    sums: Sums
    point: Criterion


Visit = Callable[[Array, Look[Stop] | None], Look[Stop] | None]


def optimise(
    evaluate: Evaluate,
    form: Plan,
    *,
    start: Array | None = None,
    exact: bool = True,
    promise: float | None = None,
    transform: Array | None = None,
) -> Optimum:
    """Minimise the deviance.

    Parameters
    ----------
    evaluate
        Function (theta, probe) -> sums of `contributions` over all parts.
    form
        The plan.
    start
        Start values of theta (d,), in working units.
    exact
        Ask for the exact Hessian; else for the one-column probe, which is cheaper and nearly as good in
        large data.
    promise
        Stop when a step promises less than this; `PROMISE_EXACT` or `PROMISE` if not given.
    transform
        As in `criterion`.

    Raises
    ------
    FitError
        If the fixed effects are not determined at the start values.
    """
    theta = start_theta(form) if start is None else np.asarray(start, float)
    if promise is None:
        promise = PROMISE_EXACT if exact else PROMISE

    def look(theta: Array, last: Look[Stop] | None) -> Look[Stop] | None:
        contrast = np.append(np.zeros(form.p), 1.0) if last is None else last.kept.point.contrast
        return _look(evaluate(theta, None if exact else contrast[:, None]), theta, form, transform)

    first = look(theta, None)
    if first is None:
        raise FitError(
            "mixed.fit: the fixed effects are not determined at the start values; "
            "a column of X varies only with a random effect or hardly at all; drop it"
        )
    best, used = _scored(look, first, form)
    best, more, converged = _newton(look, best, form, promise)
    used += more
    for _ in range(MAX_SNAPS):
        small = _snapped(best.kept.theta, form)
        at_zero = None if small is None else look(small, best)
        if at_zero is None or at_zero.value > best.value + 1e-9 + ROUNDING * (abs(best.value) + form.n):
            break
        best, more, converged = _newton(look, at_zero, form, promise)
        used += more + 1
    end = best.kept
    theta = end.theta * column_signs(end.theta, form)
    theta = np.where(np.abs(theta) < ROUNDING * theta_scale(form), 0.0, theta)
    return Optimum(theta, end.sums, end.point, used + 1, converged)


def _look(sums: Sums, theta: Array, form: Plan, transform: Array | None) -> Look[Stop] | None:
    """Return the criterion in theta or its squared entries; None where X'H^-1X is singular to rounding."""
    try:
        point = criterion(sums, form, transform=transform)
    except np.linalg.LinAlgError:
        return None
    if not np.isfinite(point.value):
        return None
    gradient, hessian = along(point, *chain_squared(theta, form))
    at = np.where(squared_entries(form), theta**2, theta)
    return Look(at, point.value, gradient, hessian, Stop(theta, sums, point))


def _units(theta: Array, form: Plan) -> Array:
    """Return the size of a step that changes a parameter much, in theta or its square."""
    size = np.maximum(np.abs(theta), SMALL_PART * theta_scale(form))
    return np.where(squared_entries(form), size**2, size)


def _scored(look: Visit, first: Look[Stop], form: Plan) -> tuple[Look[Stop], int]:
    """Take scoring steps until Newton can be trusted or scoring no longer helps; return looks used too."""
    on, best, used = diagonal_entries(form), first, 0
    while used < MAX_EXCHANGES:
        theta = best.kept.theta
        units = _units(theta, form)
        scaled = best.hessian * np.outer(units, units)
        local = _model(best.gradient * units, scaled, NO_CURVATURE * form.n)
        if local.bowl and (np.abs(local.newton()) <= TRUSTED).all():
            break
        if (np.abs(theta / theta_scale(form))[on] < NEAR_ZERO).any():
            break
        moved = look(_scoring(best.kept, form), best)
        used += 1
        fall = -np.inf if moved is None else best.value - moved.value
        best = moved if moved is not None and fall > 0 else best
        if fall < 0.1:
            break
    return best, used


def _scoring(at: Stop, form: Plan) -> Array:
    """Return the point a step of Fisher scoring in gamma leads to, variances kept within a factor of 25."""
    sums, point, theta = at.sums, at.point, at.theta
    expected = sums.trace2 - (0.0 if form.known else np.outer(sums.trace, sums.trace) / sums.n)
    root = np.sqrt(np.maximum(np.diag(sums.trace2), 1e-300))
    values, vectors = np.linalg.eigh(expected / np.outer(root, root))
    change = -(vectors @ ((vectors.T @ (point.gradient / root)) / np.maximum(values, 1e-6))) / root
    squares, lams = split_gamma(change, form), factors(theta, form)
    out = []
    for lam, square in zip(lams, squares, strict=True):
        back = np.linalg.inv(lam)
        size, axes = np.linalg.eigh(np.eye(len(lam)) + back @ square @ back.T)
        half = lam @ axes * np.sqrt(np.clip(size, KEEP**2, KEEP**-2))
        out.append(half @ half.T)
    sigma2 = None
    if form.known:
        sigma2 = np.clip(theta[-1] ** 2 + change[-1], (KEEP * theta[-1]) ** 2, (theta[-1] / KEEP) ** 2)
    return theta_from(out, sigma2, form)


def _newton(look: Visit, first: Look[Stop], form: Plan, promise: float) -> tuple[Look[Stop], int, bool]:
    """Take Newton steps inside a trust region; return the last look, looks used, and whether it converged."""
    squared, units = squared_entries(form), _units(first.kept.theta, form)

    def scaled(found: Look[Stop] | None) -> Look[Stop] | None:
        if found is None:
            return None
        return Look(
            found.at / units,
            found.value,
            found.gradient * units,
            found.hessian * np.outer(units, units),
            found.kept,
        )

    def look_scaled(at: Array, last: Look[Stop]) -> Look[Stop] | None:
        theta = np.where(squared, np.sqrt(np.maximum(at * units, 0.0)), at * units)
        return scaled(look(theta, last))

    begin = scaled(first)
    assert begin is not None
    return descend(
        look_scaled,
        begin,
        promise=promise,
        rounding=ROUNDING * (abs(first.value) + form.n),
        radius=1.0,
        max_looks=MAX_EXCHANGES,
        lower=np.where(squared, 0.0, -np.inf),
        least=NO_CURVATURE * form.n,
    )


def _snapped(theta: Array, form: Plan) -> Array | None:
    """Return theta with small diagonal entries of Lambda at exactly zero, or None if there are none."""
    scaled = theta / theta_scale(form)
    small = diagonal_entries(form) & (np.abs(scaled) < NEAR_ZERO) & (theta != 0)
    if not small.any():
        return None
    trial = np.where(small, 0.0, theta)
    squares = []
    for lam, scale in zip(factors(trial, form), form.scales, strict=True):
        kept = (lam**2).sum(axis=1) * scale**2 >= NEAR_ZERO**2
        squares.append((lam @ lam.T) * np.outer(kept, kept))
    return theta_from(squares, trial[-1] ** 2 if form.known else None, form)


def descend(
    look: Callable[[Array, Look[T]], Look[T] | None],
    first: Look[T],
    *,
    promise: float,
    rounding: float,
    radius: float,
    max_looks: int,
    lower: Array | None = None,
    least: float = 0.0,
) -> tuple[Look[T], int, bool]:
    """Return the minimum, how many points were looked at, and whether it was reached.

    Parameters
    ----------
    look
        Function (point, last look) -> the function there, or None where it is not defined.
    first
        The start.
    promise
        Stop when Newton's step promises less than this.
    rounding
        Error of the function's values: smaller changes are not judged.
    radius
        First radius of the trust region.
    max_looks
        Give up after this many.
    lower
        Lower bounds (d,), -inf where there is none. A variable at its bound stays there while the function
        rises inward.
    least
        Curvature below which a direction is flat whatever the others are, over `FLAT`.
    """
    bound = np.full(len(first.at), -np.inf) if lower is None else lower
    best, looks = first, 0
    while looks < max_looks:
        free = (best.at > bound) | (best.gradient < 0)
        local = _model(best.gradient[free], best.hessian[np.ix_(free, free)], least)
        if local.promised < promise and local.bowl:
            return best, looks, True
        while looks < max_looks:
            step = _bounded_step(best, free, bound, radius, least)
            length = float(np.linalg.norm(step))
            expected = -float(best.gradient @ step + step @ best.hessian @ step / 2.0)
            moved = look(np.maximum(best.at + step, bound), best)
            looks += 1
            fall = -np.inf if moved is None else best.value - moved.value
            too_small = expected < 10 * rounding and abs(fall) < 10 * rounding
            if moved is not None and (fall >= ACCEPT * expected or too_small):
                break
            radius = 0.25 * length
            if radius < SMALLEST_RADIUS:
                return best, looks, local.promised < np.sqrt(promise)
        else:
            return best, looks, False
        if fall > GROW * expected and length > 0.9 * radius:
            radius *= 3.0
        best = moved
    return best, looks, False


def _bounded_step(best: Look[T], free: Array, bound: Array, radius: float, least: float) -> Array:
    """Return the model's best step over the free variables; those that would pass their bound stop at it."""
    free, step = free.copy(), np.zeros(len(free))
    while free.any():
        gradient = best.gradient + best.hessian @ np.where(free, 0.0, step)
        part = trust_step(_model(gradient[free], best.hessian[np.ix_(free, free)], least), radius)
        step[free] = part
        passed = free & (best.at + step < bound)
        if not passed.any():
            break
        step[passed] = bound[passed] - best.at[passed]
        free &= ~passed
    return step


def trust_step(local: Model, radius: float) -> Array:
    """Return the step within the radius that lowers the quadratic model most.

    Examples
    --------
    >>> bowl = Model(np.array([2.0]), np.array([2.0]), np.eye(1), 1e-9, 1.0)
    >>> trust_step(bowl, 5.0).tolist(), trust_step(bowl, 0.5).round(6).tolist()
    ([-1.0], [-0.5])
    """
    along = local.vectors.T @ local.gradient

    def step(shift: float) -> Array:
        return -along / np.maximum(local.values + shift, 1e-300)

    if local.bowl:
        plain = -along / np.maximum(local.values, local.floor)
        if np.linalg.norm(plain) <= radius:
            return local.vectors @ plain
    low = max(0.0, -float(local.values[0])) + local.floor
    part = step(low)
    if np.linalg.norm(part) < radius:
        part[0] = np.copysign(np.sqrt(max(radius**2 - (part[1:] ** 2).sum(), 0.0)), -along[0])
        return local.vectors @ part
    shift = low
    # Newton for 1 / length, which rises almost in a line: from below it never passes (More & Sorensen 1983).
    while (length := float(np.linalg.norm(part))) > radius * (1.0 + 1e-6):
        shift += (length - radius) / radius * length**2 / float((part**2 / (local.values + shift)).sum())
        part = step(shift)
    return local.vectors @ part


def _model(gradient: Array, hessian: Array, least: float) -> Model:
    """Return the quadratic model; curvatures below `FLAT` times the greatest (or `least`) count as flat."""
    if not len(gradient):
        return Model(gradient, np.ones(1), hessian, 0.0, 0.0)
    values, vectors = np.linalg.eigh((hessian + hessian.T) / 2.0)
    floor = FLAT * max(least, float(np.abs(values).max()), 1e-300)
    along = vectors.T @ gradient
    promised = float((along**2 / np.maximum(np.abs(values), floor)).sum() / 2.0)
    return Model(gradient, values, vectors, floor, promised)
