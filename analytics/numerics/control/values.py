"""Charts of single values, of cases and of time between events."""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import ArrayLike

from analytics.errors import ParameterError
from analytics.numerics.control.lines import (
    D2,
    D4,
    NELSON_POWER,
    Chart,
    Rule,
    baseline_length,
    charted,
    widths,
)


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
        n = baseline_length(x, n_baseline)
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
    return charted("individuals", x, centre, centre - half, centre + half, n, wide, spread=sigma)


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
        n = baseline_length(x, n_baseline)
        mean = x[..., :n].mean(axis=-1, keepdims=True)
        centre = np.median(x[..., :n], axis=-1, keepdims=True)
    if exact:
        stay = np.log(np.maximum(mean, 1e-12) / (1 + mean))
        low = np.log(scipy.stats.norm.cdf(width)) / stay - 1
        high = np.log(scipy.stats.norm.sf(width)) / stay - 1
    else:
        sigma = np.sqrt(mean * (mean + 1))
        low, high = mean - width * sigma, mean + width * sigma
    return charted("g", x, centre, np.maximum(low, 0), high, n, width, spread=mean)


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
    return charted("t", x, centre, low, high, inner.n_baseline, width)
