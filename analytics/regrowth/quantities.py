"""What follows from a fitted emergence model, each number with its standard error by the delta method.

A quantity is a function of the fixed effects and the spreads; its error joins the robust covariance of the
one and the covariance of the other (they are independent to first order). Definitions, for a placement
drawn at random, case mix average:

* yield at month m: the *mean over placements*, E[(P + b) F(m / (H exp(t)))], b and t the random plateau and
  log tempo;
* half month, month of 95 % of plateau: those of the placement of usual tempo (t = 0).

Shares past a milestone and medians come from `regrowth.distribution`.

The spread of the true plateau is the estimated one less what errors add: that of planted density, (plateau
x planted CV) squared, and that of readers' habits, alike. Integrals over t: 21 Gauss-Hermite nodes.
Intervals: t quantiles on as many degrees of freedom as patients of the zone, less one; months and ratios on
the log, shares on the logit scale.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import expit, logit

from analytics.dictionary import FRONT
from analytics.errors import ParameterError
from analytics.numerics.nonlinear import curves
from analytics.regrowth.emergence import Emergence
from analytics.regrowth.layout import HALF, PLATEAU, STEEPNESS
from analytics.results import LEVEL, limits

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(21)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
_STEP = 1e-5
FRONT_NAME = "front"
_TINY = 1e-9


def _inside(share: np.ndarray) -> np.ndarray:
    return np.clip(share, _TINY, 1 - _TINY)


# Each scale: the way there, the slope there, the way back.
_SCALES: dict[str, tuple[Callable, Callable, Callable]] = {
    "identity": (lambda v: v, np.ones_like, lambda v: v),
    "log": (lambda v: np.log(np.maximum(v, _TINY)), lambda v: 1 / np.maximum(v, _TINY), np.exp),
    "logit": (lambda v: logit(_inside(v)), lambda v: 1 / (_inside(v) * (1 - _inside(v))), expit),
}


@dataclass(frozen=True, slots=True)
class Quantity:
    """One derived number: estimate, standard error, limits, degrees of freedom."""

    estimate: float
    se: float
    ci_low: float
    ci_high: float
    df: float


def weights_of(fit: Emergence, zone: str) -> np.ndarray:
    """Return the weight of every zone in a named one: itself, or `front` (by placements).

    Parameters
    ----------
    fit
        Of `fit_emergence`.
    zone
        A zone of the fit, or `front`.

    Returns
    -------
    numpy.ndarray
        Shape (zones,), 0 or more, summing to 1.

    Raises
    ------
    ParameterError
        When the zone is not in the fit.
    """
    if zone != FRONT_NAME:
        one = np.zeros(len(fit.zones))
        one[fit.zone_index(zone)] = 1.0
        return one
    share = np.array([n if z in FRONT else 0.0 for z, n in zip(fit.zones, fit.n_placements, strict=True)])
    if not share.sum() > 0:
        raise ParameterError(
            "regrowth(zone): no zone of the front in this fit; use one of " + ", ".join(fit.zones)
        )
    return share / share.sum()


def parameters(fit: Emergence, beta: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return plateau, log half month and log steepness of every zone at fixed effects (p,) or (n, p).

    Parameters
    ----------
    fit
        Of `fit_emergence`.
    beta
        Fixed effects, (p,) or (n, p).

    Returns
    -------
    tuple of arrays
        Plateau (percent of planted hairs), log half month (log months), log steepness; (zones,) or (n,
        zones).
    """
    (p0, _), (h0, h1), (s0, s1) = fit.slices[PLATEAU], fit.slices[HALF], fit.slices[STEEPNESS]
    own = beta[..., s0:s1] if s1 > s0 else np.zeros((*beta.shape[:-1], max(fit.steepness_of_zone) + 1))
    log_k = own[..., list(fit.steepness_of_zone)] + fit.held_log_steepness
    return beta[..., p0 : p0 + len(fit.zones)], beta[..., h0:h1][..., list(fit.half_of_zone)], log_k


def true_plateau_variances(fit: Emergence, beta: np.ndarray, spread: np.ndarray) -> tuple[float, float]:
    """Return the variance of the true plateau between patients, and between placements of a patient.

    Not floored at 0, where a derivative would vanish and an interval be too narrow; callers floor the sum.
    """
    named = dict(zip(fit.spread_names, spread, strict=True))
    plateau = float(np.average(parameters(fit, beta)[0], weights=fit.n_placements))
    source = next(s for s in ("region", "zone") if f"placement: plateau ({s})" in named)
    placement = named[f"placement: plateau ({source})"] - (plateau * fit.planted_cv[source]) ** 2
    reader = (plateau * fit.reader_cv) ** 2
    if "patient: plateau" not in named:
        return 0.0, placement - reader
    return named["patient: plateau"] - reader, placement


def variances(fit: Emergence, beta: np.ndarray, spread: np.ndarray) -> tuple[float, float, float]:
    """Return the variances of true plateau and log tempo, all levels together, and their covariance.

    Parameters
    ----------
    fit
        Of `fit_emergence`.
    beta
        Fixed effects, (p,).
    spread
        Spreads as in `fit.spread`.

    Returns
    -------
    tuple of float
        Points squared; log months squared; their covariance.
    """
    return sum(true_plateau_variances(fit, beta, spread)), *_of_tempo(fit, spread)


def _of_tempo(fit: Emergence, spread: np.ndarray) -> tuple[float, float]:
    """Return the variance of log tempo, and its covariance with true plateau."""
    named = dict(zip(fit.spread_names, spread, strict=True))
    tempo = named.get("patient: log tempo", 0.0) + named.get("placement: log tempo", 0.0)
    return tempo, named.get("patient: log tempo with plateau", 0.0)


def mean_yield(fit: Emergence, k: int, months, beta, spread) -> np.ndarray:
    """Return the mean yield of zone number k at the months given, percent of planted hairs.

    Of fixed effects (p,) at months (m,); or of (n, p), at the same months (m,) or at months (n, m) each.

    Parameters
    ----------
    fit
        Of `fit_emergence`.
    k
        Number of the zone in `fit.zones`, from 0.
    months
        Months after the session, 0 or more, (m,) or (n, m).
    beta
        Fixed effects, (p,) or (n, p).
    spread
        Spreads as in `fit.spread`.

    Returns
    -------
    numpy.ndarray
        Percent of planted hairs, (m,) or (n, m).
    """
    beta = beta[..., None, None, :]
    plateau, log_half, log_k = (v[..., k] for v in parameters(fit, beta))
    tempo, covariance = _of_tempo(fit, spread)
    slope = covariance / tempo if tempo > 1e-12 else 0.0
    t = np.sqrt(max(tempo, 0.0)) * _NODES
    ratio = np.asarray(months, dtype=float)[..., None] * np.exp(-log_half - t)
    emerged = curves.share(fit.shape_at(beta), ratio, log_k)[0]
    return ((plateau + slope * t) * emerged) @ _WEIGHTS


def quantities(
    fit: Emergence,
    function: Callable,
    *,
    level: float = LEVEL,
    df: float | np.ndarray,
    scale: str = "identity",
) -> list[Quantity]:
    """Return the quantities that a function of fixed effects and spreads gives, with limits.

    Parameters
    ----------
    fit
        Of `fit_emergence`.
    function
        (beta, spread) -> shape (m,).
    df
        Degrees of freedom of the t quantile, from `degrees`: one number, or (m,).
    scale
        The scale on which the limits are made: identity, log or logit.

    Returns
    -------
    list of Quantity
        One for each of m: estimate, standard error, limits, degrees of freedom.
    """
    estimate = np.asarray(function(fit.beta, fit.spread), dtype=float)
    se = np.sqrt(np.maximum(_quadratic(fit, *_slopes(fit, function)), 0.0))
    forward, stretch, back = _SCALES[scale]
    low, high = (back(end) for end in limits(forward(estimate), se * stretch(estimate), level=level, df=df))
    return [
        Quantity(*map(float, one))
        for one in zip(estimate, se, low, high, np.broadcast_to(df, estimate.shape), strict=True)
    ]


def _slopes(fit: Emergence, function: Callable) -> tuple[np.ndarray, np.ndarray]:
    by_beta = _differences(lambda b: function(b, fit.spread), fit.beta, np.sqrt(np.diag(fit.beta_cov)))
    by_spread = _differences(lambda s: function(fit.beta, s), fit.spread, np.sqrt(np.diag(fit.spread_cov)))
    return by_beta, by_spread


def _differences(function: Callable, at: np.ndarray, sizes: np.ndarray) -> np.ndarray:
    columns = []
    for i in range(len(at)):
        step = np.zeros(len(at))
        step[i] = _STEP * max(np.nan_to_num(sizes[i]), 1e-8)
        rise = np.asarray(function(at + step)) - np.asarray(function(at - step))
        columns.append(rise / (2 * step[i]))
    return np.column_stack(columns)


def _quadratic(fit: Emergence, by_beta: np.ndarray, by_spread: np.ndarray) -> np.ndarray:
    fixed = np.einsum("ip,pq,iq->i", by_beta, fit.beta_cov, by_beta)
    return fixed + np.einsum("ip,pq,iq->i", by_spread, fit.spread_cov, by_spread)


def degrees(fit: Emergence, *zones: str) -> float:
    """Return degrees of freedom: patients of the zone (the smallest of those named), less one.

    Parameters
    ----------
    fit
        Of `fit_emergence`.
    zones
        Names of zones, or `front`.

    Returns
    -------
    float
        1 or more.
    """
    counts = [float(fit.n_patients[weights_of(fit, z) > 0].max()) for z in zones]
    return max(min(counts) - 1.0, 1.0)
