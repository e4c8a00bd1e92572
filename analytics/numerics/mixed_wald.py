"""Limits from the curvature at the optimum: immediate, where profiles cost some tens of passes over the data.

Standard deviations and sigma on the log scale, correlations on Fisher's z scale, fixed effects with
Satterthwaite's t. A standard deviation estimated at zero, and a correlation that involves one or is
estimated at one, have none (NaN): use a profile.

Source: Pinheiro & Bates 2000, Mixed-Effects Models in S and S-PLUS, sec. 2.4.3.
"""

from __future__ import annotations

import numpy as np
from scipy import stats

from analytics.numerics.mixed_inference import Spread, free_entries
from analytics.numerics.mixed_plan import Plan, factors

Array = np.ndarray


def variance_limits(
    theta: Array, sigma: float, spread: Spread, form: Plan, level: float
) -> tuple[Array, Array, Array]:
    """Return estimates and limits in the order of the profile's names, sigma last.

    Parameters
    ----------
    theta, sigma
        Variance parameters in working units, and the residual standard deviation in the units of y.
    spread
        Covariance of the free variance parameters.
    form
        The plan.
    level
        Confidence, between 0 and 1.
    """
    free = free_entries(theta, form)
    at = theta[free] if form.known else np.append(theta[free], 2.0 * np.log(sigma / form.unit))
    steps = at + 1e-30j * np.eye(len(at))
    wide = np.array([_natural(step, theta, free, form) for step in [at + 0j, *steps]])
    estimate, slopes = wide[0].real, wide[1:].imag / 1e-30
    half = stats.norm.ppf(0.5 + level / 2.0) * np.sqrt(
        np.einsum("kn,kh,hn->n", slopes, spread.parameters, slopes)
    )
    known = np.isfinite(estimate) & np.isfinite(half)
    bend = [np.tanh if kind == "corr" else np.exp for kind in _kinds(form)]
    with np.errstate(over="ignore"):
        values, low, high = (
            np.array([f(e) for f, e in zip(bend, at, strict=True)])
            for at in (estimate, estimate - half, estimate + half)
        )
    low, high = np.where(known, low, np.nan), np.where(known, high, np.nan)
    unit = np.where([kind == "corr" for kind in _kinds(form)], 1.0, form.unit)
    return values * unit, low * unit, high * unit


def _kinds(form: Plan) -> list[str]:
    out: list[str] = []
    for kind, q in zip(form.kinds, form.sizes, strict=True):
        out += ["sd"] * (1 if kind == "identity" else q)
        out += ["corr"] * (q * (q - 1) // 2 if kind == "full" else 0)
    return [*out, "sigma"]


def _natural(point: Array, theta: Array, free: Array, form: Plan) -> Array:
    """Return log standard deviations, Fisher's z of correlations and log sigma; complex numbers do too."""
    whole = theta.astype(complex)
    whole[free] = point[: int(free.sum())]
    out: list[complex] = []
    with np.errstate(divide="ignore", invalid="ignore"):
        log_sigma = np.log(whole[-1]) if form.known else point[-1] / 2.0
        for lam, kind, q in zip(factors(whole, form), form.kinds, form.sizes, strict=True):
            square = lam @ lam.T
            log_sd = np.log(np.diag(square)) / 2.0 + (0.0 if form.known else log_sigma)
            out += [log_sd[0]] if kind == "identity" else list(log_sd)
            if kind == "full":
                root = np.sqrt(np.diag(square))
                out += [np.arctanh(square[a, b] / (root[a] * root[b])) for a in range(q) for b in range(a)]
    return np.array([*out, log_sigma])
