"""The criterion with its derivatives from sums alone, and its optimum.

`criterion` sees sums, never data; so parts may live in other processes or other clinics, and the fit is the
same to rounding.

Deviance, REML:  log|H| + log|X'H^-1X| + (n - p) (1 + log(2 pi r^2 / (n - p))),   r^2 = y'H^-1(y - X beta)
         ML:     log|H| + n (1 + log(2 pi r^2 / n))
and with known variances, where sigma is a parameter, r^2 + (n - p or n) log(2 pi) in place of the last term.

Source: Bates, Maechler, Bolker & Walker 2015, J Stat Softw 67(1), eq. 34, 41; derivatives: Harville 1977,
JASA 72:320.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analytics.numerics.mixed_parts import Sums
from analytics.numerics.mixed_plan import Plan, chain, start_theta, theta_scale

Array = np.ndarray
LOG_2PI = float(np.log(2 * np.pi))
Evaluate = Callable[[Array, Array | None], Sums]


@dataclass(frozen=True)
class Criterion:
    """The deviance at one theta with its derivatives in gamma, and what is profiled out (all in working units).

    `beta` (p,); `inverse` (p, p) is (X'H^-1X)^-1; `scale` is sigma^2 (1 under known variances).
    """

    value: float
    gradient: Array
    hessian: Array
    beta: Array
    inverse: Array
    scale: float


def criterion(sums: Sums, form: Plan, *, transform: Array | None = None) -> Criterion:
    """Return the deviance and its derivatives in gamma from the sums of all parts.

    Parameters
    ----------
    sums
        The sum of `contributions` over all parts at one theta.
    form
        The plan.
    transform
        Matrix (m, m') that replaces the columns [X, y] by combinations of them (used to hold a fixed effect).

    Raises
    ------
    numpy.linalg.LinAlgError
        If X'H^-1X is not positive definite.
    """
    cross, slope = sums.cross, sums.slope
    if transform is not None:
        cross, slope = transform.T @ cross @ transform, transform.T @ slope @ transform
    p = len(cross) - 1
    root = np.linalg.cholesky(cross[:p, :p])
    half = np.linalg.solve(root, np.eye(p))
    inverse = half.T @ half
    beta = inverse @ cross[:p, p]
    square = float(cross[p, p] - cross[:p, p] @ beta)
    free = sums.n - (p if form.method == "REML" else 0)
    scale = 1.0 if form.known else square / free
    value = sums.log_det + free * LOG_2PI + square / scale + (0.0 if form.known else free * np.log(scale))
    contrast = np.append(-beta, 1.0)
    pulled = slope @ contrast
    own = pulled @ contrast
    gradient = sums.trace - own / scale
    kappa = pulled[:, :p]
    bend = _bend(sums, transform, contrast) - kappa @ inverse @ kappa.T
    hessian = -sums.trace2 + 2.0 * bend / scale
    if not form.known:
        hessian = hessian - np.outer(own, own) / (free * scale**2)
    if form.method == "REML":
        value += 2.0 * float(np.log(np.diag(root)).sum())
        blocks = inverse @ slope[:, :p, :p]
        gradient = gradient - np.trace(blocks, axis1=1, axis2=2)
        hessian = hessian - np.einsum("iab,jba->ij", blocks, blocks)
        if sums.curve.shape[-1] == form.m:
            hessian = hessian + _fixed_curve(sums.curve, transform, inverse, p)
    return Criterion(float(value), gradient, hessian, beta, inverse, scale)


def _bend(sums: Sums, transform: Array | None, contrast: Array) -> Array:
    """Return e'H^-1 H_i H^-1 H_j H^-1 e, made symmetric."""
    k = sums.curve.shape[-1]
    vector = np.ones(1)
    if k > 1:
        vector = contrast if transform is None else transform @ contrast
    out = vector @ (sums.curve @ vector)[..., None]
    out = out[..., 0]
    return (out + out.T) / 2.0


def _fixed_curve(curve: Array, transform: Array | None, inverse: Array, p: int) -> Array:
    """Return 2 tr((X'H^-1X)^-1 X'H^-1 H_i H^-1 H_j H^-1 X), made symmetric."""
    if transform is not None:
        curve = transform.T @ curve @ transform
    out = np.einsum("ab,ijba->ij", inverse, curve[:, :, :p, :p])
    return out + out.T


def in_theta(point: Criterion, theta: Array, form: Plan) -> tuple[Array, Array]:
    """Return gradient and Hessian in theta."""
    first, second = chain(theta, form)
    gradient = first.T @ point.gradient
    hessian = first.T @ point.hessian @ first + np.einsum("g,gij->ij", point.gradient, second)
    return gradient, hessian


@dataclass(frozen=True)
class Optimum:
    """Where the search ended: theta, the sums and the criterion there, exchanges used, whether it converged."""

    theta: Array
    sums: Sums
    point: Criterion
    n_exchanges: int
    converged: bool


# Deviance a Newton step still promises, below which the search ends: 1e-11 is 3e-6 standard errors of any
# parameter.
PROMISE = 1e-11
MAX_EXCHANGES = 200
# A first step further than this, in units in which each effect has the residual's variance, is shortened.
STEP = 2.0


def optimise(
    evaluate: Evaluate,
    form: Plan,
    *,
    start: Array | None = None,
    exact: bool = True,
    promise: float = PROMISE,
) -> Optimum:
    """Minimise the deviance by Newton steps, each of one exchange of sums.

    Where the Hessian is not positive definite its eigenvalues are taken positive, and steps that raise the
    deviance are halved. The deviance is even in each column of Lambda, so no bound is needed: a variance of
    zero is an inner point.

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
        Stop when a step promises less than this.
    """
    theta = start_theta(form) if start is None else np.asarray(start, float)
    scale = theta_scale(form)
    probe = None if exact else np.append(np.zeros(form.p), 1.0)[:, None]
    sums = evaluate(theta, probe)
    point = criterion(sums, form)
    used = 1
    while used < MAX_EXCHANGES:
        step, promised = _newton(point, theta, scale, form)
        if promised < promise:
            return Optimum(theta, sums, point, used, True)
        probe = None if exact else np.append(-point.beta, 1.0)[:, None]
        slack = 1e-11 * (abs(point.value) + form.n)
        for halving in range(30):
            trial = theta + step * 0.5**halving
            next_sums = evaluate(trial, probe)
            used += 1
            try:
                next_point = criterion(next_sums, form)
            except np.linalg.LinAlgError:
                continue
            if next_point.value <= point.value + slack:
                break
        else:
            return Optimum(theta, sums, point, used, False)
        theta, sums, point = trial, next_sums, next_point
    return Optimum(theta, sums, point, used, False)


def _newton(point: Criterion, theta: Array, scale: Array, form: Plan) -> tuple[Array, float]:
    """Return the step and the fall of deviance it promises."""
    if not len(theta):
        return theta, 0.0
    gradient, hessian = in_theta(point, theta, form)
    g, h = gradient * scale, hessian * np.outer(scale, scale)
    values, vectors = np.linalg.eigh((h + h.T) / 2.0)
    size = np.maximum(np.abs(values), 1e-10 * max(1.0, float(np.abs(values).max())))
    along = vectors.T @ g
    step = -vectors @ (along / size)
    length = float(np.abs(step).max())
    promised = float((along**2 / size).sum() / 2.0)
    return step * min(1.0, STEP / length if length else 1.0) * scale, promised
