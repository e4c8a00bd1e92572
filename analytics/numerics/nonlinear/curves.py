"""Which curve does emergence follow: five shapes, their derivatives, and starts that need no guess.

A shape gives the share of a placement's *own* plateau that has emerged by time t, in terms of u = log(t /
half) (half: the time of half the plateau) and of a steepness k > 0, so that every shape is 0 at t = 0, 1/2
at t = half and 1 in the limit:

* log-logistic  F = 1 / (1 + exp(-k u))
* log-normal    F = Phi(k u), so that k is 1 / sigma of log time
* Weibull       F = 1 - exp(-ln 2 exp(k u))
* Gompertz      F = (G(t) - G(0)) / (1 - G(0)), G = exp(-k q^exp(u)): the growth curve of Gompertz rebased
  to 0 at t = 0, with q chosen so that F(half) = 1/2
* Burr          F = 1 - (1 + (2^a - 1) exp(c u))^(-1 / a): a third parameter a > 0, the tail. At a = 1 it is
  the log-logistic, towards 0 the Weibull (the last hair comes early), above 1 the last hair comes late. c
  is such that it is as steep at half as the log-logistic of steepness k: F rises by k / 4 a unit of u

k, half and a enter by their logarithm, so that no step of a fit can leave their range.

Sources: log-logistic, log-normal and Weibull distribution functions: Johnson, Kotz & Balakrishnan 1994-95,
Continuous Univariate Distributions, 2nd ed., chapters 14, 21 and 23 (from memory). Growth curve: Gompertz
1825, Phil Trans R Soc 115:513-83; as a growth curve Winsor 1932, PNAS 18:1-8 (from memory). Burr 1942, Ann
Math Stat 13:215-32, type XII (from memory).
"""

from collections.abc import Callable
from functools import partial

import numpy as np
import scipy
from scipy.special import expit, ndtr, ndtri

from analytics.errors import ParameterError

SHAPES = ("log-logistic", "log-normal", "Weibull", "Gompertz", "Burr")
TAILED = "Burr"  # the shape with a third parameter

# A shape's name; or of the tailed one its name with the log tail, a number or an array.
Shape = str | tuple[str, np.ndarray]

# Beyond these a shape is a step or a straight line of log time as far as any reading can tell.
LOG_STEEPNESS_LIMITS = (-2.5, 3.5)
LOG_TAIL_LIMITS = (-4.0, 3.0)
_LN2 = np.log(2.0)
_NOTHING, _ALIKE = 1e-300, 1e-12
_STEEPNESS_GRID = np.linspace(0.0, 2.3, 9)
_QUANTILE_GRID = np.linspace(0.1, 0.9, 15)


def share(shape: Shape, time_ratio, log_steepness) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the share of the plateau emerged, and its slopes in log time and in log steepness.

    Parameters
    ----------
    shape
        One of SHAPES, or (TAILED, log tail); TAILED alone has tail 1.
    time_ratio
        Shape (n,), 0 or more: time divided by the time of half the plateau.
    log_steepness
        Shape (n,) or one number: log k.

    Returns
    -------
    tuple of arrays, shape (n,)
        F, dF / d log t, dF / d log k.

    Raises
    ------
    ParameterError
        When the shape is unknown.

    Examples
    --------
    At the half time every shape is one half, and the log-logistic rises by k / 4 a unit of log time:

    >>> [float(v) for v in share("log-logistic", 1.0, np.log(2.0))]
    [0.5, 0.5, 0.0]
    """
    emerged, by_time, by_steepness, *_ = _slopes(shape, time_ratio, log_steepness)
    return emerged, by_time, by_steepness


def _slopes(shape: Shape, time_ratio, log_steepness) -> tuple[np.ndarray, ...]:
    """Return what `share` gives, and of the tailed shape the slope in log tail too."""
    name, tail = (shape, 0.0) if isinstance(shape, str) else shape
    parts = (np.asarray(v, dtype=float) for v in (time_ratio, log_steepness, tail))
    ratio, log_k, log_tail = np.broadcast_arrays(*parts)
    after = ratio > 0
    log_time = np.log(np.where(after, ratio, 1.0))
    k = np.exp(np.clip(log_k, *LOG_STEEPNESS_LIMITS))
    of_tail = (np.exp(np.clip(log_tail, *LOG_TAIL_LIMITS)),) if name == TAILED else ()
    values = _rule(name)(log_time, k, *of_tail)
    emerged, by_time, by_steepness, *by_tail = (np.where(after, v, 0.0) for v in values)
    by_tail = [v * _inside(log_tail, LOG_TAIL_LIMITS) for v in by_tail]
    return emerged, by_time, by_steepness * _inside(log_k, LOG_STEEPNESS_LIMITS), *by_tail


def _inside(values: np.ndarray, ends: tuple[float, float]) -> np.ndarray:
    return (values > ends[0]) & (values < ends[1])


def _rule(name: str) -> Callable:
    rules: dict[str, Callable] = {
        "log-logistic": _log_logistic,
        "log-normal": _log_normal,
        "Weibull": _weibull,
        "Gompertz": _gompertz,
        TAILED: _burr,
    }
    if name not in rules:
        raise ParameterError(f"curves.share(shape): unknown shape; use one of {', '.join(SHAPES)}")
    return rules[name]


def _log_logistic(log_time, k):
    emerged = expit(k * log_time)
    slope = emerged * expit(-k * log_time) * k
    return emerged, slope, slope * log_time


def _log_normal(log_time, k):
    z = k * log_time
    slope = np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi) * k
    return ndtr(z), slope, slope * log_time


def _weibull(log_time, k):
    power = _LN2 * np.exp(np.minimum(k * log_time, 6.0))
    slope = power * np.exp(-power) * k
    return -np.expm1(-power), slope, slope * log_time


def _gompertz(log_time, k):
    ratio = np.exp(np.minimum(log_time, 6.0))
    floor = np.exp(-k)
    middle = (1 + floor) / 2
    log_q = np.log(-np.log(middle) / k)
    fallen = np.exp(ratio * log_q)
    growth = np.exp(-k * fallen)
    emerged = (growth - floor) / (1 - floor)
    by_time = -growth * k * fallen * log_q * ratio / (1 - floor)
    # d log q / d k, from q = -log((1 + exp(-k)) / 2) / k
    log_q_slope = floor / (2 * middle) / -np.log(middle) - 1 / k
    growth_slope = -growth * fallen * (1 + k * ratio * log_q_slope)
    by_k = (growth_slope + floor - emerged * floor) / (1 - floor)
    return emerged, by_time, by_k * k


def _burr(log_time, k, tail):
    raised = np.exp2(tail) - 1
    turned = k * tail / 2 / -np.expm1(-tail * _LN2)
    power = raised * np.exp(np.minimum(turned * log_time, 60.0))
    log_left = -np.log1p(power) / tail
    left = np.exp(log_left)
    by_turned = left * power / (1 + power) / tail * turned  # a unit of log time
    by_steepness = by_turned * log_time
    of_raised = -left * power / (1 + power) * _LN2 * (1 + 1 / raised)
    by_tail = -(-left * log_left + of_raised) + by_steepness * (1 - tail * _LN2 / raised)
    return -np.expm1(log_left), by_turned, by_steepness, by_tail


def _burr_log_time(reached: float, k, tail):
    """Return log(time / half) at which a share has emerged."""
    turned = k * tail / 2 / -np.expm1(-tail * _LN2)
    return np.log(np.expm1(-tail * np.log1p(-reached)) / (np.exp2(tail) - 1)) / turned


def log_time_of(shape: Shape, reached: float, log_steepness) -> tuple[np.ndarray, np.ndarray]:
    """Return log(time / half) at which a share of the plateau has emerged, and its slope in log steepness.

    Parameters
    ----------
    shape
        As in `share`.
    reached
        Share of the plateau, above 0 and under 1.
    log_steepness
        Shape (n,) or one number: log k.

    Returns
    -------
    tuple of arrays
        Log of the time over the half time, and its derivative in log steepness, (n,) each.

    Examples
    --------
    A log-logistic of steepness 2 has grown 80 % (odds of 4) at twice its half time:

    >>> float(np.exp(log_time_of("log-logistic", 0.8, np.log(2.0))[0]))
    2.0
    """
    name, tail = (shape, 0.0) if isinstance(shape, str) else shape
    log_k = np.atleast_1d(np.asarray(log_steepness, dtype=float))
    k = np.exp(log_k)
    if name == "log-logistic":
        value = np.log(reached / (1 - reached)) / k
    elif name == "log-normal":
        value = ndtri(reached) / k
    elif name == "Weibull":
        value = np.log(-np.log1p(-reached) / _LN2) / k
    elif name == TAILED:
        value = _burr_log_time(reached, k, np.exp(np.clip(tail, *LOG_TAIL_LIMITS)))
    else:
        value = np.array([_solve_log_time(name, reached, one) for one in log_k.ravel()]).reshape(log_k.shape)
    _, by_time, by_steepness = share(shape, np.exp(value), log_k)
    slope = -by_steepness / by_time
    return value.reshape(np.shape(log_steepness)), slope.reshape(np.shape(log_steepness))


def _solve_log_time(shape: str, reached: float, log_k: float) -> float:
    def gap(log_time):
        return float(share(shape, np.exp(log_time), log_k)[0]) - reached

    return float(scipy.optimize.brentq(gap, -8.0, 8.0, xtol=1e-12))


def emergence(shape: str) -> Callable:
    """Return curve(x, parameters) for `nonlinear.fit`: plateau x F(x), with its derivatives.

    x is time, shape (n,); the parameters, shape (n, 3), are the plateau, log half time and log steepness.
    """
    _rule(shape)
    return partial(_emergence, shape)


def _emergence(shape, x, parameters):
    plateau, log_half, log_k = parameters.T
    emerged, by_time, by_steepness = share(shape, x * np.exp(-log_half), log_k)
    slopes = np.column_stack([emerged, -plateau * by_time, plateau * by_steepness])
    return plateau * emerged, slopes


def density(shape: str) -> Callable:
    """Return curve(x, parameters) of a hair density, with its derivatives.

    density = native x kept + planted x plateau / 100 x F(month). x, shape (n, 3), holds month, planted
    density (hairs/cm2) and the share of native hair kept at that month; the parameters, shape (n, 5), are
    the native density at month 0 (hairs/cm2), the plateau (percent of planted hairs), log half month, log
    steepness and the log tail, which serves the tailed shape alone.
    """
    _rule(shape)
    return partial(_density, shape)


def _density(shape, x, parameters):
    month, planted, kept = x.T
    native, plateau, log_half, log_k, log_tail = parameters.T
    tailed = (shape, log_tail) if shape == TAILED else shape
    emerged, by_time, by_steepness, *by_tail = _slopes(tailed, month * np.exp(-log_half), log_k)
    scale = planted / 100.0
    slopes = np.column_stack(
        [
            kept,
            scale * emerged,
            -scale * plateau * by_time,
            scale * plateau * by_steepness,
            scale * plateau * by_tail[0] if by_tail else np.zeros_like(scale),
        ]
    )
    return native * kept + scale * plateau * emerged, slopes


def start(shape: str, time, y, *, fixed=None, scale=None) -> np.ndarray:
    """Return starting values for one group of readings: the best of a grid, linear terms solved exactly.

    For each half time and steepness of a grid the model y = fixed x c + scale x plateau x F is linear in c
    and the plateau and solved by least squares (variable projection: Golub & Pereyra 1973, SIAM J Numer
    Anal 10:413-32, from memory).

    Parameters
    ----------
    shape
        One of SHAPES.
    time
        Shape (n,), 0 or more.
    y
        Shape (n,).
    fixed
        Shape (n,): multiplier of a level present from the outset (native hair); none if omitted.
    scale
        Shape (n,): multiplier of the plateau (planted density); 1 if omitted.

    Returns
    -------
    array
        [c if `fixed` is given], plateau, log half, log steepness.

    Raises
    ------
    ParameterError
        When no time is above 0.
    """
    time, y = np.asarray(time, dtype=float), np.asarray(y, dtype=float)
    if not np.any(time > 0):
        raise ParameterError("curves.start(time): no time above 0; a curve needs readings after the outset")
    scale = np.ones(len(time)) if scale is None else np.asarray(scale, dtype=float)
    base = np.zeros(len(time)) if fixed is None else np.asarray(fixed, dtype=float)
    halves = np.log(np.unique(np.quantile(time[time > 0], _QUANTILE_GRID)))
    log_half, log_k = (v.ravel() for v in np.meshgrid(halves, _STEEPNESS_GRID, indexing="ij"))
    columns = scale * share(shape, time * np.exp(-log_half[:, None]), log_k[:, None])[0]
    # With the level taken out of both sides each cell of the grid is a line through the origin.
    size = max(float(base @ base), _NOTHING)
    left, apart = y - base * (base @ y) / size, columns - np.outer(columns @ base, base) / size
    square = np.sum(apart**2, axis=1)
    plateau = (apart @ left) / np.maximum(square, _NOTHING)
    # A curve that falls, or that cannot be told from the level, is no start.
    is_start = (plateau > 0) & (square > _ALIKE * np.sum(columns**2, axis=1))
    level = [] if fixed is None else [0.0]
    if not is_start.any():
        return np.array([*level, max(np.ptp(y), 1e-8), np.log(np.median(time[time > 0])), 1.0])
    best = int(np.argmax(np.where(is_start, plateau * (apart @ left), -np.inf)))
    level = [float(base @ (y - columns[best] * plateau[best])) / size for _ in level]
    return np.array([*level, plateau[best], log_half[best], log_k[best]])
