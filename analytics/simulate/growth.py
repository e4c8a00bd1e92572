"""How hair behaves in the invented clinic: emergence of planted hair, the path of native hair (arrays)."""

import numpy as np
from scipy import special

from analytics.errors import ParameterError
from analytics.simulate.truth import MONTHS_OFF_THERAPY, Truth

CURVES = ("log-logistic", "log-normal", "weibull", "gamma", "late wave", "lag")
# A late wave (invented): this share of the hair follows a log-logistic that comes so many times later.
LATE_SHARE, LATE_TIMES = 0.25, 1.8
LAG = 0.4  # of the half month: nothing shows before (invented; shed hair is said to regrow from month 3)
SHED_FULL_MONTH, SHED_TURNS_MONTH, SHED_GONE_MONTH = 1.5, 3.0, 9.0


def emerged(ratio, shape, *, curve: str = "log-logistic") -> np.ndarray:
    """Return the share of the plateau that has emerged, 0 to 1.

    Every curve passes through one half where the ratio is 1; `shape` is its steepness: the exponent of the
    log-logistic, 1 / sigma of the log-normal, the exponent of the Weibull, the shape of the gamma. The late
    wave is a log-logistic, part of which comes later; the lag a log-logistic that begins after a while.

    Parameters
    ----------
    ratio
        Months since the session over the half month; 0 or less has emerged not at all.
    shape
        Above 0; broadcast against `ratio`.
    curve
        One of CURVES.

    Returns
    -------
    numpy.ndarray
        Shares of 0 to 1, of the shape they broadcast to.

    Raises
    ------
    ParameterError
        When the curve is unknown.

    Examples
    --------
    >>> emerged([0.0, 1.0, 2.0], 2.0).tolist()
    [0.0, 0.5, 0.8]
    """
    u = np.maximum(np.asarray(ratio, dtype=float), 0.0)
    k = np.asarray(shape, dtype=float)
    if curve == "log-logistic":
        power = u**k
        return power / (1.0 + power)
    if curve == "log-normal":
        return special.ndtr(k * np.log(np.maximum(u, 1e-12)))
    if curve == "weibull":
        return -np.expm1(-np.log(2.0) * u**k)
    if curve == "gamma":
        return special.gammainc(k, u * special.gammaincinv(k, 0.5))
    if curve == "late wave":
        return _two_waves(u * _late_wave_half(k), k)
    if curve == "lag":
        return emerged(np.maximum(u - LAG, 0.0) / (1.0 - LAG), k)
    raise _unknown_curve()


def _two_waves(u: np.ndarray, k: np.ndarray) -> np.ndarray:
    """Return a log-logistic of half time 1 with a share of it LATE_TIMES later."""
    return (1.0 - LATE_SHARE) * emerged(u, k) + LATE_SHARE * emerged(u / LATE_TIMES, k)


def _late_wave_half(k: np.ndarray) -> np.ndarray:
    """Return the half time of both waves together, in half times of the first, by bisection."""
    values, back = np.unique(np.atleast_1d(k), return_inverse=True)
    low, high = np.ones(len(values)), np.full(len(values), LATE_TIMES)
    for _ in range(50):
        middle = (low + high) / 2
        under = _two_waves(middle, values) < 0.5
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return low[back].reshape(np.shape(k))


def emerged_at(share, shape, *, curve: str = "log-logistic") -> np.ndarray:
    """Return the ratio to the half month at which a share of the plateau has emerged; infinite from 1 on.

    Parameters
    ----------
    share
        Share of the plateau, 0 or more.
    shape
        Above 0; broadcast against `share`.
    curve
        One of CURVES.

    Returns
    -------
    numpy.ndarray
        Months over the half month.

    Raises
    ------
    ParameterError
        When the curve is unknown.

    Examples
    --------
    >>> emerged_at([0.5, 0.8, 1.0], 2.0).tolist()
    [1.0, 2.0, inf]
    """
    q = np.asarray(share, dtype=float)
    inside = np.clip(q, 0.0, 1.0 - 1e-15)
    k = np.asarray(shape, dtype=float)
    if curve == "log-logistic":
        ratio = (inside / (1.0 - inside)) ** (1.0 / k)
    elif curve == "log-normal":
        ratio = np.exp(special.ndtri(inside) / k)
    elif curve == "weibull":
        ratio = (-np.log1p(-inside) / np.log(2.0)) ** (1.0 / k)
    elif curve == "gamma":
        ratio = special.gammaincinv(k, inside) / special.gammaincinv(k, 0.5)
    elif curve == "lag":
        ratio = LAG + (1.0 - LAG) * (inside / (1.0 - inside)) ** (1.0 / k)
    elif curve == "late wave":
        ratio = _inverse(inside, k, curve)
    else:
        raise _unknown_curve()
    return np.where(q < 1.0, ratio, np.inf)


def _inverse(share: np.ndarray, k: np.ndarray, curve: str) -> np.ndarray:
    """Return where a curve reaches a share, by bisection on the log."""
    share, k = np.broadcast_arrays(share, k)
    low, high = np.full(share.shape, -14.0), np.full(share.shape, 14.0)
    for _ in range(60):
        middle = (low + high) / 2
        under = emerged(np.exp(middle), k, curve=curve) < share
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return np.exp(low)


def therapy_log_ratio(time, start, stop, truth: Truth) -> np.ndarray:
    """Return how far therapy has lifted native hair above the untreated path, as a log ratio.

    Rises with the first-year and later rates while on therapy (and by the loss it prevents), and falls
    back to 0 in a straight line within 24 weeks of stopping. Of several courses the one that lifts most
    counts.

    Parameters
    ----------
    time
        Shape (n,), months of the register.
    start, stop
        Shape (n, courses), months of the register; NaN where there is no course, infinite where it goes on.
    """
    t = np.asarray(time, dtype=float)[:, None]
    loss = -np.log1p(-truth.native_loss_pct / 100.0) / 12.0
    first = np.log1p(truth.therapy_first_year_pct / 100.0) / 12.0 + loss
    later = np.log1p(truth.therapy_later_pct / 100.0) / 12.0 + loss
    on = np.clip(np.minimum(t, stop) - start, 0.0, None)
    lifted = first * np.minimum(on, 12.0) + later * np.maximum(on - 12.0, 0.0)
    remaining = np.clip(1.0 - np.maximum(t - stop, 0.0) / MONTHS_OFF_THERAPY, 0.0, 1.0)
    return np.nan_to_num(lifted * remaining, nan=0.0).max(axis=1, initial=0.0)


def shed_share(month, truth: Truth) -> np.ndarray:
    """Return the share of native hair absent because surgery shed it, by months since the session.

    Rises from the session to month 1.5, stays to month 3, and is back by month 9 (months assumed:
    practitioner texts, no counts).
    """
    m = np.asarray(month, dtype=float)
    knots = [0.0, SHED_FULL_MONTH, SHED_TURNS_MONTH, SHED_GONE_MONTH]
    return truth.shed_native_pct / 100.0 * np.interp(m, knots, [0.0, 1.0, 1.0, 0.0], left=0.0, right=0.0)


def _unknown_curve() -> ParameterError:
    return ParameterError(f"simulate(curve): 1 unknown word; use one of {', '.join(CURVES)}")
