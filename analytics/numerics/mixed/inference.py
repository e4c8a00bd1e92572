"""Tests on fixed effects with the right degrees of freedom, likelihood ratios, and limits of variances.

Satterthwaite: the variance of a contrast is a function of the variance parameters, whose own covariance is
twice the inverse Hessian of the deviance; df = 2 variance^2 / Var(variance). Variances estimated at zero
are held there. Kenward and Roger: the covariance of the fixed effects is enlarged for the estimation of the
variance parameters, and the F statistic is scaled so that its first two moments are right; all variance
parameters count, those at zero too. Both use exact derivatives, taken once at the optimum.

Limits of variances from the curvature at the optimum are immediate, where profiles cost some tens of passes
over the data: standard deviations and sigma on the log scale, correlations on Fisher's z scale. A standard
deviation estimated at zero, and a correlation that involves one or is estimated at one, have none (NaN): use
a profile.

Sources: Fai & Cornelius 1996, J Stat Comput Simul 54:363; Kuznetsova, Brockhoff & Christensen 2017, J Stat
Softw 82(13); Kenward & Roger 1997, Biometrics 53:983; Stram & Lee 1994, Biometrics 50:1171; Pinheiro & Bates
2000, Mixed-Effects Models in S and S-PLUS, sec. 2.4.3 (limits).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

from analytics.errors import FitError
from analytics.numerics.mixed.likelihood import Criterion
from analytics.numerics.mixed.parts import Sums
from analytics.numerics.mixed.plan import Plan, chain, entries, factors, gamma

Array = np.ndarray
METHODS = ("satterthwaite", "kenward-roger")


@dataclass(frozen=True)
class Contrast:
    """A tested combination of fixed effects.

    For a vector L: `estimate`, `se`, `df` are floats and `statistic` is t. For a matrix (r, p): `estimate`
    and `se` are (r,), `df` is (numerator, denominator) and `statistic` is F. `method` names the degrees of
    freedom.
    """

    estimate: float | Array
    se: float | Array
    df: float | tuple[int, float]
    statistic: float
    p_value: float
    method: str


@dataclass(frozen=True)
class Spread:
    """How the covariance of the fixed effects moves with the variance parameters, in working units.

    `covariance` (p, p); `slopes` (k, p, p) its derivatives; `parameters` (k, k) the covariance of the
    parameters.
    """

    covariance: Array
    slopes: Array
    parameters: Array


def satterthwaite_spread(theta: Array, point: Criterion, sums: Sums, form: Plan) -> Spread:
    """Return what Satterthwaite's degrees of freedom need, from sums with the exact Hessian."""
    p = form.p
    first, second = chain(theta, form)
    free = free_entries(theta, form)
    hessian = point.hessian
    inner = point.scale * (point.inverse @ sums.slope[:, :p, :p] @ point.inverse)
    slopes = np.einsum("gt,gab->tab", first, inner)[free]
    if form.known:
        curved = first.T @ hessian @ first + np.einsum("g,gij->ij", point.gradient, second)
        return Spread(point.inverse, slopes, _twice_inverse(curved[np.ix_(free, free)]))
    rows = form.n - (p if form.method == "REML" else 0)
    own = point.own / point.scale
    hessian = hessian + np.outer(own, own) / rows
    curved = first.T @ hessian @ first + np.einsum("g,gij->ij", point.gradient, second)
    side = (first.T @ own)[free]
    whole = np.block([[curved[np.ix_(free, free)], side[:, None]], [side[None], np.array([[float(rows)]])]])
    covariance = point.scale * point.inverse
    return Spread(covariance, np.concatenate([slopes, covariance[None]]), _twice_inverse(whole))


def free_entries(theta: Array, form: Plan) -> Array:
    """Return which entries of theta move a covariance: not those in a column of Lambda that is zero."""
    out: list[bool] = []
    for lam, kind, q in zip(factors(theta, form), form.kinds, form.sizes, strict=True):
        out += [bool(lam[cell[0][1], cell[0][1]] != 0) for cell in entries(kind, q)]
    return np.array([*out, *([theta[-1] != 0] if form.known else [])], dtype=bool)


def _twice_inverse(hessian: Array) -> Array:
    """Return the asymptotic covariance; directions without curvature, of unbounded variance, are left out."""
    if not len(hessian):
        return hessian
    root = np.sqrt(np.maximum(np.abs(np.diag(hessian)), 1e-300))
    values, vectors = np.linalg.eigh(hessian / np.outer(root, root))
    inverse = np.where(values > 1e-9, 1.0 / np.where(values > 1e-9, values, 1.0), 0.0)
    return 2.0 * (vectors * inverse @ vectors.T) / np.outer(root, root)


def satterthwaite_df(spread: Spread, rows: Array) -> Array:
    """Return the degrees of freedom of each row (r, p) of contrasts, in working units."""
    variance = np.einsum("rp,pq,rq->r", rows, spread.covariance, rows)
    slopes = np.einsum("rp,kpq,rq->rk", rows, spread.slopes, rows)
    noise = np.einsum("rk,kh,rh->r", slopes, spread.parameters, slopes)
    with np.errstate(divide="ignore"):
        return np.where(noise > 0, 2.0 * variance**2 / np.where(noise > 0, noise, 1.0), np.inf)


def satterthwaite_test(spread: Spread, rows: Array, effect: Array) -> tuple[float, float, int]:
    """Return F, its denominator degrees of freedom and the rank of the contrasts (Fai & Cornelius 1996)."""
    values, vectors = np.linalg.eigh(rows @ spread.covariance @ rows.T)
    kept = values > 1e-10 * values[-1]
    values, vectors = values[kept], vectors[:, kept]
    squares = (vectors.T @ effect) ** 2 / values
    df = satterthwaite_df(spread, vectors.T @ rows)
    rank = int(kept.sum())
    if not np.isfinite(df).all() or np.ptp(df) < 1e-8 * df[0]:
        return float(squares.mean()), float(df.min()), rank
    expected = float((df[df > 2] / (df[df > 2] - 2.0)).sum())
    return float(squares.mean()), 2.0 * expected / (expected - rank) if expected > rank else 0.0, rank


@dataclass(frozen=True)
class KenwardRoger:
    """Covariance of the fixed effects, plain and adjusted, and P and W of Kenward & Roger; working units."""

    plain: Array
    adjusted: Array
    slopes: Array
    parameters: Array


def kenward_roger(theta: Array, point: Criterion, sums: Sums, form: Plan) -> KenwardRoger:
    """Return Kenward and Roger's adjusted covariance, from sums with the exact Hessian.

    Raises
    ------
    FitError
        If the fit is by maximum likelihood.
    """
    if form.method != "REML":
        raise FitError("mixed.contrast: Kenward and Roger's method is defined for REML; fit with method REML")
    k, j, t2 = _with_error_variance(theta, sums, form)
    scale = point.scale
    plain = scale * point.inverse
    k, j, t2 = k / scale**2, j / scale**3, t2 / scale**2
    blocks = plain @ k
    information = (
        t2
        - 2.0 * np.einsum("ab,ijba->ij", plain, (j + j.transpose(1, 0, 2, 3)) / 2.0)
        + np.einsum("iab,jba->ij", blocks, blocks)
    )
    parameters = _twice_inverse(information)
    inner = np.einsum("ij,ijab->ab", parameters, j) - np.einsum("ij,iab,jbc->ac", parameters, k, blocks)
    adjusted = plain + 2.0 * plain @ ((inner + inner.T) / 2.0) @ plain
    return KenwardRoger(plain, adjusted, -k, parameters)


def _with_error_variance(theta: Array, sums: Sums, form: Plan) -> tuple[Array, Array, Array]:
    """Return slope, curve and trace2 of `Sums`, for X alone and with the error variance as a parameter.

    The error variance's H_i is H less the sum of gamma_i H_i, so no further pass over the data is needed.
    """
    p = form.p
    k, j, t2 = sums.slope[:, :p, :p], sums.curve[:, :, :p, :p], sums.trace2
    if form.known:
        return k, j, t2
    g = gamma(theta, form)
    own_k = sums.cross[:p, :p] - np.tensordot(g, k, 1)
    row_j = k - np.tensordot(g, j, 1)
    own_j = own_k - np.tensordot(g, row_j, 1)
    row_t = sums.trace - g @ t2
    own_t = sums.n - g @ sums.trace - g @ row_t
    d = len(g)
    wide = np.empty((d + 1, d + 1, p, p))
    wide[0, 0], wide[0, 1:], wide[1:, 0], wide[1:, 1:] = own_j, row_j, row_j.transpose(0, 2, 1), j
    traces = np.block([[np.array([[own_t]]), row_t[None]], [row_t[:, None], t2]])
    return np.concatenate([own_k[None], k]), wide, traces


def kenward_roger_test(kr: KenwardRoger, rows: Array, effect: Array) -> tuple[float, float, int]:
    """Return the scaled F, its denominator degrees of freedom and the rank of the contrasts."""
    values, vectors = np.linalg.eigh(rows @ kr.plain @ rows.T)
    kept = values > 1e-10 * values[-1]
    rows, effect = vectors[:, kept].T @ rows, vectors[:, kept].T @ effect
    q = int(kept.sum())
    middle = kr.plain @ (rows.T @ np.linalg.solve(rows @ kr.plain @ rows.T, rows)) @ kr.plain
    parts = middle @ kr.slopes
    traces = np.trace(parts, axis1=1, axis2=2)
    a1 = float(traces @ kr.parameters @ traces)
    a2 = float((kr.parameters * np.einsum("iab,jba->ij", parts, parts)).sum())
    df, factor = _matched_moments(a1, a2, q)
    square = float(effect @ np.linalg.solve(rows @ kr.adjusted @ rows.T, effect))
    return factor * square / q, df, q


def _matched_moments(a1: float, a2: float, q: int) -> tuple[float, float]:
    """Return denominator degrees of freedom and scale of F (Kenward & Roger 1997, sec. 4)."""
    if a2 <= 0:
        return np.inf, 1.0
    b = (a1 + 6.0 * a2) / (2.0 * q)
    g = ((q + 1.0) * a1 - (q + 4.0) * a2) / ((q + 2.0) * a2)
    base = 3.0 * q + 2.0 * (1.0 - g)
    c1, c2, c3 = g / base, (q - g) / base, (q + 2.0 - g) / base
    rho = (1.0 + c1 * b) / (1.0 - c3 * b) * ((1.0 - a2 / q) / (1.0 - c2 * b)) ** 2 / q
    df = 4.0 + (q + 2.0) / (q * rho - 1.0)
    return df, df * (1.0 - a2 / q) / (df - 2.0) if abs(df - 2.0) > 1e-2 else 1.0


def t_test(estimate: float, se: float, df: float, method: str) -> Contrast:
    """Return a two-sided t test; infinite degrees of freedom give the normal."""
    statistic = estimate / se
    p = 2.0 * float(
        scipy.stats.t.sf(abs(statistic), df) if np.isfinite(df) else scipy.stats.norm.sf(abs(statistic))
    )
    return Contrast(estimate, se, df, float(statistic), p, method)


def f_test(estimate: Array, se: Array, statistic: float, df: tuple[int, float], method: str) -> Contrast:
    """Return an F test; infinite degrees of freedom give chi-square / r."""
    r, below = df
    p = float(
        scipy.stats.f.sf(statistic, r, below) if np.isfinite(below) else scipy.stats.chi2.sf(statistic * r, r)
    )
    return Contrast(estimate, se, df, statistic, p if below > 0 else float("nan"), method)


@dataclass(frozen=True)
class LikelihoodRatio:
    """A likelihood-ratio test. `mixture` says in words which distribution the p-value is from."""

    statistic: float
    df: int
    p_value: float
    mixture: str


def ratio_test(statistic: float, df: int, n_zero: int) -> LikelihoodRatio:
    """Return the p-value of twice a difference of log-likelihoods.

    A variance that the smaller model sets to zero lies on the edge of what is possible. With one such
    random effect the statistic is a 50:50 mixture of chi-squares with df - 1 and df degrees of freedom
    (Stram & Lee 1994); with more, chi-square with df is used, which errs on the safe side.

    Parameters
    ----------
    statistic
        Twice the difference of log-likelihoods.
    df
        Parameters the larger model has more.
    n_zero
        Random effects the larger model has more.

    Examples
    --------
    >>> ratio_test(0.0, 1, 1).p_value
    1.0
    >>> test = ratio_test(2.705543454, 1, 1)
    >>> round(test.p_value, 4), test.mixture
    (0.05, '50:50 mixture of chi-square 0 and 1')
    """
    statistic = max(statistic, 0.0)
    upper = float(scipy.stats.chi2.sf(statistic, df))
    if n_zero == 0:
        return LikelihoodRatio(statistic, df, upper, f"chi-square {df}")
    if n_zero == 1:
        lower = float(scipy.stats.chi2.sf(statistic, df - 1)) if df > 1 else float(statistic <= 0)
        words = f"50:50 mixture of chi-square {df - 1} and {df}"
        return LikelihoodRatio(statistic, df, (lower + upper) / 2.0, words)
    words = f"chi-square {df}, an upper limit, as {n_zero} variances are tested at zero together"
    return LikelihoodRatio(statistic, df, upper, words)


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
    """
    free = free_entries(theta, form)
    at = theta[free] if form.known else np.append(theta[free], 2.0 * np.log(sigma / form.unit))
    steps = at + 1e-30j * np.eye(len(at))
    wide = np.array([_natural(step, theta, free, form) for step in [at + 0j, *steps]])
    estimate, slopes = wide[0].real, wide[1:].imag / 1e-30
    half = scipy.stats.norm.ppf(0.5 + level / 2.0) * np.sqrt(
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
