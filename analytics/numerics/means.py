"""Means of pairs and sessions, ratios of totals, and quantiles with a named definition.

A ratio of totals (transected grafts over grafts out) is estimated with the session as the unit: grafts of one
session share an operator, a scalp and a day, so counting them as independent makes intervals far too narrow.

Sources: Altman, Machin, Bryant & Gardner 2000, Statistics with Confidence, chapter 4 (paired mean); Cochran
1977, Sampling Techniques, section 6.3 (ratio estimator); Hyndman & Fan 1996, Am Stat 50:361-365 (quantile
definitions).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from analytics.errors import ParameterError

QUANTILE_TYPES = {6: "weibull", 7: "linear", 8: "median_unbiased"}


@dataclass(frozen=True, slots=True)
class Mean:
    """An estimate with its standard error, degrees of freedom, limits, level and number of units."""

    estimate: float
    se: float
    df: float
    low: float
    high: float
    level: float
    n: int


def mean(values: ArrayLike, *, level: float = 0.95) -> Mean:
    """Return the mean of independent units with a t interval; NaN limits where there are fewer than two.

    Examples
    --------
    >>> mean([1.0, 2.0, 3.0]).estimate
    2.0
    """
    x = np.asarray(values, dtype=float)
    x = x[~np.isnan(x)]
    n = len(x)
    se = float(x.std(ddof=1) / np.sqrt(n)) if n > 1 else np.nan
    centre = float(x.mean()) if n else np.nan
    half = float(stats.t.ppf(0.5 + level / 2, n - 1)) * se if n > 1 else np.nan
    return Mean(centre, se, n - 1.0, centre - half, centre + half, level, n)


def paired(before: ArrayLike, after: ArrayLike, *, level: float = 0.95) -> Mean:
    """Return the mean change (after minus before) of pairs with a t interval.

    Source
    ------
    Altman et al. 2000, Statistics with Confidence, p. 31.

    Examples
    --------
    >>> paired([1.0, 2.0], [3.0, 4.0]).estimate
    2.0
    """
    return mean(np.asarray(after, dtype=float) - np.asarray(before, dtype=float), level=level)


def ratio_of_totals(
    numerators: ArrayLike,
    denominators: ArrayLike,
    *,
    clusters: ArrayLike | None = None,
    level: float = 0.95,
    bounded: bool = True,
) -> Mean:
    """Return sum(numerators) / sum(denominators) with the cluster as the unit of error.

    The variance is that of the residuals numerator - ratio x denominator summed by cluster, with m / (m -
    1); the interval uses t with m - 1 df, made on the logit scale for a share (`bounded`), else on the log
    scale, so that it never leaves the possible range. With no events the exact limit of one cluster in m
    stands in (upper limit only).

    Parameters
    ----------
    numerators, denominators
        Shape (n,), denominators above 0; one entry a session.
    clusters
        Shape (n,), labels of the independent units; each entry its own unit if not given.

    Examples
    --------
    >>> found = ratio_of_totals([1, 1, 1], [10, 10, 10])
    >>> round(found.estimate, 6), found.se
    (0.1, 0.0)
    """
    y, n = np.asarray(numerators, float), np.asarray(denominators, float)
    if y.shape != n.shape or (n <= 0).any() or (y < 0).any():
        raise ParameterError(
            "means.ratio_of_totals: shapes differ or a denominator is not above 0; give one pair a session"
        )
    _, codes = np.unique(np.arange(len(y)) if clusters is None else np.asarray(clusters), return_inverse=True)
    m = int(codes.max()) + 1 if len(codes) else 0
    if m == 0:
        return Mean(np.nan, np.nan, np.nan, np.nan, np.nan, level, 0)
    ratio = float(y.sum() / n.sum())
    residual = np.bincount(codes, weights=y - ratio * n, minlength=m)
    se = float(np.sqrt((residual**2).sum() * m / (m - 1)) / n.sum()) if m > 1 else np.nan
    low, high = _ratio_limits(ratio, se, m, level=level, bounded=bounded)
    return Mean(ratio, se, m - 1.0, low, high, level, m)


def _ratio_limits(ratio: float, se: float, m: int, *, level: float, bounded: bool) -> tuple[float, float]:
    if ratio == 0:
        return 0.0, float(1 - ((1 - level) / 2) ** (1 / m))
    if np.isnan(se):
        return np.nan, np.nan
    t = float(stats.t.ppf(0.5 + level / 2, m - 1))
    if not bounded or ratio >= 1:
        factor = np.exp(t * se / ratio)
        return float(ratio / factor), float(ratio * factor)
    odds = np.log(ratio / (1 - ratio))
    half = t * se / (ratio * (1 - ratio))
    return float(1 / (1 + np.exp(half - odds))), float(1 / (1 + np.exp(-half - odds)))


def quantile(values: ArrayLike, share: float, *, kind: int = 7) -> float:
    """Return a quantile by one of the numbered definitions (6, 7 or 8; numpy's default is 7).

    Source
    ------
    Hyndman & Fan 1996, Am Stat 50:361-365.

    Examples
    --------
    >>> quantile([1.0, 2.0, 3.0], 0.5)
    2.0
    """
    if kind not in QUANTILE_TYPES:
        raise ParameterError("means.quantile(kind): unknown definition; use 6, 7 or 8")
    return float(np.quantile(np.asarray(values, dtype=float), share, method=QUANTILE_TYPES[kind]))  # type: ignore[call-overload]
