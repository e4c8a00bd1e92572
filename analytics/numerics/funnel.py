"""Funnel limits: which units differ from the rest by more than chance at their volume?

Limits are exact for counts and interpolated between whole numbers so that they are smooth in volume;
z-scores carry over-dispersion (units differ by more than counting error even when none is special),
estimated from winsorised z-scores as a factor phi on the variance or as an added variance tau2 between
units.

Sources: Spiegelhalter 2005, Stat Med 24:1185-1202 (limits, interpolation in its appendix, over-dispersion);
DerSimonian & Laird 1986, Control Clin Trials 7:177-188 (moment estimate of tau2).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from analytics.errors import ParameterError

LEVELS = (0.95, 0.998)
WINSORISED_SHARE = 0.1
MIN_UNITS = 8  # fewer: intervals, no funnel (over-dispersion cannot be judged; about 10 is the usual advice)


@dataclass(frozen=True, slots=True)
class Dispersion:
    """How much more units differ than chance: phi (factor) and tau2 (added variance), with their z-scores."""

    z: np.ndarray
    phi: float
    tau2: float
    p_value: float
    n_units: int


def binomial_limits(sizes: ArrayLike, target: float, *, level: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
    """Return exact, interpolated limits for proportions (0 to 1) around a target.

    Parameters
    ----------
    sizes
        Number of cases of each unit, shape (k,), above 0.
    target
        The proportion all units would share, between 0 and 1.
    level
        Share of in-control units inside the limits (0.95 and 0.998 are usual).

    Returns
    -------
    tuple of arrays
        Lower and upper limit, proportions, (k,) each.

    Raises
    ------
    ParameterError
        When the target lies outside 0 to 1 or a size is not above 0.

    Source
    ------
    Spiegelhalter 2005, Stat Med 24:1185-1202, appendix.

    Examples
    --------
    >>> low, high = binomial_limits([10], 0.5)
    >>> round(float(low[0]), 3), round(float(high[0]), 3)
    (0.132, 0.768)
    """
    n = np.asarray(sizes, dtype=float)
    if not 0 < target < 1 or (n <= 0).any():
        raise ParameterError("funnel.binomial_limits: target outside 0 to 1 or a size not above 0")
    tail = (1 - level) / 2
    dist = scipy.stats.binom(n, target)
    low, high = (_interpolated(dist, share) / n for share in (tail, 1 - tail))
    return np.maximum(low, 0.0), np.minimum(high, 1.0)


def normal_limits(se: ArrayLike, target: float, *, level: float = 0.95, phi: float = 1.0, tau2: float = 0.0):
    """Return target -/+ z sqrt(phi se^2 + tau2): limits for any estimate with a standard error.

    Parameters
    ----------
    se
        Standard error of each unit, any shape, in the unit of the target.
    target
        The value all units would share.
    level
        Share of in-control units inside the limits.
    phi, tau2
        Over-dispersion as a factor or as an added variance, from `dispersion`.

    Returns
    -------
    tuple of arrays
        Lower and upper limit, of the shape of `se`.

    Source
    ------
    Spiegelhalter 2005, Stat Med 24:1185-1202.

    Examples
    --------
    >>> low, high = normal_limits([1.0], 0.0)
    >>> round(float(high[0]), 2)
    1.96
    """
    half = scipy.stats.norm.ppf(0.5 + level / 2) * np.sqrt(phi * np.asarray(se, dtype=float) ** 2 + tau2)
    return target - half, target + half


def proportion_z(
    events: ArrayLike, sizes: ArrayLike, target: float | None = None
) -> tuple[np.ndarray, float]:
    """Return the z-score of each unit's proportion against the target (the pooled share if not given).

    Parameters
    ----------
    events, sizes
        Counts of each unit, shape (k,); sizes above 0.
    target
        The proportion all units would share, between 0 and 1.

    Returns
    -------
    tuple
        The z-scores (k,) and the target.

    Examples
    --------
    >>> z, target = proportion_z([10, 20], [100, 100])
    >>> round(target, 2), bool(np.isclose(z.sum(), 0))
    (0.15, True)
    """
    y, n = np.asarray(events, dtype=float), np.asarray(sizes, dtype=float)
    centre = float(y.sum() / n.sum()) if target is None else target
    return (y / n - centre) / np.sqrt(centre * (1 - centre) / n), centre


def robust_centre(
    part: ArrayLike, whole: ArrayLike, se_of_one: ArrayLike | None = None, *, beyond: float = 3.0
) -> tuple[float, np.ndarray]:
    """Return the centre of a funnel without its extreme units, and which units it rests on.

    The unit farthest beyond `beyond` standard errors of the pooled share is left out and the share pooled
    anew, until none is.

    Parameters
    ----------
    part, whole
        Totals of each unit, shape (k,).
    se_of_one
        Standard error of each unit's share; binomial about the pooled share if not given.
    beyond
        Standard errors past which a unit is left out, above 0.

    Returns
    -------
    tuple
        The pooled share, and which units it rests on, (k,) of bool.

    Source
    ------
    Spiegelhalter 2005, Stat Med 24:1185-1202 (a centre that no extreme unit moves); exclusion one by one.

    Examples
    --------
    >>> centre, used = robust_centre([10, 10, 10, 60], [100, 100, 100, 100])
    >>> centre, used.tolist()
    (0.1, [True, True, True, False])
    """
    y, n = np.asarray(part, dtype=float), np.asarray(whole, dtype=float)
    used = np.ones(len(y), dtype=bool)
    while True:
        centre = float(y[used].sum() / n[used].sum())
        se = np.sqrt(centre * (1 - centre) / n) if se_of_one is None else np.asarray(se_of_one, dtype=float)
        with np.errstate(divide="ignore", invalid="ignore"):
            z = np.where(se > 0, np.abs(y / n - centre) / se, 0.0)
        far = np.where(used, z, 0.0)
        if far.max() <= beyond or used.sum() <= 2:
            return centre, used
        used[int(far.argmax())] = False


def dispersion(
    z: ArrayLike, se: ArrayLike | None = None, *, winsorised: float = WINSORISED_SHARE
) -> Dispersion:
    """Return over-dispersion from z-scores, the most extreme share at each end drawn in first.

    phi is the mean of the squared z-scores. tau2 is its additive counterpart, 0 unless phi exceeds what k
    units allow.

    Parameters
    ----------
    z
        Shape (k,).
    se
        Standard errors behind z, shape (k,); needed for tau2.
    winsorised
        Share of units at each end whose z is replaced by the quantile there; 0 for none.

    Source
    ------
    Spiegelhalter 2005, Stat Med 24:1185-1202.

    Examples
    --------
    >>> dispersion([1.0, -1.0, 2.0, -2.0], winsorised=0.0).phi
    2.5
    """
    raw = np.asarray(z, dtype=float)
    k = len(raw)
    edges = np.quantile(raw, [winsorised, 1 - winsorised]) if k else np.zeros(2)
    drawn = np.clip(raw, *edges) if winsorised > 0 else raw
    phi = float((drawn**2).mean()) if k else np.nan
    tau2 = np.nan
    if se is not None and k > 1:
        w = 1 / np.asarray(se, dtype=float) ** 2
        tau2 = float(max(0.0, (k * phi - (k - 1)) / (w.sum() - (w**2).sum() / w.sum())))
    return Dispersion(drawn, phi, tau2, float(scipy.stats.chi2.sf(k * phi, k)) if k else np.nan, k)


def _interpolated(dist, share: float) -> np.ndarray:
    """Return r - (F(r) - share) / (F(r) - F(r - 1)), r the smallest count with F(r) >= share."""
    r = dist.ppf(share)
    at, mass = dist.cdf(r), dist.pmf(r)
    return r - (at - share) / mass
