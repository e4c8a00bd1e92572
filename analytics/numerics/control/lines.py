"""What every chart is made of: its values, centre, limits and what they follow from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from analytics.errors import ParameterError

D2 = 1.128  # mean range of two normal values in sigmas, as rounded by the handbook
D4 = 3.267  # upper limit of a moving range in mean moving ranges
NELSON_POWER = 3.6
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
    >>> from analytics.numerics import control
    >>> rule_of(control.individuals([10.0, 12.0, 10.0, 12.0])).centre
    11.0
    """
    sigma = float(np.ravel(chart.spread)[0])
    median = float(np.median(chart.value[: chart.n_baseline]))
    return Rule(float(np.ravel(chart.centre)[0]), sigma, median, chart.n_baseline)


def baseline_length(x: np.ndarray, n_baseline: int | None) -> int:
    """Return how many first points set the lines: those asked for, or all."""
    n = x.shape[-1] if n_baseline is None else int(n_baseline)
    if not 2 <= n <= x.shape[-1]:
        raise ParameterError(
            "control(n_baseline): a chart needs 2 points in its baseline and no more than the series holds"
        )
    return n


def charted(
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
    """Return a chart of the values x, its lines as long as they are, with the points outside."""
    centre, low, high = (np.broadcast_to(a, x.shape) for a in (centre, low, high))
    outside, width = (x < low) | (x > high), np.broadcast_to(np.asarray(width, dtype=float), x.shape[-1:])
    return Chart(kind, x, centre, low, high, outside, n, np.ones(1) if spread is None else spread, width)
