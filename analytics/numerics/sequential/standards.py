"""What does a standard ask of the numbers, and how likely does it hold while they cannot decide?

A standard is met when the whole Wilson interval of a share lies on its good side. From that follow the record
without a single fault that would just do (`perfect_record`), and how many units would decide at a given share
(`units_to_decide`).

While the interval holds the standard, the chance that the true value meets it is given, drawn towards what
earlier periods were: a beta-binomial posterior for shares, `numerics.meta.few` for means. How far periods lie
apart is not taken from a few of them as known (their moments often say *not at all*, and then years of
quarters speak against the present one): it is summed over, with a half-normal prior. Without earlier periods
Jeffreys' half an event and half a non-event stands alone.

Sources: Wilson 1927, J Am Stat Assoc 22:209-212; Griffiths 1973, Biometrics 29:637-648 (the beta-binomial
likelihood, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from analytics.errors import ParameterError
from analytics.numerics import meta

LEVEL = 0.95
JEFFREYS = 0.5
# How far a practice's means lie apart from period to period: half-normal, its scale this share of the spread
# of their values; no source.
SPREAD_OF_MEANS = 0.25
_LOGITS, _TAUS = np.linspace(-9.0, 9.0, 181), np.linspace(0.02, 2.0, 34)


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

    Returns
    -------
    float
        Whole units, or infinity.

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
    z2 = scipy.special.ndtri(0.5 + level / 2) ** 2
    return float(np.ceil(z2 * (1 - allowed) / allowed - 1e-9))


def units_to_decide(share: float, standard: float, *, level: float = LEVEL) -> float:
    """Return how many units at this share would decide; infinite where the share is the standard.

    Wilson's interval excludes a standard s where |share - s| >= z sqrt(s (1 - s) / n).

    Parameters
    ----------
    share, standard
        0 to 1.

    Returns
    -------
    float
        Whole units, or infinity.

    Examples
    --------
    >>> units_to_decide(0.0, 0.02), units_to_decide(0.5, 0.5)
    (189.0, inf)
    """
    gap = abs(share - standard)
    if gap == 0:
        return np.inf
    z = scipy.stats.norm.ppf(0.5 + level / 2)
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

    Raises
    ------
    ParameterError
        When the standard lies outside 0 to 1.

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
    if not len(m):
        under = float(scipy.stats.beta.cdf(standard, JEFFREYS + events, JEFFREYS + n - events))
        return Belief(under if at_most else 1 - under, 0.5, 0.0)
    mean, counted, weight = _spreads(y, m)
    here = weight * np.exp(_log_chance(events, n, mean, counted))
    a, b = mean * counted, (1 - mean) * counted
    under = float(np.sum(here * scipy.stats.beta.cdf(standard, a + events, b + n - events)) / here.sum())
    middle = float(np.sum(weight * mean))
    spread = float(np.sum(weight * ((mean - middle) ** 2 + mean * (1 - mean) / (counted + 1))))
    return Belief(under if at_most else 1 - under, middle, middle * (1 - middle) / spread - 1)


def _spreads(y: np.ndarray, m: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return means, units they count as (mean (1 - mean) / variance - 1) and chances, by earlier periods."""
    logit, tau = (v.ravel() for v in np.meshgrid(_LOGITS, _TAUS, indexing="ij"))
    mean = scipy.special.expit(logit)
    # On the logit scale a share's standard deviation tau is about tau x mean x (1 - mean).
    counted = 1 / (tau**2 * mean * (1 - mean))
    each = _log_chance(y[:, None], m[:, None], mean, counted).sum(axis=0)
    # Jeffreys' prior of a share is even in its logit but for the root of mean x (1 - mean).
    each += 0.5 * np.log(mean * (1 - mean)) - 0.5 * (tau / meta.SCALE_OF_LOGS) ** 2
    weight = np.exp(each - each.max())
    return mean, counted, weight / weight.sum()


def _log_chance(y: ArrayLike, m: ArrayLike, mean: np.ndarray, counted: np.ndarray) -> np.ndarray:
    """Return the log of the beta-binomial chance of y of m, but for the count of their orders."""
    a, b = mean * counted, (1 - mean) * counted
    return scipy.special.betaln(a + y, b + np.subtract(m, y)) - scipy.special.betaln(a, b)


def holds_of_mean(
    estimate: float,
    se: float,
    before: tuple[ArrayLike, ArrayLike],
    standard: float,
    *,
    at_most: bool,
    spread: float,
) -> Belief:
    """Return the chance that a mean meets its standard, given its own and earlier periods' estimates.

    Each period is a group of `numerics.meta.few`. `prior_units` is the number of earlier periods. The chance
    is missing where the estimate has no error: values that are all alike show none.

    Parameters
    ----------
    estimate, se
        Of the periods judged.
    before
        Estimates and standard errors of each earlier period, shapes (k,); empty where there is none.
    standard, at_most
        In the unit of the mean, and its side.
    spread
        Of a period's values (SD), above 0; periods are held to lie apart by about a quarter of it.

    Parameters
    ----------
    estimate, se
        Of the periods judged, in the unit of the standard; an error of 0 is none.
    before
        Estimates and standard errors of each earlier period, (k,) each.
    standard
        In the same unit.
    at_most
        Whether the mean is to be at most, or at least, the standard.

    Source
    ------
    DerSimonian & Laird 1986, Control Clin Trials 7:177-188.

    Examples
    --------
    >>> holds_of_mean(10.0, 1.0, ([], []), 10.0, at_most=True, spread=4.0).chance
    0.5
    """
    x, s = (np.asarray(a, dtype=float) for a in before)
    ok = np.isfinite(x) & np.isfinite(s) & (s > 0)
    x, s = x[ok], s[ok]
    scale = SPREAD_OF_MEANS * spread
    prior = meta.few(x, s**2, scale=scale).mean.mean if len(x) > 1 else float(x.sum()) if len(x) else np.nan
    if not se > 0:
        return Belief(np.nan, prior, float(len(x)))
    if len(x):
        under = meta.few([*x, estimate], [*(s**2), se**2], scale=scale).groups[-1].below(standard)
    else:
        under = float(scipy.stats.norm.cdf((standard - estimate) / se))
    return Belief(under if at_most else 1 - under, prior, float(len(x)))
