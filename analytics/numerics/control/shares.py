"""Charts of counted things: shares of sessions or grafts, and rates."""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import ArrayLike

from analytics.errors import ParameterError
from analytics.numerics.control.lines import D2, Chart, Rule, baseline_length, charted, widths

FEW_EXPECTED = 30.0  # expected events, or non-events, below which limits are quantiles


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
    n = rule.n_baseline if rule is not None else baseline_length(y, n_baseline)
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
    return charted(kind, share, centre, low, high, n, wide, spread=spread)


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
