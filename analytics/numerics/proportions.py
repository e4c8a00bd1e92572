"""Intervals for a share, a rate, a difference or a ratio of two shares.

For one proportion Wilson (with and without continuity correction), Clopper-Pearson, mid-P and Wald; for a
Poisson rate the exact interval; for the difference of two independent proportions Newcombe's hybrid of two
Wilson intervals; for ratios the log scale; the E-value of a ratio. Shares are 0 to 1 here, percent is made
where rows are.

Sources: Newcombe 1998, Stat Med 17:857-872 (single) and 17:873-890 (difference, method 10); Garwood 1936,
Biometrika 28:437-442 (exact Poisson); Agresti 2002, Categorical Data Analysis, section 3.1 (ratios);
VanderWeele & Ding 2017, Ann Intern Med 167:268-274 (E-value). statsmodels does what it does right (Wilson,
Clopper-Pearson, Newcombe, exact Poisson). Its score interval for a difference is not used: the restricted
maximum has a wrong coefficient (statsmodels issue 10269). It has no continuity-corrected Wilson and no mid-P.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import optimize, stats
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint
from statsmodels.stats.rates import confint_poisson

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


def rate(events: ArrayLike, exposure: ArrayLike = 1.0, *, level: float = LEVEL) -> Interval:
    """Return a Poisson rate (events per unit of exposure) with its exact interval.

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
    alpha = _tail(level)
    low, high = confint_poisson(x, 1.0, method="exact-c", alpha=alpha)
    with np.errstate(divide="ignore", invalid="ignore"):
        return Interval(x / base, low / base, high / base, level, "exact Poisson")


def difference(
    events_1: ArrayLike, n_1: ArrayLike, events_2: ArrayLike, n_2: ArrayLike, *, level: float = LEVEL
) -> Interval:
    """Return the difference of two independent proportions, first minus second (Newcombe).

    Source
    ------
    Newcombe 1998, Stat Med 17:873-890, method 10.

    Examples
    --------
    >>> found = difference(5, 10, 5, 10)
    >>> float(found.estimate), bool(np.isclose(found.low, -found.high))
    (0.0, True)
    """
    a, n = _counts(events_1, n_1, "proportions.difference")
    b, m = _counts(events_2, n_2, "proportions.difference")
    with np.errstate(divide="ignore", invalid="ignore"):
        gap = a / n - b / m
        low, high = confint_proportions_2indep(
            a, n, b, m, method="newcomb", compare="diff", alpha=_tail(level)
        )
    return Interval(gap, low, high, level, "Newcombe hybrid score")


def wald_difference(
    events_1: ArrayLike, n_1: ArrayLike, events_2: ArrayLike, n_2: ArrayLike, *, level: float = LEVEL
) -> Interval:
    """Return the difference of two proportions with the large-sample (Wald) interval.

    For large counts and for agreement with printed tables; `difference` is the better interval.
    """
    a, n = _counts(events_1, n_1, "proportions.wald_difference")
    b, m = _counts(events_2, n_2, "proportions.wald_difference")
    gap = a / n - b / m
    half = _z(level) * np.sqrt(a / n * (1 - a / n) / n + b / m * (1 - b / m) / m)
    return Interval(gap, gap - half, gap + half, level, "Wald difference")


def risk_ratio(
    events_1: ArrayLike, n_1: ArrayLike, events_2: ArrayLike, n_2: ArrayLike, *, level: float = LEVEL
) -> Interval:
    """Return the ratio of two proportions, first over second, with the interval made on the log scale.

    Examples
    --------
    >>> float(risk_ratio(20, 100, 10, 100).estimate)
    2.0
    """
    a, n = _counts(events_1, n_1, "proportions.risk_ratio")
    b, m = _counts(events_2, n_2, "proportions.risk_ratio")
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = (a / n) / (b / m)
        se = np.sqrt(1 / a - 1 / n + 1 / b - 1 / m)
    return _on_log_scale(ratio, se, level, "log risk ratio")


def odds_ratio(
    events_1: ArrayLike, n_1: ArrayLike, events_2: ArrayLike, n_2: ArrayLike, *, level: float = LEVEL
) -> Interval:
    """Return the ratio of two odds, first over second, with the interval made on the log scale.

    Examples
    --------
    >>> float(odds_ratio(50, 100, 20, 100).estimate)
    4.0
    """
    a, n = _counts(events_1, n_1, "proportions.odds_ratio")
    b, m = _counts(events_2, n_2, "proportions.odds_ratio")
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = (a / (n - a)) / (b / (m - b))
        se = np.sqrt(1 / a + 1 / (n - a) + 1 / b + 1 / (m - b))
    return _on_log_scale(ratio, se, level, "log odds ratio")


def e_value(ratio: float, low: float = np.nan, high: float = np.nan) -> tuple[float, float]:
    """Return how strong unmeasured confounding must be to explain a risk ratio, and its nearer limit.

    E = RR + sqrt(RR (RR - 1)) for RR above 1, of 1 / RR below; 1 where the interval holds 1.

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
    return _e(ratio), (_e(nearer) if (nearer - 1) * (ratio - 1) > 0 else 1.0) if np.isfinite(
        nearer
    ) else np.nan


def _e(ratio: float) -> float:
    above = max(ratio, 1 / ratio)
    return float(above + np.sqrt(above * (above - 1)))


def _counts(events: ArrayLike, n: ArrayLike, where: str) -> tuple[np.ndarray, np.ndarray]:
    x, total = np.broadcast_arrays(np.asarray(events, float), np.asarray(n, float))
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


def _z(level: float) -> float:
    return float(stats.norm.ppf(1 - _tail(level) / 2))


def _on_log_scale(ratio: np.ndarray, se: np.ndarray, level: float, method: str) -> Interval:
    factor = np.exp(_z(level) * se)
    return Interval(ratio, ratio / factor, ratio * factor, level, method)


def _by_statsmodels(method: str) -> Callable:
    name = {"clopper_pearson": "beta", "wald": "normal"}.get(method, method)
    return lambda x, n, alpha: proportion_confint(x, n, alpha=alpha, method=name)


def _wilson_cc(x: np.ndarray, n: np.ndarray, alpha: float) -> tuple[np.ndarray, np.ndarray]:
    z = stats.norm.ppf(1 - alpha / 2)
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
        return stats.binom.sf(x, n, p) + 0.5 * stats.binom.pmf(x, n, p) - alpha / 2

    def lower_tail(p: float) -> float:
        return stats.binom.cdf(x, n, p) - 0.5 * stats.binom.pmf(x, n, p) - alpha / 2

    low = 0.0 if x == 0 else optimize.brentq(upper_tail, 0, 1, xtol=1e-12)
    high = 1.0 if x == n else optimize.brentq(lower_tail, 0, 1, xtol=1e-12)
    return float(low), float(high)
