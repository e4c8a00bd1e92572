"""The search for the optimum of the criterion, an exchange of sums a step.

Far from the optimum: Fisher scoring in gamma, each variance changed by a factor of at most 25. Near it: Newton
steps in theta with the Hessian of the criterion. No bound is needed, as the deviance is even in each column of Lambda;
but zero is then a stationary point whether or not it is the optimum. So no step takes a diagonal entry of Lambda below
a fifth of itself; entries that become small are set to zero, and stay there only while the derivative of the deviance
in the covariance itself has no negative direction (the Kuhn-Tucker condition).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analytics.numerics.mixed_criterion import Criterion, criterion, in_theta
from analytics.numerics.mixed_parts import Sums
from analytics.numerics.mixed_plan import (
    Plan,
    diagonal_entries,
    entries,
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
# A step leaves at least this share of a diagonal entry of Lambda, of its square under scoring.
KEEP = 0.2
# A Newton step longer than this share of theta (or 0.3, if more) is replaced by scoring.
TRUSTED = 0.5
# Relative negative slope in a covariance held at zero, beyond which it leaves zero.
LEAVE = 1e-7


@dataclass(frozen=True)
class Optimum:
    """Where the search ended: theta, sums and criterion there, exchanges used, whether it converged."""

    theta: Array
    sums: Sums
    point: Criterion
    n_exchanges: int
    converged: bool


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
    sums = evaluate(theta, _probe(np.zeros(form.p), exact))
    best = Optimum(theta, sums, criterion(sums, form), 1, False)
    may_snap = True
    while best.n_exchanges < MAX_EXCHANGES:
        small = _snapped(best.theta, form) if may_snap else None
        if small is not None:
            moved = _advance(evaluate, best, small - best.theta, form, exact=exact, halvings=1)
            may_snap = moved.theta is not best.theta
            best = moved
            continue
        step, promised = _newton(best, form)
        if promised < promise:
            step, promised = _leave_zero(best, form)
        if promised < promise:
            return Optimum(best.theta, best.sums, best.point, best.n_exchanges, True)
        moved = _advance(evaluate, best, step, form, exact=exact, halvings=25)
        if moved.theta is best.theta:
            return Optimum(best.theta, best.sums, best.point, moved.n_exchanges, promised < 1e-6)
        best = moved
    return best


def _probe(beta: Array, exact: bool) -> Array | None:
    return None if exact else np.append(-beta, 1.0)[:, None]


def _advance(
    evaluate: Evaluate, best: Optimum, step: Array, form: Plan, *, exact: bool, halvings: int
) -> Optimum:
    """Return the first point along the step, halved as needed, whose deviance is no higher; else `best` itself."""
    probe = _probe(best.point.beta, exact)
    slack = 1e-12 * (abs(best.point.value) + form.n)
    for halving in range(halvings):
        theta = best.theta + step * 0.5**halving
        sums = evaluate(theta, probe)
        try:
            point = criterion(sums, form)
        except np.linalg.LinAlgError:
            continue
        if point.value <= best.point.value + slack:
            return Optimum(theta, sums, point, best.n_exchanges + halving + 1, False)
    return Optimum(best.theta, best.sums, best.point, best.n_exchanges + halvings, False)


def _newton(best: Optimum, form: Plan) -> tuple[Array, float]:
    """Return a Newton step in theta and the fall of deviance it promises; a scoring step where Newton cannot be trusted."""
    theta, scale = best.theta, theta_scale(form)
    if not len(theta):
        return theta, 0.0
    gradient, hessian = in_theta(best.point, theta, form)
    g, h = gradient * scale, hessian * np.outer(scale, scale)
    values, vectors = np.linalg.eigh((h + h.T) / 2.0)
    top = max(1e-8 * form.n, float(np.abs(values).max()))
    size = np.maximum(np.abs(values), 1e-10 * top)
    along = vectors.T @ g
    step = -vectors @ (along / size)
    promised = float((along**2 / size).sum() / 2.0)
    on = diagonal_entries(form)
    now = theta / scale
    trusted = values[0] > -1e-8 * top and (np.abs(step) <= TRUSTED * np.maximum(np.abs(now), 0.3)).all()
    if not trusted and (np.abs(now[on]) > NEAR_ZERO).all():
        return _scoring(best, form), max(promised, 1.0)
    share = 1.0
    for k in np.flatnonzero(on & (now != 0) & (step * np.sign(now) < -(1.0 - KEEP) * np.abs(now))):
        share = min(share, (1.0 - KEEP) * abs(now[k] / step[k]))
    return step * share * scale, promised


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


def _leave_zero(best: Optimum, form: Plan) -> tuple[Array, float]:
    """Return a step away from singular covariances in which the deviance falls, and the fall it promises."""
    theta, promised = best.theta, 0.0
    lams = factors(theta, form)
    squares = [lam @ lam.T for lam in lams]
    slopes = split_gamma(best.point.gradient, form, slopes=True)
    for i, (lam, slope, scale) in enumerate(zip(lams, slopes, form.scales, strict=True)):
        if (np.diag(lam) != 0).all():
            continue
        values, axes = np.linalg.eigh(slope / np.outer(scale, scale))
        if values[0] > -LEAVE * form.n:
            continue
        way = np.outer(axes[:, 0], axes[:, 0]) / np.outer(scale, scale)
        if form.kinds[i] == "identity":
            way = np.eye(len(lam)) / np.mean(scale**2)
        fall, rise = -float((way * slope).sum()), _curvature(best, form, i, way)
        squares[i] = squares[i] + way * (fall / rise)
        promised += fall**2 / (2.0 * rise)
    sigma2 = theta[-1] ** 2 if form.known else None
    if form.known and theta[-1] == 0 and best.point.gradient[-1] < -LEAVE * form.n:
        sigma2 = -best.point.gradient[-1] / best.sums.trace2[-1, -1]
        promised += best.point.gradient[-1] ** 2 / (2.0 * best.sums.trace2[-1, -1])
    if promised == 0.0:
        return np.zeros_like(theta), 0.0
    return theta_from(squares, sigma2, form) - theta, promised


def _curvature(best: Optimum, form: Plan, level: int, way: Array) -> float:
    """Return the expected second derivative of the deviance along a change of one level's covariance."""
    sizes = [len(entries(k, q)) for k, q in zip(form.kinds, form.sizes, strict=True)]
    at = sum(sizes[:level])
    weights = np.array([way[cell[0]] for cell in entries(form.kinds[level], form.sizes[level])])
    block = best.sums.trace2[at : at + len(weights), at : at + len(weights)]
    return float(weights @ block @ weights)
