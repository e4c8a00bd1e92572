"""The criterion with its derivatives, from sums alone.

`criterion` sees sums, never data; so parts may live in other processes or other clinics, and the fit is the
same to rounding.

Deviance, REML:  log|H| + log|X'H^-1X| + (n - p) (1 + log(2 pi r^2 / (n - p))),   r^2 = y'H^-1(y - X beta)
         ML:     log|H| + n (1 + log(2 pi r^2 / n))
and with known variances, where sigma is a parameter, r^2 + (n - p or n) log(2 pi) in place of the last term.

Source: Bates, Maechler, Bolker & Walker 2015, J Stat Softw 67(1), eq. 34, 41; derivatives: Harville 1977,
JASA 72:320.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.numerics.mixed.parts import Sums
from analytics.numerics.mixed.plan import Plan

Array = np.ndarray
LOG_2PI = float(np.log(2 * np.pi))


@dataclass(frozen=True)
class Criterion:
    """The deviance at one theta, its derivatives in gamma, and what is profiled out; in working units.

    `beta` (p,); `inverse` (p, p) is (X'H^-1X)^-1; `scale` is sigma^2 (1 under known variances); `contrast`
    (m,) gives the residual as a combination of the working columns; `square` is r^2 and `own[i]` minus its
    derivative.
    """

    value: float
    gradient: Array
    hessian: Array
    beta: Array
    inverse: Array
    scale: float
    contrast: Array
    square: float
    own: Array


def criterion(
    sums: Sums, form: Plan, *, transform: Array | None = None, scale: float | None = None
) -> Criterion:
    """Return the deviance and its derivatives in gamma from the sums of all parts.

    Parameters
    ----------
    sums
        The sum of `contributions` over all parts at one theta.
    form
        The plan.
    transform
        Matrix (m, m') that replaces the columns [X, y] by combinations of them (used to hold a fixed effect).
    scale
        sigma^2 where it is held; else it is profiled out (or 1 under known variances).

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
    rows = sums.n - (p if form.method == "REML" else 0)
    profiled = scale is None and not form.known
    size = square / rows if profiled else (scale or 1.0)
    value = sums.log_det + rows * (LOG_2PI + np.log(size)) + square / size
    contrast = np.append(-beta, 1.0)
    pulled = slope @ contrast
    own = pulled @ contrast
    whole = contrast if transform is None else transform @ contrast
    bend = _bend(sums, whole) - pulled[:, :p] @ inverse @ pulled[:, :p].T
    gradient = sums.trace - own / size
    hessian = 2.0 * bend / size - sums.trace2
    if profiled:
        hessian = hessian - np.outer(own, own) / (rows * size**2)
    if form.method == "REML":
        value += 2.0 * float(np.log(np.diag(root)).sum())
        blocks = inverse @ slope[:, :p, :p]
        gradient = gradient - np.trace(blocks, axis1=1, axis2=2)
        hessian = hessian - np.einsum("iab,jba->ij", blocks, blocks)
        if sums.curve.shape[-1] == form.m:
            hessian = hessian + _fixed_curve(sums.curve, transform, inverse, p)
    return Criterion(float(value), gradient, hessian, beta, inverse, size, whole, square, own)


def unprofiled(sums: Sums, form: Plan, log_scale: float) -> tuple[float, Array, Array]:
    """Return the deviance at a given log sigma^2 with its derivatives in gamma and log sigma^2 (the last)."""
    point = criterion(sums, form, scale=float(np.exp(log_scale)))
    rows = sums.n - (form.p if form.method == "REML" else 0)
    side, ratio = point.own / point.scale, point.square / point.scale
    gradient = np.append(point.gradient, rows - ratio)
    return (
        point.value,
        gradient,
        np.block([[point.hessian, side[:, None]], [side[None], np.array([[ratio]])]]),
    )


def _bend(sums: Sums, contrast: Array) -> Array:
    """Return e'H^-1 H_i H^-1 H_j H^-1 e, made symmetric."""
    vector = contrast if sums.curve.shape[-1] > 1 else np.ones(1)
    out = (vector @ (sums.curve @ vector)[..., None])[..., 0]
    return (out + out.T) / 2.0


def _fixed_curve(curve: Array, transform: Array | None, inverse: Array, p: int) -> Array:
    """Return 2 tr((X'H^-1X)^-1 X'H^-1 H_i H^-1 H_j H^-1 X), made symmetric."""
    if transform is not None:
        curve = transform.T @ curve @ transform
    out = np.einsum("ab,ijba->ij", inverse, curve[:, :, :p, :p])
    return out + out.T


def along(point: Criterion, first: Array, second: Array) -> tuple[Array, Array]:
    """Return gradient and Hessian in parameters of which gamma has these first and second derivatives."""
    hessian = first.T @ point.hessian @ first + np.einsum("g,gij->ij", point.gradient, second)
    return first.T @ point.gradient, hessian
