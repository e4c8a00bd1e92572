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

from analytics.numerics.mixed_parts import Sums
from analytics.numerics.mixed_plan import Plan

Array = np.ndarray
LOG_2PI = float(np.log(2 * np.pi))


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


def along(point: Criterion, first: Array, second: Array) -> tuple[Array, Array]:
    """Return gradient and Hessian in parameters of which gamma has these first and second derivatives."""
    hessian = first.T @ point.hessian @ first + np.einsum("g,gij->ij", point.gradient, second)
    return first.T @ point.gradient, hessian
