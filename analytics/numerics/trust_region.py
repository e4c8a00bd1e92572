"""Minimise a smooth function of a few variables with its Hessian, inside a trust region.

The step within the radius that lowers the quadratic model most is found from the eigenvalues of the Hessian, so that
directions that curve down are used, not feared; the search ends at a point that is a minimum to second order.

Source: Nocedal & Wright 2006, Numerical Optimization, sec. 4.3.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, TypeVar

import numpy as np
from scipy.optimize import brentq

Array = np.ndarray
T = TypeVar("T")
# A step is taken if the function falls by this share of what the model promised, the radius grown beyond that share.
ACCEPT, GROW = 0.1, 0.7
# Directions with less curvature than this share of the greatest are flat.
FLAT = 1e-9
SMALLEST_RADIUS = 1e-10


@dataclass(frozen=True)
class Look(Generic[T]):
    """The function at one point, and whatever the caller wants to keep with it."""

    at: Array
    value: float
    gradient: Array
    hessian: Array
    kept: T


@dataclass(frozen=True)
class Model:
    """The quadratic model at a point. `promised` is what Newton's step promises, every curvature taken positive."""

    gradient: Array
    values: Array
    vectors: Array
    floor: float
    promised: float

    @property
    def bowl(self) -> bool:
        """Whether no direction curves down."""
        return bool(self.values[0] > -self.floor)

    def newton(self) -> Array:
        """Return Newton's step, every curvature taken positive."""
        size = np.maximum(np.abs(self.values), self.floor)
        return -self.vectors @ (self.vectors.T @ self.gradient / size)


def model(look: Look[T], *, least: float = 0.0) -> Model:
    """Return the quadratic model; curvatures below `FLAT` times the greatest (or `least`) count as flat."""
    values, vectors = np.linalg.eigh((look.hessian + look.hessian.T) / 2.0)
    floor = FLAT * max(least, float(np.abs(values).max(initial=0.0)), 1e-300)
    along = vectors.T @ look.gradient
    promised = float((along**2 / np.maximum(np.abs(values), floor)).sum() / 2.0)
    return Model(look.gradient, values, vectors, floor, promised)


def descend(
    look: Callable[[Array, Look[T]], Look[T] | None],
    first: Look[T],
    *,
    promise: float,
    rounding: float,
    radius: float,
    max_looks: int,
    least: float = 0.0,
) -> tuple[Look[T], int, bool]:
    """Return the minimum, how many points were looked at, and whether it was reached.

    Parameters
    ----------
    look
        Function (point, last look) -> the function there, or None where it is not defined.
    first
        The start.
    promise
        Stop when Newton's step promises less than this.
    rounding
        Error of the function's values: smaller changes are not judged.
    radius
        First radius of the trust region.
    max_looks
        Give up after this many.
    least
        Curvature below which a direction is flat whatever the others are, over `FLAT`.
    """
    best, looks = first, 0
    local = model(best, least=least)
    while looks < max_looks:
        if local.promised < promise and local.bowl:
            return best, looks, True
        step = trust_step(local, radius)
        length = float(np.linalg.norm(step))
        along = local.vectors.T @ step
        expected = float(-(local.gradient @ step) - (along**2 * local.values).sum() / 2.0)
        moved = look(best.at + step, best)
        looks += 1
        fall = -np.inf if moved is None else best.value - moved.value
        too_small = expected < 10 * rounding and abs(fall) < 10 * rounding
        if moved is None or (fall < ACCEPT * expected and not too_small):
            radius = 0.25 * length
            if radius < SMALLEST_RADIUS:
                return best, looks, local.promised < np.sqrt(promise)
            continue
        if fall > GROW * expected and length > 0.9 * radius:
            radius *= 3.0
        best = moved
        local = model(best, least=least)
    return best, looks, False


def trust_step(local: Model, radius: float) -> Array:
    """Return the step within the radius that lowers the quadratic model most.

    Examples
    --------
    >>> bowl = Model(np.array([2.0]), np.array([2.0]), np.eye(1), 1e-9, 1.0)
    >>> trust_step(bowl, 5.0).tolist(), trust_step(bowl, 0.5).round(6).tolist()
    ([-1.0], [-0.5])
    """
    along = local.vectors.T @ local.gradient

    def step(shift: float) -> Array:
        return -along / np.maximum(local.values + shift, 1e-300)

    if local.bowl:
        plain = -along / np.maximum(local.values, local.floor)
        if np.linalg.norm(plain) <= radius:
            return local.vectors @ plain
    low = max(0.0, -float(local.values[0])) + local.floor
    part = step(low)
    if np.linalg.norm(part) < radius:
        part[0] = np.copysign(np.sqrt(max(radius**2 - (part[1:] ** 2).sum(), 0.0)), -along[0])
        return local.vectors @ part
    high = low + float(np.linalg.norm(along)) / radius
    return local.vectors @ step(brentq(lambda mu: np.linalg.norm(step(mu)) - radius, low, high, rtol=1e-6))
