"""The search for the optimum of the criterion, an exchange of sums a step.

Far from the optimum: Fisher scoring in gamma, each variance changed by a factor of at most 25. Near it, or where scoring
fails: Newton steps in theta inside a trust region, with the Hessian of the criterion. No bound is needed, as the deviance
is even in each column of Lambda; a variance of zero is a stationary point in theta, and the optimum if the curvature
there is not negative, which says that the deviance does not fall as the variance leaves zero (the Kuhn-Tucker condition).

Source: Nocedal & Wright 2006, Numerical Optimization, sec. 4.3 (trust region with eigenvalues).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq

from analytics.errors import FitError
from analytics.numerics.mixed_criterion import Criterion, criterion, in_theta
from analytics.numerics.mixed_parts import Sums
from analytics.numerics.mixed_plan import (
    Plan,
    column_signs,
    diagonal_entries,
    factors,
    split_gamma,
    start_theta,
    theta_from,
    theta_scale,
)

Array = np.ndarray
Evaluate = Callable[[Array, Array | None], Sums]

# Deviance a step still promises, below which the search ends: a parameter is then within 3e-6 standard errors.
PROMISE = 1e-11
MAX_EXCHANGES = 200
# Scaled by Z and the residual, a diagonal entry of Lambda below this is tried at zero.
NEAR_ZERO = 1e-3
MAX_SNAPS = 4
# Scoring leaves at least this share of a standard deviation.
KEEP = 0.2
# A Newton step longer than this share of theta (or 0.3, if more) is replaced by scoring.
TRUSTED = 0.5
# First radius of the trust region, in units in which an effect has the residual's variance.
RADIUS = 0.5
# Rounding of the deviance, relative to its size and the number of rows.
ROUNDING = 1e-12


@dataclass(frozen=True)
class Optimum:
    """Where the search ended: theta, sums and criterion there, exchanges used, whether it converged."""

    theta: Array
    sums: Sums
    point: Criterion
    n_exchanges: int
    converged: bool


@dataclass(frozen=True)
class Local:
    """The criterion around one point in scaled theta: gradient and eigenvalues of the Hessian."""

    gradient: Array
    values: Array
    vectors: Array
    promised: float
    floor: float

    @property
    def bowl(self) -> bool:
        """Whether no direction curves down."""
        return bool(self.values[0] > -self.floor)


def optimise(
    evaluate: Evaluate,
    form: Plan,
    *,
    start: Array | None = None,
    exact: bool = True,
    promise: float = PROMISE,
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
        Ask for the exact Hessian; else for the one-column probe, which is cheaper and nearly as good in large data.
    promise
        Stop when a step promises less than this.
    """
    theta = start_theta(form) if start is None else np.asarray(start, float)
    best = _visit(evaluate, theta, _probe(np.zeros(form.p), exact), form)
    if best is None:
        raise FitError(
            "mixed.fit: the fixed effects are not determined at the start values; "
            "a column of X varies only with a random effect or hardly at all; drop it"
        )
    best = _scored(evaluate, best, form, exact=exact)
    best = _descended(evaluate, best, form, exact=exact, promise=promise)
    for _ in range(MAX_SNAPS):
        small = _snapped(best.theta, form)
        if small is None:
            break
        at_zero = _visit(evaluate, small, _probe(best.point.beta, exact), form)
        best = replace(best, n_exchanges=best.n_exchanges + 1)
        slack = 1e-9 + ROUNDING * (abs(best.point.value) + form.n)
        if at_zero is None or at_zero.point.value > best.point.value + slack:
            break
        at_zero = replace(at_zero, n_exchanges=best.n_exchanges)
        best = _descended(evaluate, at_zero, form, exact=exact, promise=promise)
    return replace(best, theta=best.theta * column_signs(best.theta, form))


def _probe(beta: Array, exact: bool) -> Array | None:
    return None if exact else np.append(-beta, 1.0)[:, None]


def _visit(evaluate: Evaluate, theta: Array, probe: Array | None, form: Plan) -> Optimum | None:
    """Return the criterion at theta, or None where X'H^-1X is not positive definite to rounding."""
    sums = evaluate(theta, probe)
    try:
        point = criterion(sums, form)
    except np.linalg.LinAlgError:
        return None
    return Optimum(theta, sums, point, 1, False) if np.isfinite(point.value) else None


def _local(best: Optimum, form: Plan) -> Local:
    scale = theta_scale(form)
    gradient, hessian = in_theta(best.point, best.theta, form)
    g, h = gradient * scale, hessian * np.outer(scale, scale)
    values, vectors = np.linalg.eigh((h + h.T) / 2.0)
    floor = 1e-9 * max(1e-6 * form.n, float(np.abs(values).max(initial=0.0)))
    along = vectors.T @ g
    promised = float((along**2 / np.maximum(np.abs(values), floor)).sum() / 2.0)
    return Local(g, values, vectors, promised, floor)


def _scored(evaluate: Evaluate, best: Optimum, form: Plan, *, exact: bool) -> Optimum:
    """Take scoring steps until Newton can be trusted or scoring no longer helps."""
    on, scale = diagonal_entries(form), theta_scale(form)
    while best.n_exchanges < MAX_EXCHANGES:
        local, now = _local(best, form), np.abs(best.theta / scale)
        step = local.vectors @ (local.vectors.T @ local.gradient / np.maximum(local.values, local.floor))
        if local.bowl and (np.abs(step) <= TRUSTED * np.maximum(now, 0.3)).all():
            return best
        if (now[on] < NEAR_ZERO).any():
            return best
        moved = _visit(evaluate, best.theta + _scoring(best, form), _probe(best.point.beta, exact), form)
        if moved is None or moved.point.value > best.point.value - 0.1:
            better = moved is not None and moved.point.value < best.point.value
            kept = moved if better and moved is not None else best
            return replace(kept, n_exchanges=best.n_exchanges + 1)
        best = replace(moved, n_exchanges=best.n_exchanges + 1)
    return best


def _descended(evaluate: Evaluate, best: Optimum, form: Plan, *, exact: bool, promise: float) -> Optimum:
    """Take Newton steps inside a trust region until they promise nothing more."""
    scale, radius = (
        theta_scale(form),
        RADIUS * max(1.0, float(np.abs(best.theta / theta_scale(form)).max(initial=0.0))),
    )
    local = _local(best, form)
    while best.n_exchanges < MAX_EXCHANGES:
        if local.promised < promise and local.bowl:
            return replace(best, converged=True)
        step = _trust_step(local, radius)
        length = float(np.linalg.norm(step))
        expected = float(
            -(local.gradient @ step) - ((local.vectors.T @ step) ** 2 * local.values).sum() / 2.0
        )
        moved = _visit(evaluate, best.theta + step * scale, _probe(best.point.beta, exact), form)
        best = replace(best, n_exchanges=best.n_exchanges + 1)
        fall = -np.inf if moved is None else best.point.value - moved.point.value
        rounding = ROUNDING * (abs(best.point.value) + form.n)
        if fall < 0.1 * expected and not (expected < 10 * rounding and abs(fall) < 10 * rounding):
            radius = 0.25 * length
            if radius < 1e-10:
                return replace(best, converged=local.promised < 1e-6)
            continue
        if fall > 0.7 * expected and length > 0.9 * radius:
            radius *= 3.0
        assert moved is not None
        best = replace(moved, n_exchanges=best.n_exchanges)
        local = _local(best, form)
    return best


def _trust_step(local: Local, radius: float) -> Array:
    """Return the step within the radius that lowers the quadratic model most."""
    along = local.vectors.T @ local.gradient

    def step(shift: float) -> Array:
        return -along / np.maximum(local.values + shift, 1e-300)

    if local.bowl:
        plain = -along / np.maximum(local.values, local.floor)
        if np.linalg.norm(plain) <= radius:
            return local.vectors @ plain
    least = max(0.0, -float(local.values[0]))
    low, high = least + local.floor, least + local.floor + float(np.linalg.norm(along)) / radius
    if np.linalg.norm(step(low)) < radius:
        part = step(low)
        part[0] = np.copysign(np.sqrt(max(radius**2 - (part[1:] ** 2).sum(), 0.0)), -along[0])
        return local.vectors @ part
    shift = brentq(lambda mu: np.linalg.norm(step(mu)) - radius, low, high, rtol=1e-6)
    return local.vectors @ step(shift)


def _scoring(best: Optimum, form: Plan) -> Array:
    """Return a step of Fisher scoring in gamma, every covariance kept within a factor of 25 of what it was."""
    point, sums = best.point, best.sums
    expected = sums.trace2 - (0.0 if form.known else np.outer(sums.trace, sums.trace) / sums.n)
    root = np.sqrt(np.diag(sums.trace2))
    values, vectors = np.linalg.eigh(expected / np.outer(root, root))
    change = -(vectors @ ((vectors.T @ (point.gradient / root)) / np.maximum(values, 1e-6))) / root
    squares, lams = split_gamma(change, form), factors(best.theta, form)
    out = []
    for lam, square in zip(lams, squares, strict=True):
        back = np.linalg.inv(lam)
        size, axes = np.linalg.eigh(np.eye(len(lam)) + back @ square @ back.T)
        half = lam @ axes * np.sqrt(np.clip(size, KEEP**2, KEEP**-2))
        out.append(half @ half.T)
    sigma2 = None
    if form.known:
        sigma2 = np.clip(
            best.theta[-1] ** 2 + change[-1], (KEEP * best.theta[-1]) ** 2, (best.theta[-1] / KEEP) ** 2
        )
    return theta_from(out, sigma2, form) - best.theta


def _snapped(theta: Array, form: Plan) -> Array | None:
    """Return theta with small diagonal entries of Lambda at exactly zero, or None if there are none."""
    scaled = theta / theta_scale(form)
    small = diagonal_entries(form) & (np.abs(scaled) < NEAR_ZERO) & (theta != 0)
    if not small.any():
        return None
    trial = np.where(small, 0.0, theta)
    sigma2 = trial[-1] ** 2 if form.known else None
    return theta_from([lam @ lam.T for lam in factors(trial, form)], sigma2, form)
