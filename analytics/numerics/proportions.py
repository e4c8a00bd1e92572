"""How sure is a share, a rate, a mean, or a ratio of totals? Each with its interval.

One proportion: Wilson (with and without continuity correction), Clopper-Pearson, mid-P or Wald. A Poisson
rate: the exact interval. The difference of two independent proportions: Newcombe's hybrid of two Wilson
intervals. A mean of independent units: Student's t. The E-value of a ratio. Shares are 0 to 1 here; percent
is made where rows are.

A ratio of totals (transected grafts over grafts out) is estimated with the session as the unit: grafts of one
session share an operator, a scalp and a day, so counting them as independent makes intervals far too narrow.

statsmodels does what it does right (Wilson, Clopper-Pearson, Newcombe, exact Poisson). Its score interval
for a difference is not used: the restricted maximum has a wrong coefficient (statsmodels issue 10269). It
has no continuity-corrected Wilson and no mid-P.

Sources: Newcombe 1998, Stat Med 17:857-872 (single) and 17:873-890 (difference, method 10); Garwood 1936,
Biometrika 28:437-442 (exact Poisson); Altman, Machin, Bryant & Gardner 2000, Statistics with Confidence,
chapter 4 (mean); Cochran 1977, Sampling Techniques, section 6.3 (ratio estimator); VanderWeele & Ding 2017,
Ann Intern Med 167:268-274 (E-value).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from analytics.errors import ParameterError

LEVEL = 0.95
METHODS = ("wilson", "wilson_cc", "clopper_pearson", "mid_p", "wald")


@dataclass(frozen=True, slots=True)
class Interval:
    """An estimate with its limits: arrays of one shape, the level, and the method in words."""

    estimate: np.ndarray
    low: np.ndarray
    high: np.ndarray
    level: float
    method: str


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


def proportion(events: ArrayLike, n: ArrayLike, *, method: str = "wilson", level: float = LEVEL) -> Interval:
    """Return a proportion with its interval.

    Parameters
    ----------
    events, n
        Counts, any shapes that broadcast; 0 <= events <= n. Where n is 0 the answer is NaN.
    method
        One of METHODS.
    level
        Coverage, between 0 and 1.

    Raises
    ------
    ParameterError
        When a count is negative, exceeds its n, or the method is unknown.

    Source
    ------
    Newcombe 1998, Stat Med 17:857-872.

    Examples
    --------
    >>> found = proportion(0, 4, method="clopper_pearson", level=0.875)
    >>> float(found.estimate), float(found.low), round(float(found.high), 6)
    (0.0, 0.0, 0.5)
    """
    x, total = _counts(events, n, "proportions.proportion")
    if method not in METHODS:
        raise ParameterError(f"proportions.proportion(method): unknown; use one of {', '.join(METHODS)}")
    alpha = _tail(level)
    limits: dict[str, Callable] = {"wilson_cc": _wilson_cc, "mid_p": _mid_p}
    with np.errstate(divide="ignore", invalid="ignore"):
        estimate = x / total
        low, high = limits.get(method, _by_statsmodels(method))(x, total, alpha)
    # At the ends the limit is exact; rounding would leave 1e-16 of either side.
    if method != "wald":
        low, high = np.where(x == 0, 0.0, low), np.where(x == total, 1.0, high)
    none = total == 0
    low, high = np.where(none, np.nan, low), np.where(none, np.nan, high)
    return Interval(estimate, low, high, level, method.replace("_", "-"))


def _by_statsmodels(method: str) -> Callable:
    from statsmodels.stats.proportion import proportion_confint

    name = {"clopper_pearson": "beta", "wald": "normal"}.get(method, method)
    return lambda x, n, alpha: proportion_confint(x, n, alpha=alpha, method=name)


def _wilson_cc(x: np.ndarray, n: np.ndarray, alpha: float) -> tuple[np.ndarray, np.ndarray]:
    z = scipy.stats.norm.ppf(1 - alpha / 2)
    p = x / n
    low = (2 * x + z**2 - 1 - z * np.sqrt(z**2 - 2 - 1 / n + 4 * p * (n * (1 - p) + 1))) / (2 * (n + z**2))
    high = (2 * x + z**2 + 1 + z * np.sqrt(z**2 + 2 - 1 / n + 4 * p * (n * (1 - p) - 1))) / (2 * (n + z**2))
    return np.where(x == 0, 0.0, np.maximum(low, 0)), np.where(x == n, 1.0, np.minimum(high, 1))


def _mid_p(x: np.ndarray, n: np.ndarray, alpha: float) -> tuple[np.ndarray, np.ndarray]:
    pairs = [_mid_p_one(a, b, alpha) for a, b in zip(x.ravel(), n.ravel(), strict=True)]
    low, high = np.array(pairs, dtype=float).reshape(-1, 2).T
    return low.reshape(x.shape), high.reshape(x.shape)


def _mid_p_one(x: float, n: float, alpha: float) -> tuple[float, float]:
    if n == 0:
        return np.nan, np.nan

    def upper_tail(p: float) -> float:
        return scipy.stats.binom.sf(x, n, p) + 0.5 * scipy.stats.binom.pmf(x, n, p) - alpha / 2

    def lower_tail(p: float) -> float:
        return scipy.stats.binom.cdf(x, n, p) - 0.5 * scipy.stats.binom.pmf(x, n, p) - alpha / 2

    low = 0.0 if x == 0 else scipy.optimize.brentq(upper_tail, 0, 1, xtol=1e-12)
    high = 1.0 if x == n else scipy.optimize.brentq(lower_tail, 0, 1, xtol=1e-12)
    return float(low), float(high)


def rate(events: ArrayLike, exposure: ArrayLike = 1.0, *, level: float = LEVEL) -> Interval:
    """Return a Poisson rate (events per unit of exposure) with its exact interval.

    Parameters
    ----------
    events, exposure
        0 or more, any shapes that broadcast; the rate is in events per unit of exposure.
    level
        Coverage, between 0 and 1.

    Raises
    ------
    ParameterError
        When events or exposure are negative.

    Source
    ------
    Garwood 1936, Biometrika 28:437-442.

    Examples
    --------
    >>> found = rate(0, 2.0)
    >>> round(float(found.high), 4)
    1.8444
    """
    x, base = np.broadcast_arrays(np.asarray(events, float), np.asarray(exposure, float))
    if (x < 0).any() or (base < 0).any():
        raise ParameterError("proportions.rate: negative events or exposure; expected 0 or more")
    from statsmodels.stats.rates import confint_poisson

    alpha = _tail(level)
    low, high = confint_poisson(x, 1.0, method="exact-c", alpha=alpha)
    with np.errstate(divide="ignore", invalid="ignore"):
        return Interval(x / base, low / base, high / base, level, "exact Poisson")


def difference(
    events_1: ArrayLike, n_1: ArrayLike, events_2: ArrayLike, n_2: ArrayLike, *, level: float = LEVEL
) -> Interval:
    """Return the difference of two independent proportions, first minus second (Newcombe).

    Parameters
    ----------
    events_1, n_1, events_2, n_2
        Counts, any shapes that broadcast; 0 <= events <= n. Where an n is 0 the answer is NaN.
    level
        Coverage, between 0 and 1.

    Raises
    ------
    ParameterError
        When a count is negative or exceeds its n.

    Source
    ------
    Newcombe 1998, Stat Med 17:873-890, method 10.

    Examples
    --------
    >>> found = difference(5, 10, 5, 10)
    >>> float(found.estimate), bool(np.isclose(found.low, -found.high))
    (0.0, True)
    """
    from statsmodels.stats.proportion import confint_proportions_2indep

    a, n = _counts(events_1, n_1, "proportions.difference")
    b, m = _counts(events_2, n_2, "proportions.difference")
    with np.errstate(divide="ignore", invalid="ignore"):
        gap = a / n - b / m
        low, high = confint_proportions_2indep(
            a, n, b, m, method="newcomb", compare="diff", alpha=_tail(level)
        )
    return Interval(gap, low, high, level, "Newcombe hybrid score")


def mean(values: ArrayLike, *, level: float = LEVEL) -> Mean:
    """Return the mean of independent units with a t interval; NaN limits where there are fewer than two.

    For pairs, hand over their differences.

    Parameters
    ----------
    values
        Shape (n,), one per independent unit; NaN is left out.
    level
        Coverage, between 0 and 1.

    Source
    ------
    Altman et al. 2000, Statistics with Confidence, chapter 4.

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
    half = float(scipy.stats.t.ppf(0.5 + level / 2, n - 1)) * se if n > 1 else np.nan
    return Mean(centre, se, n - 1.0, centre - half, centre + half, level, n)


def ratio_of_totals(
    numerators: ArrayLike,
    denominators: ArrayLike,
    *,
    clusters: ArrayLike | None = None,
    level: float = LEVEL,
    bounded: bool = True,
) -> Mean:
    """Return sum(numerators) / sum(denominators) with the cluster as the unit of error.

    The variance is that of the residuals numerator - ratio x denominator summed by cluster, times m / (m
    - 1) for m clusters; the interval uses t with m - 1 df, made on the logit scale for a share
    (`bounded`), else on the log scale, so that it never leaves the possible range. With no events the
    exact limit of one cluster in m stands in (upper limit only).

    Parameters
    ----------
    numerators, denominators
        Shape (n,), numerators 0 or more, denominators above 0; one entry per session.
    clusters
        Shape (n,), labels of the independent units; each entry its own unit if not given.
    bounded
        The ratio is a share, at most 1.

    Raises
    ------
    ParameterError
        When shapes differ, a denominator is not above 0 or a numerator is negative.

    Source
    ------
    Cochran 1977, Sampling Techniques, section 6.3.

    Examples
    --------
    >>> found = ratio_of_totals([1, 1, 1], [10, 10, 10])
    >>> round(found.estimate, 6), found.se
    (0.1, 0.0)
    """
    y, n = np.asarray(numerators, float), np.asarray(denominators, float)
    if y.shape != n.shape or (n <= 0).any() or (y < 0).any():
        raise ParameterError(
            "proportions.ratio_of_totals: shapes differ or a denominator is not above 0; "
            "give one pair per session"
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
    t = float(scipy.stats.t.ppf(0.5 + level / 2, m - 1))
    if not bounded or ratio >= 1:
        factor = np.exp(t * se / ratio)
        return float(ratio / factor), float(ratio * factor)
    odds = np.log(ratio / (1 - ratio))
    half = t * se / (ratio * (1 - ratio))
    return float(1 / (1 + np.exp(half - odds))), float(1 / (1 + np.exp(-half - odds)))


def e_value(ratio: float, low: float = np.nan, high: float = np.nan) -> tuple[float, float]:
    """Return how strong unmeasured confounding must be to explain a risk ratio, and its nearer limit.

    E = RR + sqrt(RR (RR - 1)) for RR above 1, of 1 / RR below; 1 where the interval holds 1.

    Parameters
    ----------
    ratio, low, high
        A risk ratio above 0 and its limits; without limits the second answer is NaN.

    Returns
    -------
    tuple of float
        E-value of the ratio and of its limit nearer to 1, 1 or more.

    Raises
    ------
    ParameterError
        When the ratio is not above 0.

    Source
    ------
    VanderWeele & Ding 2017, Ann Intern Med 167:268-274.

    Examples
    --------
    >>> e_value(1.8, 1.0, 3.0)
    (3.0, 1.0)
    """
    if not ratio > 0:
        raise ParameterError("proportions.e_value(ratio): not above 0; give a risk ratio")
    nearer = low if ratio >= 1 else high
    if not np.isfinite(nearer):
        return _e(ratio), np.nan
    return _e(ratio), _e(nearer) if (nearer - 1) * (ratio - 1) > 0 else 1.0


def _e(ratio: float) -> float:
    above = max(ratio, 1 / ratio)
    return float(above + np.sqrt(above * (above - 1)))


def _counts(events: ArrayLike, n: ArrayLike, where: str) -> tuple[np.ndarray, np.ndarray]:
    # Copies: statsmodels writes into what it is given.
    x, total = map(np.array, np.broadcast_arrays(np.asarray(events, float), np.asarray(n, float)))
    wrong = (x < 0) | (x > total)
    if wrong.any():
        raise ParameterError(
            f"{where}: {int(wrong.sum())} count(s) below 0 or above their n, first at position "
            f"{int(np.flatnonzero(wrong)[0])}; expected 0 <= events <= n"
        )
    return x, total


def _tail(level: float) -> float:
    if not 0 < level < 1:
        raise ParameterError("proportions(level): outside 0 to 1; the usual level is 0.95")
    return 1 - level


def df_of_events(events: ArrayLike, compared: ArrayLike) -> float:
    """Return how many degrees of freedom the error of a compared rate has: an error told by k events has 2 k.

    k counts the side with fewer events, so that few events are not trusted as if every row told the error.

    Parameters
    ----------
    events
        Events, or expected events, of each row, shape (n,), 0 or more.
    compared
        Two groups, or a number that is cut at its median, shape (n,); rows without one are on the lower side.

    Returns
    -------
    float
        Twice the events of the side with fewer; at least 1.

    Examples
    --------
    Four events against one; and a number, its lower half with two events.

    >>> df_of_events([1, 1, 1, 1, 1, 0], [0, 0, 0, 0, 1, 1]), df_of_events([2, 0, 3, 3], [1, 2, 3, 4])
    (2.0, 4.0)
    """
    k, x = np.asarray(events, dtype=float), np.asarray(compared, dtype=float)
    known = x[np.isfinite(x)]
    cut = float(np.median(known)) if len(np.unique(known)) > 2 else float(known.min())
    above = x > cut if (known > cut).any() else x >= cut
    return max(2.0 * float(min(k[above].sum(), k[~above].sum())), 1.0)
