"""The likelihood of a time-ratio model for interval-censored times, row by row, with its exact slopes.

A row sees the parameters through four numbers of its own: its place on the log-time scale, the log scale,
the shape, and the logit of never reaching. Slopes are written for those and carried to the parameters by
the designs; the curvature is their central difference. Definitions stand in `time_ratios.model`.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import expit, gammainc, gammaincc, gammaln, ndtr

FAMILIES = ("exponential", "weibull", "log-normal", "log-logistic", "gamma")
# Within this of 0 the generalised gamma is the log-normal to more digits than it can be computed.
NORMAL_SHAPE = 1e-4
# Difference step: the error of a central difference is about its square.
STEP = 1e-5
TINY = 1e-300


@dataclass(frozen=True, slots=True)
class Rows:
    """Intervals with their designs. `never` is (n, 0) where every row reaches in the end."""

    left: np.ndarray
    right: np.ndarray
    design: np.ndarray
    never: np.ndarray
    family: str

    @property
    def designs(self) -> list[np.ndarray]:
        """Return the design of each of a row's own numbers, in the order of the parameters."""
        one = np.ones((self.left.size, 1))
        scale = one[:, :0] if self.family == "exponential" else one
        shape = [one] if self.family == "gamma" else []
        return [self.design, scale, *shape, *([self.never] if self.never.shape[1] else [])]


def loglik(rows: Rows, parameters: np.ndarray) -> np.ndarray:
    """Return the log-likelihood of each row."""
    return _local_loglik(rows, _own(rows, parameters))


def scores(rows: Rows, parameters: np.ndarray) -> np.ndarray:
    """Return the slope of each row's log-likelihood in every parameter, shape (n, parameters)."""
    slopes = _local_scores(rows, _own(rows, parameters))
    return np.concatenate([d * s[:, None] for d, s in zip(rows.designs, slopes, strict=True)], axis=1)


def curvature(rows: Rows, parameters: np.ndarray) -> np.ndarray:
    """Return the second derivative of the log-likelihood."""
    own, designs = _own(rows, parameters), rows.designs
    blocks = []
    for a in range(len(own)):
        up, down = [list(own) for _ in range(2)]
        up[a], down[a] = own[a] + STEP, own[a] - STEP
        bend = (np.array(_local_scores(rows, up)) - np.array(_local_scores(rows, down))) / (2.0 * STEP)
        blocks.append([(designs[a] * h[:, None]).T @ d for h, d in zip(bend, designs, strict=True)])
    full = np.block(blocks)
    return (full + full.T) / 2.0


def survival(z: np.ndarray, family: str, shape: float) -> np.ndarray:
    """Return the share with an error above z.

    >>> survival(np.array([0.0]), "log-logistic", np.nan)
    array([0.5])
    """
    if family in ("weibull", "exponential"):
        return np.exp(-np.exp(np.minimum(z, 700.0)))
    if family == "log-logistic":
        return expit(-z)
    if family == "log-normal" or abs(shape) < NORMAL_SHAPE:
        return ndtr(-z)
    k = shape**-2
    with np.errstate(over="ignore"):
        at = k * np.exp(np.clip(shape * z, -700.0, 700.0))
    return gammaincc(k, at) if shape > 0 else gammainc(k, at)


def log_density(z: np.ndarray, family: str, shape: float) -> np.ndarray:
    """Return the log density of the error at z."""
    if family in ("weibull", "exponential"):
        return z - np.exp(np.minimum(z, 700.0))
    if family == "log-logistic":
        return -np.abs(z) - 2.0 * np.log1p(np.exp(-np.abs(z)))
    if family == "log-normal" or abs(shape) < NORMAL_SHAPE:
        return -0.5 * z**2 - 0.5 * np.log(2.0 * np.pi)
    k, w = shape**-2, np.clip(shape * z, -700.0, 700.0)
    return np.log(abs(shape)) + k * np.log(k) - gammaln(k) + k * (w - np.exp(w))


def _log_density_slope(z, family, shape) -> np.ndarray:
    if family in ("weibull", "exponential"):
        return 1.0 - np.exp(np.minimum(z, 700.0))
    if family == "log-logistic":
        return -np.tanh(z / 2.0)
    if family == "log-normal" or abs(shape) < NORMAL_SHAPE:
        return -z
    return (1.0 - np.exp(np.clip(shape * z, -700.0, 700.0))) / shape


def _own(rows: Rows, parameters: np.ndarray) -> list[np.ndarray]:
    """Return each row's own numbers: place, log scale, shape if any, logit of never if any."""
    edges = np.cumsum([d.shape[1] for d in rows.designs])[:-1]
    return [d @ part for d, part in zip(rows.designs, np.split(parameters, edges), strict=True)]


def _pieces(rows: Rows, own):
    """Return z at both ends, survival there, and the parts of a row's own numbers."""
    place, scale = own[0], np.exp(own[1])
    shape = float(own[2][0]) if rows.family == "gamma" else np.nan
    never = expit(own[-1]) if rows.never.shape[1] else np.zeros(place.size)
    with np.errstate(divide="ignore"):
        low, high = (np.log(rows.left) - place) / scale, (np.log(rows.right) - place) / scale
    above_low = np.where(
        np.isneginf(low), 1.0, survival(np.where(np.isneginf(low), 0.0, low), rows.family, shape)
    )
    above_high = np.where(
        np.isposinf(high), 0.0, survival(np.where(np.isposinf(high), 0.0, high), rows.family, shape)
    )
    return low, high, above_low, above_high, scale, shape, never


def _local_loglik(rows: Rows, own) -> np.ndarray:
    _, high, above_low, above_high, scale, shape, never = _pieces(rows, own)
    exact, open_ended = rows.left == rows.right, np.isinf(rows.right)
    between = np.log(np.maximum(above_low - above_high, TINY)) + np.log1p(-np.minimum(never, 1.0 - 1e-15))
    value = np.where(open_ended, np.log(np.maximum(never + (1.0 - never) * above_low, TINY)), between)
    if exact.any():
        z = high[exact]
        value[exact] = log_density(z, rows.family, shape) - np.log(scale[exact] * rows.right[exact])
        value[exact] += np.log1p(-never[exact])
    return value


def _local_scores(rows: Rows, own) -> list[np.ndarray]:
    low, high, above_low, above_high, scale, shape, never = _pieces(rows, own)
    exact, open_ended = rows.left == rows.right, np.isinf(rows.right)
    at_low, at_high = _density(low, rows.family, shape), _density(high, rows.family, shape)
    between = np.maximum(above_low - above_high, TINY)
    whole = np.where(open_ended, never + (1.0 - never) * above_low, between)
    share = np.where(open_ended, 1.0 - never, 1.0) / np.maximum(whole, TINY)
    place = share * (at_low - at_high) / scale
    spread = share * (_times(low, at_low) - _times(high, at_high))
    if exact.any():
        z, slope = high[exact], _log_density_slope(high[exact], rows.family, shape)
        place[exact], spread[exact] = -slope / scale[exact], -z * slope - 1.0
    parts = [place, spread]
    if rows.family == "gamma":
        up, down = [[*own[:2], own[2] + step, *own[3:]] for step in (STEP, -STEP)]
        parts.append((_local_loglik(rows, up) - _local_loglik(rows, down)) / (2.0 * STEP))
    if rows.never.shape[1]:
        parts.append(
            np.where(open_ended, never * (1.0 - never) * (1.0 - above_low) / np.maximum(whole, TINY), -never)
        )
    return parts


def _density(z, family, shape) -> np.ndarray:
    inside = np.isfinite(z)
    return np.where(inside, np.exp(log_density(np.where(inside, z, 0.0), family, shape)), 0.0)


def _times(z, density) -> np.ndarray:
    return np.where(np.isfinite(z), z, 0.0) * density
