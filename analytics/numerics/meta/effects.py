"""One answer from several studies: random-effects pooling of estimates with known variances.

y_i = x_i beta + u_i + e_i, u_i normal with variance tau^2, e_i with the known variance v_i. tau^2 by REML
(default), ML, DerSimonian-Laird, Paule-Mandel, Hedges or Sidik-Jonkman. Hartung-Knapp scales the covariance
of beta by the weighted residual mean square and uses Student's t. The interval of tau^2 inverts the Q
statistic (Q-profile, Viechtbauer 2007, Stat Med 26:37). I^2 uses the "typical" variance of Higgins &
Thompson 2002, Stat Med 21:1539.

Sources: Viechtbauer 2010, J Stat Softw 36(3); Hartung & Knapp 2001, Stat Med 20:3875.
"""

from dataclasses import dataclass

import numpy as np
import scipy

from analytics.errors import FitError, ParameterError

METHODS = ("REML", "ML", "DL", "PM", "HE", "SJ", "common")
_TIGHT = 1e-12


@dataclass(frozen=True, slots=True)
class MetaFit:
    """A pooled answer: coefficients (p,) with covariance, tau^2 with SE and limits, heterogeneity, weights.

    `ci_low, ci_high` by normal quantiles, or Student's t with k - p df under Hartung-Knapp; `prediction`
    (low, high) of a new study's true value where there is one mean, with the quantile named in `quantile`.
    `shrunken` (k,) are the studies' conditional means.
    """

    beta: np.ndarray
    cov: np.ndarray
    se: np.ndarray
    ci_low: np.ndarray
    ci_high: np.ndarray
    tau2: float
    tau2_se: float
    tau2_low: float
    tau2_high: float
    i2: float
    q: float
    q_df: int
    q_p: float
    prediction: tuple[float, float]
    quantile: str
    weights: np.ndarray
    shrunken: np.ndarray
    method: str

    @property
    def moderator_test(self) -> float:
        """Return the Wald statistic of all coefficients but the first (chi-squared, p - 1 df)."""
        b, v = self.beta[1:], self.cov[1:, 1:]
        return float(b @ np.linalg.solve(v, b)) if len(b) else float("nan")


def random_effects(
    y,
    v,
    *,
    X=None,
    method: str = "REML",
    hartung_knapp: bool = False,
    least_scale: float = 0.0,
    level: float = 0.95,
    prediction: str = "t",
) -> MetaFit:
    """Pool k estimates with known variances.

    Parameters
    ----------
    y, v
        Estimates and their variances, (k,), v above 0.
    X
        Moderators, (k, p), with the constant; None pools to one mean.
    method
        One of METHODS.
    hartung_knapp
        Use the Hartung-Knapp covariance and Student's t.
    least_scale
        The least factor Hartung and Knapp may scale the covariance by: with 1, estimates that happen to lie
        close together do not make it smaller than their own errors do (Roever, Knapp & Friede 2015, BMC Med
        Res Methodol 15:99).
    prediction
        Quantile of the prediction interval: `t` (k - p - 1 df: Higgins, Thompson & Spiegelhalter 2009, J R
        Stat Soc A 172:137; 1 where two estimates leave none) or `normal`.

    Raises
    ------
    ParameterError
        When a variance is not above 0, a value is missing, or a method is unknown.
    FitError
        When there are no more studies than coefficients.

    Examples
    --------
    Two studies alike: their mean, no heterogeneity.

    >>> fit = random_effects([1.0, 1.0], [0.5, 0.5])
    >>> float(fit.beta[0]), float(fit.tau2)
    (1.0, 0.0)
    """
    y, v = np.asarray(y, dtype=float), np.asarray(v, dtype=float)
    x = np.ones((len(y), 1)) if X is None else np.asarray(X, dtype=float)
    _check(y, v, x, method, prediction)
    k, p = x.shape
    tau2 = 0.0 if method == "common" else _tau2(y, v, x, method)
    w = 1 / (v + tau2)
    cov = np.linalg.inv(x.T @ (w[:, None] * x))
    beta = cov @ (x.T @ (w * y))
    residual = y - x @ beta
    quantile = float(scipy.stats.norm.ppf((1 + level) / 2))
    if hartung_knapp:
        cov = cov * max(float(w @ residual**2) / (k - p), least_scale)
        quantile = float(scipy.stats.t.ppf((1 + level) / 2, k - p))
    se = np.sqrt(np.diag(cov))
    q = _q(0.0, y, v, x)
    typical = _typical(v, x)
    low, high = _q_profile(y, v, x, level)
    of_new = np.sqrt(tau2 + se[0] ** 2) if X is None else np.nan
    reach = _quantile(prediction, max(k - p - 1, 1), level) * of_new
    return MetaFit(
        beta=beta,
        cov=cov,
        se=se,
        ci_low=beta - quantile * se,
        ci_high=beta + quantile * se,
        tau2=tau2,
        tau2_se=_tau2_se(v, x, tau2),
        tau2_low=low,
        tau2_high=high,
        i2=100 * tau2 / (tau2 + typical),
        q=q,
        q_df=k - p,
        q_p=float(scipy.stats.chi2.sf(q, k - p)),
        prediction=(float(beta[0] - reach), float(beta[0] + reach)),
        quantile=prediction,
        weights=w,
        shrunken=x @ beta + tau2 / (tau2 + v) * residual,
        method=method,
    )


def _quantile(kind: str, df: int, level: float) -> float:
    """Return the two-sided quantile of a prediction interval, `t` with df or `normal`."""
    return float(
        scipy.stats.t.ppf((1 + level) / 2, df) if kind == "t" else scipy.stats.norm.ppf((1 + level) / 2)
    )


def _check(y: np.ndarray, v: np.ndarray, x: np.ndarray, method: str, prediction: str) -> None:
    if method not in METHODS:
        raise ParameterError(f"meta.random_effects(method): unknown; use one of {', '.join(METHODS)}")
    if prediction not in ("t", "normal"):
        raise ParameterError("meta.random_effects(prediction): unknown; use t or normal")
    if y.shape != v.shape or x.shape[0] != len(y) or not (np.isfinite(y).all() and np.isfinite(x).all()):
        raise ParameterError(
            "meta.random_effects: y, v and X must have one row a study, and no value missing"
        )
    if not (v > 0).all() or not np.isfinite(v).all():
        raise ParameterError(
            "meta.random_effects(v): a variance is not above 0; give squared standard errors"
        )
    if len(y) <= x.shape[1]:
        raise FitError(
            f"meta.random_effects: {len(y)} studies for {x.shape[1]} coefficients; more are needed"
        )


def _projector(tau2: float, v: np.ndarray, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    w = 1 / (v + tau2)
    xw = x * w[:, None]
    return np.diag(w) - xw @ np.linalg.solve(x.T @ xw, xw.T), w


def _q(tau2: float, y: np.ndarray, v: np.ndarray, x: np.ndarray) -> float:
    return float(y @ _projector(tau2, v, x)[0] @ y)


def _tau2(y: np.ndarray, v: np.ndarray, x: np.ndarray, method: str) -> float:
    k, p = x.shape
    if method == "DL":
        p0, _ = _projector(0.0, v, x)
        return max((_q(0.0, y, v, x) - (k - p)) / float(np.trace(p0)), 0.0)
    if method == "HE":
        flat = np.eye(k) - x @ np.linalg.pinv(x)
        return max((float(y @ flat @ y) - float(np.diag(flat) @ v)) / (k - p), 0.0)
    if method == "PM":
        return _root(lambda t: _q(t, y, v, x) - (k - p))
    if method == "SJ":
        start = float(np.var(y))
        return start * float(y @ _projector(start, v, x)[0] @ y) / (k - p)
    return _likelihood(y, v, x, method)


def _root(gap) -> float:
    if gap(0.0) <= 0:
        return 0.0
    high = 1.0
    while gap(high) > 0 and high < 1e12:
        high *= 4
    return float(scipy.optimize.brentq(gap, 0.0, high, xtol=_TIGHT, rtol=4 * np.finfo(float).eps))


def _likelihood(y: np.ndarray, v: np.ndarray, x: np.ndarray, method: str) -> float:
    """Return the (RE)ML tau^2 as the root of its score, searched from the Paule-Mandel value out."""

    def score(t: float) -> float:
        proj, w = _projector(t, v, x)
        py = proj @ y
        lost = float(np.trace(proj)) if method == "REML" else float(w.sum())
        return float(py @ py) - lost

    if score(0.0) <= 0:
        tops = [t for t in np.geomspace(1e-8, 1e4, 60) * max(float(np.var(y)), 1e-12) if score(t) > 0]
        if not tops:
            return 0.0
        start = tops[-1]
    else:
        start = 0.0
    high = max(start, 1e-12)
    while score(high) > 0 and high < 1e12:
        high *= 4
    return float(scipy.optimize.brentq(score, start, high, xtol=1e-15, rtol=4 * np.finfo(float).eps))


def _tau2_se(v: np.ndarray, x: np.ndarray, tau2: float) -> float:
    proj, _ = _projector(tau2, v, x)
    return float(np.sqrt(2 / np.trace(proj @ proj)))


def _typical(v: np.ndarray, x: np.ndarray) -> float:
    k, p = x.shape
    proj, _ = _projector(0.0, v, x)
    return (k - p) / float(np.trace(proj))


def _q_profile(y: np.ndarray, v: np.ndarray, x: np.ndarray, level: float) -> tuple[float, float]:
    df = x.shape[0] - x.shape[1]
    ends = scipy.stats.chi2.ppf([(1 + level) / 2, (1 - level) / 2], df)
    low, high = (_root(lambda t, end=end: _q(t, y, v, x) - end) for end in ends)
    return low, high
