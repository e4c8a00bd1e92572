"""What does a standard ask of the numbers, and how likely does it hold while they cannot decide?

A standard is met when the whole Wilson interval of a share lies on its good side. From that follow the record
without a single fault that would just do (`perfect_record`), and how many units would decide at a given share
(`units_to_decide`).

While the interval holds the standard, the chance that the true value meets it is given, drawn towards what
earlier periods were: a beta-binomial posterior for shares, a normal one for means. The prior is the earlier
periods' own value, counted as as many units as their spread allows (method of moments; never more than they
had), on top of Jeffreys' half an event and half a non-event.

Sources: Wilson 1927, J Am Stat Assoc 22:209-212; Kleinman 1973, J Am Stat Assoc 68:46-54 (moments of the
beta-binomial, from memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from analytics.errors import ParameterError

LEVEL = 0.95
JEFFREYS = 0.5


@dataclass(frozen=True, slots=True)
class Belief:
    """Chance (0 to 1) that the standard holds; the prior's value and how many units it counts as."""

    chance: float
    prior: float
    prior_units: float


def perfect_record(standard: float, *, at_most: bool, level: float = LEVEL) -> float:
    """Return how many units without a single fault would just meet a standard; infinite where none can.

    Parameters
    ----------
    standard
        Share of 0 to 1.
    at_most
        Whether the share may be at most, or has to be at least, the standard.

    Examples
    --------
    >>> perfect_record(0.02, at_most=True), perfect_record(0.95, at_most=False)
    (189.0, 73.0)
    """
    allowed = standard if at_most else 1 - standard
    if allowed <= 0:
        return np.inf
    if allowed >= 1:
        return 1.0
    z2 = stats.norm.ppf(0.5 + level / 2) ** 2
    return float(np.ceil(z2 * (1 - allowed) / allowed - 1e-9))


def units_to_decide(share: float, standard: float, *, level: float = LEVEL) -> float:
    """Return how many units at this share would decide; infinite where the share is the standard.

    Wilson's interval excludes a standard s where |share - s| >= z sqrt(s (1 - s) / n).

    Examples
    --------
    >>> units_to_decide(0.0, 0.02), units_to_decide(0.5, 0.5)
    (189.0, inf)
    """
    gap = abs(share - standard)
    if gap == 0:
        return np.inf
    z = stats.norm.ppf(0.5 + level / 2)
    return float(max(np.ceil(z**2 * standard * (1 - standard) / gap**2 - 1e-9), 1.0))


def holds_of_share(
    events: float, n: float, before: tuple[ArrayLike, ArrayLike], standard: float, *, at_most: bool
) -> Belief:
    """Return the chance that a share meets its standard, given its own and earlier periods' counts.

    Parameters
    ----------
    events, n
        Of the periods judged.
    before
        Events and units of each earlier period, shapes (k,); empty where there is none.
    standard, at_most
        Share of 0 to 1, and its side.

    Examples
    --------
    With nothing known before and nothing seen, Jeffreys' prior is even about a half:

    >>> round(holds_of_share(0, 0, ([], []), 0.5, at_most=True).chance, 6)
    0.5
    """
    y, m = (np.asarray(a, dtype=float) for a in before)
    y, m = y[m > 0], m[m > 0]
    if not 0 <= standard <= 1:
        raise ParameterError("sequential.holds_of_share(standard): outside 0 to 1")
    units = _prior_units(y, m)
    mean = float(y.sum() / m.sum()) if units > 0 else 0.5
    a = JEFFREYS + units * mean + events
    b = JEFFREYS + units * (1 - mean) + (n - events)
    under = float(stats.beta.cdf(standard, a, b))
    return Belief(under if at_most else 1 - under, mean, units)


def _prior_units(y: np.ndarray, m: np.ndarray) -> float:
    """Return how many units the earlier periods count as: as few as their spread asks for."""
    if not len(m):
        return 0.0
    total, k = float(m.sum()), len(m)
    p = float(y.sum() / total)
    if k < 2 or not 0 < p < 1:
        return total if k > 1 else min(total, float(m.mean()))
    spread = float((m * (y / m - p) ** 2).sum() / (p * (1 - p)))
    effective = total - float((m**2).sum()) / total
    rho = (spread - (k - 1)) / (effective - (k - 1)) if effective > k - 1 else 0.0
    if rho <= 0:
        return total
    # Spread rho between periods: a period to come is known no better than from 1 / rho - 1 units.
    return float(min(total, 1 / min(rho, 1.0) - 1))


def holds_of_mean(
    estimate: float, se: float, before: tuple[ArrayLike, ArrayLike], standard: float, *, at_most: bool
) -> Belief:
    """Return the chance that a mean meets its standard, given its own and earlier periods' estimates.

    The prior is normal: the earlier periods' weighted mean, its variance their error and the variance
    between them (DerSimonian & Laird's moments); flat where there is none. `prior_units` is then the number
    of periods.

    Examples
    --------
    >>> holds_of_mean(10.0, 1.0, ([], []), 10.0, at_most=True).chance
    0.5
    """
    x, s = (np.asarray(a, dtype=float) for a in before)
    ok = np.isfinite(x) & np.isfinite(s) & (s > 0)
    x, s = x[ok], s[ok]
    value, variance, prior = estimate, se**2, np.nan
    if len(x):
        w = 1 / s**2
        prior = float((w * x).sum() / w.sum())
        q, c = float((w * (x - prior) ** 2).sum()), float(w.sum() - (w**2).sum() / w.sum())
        tau2 = max(0.0, (q - (len(x) - 1)) / c) if len(x) > 1 and c > 0 else 0.0
        spread = tau2 + 1 / w.sum()
        total = 1 / spread + 1 / variance
        value, variance = (prior / spread + estimate / variance) / total, 1 / total
    under = float(stats.norm.cdf((standard - value) / np.sqrt(variance)))
    return Belief(under if at_most else 1 - under, prior, float(len(x)))
