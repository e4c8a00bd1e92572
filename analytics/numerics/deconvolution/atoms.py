"""Which prior of all makes the data likeliest?

The nonparametric maximum-likelihood prior: a few points with masses, certified by its gradient, which is
nowhere above 0 at the maximum. Never a picture of the quantity's spread; what it says of single units is
bounded by its outer points.

Sources: Kiefer & Wolfowitz 1956, Ann Math Stat 27:887; Wang 2007, J R Stat Soc B 69:185 (both from memory).
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy

from analytics.errors import FitError

MOST_STEPS = 100


@dataclass(frozen=True, slots=True)
class Atoms:
    """The best of all priors: points with masses, its log-likelihood, and its gradient's most a unit."""

    points: np.ndarray
    mass: np.ndarray
    loglik: float
    gradient: float


def nonparametric(log_likelihood_at: Callable, low: float, high: float, *, weights=None) -> Atoms:
    """Return the nonparametric maximum-likelihood prior on (low, high), as points with masses.

    Parameters
    ----------
    log_likelihood_at
        Takes points (m,), returns log-likelihoods (j, m).
    low, high
        Ends of the range, in the unit of the points; low under high.
    weights
        Shape (j,): how many units a row stands for.

    Raises
    ------
    FitError
        When the gradient does not come down: no certificate.

    Examples
    --------
    Two readings of 0 and two of 4, each with an error of 1:

    >>> found = nonparametric(lambda at: -0.5 * (np.array([[0.0], [0.0], [4.0], [4.0]]) - at) ** 2, -2.0, 6.0)
    >>> round(float((found.points * found.mass).sum()), 2)
    2.0
    """
    grid = np.linspace(low, high, 1001)
    table = np.asarray(log_likelihood_at(grid), dtype=float)
    scale = table.max(axis=1, keepdims=True)
    w = np.ones(len(table)) if weights is None else np.asarray(weights, dtype=float)

    def at(points):
        return np.exp(log_likelihood_at(np.atleast_1d(points)) - scale)

    points, mass = grid[:: len(grid) // 10], np.full(11, 1 / 11)
    for _ in range(MOST_STEPS):
        points, mass = _masses(at(points), w, points, mass)
        f = at(points) @ mass
        peaks = _peaks(grid, at, w / f)
        rise = at(peaks).T @ (w / f) / w.sum() - 1
        if rise.max() < 1e-9:
            value = float(w @ (np.log(f) + scale[:, 0]))
            return Atoms(*_merged(points, mass, grid[1] - grid[0]), value, float(rise.max()))
        new = peaks[rise > 0]
        points = np.concatenate([points, new])
        mass = np.concatenate([mass, np.zeros(len(new))])
    raise FitError("deconvolution.nonparametric: the gradient does not come down; widen the range")


def _masses(likelihood: np.ndarray, w: np.ndarray, points: np.ndarray, mass: np.ndarray):
    """Return better points and masses: least squares on the tangent, kept positive (Wang 2007)."""
    for _ in range(MOST_STEPS):
        f = likelihood @ mass
        tangent_of = likelihood / f[:, None] * np.sqrt(w)[:, None]
        sum_to_one = np.full((1, len(mass)), 1e3 * np.sqrt(w.sum()))
        found, _ = scipy.optimize.nnls(
            np.vstack([tangent_of, sum_to_one]), np.append(2 * np.sqrt(w), sum_to_one[0, 0])
        )
        step = found / found.sum() - mass
        slope, share = float((w / f) @ likelihood @ step), 1.0
        if slope < 1e-12 * w.sum():
            break
        before = w @ np.log(f)
        while share > 1e-8 and w @ np.log(likelihood @ (mass + share * step)) < before + share * slope / 3:
            share /= 2
        mass = mass + share * step
    kept = mass > 1e-12
    return points[kept], mass[kept] / mass[kept].sum()


def _peaks(grid: np.ndarray, at: Callable, weight: np.ndarray) -> np.ndarray:
    """Return where the gradient peaks: between neighbours of the grid's own peaks, and at its ends."""
    height = at(grid).T @ weight
    inner = np.flatnonzero((height[1:-1] >= height[:-2]) & (height[1:-1] >= height[2:])) + 1
    found = [grid[i] for i, j in ((0, 1), (-1, -2)) if height[i] > height[j]]
    for i in inner:
        best = scipy.optimize.minimize_scalar(
            lambda x: -float(at(x)[:, 0] @ weight),
            bounds=(grid[i - 1], grid[i + 1]),
            method="bounded",
            options={"xatol": 1e-9 * (grid[-1] - grid[0])},
        )
        found.append(float(best.x))
    return np.array(found)


def _merged(points: np.ndarray, mass: np.ndarray, near: float) -> tuple[np.ndarray, np.ndarray]:
    """Return points in order, neighbours nearer than this put together."""
    order = np.argsort(points)
    group = np.concatenate([[0], np.cumsum(np.diff(points[order]) > near)])
    together = np.bincount(group, weights=mass[order])
    return np.bincount(group, weights=(mass * points)[order]) / together, together
