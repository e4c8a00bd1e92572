"""The search for the optimum of the criterion, an exchange of sums a step.

Far from the optimum: Fisher scoring in gamma, each variance changed by a factor of at most 25. Near it, or where
scoring fails: Newton steps in theta inside a trust region, with the Hessian of the criterion. No bound is needed, as the
deviance is even in each column of Lambda; a variance of zero is a stationary point in theta, and the optimum if the
curvature there is not negative, which says that the deviance does not fall as the variance leaves zero (the Kuhn-Tucker
condition).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

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
from analytics.numerics.trust_region import Look, descend, model

Array = np.ndarray
Evaluate = Callable[[Array, Array | None], Sums]
State = tuple[Sums, Criterion]

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
# Curvature of the deviance a row, below which it says nothing.
NO_CURVATURE = 1e-6


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

    Raises
    ------
    FitError
        If the fixed effects are not determined at the start values.
    """
    theta = start_theta(form) if start is None else np.asarray(start, float)
    scale = theta_scale(form)

    def look(at: Array, last: Look[State] | None) -> Look[State] | None:
        beta = np.zeros(form.p) if last is None else last.kept[1].beta
        return _look(evaluate, at, None if exact else np.append(-beta, 1.0)[:, None], form)

    first = look(theta / scale, None)
    if first is None:
        raise FitError(
            "mixed.fit: the fixed effects are not determined at the start values; "
            "a column of X varies only with a random effect or hardly at all; drop it"
        )
    best, used = _scored(look, first, form)
    best, more, converged = _newton(look, best, form, promise)
    used += more
    for _ in range(MAX_SNAPS):
        small = _snapped(best.at * scale, form)
        at_zero = None if small is None else look(small / scale, best)
        slack = 1e-9 + ROUNDING * (abs(best.value) + form.n)
        if at_zero is None or at_zero.value > best.value + slack:
            break
        best, more, converged = _newton(look, at_zero, form, promise)
        used += more + 1
    signs = column_signs(best.at, form)
    sums, point = best.kept
    return Optimum(best.at * scale * signs, sums, point, used + 1, converged)


def _look(evaluate: Evaluate, at: Array, probe: Array | None, form: Plan) -> Look[State] | None:
    """Return the criterion in scaled theta, or None where X'H^-1X is not positive definite to rounding."""
    scale = theta_scale(form)
    sums = evaluate(at * scale, probe)
    try:
        point = criterion(sums, form)
    except np.linalg.LinAlgError:
        return None
    if not np.isfinite(point.value):
        return None
    gradient, hessian = in_theta(point, at * scale, form)
    return Look(at, point.value, gradient * scale, hessian * np.outer(scale, scale), (sums, point))


def _newton(look, first: Look[State], form: Plan, promise: float) -> tuple[Look[State], int, bool]:
    return descend(
        look,
        first,
        promise=promise,
        rounding=ROUNDING * (abs(first.value) + form.n),
        radius=RADIUS * max(1.0, float(np.abs(first.at).max())),
        max_looks=MAX_EXCHANGES,
        least=NO_CURVATURE * form.n,
    )


def _scored(look, first: Look[State], form: Plan) -> tuple[Look[State], int]:
    """Take scoring steps until Newton can be trusted or scoring no longer helps; return looks used too."""
    on, best, used = diagonal_entries(form), first, 0
    while used < MAX_EXCHANGES:
        local, now = model(best, least=NO_CURVATURE * form.n), np.abs(best.at)
        if local.bowl and (np.abs(local.newton()) <= TRUSTED * np.maximum(now, 0.3)).all():
            break
        if (now[on] < NEAR_ZERO).any():
            break
        moved = look(_scoring(best, form), best)
        used += 1
        fall = -np.inf if moved is None else best.value - moved.value
        best = moved if fall > 0 else best
        if fall < 0.1:
            break
    return best, used


def _scoring(best: Look[State], form: Plan) -> Array:
    """Return the point a step of Fisher scoring in gamma leads to, variances kept within a factor of 25."""
    sums, point = best.kept
    theta = best.at * theta_scale(form)
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
    return theta_from(out, sigma2, form) / theta_scale(form)


def _snapped(theta: Array, form: Plan) -> Array | None:
    """Return theta with small diagonal entries of Lambda at exactly zero, or None if there are none."""
    scaled = theta / theta_scale(form)
    small = diagonal_entries(form) & (np.abs(scaled) < NEAR_ZERO) & (theta != 0)
    if not small.any():
        return None
    trial = np.where(small, 0.0, theta)
    sigma2 = trial[-1] ** 2 if form.known else None
    return theta_from([lam @ lam.T for lam in factors(trial, form)], sigma2, form)
