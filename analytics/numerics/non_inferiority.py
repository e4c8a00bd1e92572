"""Is a share no worse than another by more than a margin? Score test, limits and sample size.

For two independent shares p1 (compared) and p2 (reference) under the hypothesis p1 - p2 = -margin the
variance is that of the restricted maximum likelihood estimates (closed form of a cubic). Limits are where
that test no longer rejects. The plain (unpooled) formula is for comparison: it is 8 to 10 % short near 95
%. For means use `power.t_test_n` with one side and (margin + true difference) / SD.

statsmodels' score interval is not used: its restricted maximum has a wrong coefficient (statsmodels issue
10269).

Sources: Farrington & Manning 1990, Stat Med 9:1447-1454; Miettinen & Nurminen 1985, Stat Med 4:213-226
(without their factor n / (n - 1)); Blackwelder 1982, Control Clin Trials 3:345-353.
"""

from dataclasses import dataclass

import numpy as np
import scipy

from analytics.errors import ParameterError

SCORE, PLAIN = "score", "unpooled"


@dataclass(frozen=True, slots=True)
class ScoreTest:
    """z and one-sided p of p1 - p2 above -margin, and the restricted estimates under the hypothesis."""

    z: float
    p_value: float
    restricted: tuple[float, float]


def restricted(p1: float, p2: float, difference: float, ratio: float = 1.0) -> tuple[float, float]:
    """Return the shares of largest likelihood whose difference is as given.

    Parameters
    ----------
    p1, p2
        Observed or expected shares, 0 to 1.
    difference
        p1 - p2 under the hypothesis, -1 to 1.
    ratio
        Patients of the second group for each of the first.

    Returns
    -------
    tuple of float
        Both shares, of 0 to 1.

    Source
    ------
    Farrington & Manning 1990, Stat Med 9:1447-1454.

    Examples
    --------
    >>> [round(p, 6) for p in restricted(0.85, 0.85, -0.10)]
    [0.787381, 0.887381]
    """
    d0 = difference
    a = 1 + ratio
    b = -(1 + ratio + p1 + ratio * p2 + d0 * (ratio + 2))
    c = d0**2 + d0 * (2 * p1 + ratio + 1) + p1 + ratio * p2
    d = -p1 * d0 * (1 + d0)
    v = b**3 / (27 * a**3) - b * c / (6 * a**2) + d / (2 * a)
    u = np.copysign(np.sqrt(max(b**2 / (9 * a**2) - c / (3 * a), 0.0)), v)
    inside = np.clip(v / u**3, -1.0, 1.0) if u != 0 else 0.0
    first = float(2 * u * np.cos((np.pi + np.arccos(inside)) / 3) - b / (3 * a))
    first = float(np.clip(first, max(0.0, d0), min(1.0, 1 + d0)))
    return first, first - d0


def test(x1: float, n1: float, x2: float, n2: float, *, margin: float) -> ScoreTest:
    """Return the score test that the first share is above the second less the margin; more is better.

    Parameters
    ----------
    x1, n1, x2, n2
        Counts, 0 <= x <= n, n above 0.
    margin
        As a share, between -1 and 1; 0 tests superiority.

    Raises
    ------
    ParameterError
        When a count lies outside its range.

    Examples
    --------
    Equal shares are no evidence of superiority:

    >>> test(5, 10, 5, 10, margin=0.0).p_value
    0.5
    """
    _check(x1, n1, x2, n2)
    p1, p2 = x1 / n1, x2 / n2
    under = restricted(p1, p2, -margin, n2 / n1)
    variance = under[0] * (1 - under[0]) / n1 + under[1] * (1 - under[1]) / n2
    gap = p1 - p2 + margin
    z = float(gap / np.sqrt(variance)) if variance > 0 else float(np.copysign(np.inf, gap) if gap else 0.0)
    return ScoreTest(z, float(scipy.stats.norm.sf(z)), under)


def limits(x1: float, n1: float, x2: float, n2: float, *, level: float = 0.95) -> tuple[float, float]:
    """Return the score limits of p1 - p2: where the test of either side no longer rejects.

    Parameters
    ----------
    x1, n1, x2, n2
        Counts, 0 <= x <= n, n above 0.

    Returns
    -------
    tuple of float
        Lower and upper limit, -1 to 1.

    Raises
    ------
    ParameterError
        When a count lies outside its range.

    Examples
    --------
    Equal shares: limits that mirror each other.

    >>> low, high = limits(5, 10, 5, 10)
    >>> round(low + high, 9), low < -0.3
    (0.0, True)
    """
    _check(x1, n1, x2, n2)
    reach = float(scipy.stats.norm.ppf(0.5 + level / 2))
    gap = x1 / n1 - x2 / n2

    def beyond(difference: float, wanted: float) -> float:
        return test(x1, n1, x2, n2, margin=-difference).z - wanted

    edge = 1 - 1e-9
    low, high = -1.0, 1.0
    if gap > -edge and beyond(-edge, reach) > 0:
        low = scipy.optimize.brentq(beyond, -edge, gap, args=(reach,), xtol=1e-12)
    if gap < edge and beyond(edge, -reach) < 0:
        high = scipy.optimize.brentq(beyond, gap, edge, args=(-reach,), xtol=1e-12)
    return float(low), float(high)


def patients(
    p1: float, p2: float, margin: float, *, alpha: float = 0.025, power: float = 0.8, how: str = SCORE
) -> float:
    """Return the patients needed in each group (not rounded) to show p1 above p2 less the margin.

    Parameters
    ----------
    p1, p2
        True shares, compared and reference.
    margin
        As a share, above p2 - p1.
    alpha
        One-sided.
    power
        0 to 1.
    how
        `score` or `unpooled`.

    Returns
    -------
    float
        Patients in each group, above 0.

    Raises
    ------
    ParameterError
        When the true difference is at or beyond the margin.

    Examples
    --------
    >>> round(patients(0.85, 0.85, 0.10, power=0.9), 2)
    275.75
    """
    gap = p1 - p2 + margin
    if not gap > 0:
        raise ParameterError(
            "non_inferiority.patients(margin): the true difference is at or beyond the margin; no number does"
        )
    z_alpha, z_power = scipy.stats.norm.isf(alpha), scipy.stats.norm.ppf(power)
    true = p1 * (1 - p1) + p2 * (1 - p2)
    under = restricted(p1, p2, -margin) if how == SCORE else (p1, p2)
    null = under[0] * (1 - under[0]) + under[1] * (1 - under[1])
    return float((z_alpha * np.sqrt(null) + z_power * np.sqrt(true)) ** 2 / gap**2)


def _check(x1: float, n1: float, x2: float, n2: float) -> None:
    if not (0 <= x1 <= n1 and 0 <= x2 <= n2 and n1 > 0 and n2 > 0):
        raise ParameterError("non_inferiority: counts outside 0 to n; give events and their patients")
