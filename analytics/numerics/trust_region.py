"""Minimise a smooth function of a few variables with its Hessian, inside a trust region.

The step within the radius that lowers the quadratic model most is found from the eigenvalues of the
Hessian, so that directions that curve down are used, not feared; the search ends at a point that is a
minimum to second order.

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
# A step is taken if the function falls by this share of what the model promised, the radius grown beyond
# that share.
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
    """The quadratic model at a point; `promised` is what Newton's step promises, all curvatures positive."""

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
    return _model(look.gradient, look.hessian, least)


def _model(gradient: Array, hessian: Array, least: float) -> Model:
    if not len(gradient):
        return Model(gradient, np.ones(1), hessian, 0.0, 0.0)
    values, vectors = np.linalg.eigh((hessian + hessian.T) / 2.0)
    floor = FLAT * max(least, float(np.abs(values).max()), 1e-300)
    along = vectors.T @ gradient
    promised = float((along**2 / np.maximum(np.abs(values), floor)).sum() / 2.0)
    return Model(gradient, values, vectors, floor, promised)


def descend(
    look: Callable[[Array, Look[T]], Look[T] | None],
    first: Look[T],
    *,
    promise: float,
    rounding: float,
    radius: float,
    max_looks: int,
    lower: Array | None = None,
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
    lower
        Lower bounds (d,), -inf where there is none. A variable at its bound stays there while the function
        rises inward.
    least
        Curvature below which a direction is flat whatever the others are, over `FLAT`.
    """
    bound = np.full(len(first.at), -np.inf) if lower is None else lower
    best, looks = first, 0
    while looks < max_looks:
        free = (best.at > bound) | (best.gradient < 0)
        local = _model(best.gradient[free], best.hessian[np.ix_(free, free)], least)
        if local.promised < promise and local.bowl:
            return best, looks, True
        while looks < max_looks:
            step = _bounded_step(best, free, bound, radius, least)
            length = float(np.linalg.norm(step))
            expected = -float(best.gradient @ step + step @ best.hessian @ step / 2.0)
            moved = look(np.maximum(best.at + step, bound), best)
            looks += 1
            fall = -np.inf if moved is None else best.value - moved.value
            too_small = expected < 10 * rounding and abs(fall) < 10 * rounding
            if moved is not None and (fall >= ACCEPT * expected or too_small):
                break
            radius = 0.25 * length
            if radius < SMALLEST_RADIUS:
                return best, looks, local.promised < np.sqrt(promise)
        else:
            return best, looks, False
        if fall > GROW * expected and length > 0.9 * radius:
            radius *= 3.0
        best = moved
    return best, looks, False


def _bounded_step(best: Look[T], free: Array, bound: Array, radius: float, least: float) -> Array:
    """Return the model's best step over the free variables; those that would pass their bound stop at it."""
    free, step = free.copy(), np.zeros(len(free))
    while free.any():
        gradient = best.gradient + best.hessian @ np.where(free, 0.0, step)
        part = trust_step(_model(gradient[free], best.hessian[np.ix_(free, free)], least), radius)
        step[free] = part
        passed = free & (best.at + step < bound)
        if not passed.any():
            break
        step[passed] = bound[passed] - best.at[passed]
        free &= ~passed
    return step


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
