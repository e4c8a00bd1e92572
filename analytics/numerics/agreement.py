"""Do two readings of one thing agree, and how far apart can they be by error alone?

`icc` gives the six intraclass correlations, `limits` the limits of agreement of paired differences (also with
several pairs per subject), `within` the error of repeated readings, `concordance` Lin's coefficient,
`dispersion` how far counts of samples vary beyond Poisson, `weighted_kappa` how far two raters' grades agree
(through statsmodels).

Sources: Shrout & Fleiss 1979, Psychol Bull 86:420-428 (six forms and limits of three); McGraw & Wong
1996, Psychol Methods 1:30-46; Bland & Altman 1986, Lancet i:307-310 and 1999, Stat Methods Med Res
8:135-160; Zou 2013, Stat Methods Med Res 22:630-642 (limits with several pairs per subject); Lin 1989,
Biometrics 45:255-268, corrected 2000, 56:324-325; Cohen 1968, Psychol Bull 70:213-220; Fleiss, Cohen &
Everitt 1969, Psychol Bull 72:323-327.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from analytics.errors import FitError

NORMAL_95 = 1.96
FORMS = ("(1,1)", "(2,1)", "(3,1)", "(1,k)", "(2,k)", "(3,k)")


@dataclass(frozen=True, slots=True)
class Icc:
    """Six intraclass correlations of n targets read k times each, in the order of FORMS, with limits."""

    n: int
    k: int
    estimate: np.ndarray
    ci_low: np.ndarray
    ci_high: np.ndarray
    ms_targets: float
    ms_raters: float
    ms_residual: float
    ms_within: float
    level: float


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of agreement: bias, SD of single differences, the two limits, an interval for each."""

    n: int
    n_subjects: int
    bias: float
    bias_se: float
    bias_ci: tuple[float, float]
    sd: float
    low: float
    high: float
    low_ci: tuple[float, float]
    high_ci: tuple[float, float]
    level: float


@dataclass(frozen=True, slots=True)
class Within:
    """Standard deviation of repeated readings about their own true value, with limits and df."""

    sd: float
    ci: tuple[float, float]
    df: int
    n_groups: int
    level: float

    @property
    def detectable(self) -> float:
        """Return the smallest change of one thing between two readings beyond error: 1.96 x sqrt(2) x SD."""
        return float(NORMAL_95 * np.sqrt(2.0) * self.sd)


@dataclass(frozen=True, slots=True)
class Concordance:
    """Lin's concordance correlation, its limits by the z-transform, and what lowers it."""

    estimate: float
    se: float
    ci: tuple[float, float]
    correlation: float
    accuracy: float
    scale_shift: float
    location_shift: float
    n: int
    level: float


@dataclass(frozen=True, slots=True)
class Dispersion:
    """Variance of counts over what Poisson allows (1), with its limits and degrees of freedom."""

    phi: float
    ci: tuple[float, float]
    df: int
    n_groups: int
    level: float


def icc(readings: ArrayLike, *, level: float = 0.95) -> Icc:
    """Return the six intraclass correlations of a table of readings.

    (1, .) each target has its own readers, (2, .) the readers are a sample of readers, (3, .) they are
    the only ones; (., 1) is for a single reading, (., k) for the mean of k.

    Parameters
    ----------
    readings
        Shape (n, k): n targets, 2 or more; k readers, 2 or more; none missing.

    Raises
    ------
    FitError
        With fewer than two targets or readers, a missing value, or targets that do not differ.

    Examples
    --------
    Two readers who differ by one everywhere agree fully but for that:

    >>> found = icc([[1.0, 2.0], [3.0, 4.0], [5.0, 6.0]])
    >>> [round(float(v), 3) for v in found.estimate[:3]]
    [0.882, 0.889, 1.0]
    """
    table = np.asarray(readings, dtype=float)
    if table.ndim != 2 or min(table.shape) < 2 or not np.isfinite(table).all():
        raise FitError("agreement.icc: needs two targets and two readings each, none missing")
    n, k = table.shape
    grand, row, column = table.mean(), table.mean(axis=1), table.mean(axis=0)
    b = k * float(((row - grand) ** 2).sum()) / (n - 1)
    j = n * float(((column - grand) ** 2).sum()) / (k - 1)
    total = float(((table - grand) ** 2).sum())
    e = max(total - b * (n - 1) - j * (k - 1), 0.0) / ((n - 1) * (k - 1))
    w = (total - b * (n - 1)) / (n * (k - 1))
    if not b > 0:
        raise FitError("agreement.icc: the targets do not differ, so that no share of variance is theirs")
    single = np.array(
        [
            (b - w) / (b + (k - 1) * w),
            (b - e) / (b + (k - 1) * e + k * (j - e) / n),
            (b - e) / (b + (k - 1) * e),
        ]
    )
    mean = np.array([(b - w) / b, (b - e) / (b + (j - e) / n), (b - e) / b])
    one = _ratio_limits(b / w if w > 0 else np.inf, n - 1, n * (k - 1), k, level)
    two = _two_way_limits(b, j, e, n, k, level)
    three = _ratio_limits(b / e if e > 0 else np.inf, n - 1, (n - 1) * (k - 1), k, level)
    limits = np.array([one, two, three])
    averaged = k * limits / (1 + (k - 1) * limits)
    low, high = np.concatenate([limits, averaged]).T
    return Icc(n, k, np.concatenate([single, mean]), low, high, b, j, e, w, level)


def _ratio_limits(f: float, df1: int, df2: int, k: int, level: float) -> tuple[float, float]:
    tail = 0.5 + level / 2
    if not np.isfinite(f):
        return 1.0, 1.0
    low = f / scipy.stats.f.ppf(tail, df1, df2)
    high = f * scipy.stats.f.ppf(tail, df2, df1)
    return float((low - 1) / (low + k - 1)), float((high - 1) / (high + k - 1))


def _two_way_limits(b: float, j: float, e: float, n: int, k: int, level: float) -> tuple[float, float]:
    """Return limits of the two-way random single form (Shrout & Fleiss 1979, p. 424)."""
    if not e > 0:
        return (np.nan, np.nan) if j > 0 else (1.0, 1.0)
    rho, fj = (b - e) / (b + (k - 1) * e + k * (j - e) / n), j / e
    core = n * (1 + (k - 1) * rho) - k * rho
    v = (k - 1) * (n - 1) * (k * rho * fj + core) ** 2 / ((n - 1) * k**2 * rho**2 * fj**2 + core**2)
    tail = 0.5 + level / 2
    upper, lower = scipy.stats.f.ppf(tail, n - 1, v), scipy.stats.f.ppf(tail, v, n - 1)
    rest = k * j + (k * n - k - n) * e
    return (
        float(n * (b - upper * e) / (upper * rest + n * b)),
        float(n * (lower * b - e) / (rest + n * lower * b)),
    )


def limits(
    differences: ArrayLike,
    *,
    subjects: ArrayLike | None = None,
    multiplier: float = 1.96,
    level: float = 0.95,
) -> Limits:
    """Return the limits of agreement: bias less and plus `multiplier` SD of single differences.

    With one difference per subject, intervals as Bland & Altman 1986: SE of a limit sqrt(3 s^2 / n), t
    quantiles. With several per subject (the true value may vary between them) the SD is that of a single
    difference of a new subject, from between- and within-subject variance, and the intervals are Zou's
    (2013).

    Parameters
    ----------
    differences
        Shape (n,), one reading less the other.
    subjects
        Shape (n,), whose difference it is; each its own if not given.
    multiplier
        SDs on either side of the bias, above 0.

    Raises
    ------
    FitError
        With fewer than three subjects.

    Examples
    --------
    Differences -1, 0, 1: no bias, SD 1.

    >>> found = limits([-1.0, 0.0, 1.0], multiplier=2.0)
    >>> found.bias, found.sd, found.low, found.high
    (0.0, 1.0, -2.0, 2.0)
    """
    d = np.asarray(differences, dtype=float)
    codes = np.arange(len(d)) if subjects is None else np.unique(np.asarray(subjects), return_inverse=True)[1]
    n = int(codes.max()) + 1 if len(codes) else 0
    if n < 3 or not np.isfinite(d).all():
        raise FitError("agreement.limits: needs differences of three subjects or more, none missing")
    if n < len(d):
        return _limits_with_several(d, codes, n, multiplier, level)
    bias, sd = float(d.mean()), float(d.std(ddof=1))
    t = scipy.stats.t.ppf(0.5 + level / 2, n - 1)
    se, limit_se = sd / np.sqrt(n), np.sqrt(3.0 / n) * sd
    low, high = bias - multiplier * sd, bias + multiplier * sd
    return Limits(
        n,
        n,
        bias,
        float(se),
        _about(bias, t * se),
        sd,
        low,
        high,
        _about(low, t * limit_se),
        _about(high, t * limit_se),
        level,
    )


def _limits_with_several(d: np.ndarray, codes: np.ndarray, n: int, multiplier: float, level: float) -> Limits:
    """Combine the variances of subjects' means and within subjects (Zou 2013, recovered limits)."""
    m = np.bincount(codes)
    means = np.bincount(codes, weights=d) / m
    between = float(means.var(ddof=1))
    df_within = len(d) - n
    inside = float(((d - means[codes]) ** 2).sum()) / df_within
    share = 1.0 - float((1.0 / m).mean())
    variance = between + share * inside
    tail = (1 - level) / 2
    low_b, high_b = (_chi_factor(q, n - 1) for q in (1 - tail, tail))
    low_w, high_w = (_chi_factor(q, df_within) for q in (1 - tail, tail))
    smaller = variance - np.hypot(between * low_b, share * inside * low_w)
    larger = variance + np.hypot(between * high_b, share * inside * high_w)
    bias, sd = float(means.mean()), float(np.sqrt(variance))
    se = np.sqrt(between / n)
    half = scipy.stats.t.ppf(1 - tail, n - 1) * se
    inner = np.hypot(half, multiplier * (sd - np.sqrt(max(smaller, 0.0))))
    outer = np.hypot(half, multiplier * (np.sqrt(larger) - sd))
    low, high = bias - multiplier * sd, bias + multiplier * sd
    return Limits(
        len(d),
        n,
        bias,
        float(se),
        _about(bias, half),
        sd,
        low,
        high,
        (float(low - outer), float(low + inner)),
        (float(high - inner), float(high + outer)),
        level,
    )


def _chi_factor(quantile: float, df: int) -> float:
    return abs(1.0 - df / float(scipy.stats.chi2.ppf(quantile, df)))


def _about(centre: float, half: float) -> tuple[float, float]:
    return float(centre - half), float(centre + half)


def within(values: ArrayLike, groups: ArrayLike, *, level: float = 0.95) -> Within:
    """Return the standard deviation of repeated readings of the same thing, pooled over things.

    Parameters
    ----------
    values
        Shape (n,).
    groups
        Shape (n,), the thing read; things read once add nothing.

    Raises
    ------
    FitError
        When nothing was read twice.

    Examples
    --------
    Pairs that differ by 2: variance 2 about each mean.

    >>> round(within([1.0, 3.0, 5.0, 7.0], ["a", "a", "b", "b"]).sd ** 2, 6)
    2.0
    """
    y = np.asarray(values, dtype=float)
    _, codes, sizes = np.unique(np.asarray(groups), return_inverse=True, return_counts=True)
    df = int((sizes - 1).sum())
    if df < 1:
        raise FitError("agreement.within: nothing was read twice; repeat some readings")
    means = np.bincount(codes, weights=y) / sizes
    total = float(((y - means[codes]) ** 2).sum())
    ci = _chi_limits(total, df, level)
    return Within(float(np.sqrt(total / df)), (ci[0] ** 0.5, ci[1] ** 0.5), df, int((sizes > 1).sum()), level)


def concordance(x: ArrayLike, y: ArrayLike, *, level: float = 0.95) -> Concordance:
    """Return Lin's concordance correlation: correlation about the line of equality.

    Parameters
    ----------
    x, y
        Shape (n,), n 4 or more, both varying.

    Raises
    ------
    FitError
        With fewer than four pairs, or readings that do not vary.

    Examples
    --------
    >>> round(concordance([1.0, 2.0, 3.0, 4.0], [2.0, 3.0, 4.0, 5.0]).estimate, 4)
    0.7143
    """
    a, b = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    n = len(a)
    if n < 4 or a.std() == 0 or b.std() == 0:
        raise FitError("agreement.concordance: needs four pairs or more that vary")
    r = float(np.corrcoef(a, b)[0, 1])
    va, vb, shift = float(a.var()), float(b.var()), float(b.mean() - a.mean())
    rho = 2 * r * np.sqrt(va * vb) / (va + vb + shift**2)
    u = shift / (va * vb) ** 0.25
    inner = (1 - r**2) * rho**2 * (1 - rho**2) / r**2 + 2 * rho**3 * (1 - rho) * u**2 / r
    variance = (inner - rho**4 * u**4 / (2 * r**2)) / (n - 2)
    se = float(np.sqrt(max(variance, 0.0)))
    z, z_se = np.arctanh(rho), se / (1 - rho**2)
    half = scipy.stats.norm.ppf(0.5 + level / 2) * z_se
    ci = (float(np.tanh(z - half)), float(np.tanh(z + half)))
    return Concordance(float(rho), se, ci, r, float(rho / r), float(np.sqrt(vb / va)), float(u), n, level)


def dispersion(counts: ArrayLike, areas: ArrayLike, groups: ArrayLike, *, level: float = 0.95) -> Dispersion:
    """Return the variance of counts of one thing over the Poisson variance: Pearson's statistic over df.

    Parameters
    ----------
    counts, areas
        Shape (n,): things counted, 0 or more, and the area counted, above 0.
    groups
        Shape (n,), the place and time; places counted once add nothing.

    Raises
    ------
    FitError
        When nothing was counted twice.

    Examples
    --------
    Counts 8 and 12 on equal areas: (4 + 4) / 10 on one degree of freedom.

    >>> dispersion([8, 12], [1.0, 1.0], ["a", "a"]).phi
    0.8
    """
    c, area = np.asarray(counts, dtype=float), np.asarray(areas, dtype=float)
    _, codes, sizes = np.unique(np.asarray(groups), return_inverse=True, return_counts=True)
    rate = np.bincount(codes, weights=c) / np.bincount(codes, weights=area)
    used = (sizes[codes] > 1) & (rate[codes] > 0)
    _, left = np.unique(codes[used], return_counts=True)
    df = int((left - 1).sum())
    if df < 1:
        raise FitError("agreement.dispersion: nothing was counted twice; repeat some counts in other fields")
    expected = (rate[codes] * area)[used]
    chi2 = float(((c[used] - expected) ** 2 / expected).sum())
    return Dispersion(chi2 / df, _chi_limits(chi2, df, level), df, len(left), level)


def _chi_limits(total: float, df: int, level: float) -> tuple[float, float]:
    # Chi-square's quantiles by the gamma function: every check of records asks, and scipy.stats loads slowly.
    low, high = 2 * scipy.special.gammaincinv(df / 2, [(1 - level) / 2, (1 + level) / 2])
    return total / float(high), total / float(low)


@dataclass(frozen=True, slots=True)
class Kappa:
    """Weighted kappa of two raters with its standard error and limits; NaN where it says nothing."""

    kappa: float
    se: float
    low: float
    high: float
    n: int


def weighted_kappa(a: ArrayLike, b: ArrayLike, *, level: float = 0.95) -> Kappa:
    """Return quadratically weighted kappa of two raters' grades, with normal limits.

    The weights are (grade - grade)^2, so that a scale with gaps is taken as it is.

    Parameters
    ----------
    a, b
        Grades of the same things, (n,), numbers.

    Source
    ------
    Cohen 1968, Psychol Bull 70:213-220; standard error Fleiss, Cohen & Everitt 1969, Psychol Bull 72:323-327.

    Examples
    --------
    >>> weighted_kappa([1, 2, 3], [1, 2, 3]).kappa
    1.0
    """
    from statsmodels.stats.inter_rater import cohens_kappa

    one, other = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    steps = np.unique(np.concatenate([one, other]))
    if len(steps) < 2:
        return Kappa(np.nan, np.nan, np.nan, np.nan, len(one))
    table = np.zeros((len(steps), len(steps)))
    np.add.at(table, (np.searchsorted(steps, one), np.searchsorted(steps, other)), 1)
    found = cohens_kappa(table, weights=steps, wt="quadratic")
    half = float(scipy.stats.norm.ppf(0.5 + level / 2)) * float(found.std_kappa)
    kappa = float(found.kappa)
    return Kappa(kappa, float(found.std_kappa), max(kappa - half, -1.0), min(kappa + half, 1.0), len(one))
