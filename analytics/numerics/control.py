"""Control charts: centre line and limits of a series, and the points outside them.

Each chart takes its limits from a baseline (the first points up to a declared change, or all of them) and
is judged beyond it without moving them; or from an earlier chart's rule (`Rule`), which new points do not
move. Limits are three standard errors wide unless said otherwise.

* `individuals`: sigma is the mean moving range / 1.128. NIST/SEMATECH e-Handbook 6.3.2.2. `screened` leaves
  moving ranges above 3.267 times their mean out of a second mean, as public-sector programmes do. Where
  points are means of different numbers of units, a moving range is divided by sqrt((1/n + 1/m) / 2) first,
  the centre is weighted and the limits of a point are sigma / sqrt(n) wide: the plain chart where all n are
  alike.
* `p` and `u`: binomial and Poisson limits by point. NIST/SEMATECH e-Handbook 6.3.3. With `exact` quantiles
  where few events (or few without) are expected, moved for skewness elsewhere (Winterbottom 1993, Qual
  Reliab Eng Int 9:105-109, from memory), and never narrower than counting error: plain ones signal too often.
* `p_prime` and `u_prime`: the same, widened by the sigma of the standardised points, for series whose points
  differ by more than counting error. Laney 2002, Quality Engineering 14:531-537.
* `g`: cases between events, geometric. Benneyan 2001, Health Care Manag Sci 4:305-318.
* `t`: time between events, made near-normal by the power 1 / 3.6. Nelson 1994, J Qual Technol 26:239-240.

As the review draws charts (`chart`), points past the baseline have prediction limits, wider by what it leaves
unknown: Student's t on the degrees of freedom of a mean moving range (`widths`).

The limit functions work along the last axis, so that thousands of simulated series are charted in one call.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy
from numpy.typing import ArrayLike

from analytics.errors import ParameterError

D2 = 1.128  # mean range of two normal values in sigmas, as rounded by the handbook
D4 = 3.267  # upper limit of a moving range in mean moving ranges
NELSON_POWER = 3.6
KINDS = ("individuals", "p", "p_prime", "u", "u_prime", "g", "t")
FEW_EXPECTED = 30.0  # expected events, or non-events, below which limits are quantiles
DF_OF_RANGES = 0.62  # degrees of freedom by moving range of their mean (tables, from memory)
MIN_POINTS = 12  # fewer make trial limits: convention of public-sector improvement programmes


@dataclass(frozen=True, slots=True)
class Rule:
    """What a chart's lines follow from: centre, sigma of one unit (or spread of a prime chart), baseline."""

    centre: float
    sigma: float
    median: float
    n_baseline: int


@dataclass(frozen=True, slots=True)
class Chart:
    """A series with centre line and limits, all of shape (..., n)."""

    kind: str
    value: np.ndarray
    centre: np.ndarray
    low: np.ndarray
    high: np.ndarray
    outside: np.ndarray
    n_baseline: int
    spread: np.ndarray  # sigma in standard errors (1 unless a prime chart), of one unit (means), mean gap (g)
    width: np.ndarray  # half width of the limits in sigmas, by point (n,)


def individuals(
    values: ArrayLike,
    sizes: ArrayLike | None = None,
    *,
    n_baseline: int | None = None,
    width: float = 3.0,
    screened: bool = False,
    ahead: bool = False,
    rule: Rule | None = None,
) -> Chart:
    """Return the individuals chart of a series of single values.

    Parameters
    ----------
    values
        Shape (..., n), in time order.
    sizes
        Units of which each value is the mean, shape (..., n), above 0; 1 each if not given.
    n_baseline
        The first points, 2 or more, that set centre and limits; all if not given.
    width
        Half width of the limits, in sigmas.
    screened
        Leave the largest moving ranges out of their mean.
    ahead
        Widen the limits of points past the baseline by `widths`.
    rule
        Of an earlier chart, which sets the lines instead.

    Raises
    ------
    ParameterError
        When the baseline has fewer than 2 points or more than the series.

    Examples
    --------
    >>> chart = individuals([10.0, 12.0, 10.0, 12.0])
    >>> float(chart.centre[0]), round(float(chart.high[0]), 2)
    (11.0, 16.32)
    """
    x = np.asarray(values, dtype=float)
    size = np.broadcast_to(1.0 if sizes is None else np.asarray(sizes, dtype=float), x.shape)
    if (size <= 0).any():
        raise ParameterError("control.individuals(sizes): 0 or negative; leave such points out of the chart")
    if rule is not None:
        centre, sigma, n = np.full(1, rule.centre), np.full(1, rule.sigma), rule.n_baseline
    else:
        n = _baseline(x, n_baseline)
        weights = size[..., :n]
        centre = (x[..., :n] * weights).sum(axis=-1, keepdims=True) / weights.sum(axis=-1, keepdims=True)
        wider = np.sqrt((1 / weights[..., 1:] + 1 / weights[..., :-1]) / 2)
        ranges = np.abs(np.diff(x[..., :n])) / wider
        mean_range = ranges.mean(axis=-1, keepdims=True)
        if screened:
            kept = ranges <= D4 * mean_range
            mean_range = ranges.mean(axis=-1, keepdims=True, where=kept)
        sigma = mean_range / D2
    wide = widths(n if ahead else x.shape[-1], x.shape[-1], width=width)
    half = wide * sigma / np.sqrt(size)
    return _chart("individuals", x, centre, centre - half, centre + half, n, wide, spread=sigma)


def p(
    events: ArrayLike,
    sizes: ArrayLike,
    *,
    n_baseline: int | None = None,
    width: float = 3.0,
    exact: bool = False,
    rule: Rule | None = None,
) -> Chart:
    """Return the chart of proportions (0 to 1) with binomial limits.

    Parameters
    ----------
    events, sizes
        Counts, shape (..., n), in time order; sizes above 0.
    n_baseline, width, rule
        As in `individuals`.
    exact
        Quantiles where few are expected, limits moved for skewness elsewhere.

    Raises
    ------
    ParameterError
        When a size is not above 0, or the baseline does not fit the series.

    Examples
    --------
    >>> chart = p([10, 10], [100, 100])
    >>> float(chart.centre[0]), round(float(chart.high[0]), 3)
    (0.1, 0.19)
    """
    return _attribute("p", events, sizes, n_baseline=n_baseline, width=width, exact=exact, rule=rule)


def p_prime(
    events: ArrayLike,
    sizes: ArrayLike,
    *,
    n_baseline: int | None = None,
    width: float = 3.0,
    exact: bool = False,
    rule: Rule | None = None,
) -> Chart:
    """Return the chart of `p` with Laney's limits, for points that differ by more than chance.

    Parameters
    ----------
    events, sizes, n_baseline, width, exact, rule
        As in `p`.

    Source
    ------
    Laney 2002, Quality Engineering 14:531-537.

    Examples
    --------
    >>> [float(c) for c in p_prime([2, 3, 1, 4], [20, 20, 20, 20]).centre[:1]]
    [0.125]
    """
    return _attribute("p_prime", events, sizes, n_baseline=n_baseline, width=width, exact=exact, rule=rule)


def u(
    events: ArrayLike,
    exposure: ArrayLike,
    *,
    n_baseline: int | None = None,
    width: float = 3.0,
    exact: bool = False,
) -> Chart:
    """Return the chart of events per unit of exposure with Poisson limits.

    Parameters
    ----------
    events, exposure
        Shape (..., n), in time order; exposure above 0, in its own unit.
    n_baseline, width, exact
        As in `p`.

    Raises
    ------
    ParameterError
        When an exposure is not above 0, or the baseline does not fit the series.

    Examples
    --------
    >>> chart = u([4, 4], [2.0, 2.0])
    >>> float(chart.centre[0]), round(float(chart.high[0]), 3)
    (2.0, 5.0)
    """
    return _attribute("u", events, exposure, n_baseline=n_baseline, width=width, exact=exact)


def u_prime(
    events: ArrayLike,
    exposure: ArrayLike,
    *,
    n_baseline: int | None = None,
    width: float = 3.0,
    exact: bool = False,
) -> Chart:
    """Return the chart of `u` with Laney's limits, for points that differ by more than chance.

    Parameters
    ----------
    events, exposure, n_baseline, width, exact
        As in `u`.

    Source
    ------
    Laney 2002, Quality Engineering 14:531-537.

    Examples
    --------
    >>> [float(c) for c in u_prime([2, 3, 1, 4], [20, 20, 20, 20]).centre[:1]]
    [0.125]
    """
    return _attribute("u_prime", events, exposure, n_baseline=n_baseline, width=width, exact=exact)


def g(
    between: ArrayLike,
    *,
    n_baseline: int | None = None,
    width: float = 3.0,
    exact: bool = True,
    rule: Rule | None = None,
) -> Chart:
    """Return the chart of cases between events, its centre line the median.

    Limits are the geometric quantiles that leave as much outside as a normal `width` would; Benneyan's mean
    + 3 sigma (`exact=False`) flags one long gap in 55 of a stable series. The lower limit is 0 unless
    events are very rare, so that more events show as a run below the line, not as a point outside.

    Parameters
    ----------
    between
        Cases from one event to the next, 0 or more, shape (..., n).
    n_baseline, width, rule
        As in `individuals`.
    exact
        Quantiles; else Benneyan's limits.

    Examples
    --------
    >>> round(float(g([9.0, 9.0]).high[0]), 1)
    61.7
    """
    x = np.asarray(between, dtype=float)
    if rule is not None:
        mean, centre, n = np.full(1, rule.sigma), np.full(1, rule.centre), rule.n_baseline
    else:
        n = _baseline(x, n_baseline)
        mean = x[..., :n].mean(axis=-1, keepdims=True)
        centre = np.median(x[..., :n], axis=-1, keepdims=True)
    if exact:
        stay = np.log(np.maximum(mean, 1e-12) / (1 + mean))
        low = np.log(scipy.stats.norm.cdf(width)) / stay - 1
        high = np.log(scipy.stats.norm.sf(width)) / stay - 1
    else:
        sigma = np.sqrt(mean * (mean + 1))
        low, high = mean - width * sigma, mean + width * sigma
    return _chart("g", x, centre, np.maximum(low, 0), high, n, width, spread=mean)


def t(between: ArrayLike, *, n_baseline: int | None = None, width: float = 3.0) -> Chart:
    """Return the chart of time between events, limits made on the power scale 1 / 3.6 and turned back.

    Parameters
    ----------
    between
        Time from one event to the next, 0 or more, in its own unit, shape (..., n).
    n_baseline, width
        As in `individuals`.

    Raises
    ------
    ParameterError
        When a time is negative, or the baseline does not fit the series.

    Examples
    --------
    >>> chart = t([5.0, 5.0, 5.0])
    >>> round(float(chart.centre[0]), 6), round(float(chart.high[0]), 6)
    (5.0, 5.0)
    """
    x = np.asarray(between, dtype=float)
    if (x < 0).any():
        raise ParameterError("control.t(between): negative time(s) between events; sort events by time first")
    inner = individuals(x ** (1 / NELSON_POWER), n_baseline=n_baseline, width=width)
    centre, low, high = (np.maximum(a, 0) ** NELSON_POWER for a in (inner.centre, inner.low, inner.high))
    return _chart("t", x, centre, low, high, inner.n_baseline, width)


def chart(
    kind: str,
    events: ArrayLike,
    sizes: ArrayLike | None = None,
    *,
    n_baseline: int | None = None,
    rule: Rule | None = None,
) -> Chart:
    """Return the chart of the kind named (one of KINDS), as the review draws it.

    Parameters
    ----------
    kind
        One of KINDS; p, u and their prime forms with exact limits, g with geometric limits.
    events
        What that kind charts, shape (..., n).
    sizes
        Sizes or exposures, for p, u and their prime forms; units of each mean, for individuals.
    n_baseline, rule
        As in `individuals`; u, u_prime and t take no rule.

    Raises
    ------
    ParameterError
        When the kind is unknown, or sizes are missing.

    Examples
    --------
    >>> chart("individuals", [10.0, 12.0, 10.0, 12.0]).kind
    'individuals'
    """
    ruled: dict[str, Any] = {} if rule is None else {"rule": rule}
    with_sizes: dict[str, Callable] = {"p": p, "p_prime": p_prime, "u": u, "u_prime": u_prime}
    alone: dict[str, Callable] = {"g": g, "t": t}
    if kind in with_sizes and sizes is not None:
        return with_sizes[kind](events, sizes, n_baseline=n_baseline, exact=True, **ruled)
    if kind == "individuals":
        return individuals(events, sizes, n_baseline=n_baseline, ahead=True, **ruled)
    if kind in alone:
        return alone[kind](events, n_baseline=n_baseline, **ruled)
    raise ParameterError(
        f"control.chart(kind): unknown, or sizes are missing for p or u; use one of {', '.join(KINDS)}"
    )


def widths(n_baseline: int, n_points: int, *, width: float = 3.0) -> np.ndarray:
    """Return the half width of limits in sigmas, by point: `width` up to the end of the baseline, then wider.

    A later point falls outside as often as a normal one does `width`, errors of centre and sigma included.

    Parameters
    ----------
    n_baseline, n_points
        Points that set the lines, and all points; whole numbers above 0.
    width
        Half width of the limits in sigmas, above 0.

    Returns
    -------
    numpy.ndarray
        Shape (n_points,).

    Examples
    --------
    >>> widths(39, 40)[-2:].round(2).tolist()
    [3.0, 3.39]
    """
    wider = scipy.stats.t.isf(scipy.stats.norm.sf(width), DF_OF_RANGES * (n_baseline - 1)) * np.sqrt(
        1 + 1 / n_baseline
    )
    return np.where(np.arange(n_points) < n_baseline, width, wider)


def rule_of(chart: Chart) -> Rule:
    """Return what the lines of one chart follow from, to judge later points by.

    Parameters
    ----------
    chart
        One series, of this module.

    Examples
    --------
    >>> rule_of(individuals([10.0, 12.0, 10.0, 12.0])).centre
    11.0
    """
    sigma = float(np.ravel(chart.spread)[0])
    median = float(np.median(chart.value[: chart.n_baseline]))
    return Rule(float(np.ravel(chart.centre)[0]), sigma, median, chart.n_baseline)


def _baseline(x: np.ndarray, n_baseline: int | None) -> int:
    n = x.shape[-1] if n_baseline is None else int(n_baseline)
    if not 2 <= n <= x.shape[-1]:
        raise ParameterError(
            "control(n_baseline): a chart needs 2 points in its baseline and no more than the series holds"
        )
    return n


def _attribute(
    kind: str,
    events: ArrayLike,
    sizes: ArrayLike,
    *,
    n_baseline: int | None,
    width: float,
    exact: bool,
    rule: Rule | None = None,
) -> Chart:
    y, size = np.broadcast_arrays(np.asarray(events, float), np.asarray(sizes, float))
    if (size <= 0).any():
        raise ParameterError(f"control.{kind}(sizes): 0 or negative; leave such points out of the chart")
    n = rule.n_baseline if rule is not None else _baseline(y, n_baseline)
    of_shares = kind.startswith("p")
    share = y / size
    centre = y[..., :n].sum(axis=-1, keepdims=True) / size[..., :n].sum(axis=-1, keepdims=True)
    centre = centre if rule is None else np.full_like(centre, rule.centre)
    se = np.sqrt(np.maximum(centre * (1 - centre) if of_shares else centre, 0) / size)
    spread = _sigma_of_standardised(share, centre, se, n) if kind.endswith("prime") else np.ones_like(centre)
    spread = np.maximum(spread, 1.0) if exact else spread
    spread = spread if rule is None else np.full_like(spread, rule.sigma)
    wide = widths(n if exact and kind.endswith("prime") else y.shape[-1], y.shape[-1], width=width)
    half = wide * se * spread
    low, high = centre - half, centre + half
    if exact:
        low, high = _exact_limits(centre, size / spread**2, half, width=wide, of_shares=of_shares)
    low, high = np.maximum(low, 0.0), np.minimum(high, 1.0) if of_shares else high
    return _chart(kind, share, centre, low, high, n, wide, spread=spread)


def _exact_limits(centre, size, half, *, width: np.ndarray, of_shares: bool) -> tuple[np.ndarray, np.ndarray]:
    """Return quantiles where few are expected, else limits moved for skewness; size in effective units."""
    moved = (width**2 - 1) / 6 * ((1 - 2 * centre) if of_shares else 1.0) / size
    low, high = centre - half + moved, centre + half + moved
    rarer = np.minimum(centre, 1 - centre) if of_shares else centre
    few = np.broadcast_to(rarer * size < FEW_EXPECTED, low.shape)
    if few.any():
        n = np.maximum(np.round(np.broadcast_to(size, few.shape)[few]), 1.0)
        p = np.broadcast_to(centre, few.shape)[few]
        tail = np.broadcast_to(scipy.stats.norm.sf(width), few.shape)[few]
        low[few], high[few] = _quantiles(n, p, tail, of_shares=of_shares)
    return low, high


def _quantiles(
    n: np.ndarray, p: np.ndarray, tail: np.ndarray, *, of_shares: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Return both quantiles as shares (or rates) of n, (k,); those asked for twice are found once."""
    code = np.zeros(len(n), dtype=np.int64)
    for asked in (n, p, tail):
        different, of = np.unique(asked, return_inverse=True)
        code = code * len(different) + of
    _, first, of = np.unique(code, return_index=True, return_inverse=True)
    n, p, tail = n[first], p[first], tail[first]
    dist = scipy.stats.binom(n, p) if of_shares else scipy.stats.poisson(n * p)
    return (dist.ppf(tail) / n)[of], (dist.ppf(1 - tail) / n)[of]


def _sigma_of_standardised(share: np.ndarray, centre: np.ndarray, se: np.ndarray, n: int) -> np.ndarray:
    with np.errstate(divide="ignore", invalid="ignore"):
        z = np.where(se > 0, (share - centre) / se, 0.0)
    return np.abs(np.diff(z[..., :n])).mean(axis=-1, keepdims=True) / D2


def _chart(
    kind: str,
    x: np.ndarray,
    centre: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
    n: int,
    width: ArrayLike,
    *,
    spread: np.ndarray | None = None,
) -> Chart:
    centre, low, high = (np.broadcast_to(a, x.shape) for a in (centre, low, high))
    outside, width = (x < low) | (x > high), np.broadcast_to(np.asarray(width, dtype=float), x.shape[-1:])
    return Chart(kind, x, centre, low, high, outside, n, np.ones(1) if spread is None else spread, width)
