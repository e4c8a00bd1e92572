"""What could those of whom nothing is known change? Bounds, and what lies between them.

Of N persons k of n asked had the event. Whatever became of the other N - n, the share of all lies between

    (k + told) / N   and   (k + N - n) / N,

`told` being events known of persons who were not asked. These are bounds, no interval: chance comes on top.
`Bounds.low` and `high` add it so that the *share* (not the whole range) is covered with the stated
probability (Imbens & Manski 2004): ends -+ c x their standard errors, c from

    Phi(c + (upper - lower) / larger standard error) - Phi(-c) = level,

which is 1.96 where all were asked and 1.645 where the bounds lie far apart (95 %). Between the bounds: the
odds of the event among those not asked are taken to be a multiple of the odds among those asked (the
informative missingness odds ratio). Where something is known of everybody that decides who was asked, the
shares within its groups are weighted by the groups of all (Begg & Greenes 1983).

Source
------
Manski 1989, J Hum Resour 24:343-60; Horowitz & Manski 2000, J Am Stat Assoc 95:77-84; Imbens & Manski 2004,
Econometrica 72:1845-57; Begg & Greenes 1983, Biometrics 39:207-15.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from analytics.errors import ParameterError
from analytics.results import LEVEL


@dataclass(frozen=True, slots=True)
class Bounds:
    """Worst and best of a share of all (0 to 1), the limits around them, the critical value used."""

    lower: float
    upper: float
    low: float
    high: float
    critical: float


def share(events: int, asked: int, of: int, *, told: int = 0, level: float = LEVEL) -> Bounds:
    """Return the bounds of the share of all with an event, and Imbens and Manski's limits.

    Parameters
    ----------
    events, asked, of
        Events among those asked, how many were asked, and all.
    told
        Events known of persons who were not asked.
    level
        Coverage of the limits, between 0 and 1.

    Raises
    ------
    ParameterError
        When the counts contradict each other.

    Examples
    --------
    One event among five asked of ten: between 1 and 6 of 10.

    >>> found = share(1, 5, 10)
    >>> found.lower, found.upper
    (0.1, 0.6)
    """
    if not (0 <= events <= asked <= of and 0 <= told <= of - asked and of > 0):
        raise ParameterError(
            "bounds.share(events, asked, of, told): they contradict each other; give events among the asked, "
            "the asked among all, and events told among those not asked"
        )
    lower, upper = (events + told) / of, (events + of - asked) / of
    low_se, high_se = (np.sqrt(p * (1 - p) / of) for p in (lower, upper))
    c = _critical(upper - lower, max(low_se, high_se), level)
    return Bounds(lower, upper, max(lower - c * low_se, 0.0), min(upper + c * high_se, 1.0), c)


def _critical(width: float, se: float, level: float) -> float:
    """Return Imbens and Manski's critical value, between the one-sided and the two-sided normal one."""
    one_sided, two_sided = scipy.stats.norm.ppf(level), scipy.stats.norm.ppf(0.5 + level / 2)
    if se <= 0 or width / se > 40:
        return float(one_sided)
    return float(
        scipy.optimize.brentq(
            lambda c: scipy.stats.norm.cdf(c + width / se) - scipy.stats.norm.cdf(-c) - level,
            one_sided - 1e-9,
            two_sided + 1e-9,
        )
    )


def at_odds_ratio(events: int, asked: int, of: int, ratio: ArrayLike, *, told: int = 0) -> np.ndarray:
    """Return the share of all, had those not asked the odds of those asked times a ratio; never below told.

    Parameters
    ----------
    events, asked, of
        Events among those asked, how many were asked, and all; whole numbers.
    ratio
        Odds of the event among those not asked over the odds among those asked, above 0, shape (m,).
    told
        Events known of persons who were not asked.

    Returns
    -------
    numpy.ndarray
        Shares of 0 to 1, shape (m,).

    Raises
    ------
    ParameterError
        When nobody was asked, or a ratio is not above 0.

    Examples
    --------
    Half of the asked had it; odds of 1 / 3 are a quarter of the others: (5 + 2.5) of 20.

    >>> at_odds_ratio(5, 10, 20, [1 / 3]).round(6).tolist()
    [0.375]
    """
    many = np.atleast_1d(np.asarray(ratio, dtype=float))
    if not asked or (many <= 0).any():
        raise ParameterError("bounds.at_odds_ratio: nobody was asked, or a ratio is not above 0")
    p = events / asked
    unasked = many * p / (1 - p + many * p)
    return (events + np.maximum((of - asked) * unasked, told)) / of


def unasked_share_for(events: int, asked: int, of: int, target: float) -> float:
    """Return the share among those not asked at which the share of all would be the target.

    Below 0 or above 1 where no answer of theirs could bring it there; NaN where all were asked.

    Parameters
    ----------
    events, asked, of
        Events among those asked, how many were asked, and all.
    target
        Share of 0 to 1.

    Returns
    -------
    float
        A share; see above where it lies outside 0 to 1.

    Examples
    --------
    >>> unasked_share_for(1, 5, 10, 0.3)
    0.4
    """
    return float((target * of - events) / (of - asked)) if of > asked else float("nan")


def mean(mean_of_seen: float, seen: int, of: int, *, low: float = 0.0, high: float = 100.0) -> tuple:
    """Return the mean of all at its worst and at its best, where each value lies between low and high.

    Parameters
    ----------
    mean_of_seen
        In the unit of `low` and `high`.
    seen, of
        How many were seen, and all; `of` above 0.
    low, high
        The least and the greatest value there can be.

    Returns
    -------
    tuple of float
        The mean of all, at its lowest and at its highest.

    Examples
    --------
    A mean of 80 among 75 of 100, on a scale of 0 to 100.

    >>> mean(80.0, 75, 100)
    (60.0, 85.0)
    """
    known = mean_of_seen * seen / of if seen else 0.0
    return known + low * (of - seen) / of, known + high * (of - seen) / of


def difference(one: Bounds, other: Bounds) -> tuple[float, float]:
    """Return the least and the greatest difference of two shares that their bounds leave.

    Parameters
    ----------
    one, other
        Of `share`.

    Returns
    -------
    tuple of float
        -1 to 1 each.

    Examples
    --------
    >>> difference(share(3, 4, 4), share(1, 4, 8))
    (0.125, 0.625)
    """
    return one.lower - other.upper, one.upper - other.lower


@dataclass(frozen=True, slots=True)
class Weighted:
    """The share of all, group by group weighted, with its standard error (0 to 1)."""

    share: float
    se: float


def weighted(events: ArrayLike, asked: ArrayLike, of: ArrayLike) -> Weighted:
    """Return the share of all, were those not asked in each group like those asked in it.

    Parameters
    ----------
    events, asked, of
        Events among the asked, the asked, and all of each group, shape (g,); every group with somebody has
        somebody asked.

    Raises
    ------
    ParameterError
        When nobody was asked in a group.

    Source
    ------
    Begg & Greenes 1983, Biometrics 39:207-15; standard error by the delta method.

    Examples
    --------
    Half of ten had it; of ten others five were asked, and none had it:

    >>> weighted([5, 0], [10, 5], [10, 10]).share
    0.25
    """
    k, n, N = (np.asarray(v, dtype=float) for v in (events, asked, of))
    if (n[N > 0] <= 0).any() or not N.sum() > 0:
        raise ParameterError("bounds.weighted(asked): nobody was asked in a group; join it with another")
    k, n, N = k[N > 0], n[N > 0], N[N > 0]
    p, weight = k / n, N / N.sum()
    whole = float(weight @ p)
    within = float(weight**2 @ (p * (1 - p) / n))
    between = float(weight @ p**2 - whole**2) / N.sum()
    return Weighted(whole, float(np.sqrt(within + between)))
