"""Profile-likelihood limits: how far one parameter can be moved before the fit becomes implausible.

A limit is where the deviance, minimised over everything else, has risen by the chi-square quantile (1 df)
of the level. Standard deviations, correlations and sigma are profiled under the criterion of the fit; fixed
effects under maximum likelihood, since REML likelihoods of different fixed effects do not compare. A
standard deviation whose deviance at zero has not risen that far has the lower limit 0; a correlation
likewise -1 or 1.

A standard deviation is held by ordering its effect first in the level, where it is the first entry of the
Cholesky factor; a correlation by ordering its two effects first, where it is the direction of the second
row.

Source: Bates, Maechler, Bolker & Walker 2015, J Stat Softw 67(1), sec. 5.1.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy

from analytics.numerics.mixed.likelihood import criterion, unprofiled
from analytics.numerics.mixed.optimise import (
    NO_CURVATURE,
    ROUNDING,
    Evaluate,
    Look,
    Optimum,
    descend,
    optimise,
)
from analytics.numerics.mixed.plan import Plan, entries, factors, half_root, theta_from

Array = np.ndarray
# A profile is followed until a step promises less than this; limits are found to this share of their
# distance.
PROMISE = 1e-9
TOLERANCE = 1e-5


@dataclass(frozen=True)
class Profile:
    """Limits by parameter, named "beta[0]", "sd[0, 1]" (level, effect), "corr[0, 1, 0]", "sigma"."""

    names: tuple[str, ...]
    estimate: Array
    low: Array
    high: Array
    level: float

    def __getitem__(self, name: str) -> tuple[float, float]:
        """Return the limits of one parameter."""
        i = self.names.index(name)
        return float(self.low[i]), float(self.high[i])


@dataclass(frozen=True)
class Held:
    """One parameter held at a value: `kind` is sd, corr, sigma or beta.

    `level` is its level (the column of a beta), `first` the effects ordered first.
    """

    kind: str
    level: int
    first: tuple[int, ...]


def parameter_names(form: Plan) -> list[str]:
    """Return the names of everything that can be profiled, levels and effects counted from 0."""
    out = []
    for i, (kind, q) in enumerate(zip(form.kinds, form.sizes, strict=True)):
        out += [f"sd[{i}, {a}]" for a in range(1 if kind == "identity" else q)]
        if kind == "full":
            out += [f"corr[{i}, {a}, {b}]" for a in range(q) for b in range(a)]
    return [*out, "sigma", *[f"beta[{j}]" for j in range(form.p)]]


def parse_name(name: str) -> Held:
    """Return what a name stands for.

    Examples
    --------
    >>> parse_name("corr[0, 1, 0]")
    Held(kind='corr', level=0, first=(1, 0))
    """
    kind, _, inside = name.partition("[")
    numbers = [int(part) for part in inside.rstrip("]").split(",") if part.strip()]
    return Held(kind, numbers[0] if numbers else 0, tuple(numbers[1:]))


def variance_limits(held: Held, evaluate: Evaluate, optimum: Optimum, form: Plan, level: float):
    """Return estimate and limits of a standard deviation, correlation or sigma, in working units."""
    squares, sigma2 = _absolute(optimum, form)
    estimate, start = _opened(held, squares, sigma2, form)
    if not np.isfinite(estimate):
        return estimate, -1.0, 1.0
    contrast = None if optimum.sums.curve.shape[-1] == form.m else optimum.point.contrast[:, None]

    def rise(value: float, last: Array) -> tuple[float, Array]:
        first = _held_look(last, value, held, evaluate, contrast, form)
        found, _, _ = descend(
            lambda at, _: _held_look(at, value, held, evaluate, contrast, form),
            first,
            promise=PROMISE,
            rounding=ROUNDING * (abs(first.value) + form.n),
            radius=1.0,
            max_looks=100,
            least=NO_CURVATURE * form.n,
        )
        return found.value - optimum.point.value, found.at

    bounds = (-1.0, 1.0) if held.kind == "corr" else (0.0, np.inf)
    groups = form.n_groups[held.level] if held.kind != "sigma" else form.n
    spread = 1.0 / np.sqrt(2.0 * groups)
    step = 2.0 * spread if held.kind == "corr" else spread * max(estimate, 0.1 * _unit(held, form))
    return (estimate, *(_limit(rise, start, estimate, step, bounds, side, level) for side in (-1, 1)))


def _unit(held: Held, form: Plan) -> float:
    """Return the standard deviation of the held effect that would match the residual's."""
    return 1.0 if held.kind == "sigma" else 1.0 / float(form.scales[held.level][held.first[0]])


def fixed_limits(
    j: int, evaluate: Evaluate, optimum: Optimum, form: Plan, beta: Array, se: float, level: float
):
    """Return the limits of fixed effect j, in the units of y; `beta` and `se` are those of the ML fit."""
    back = np.linalg.inv(form.basis)
    exact = optimum.sums.curve.shape[-1] == form.m
    kept = [k for k in range(form.p) if k != j]

    def rise(value: float, last: Array) -> tuple[float, Array]:
        columns = np.zeros((form.m, form.p))
        columns[kept, range(form.p - 1)] = 1.0
        columns[form.p, -1], columns[j, -1] = 1.0 / form.unit, -value / form.unit
        found = optimise(evaluate, form, start=last, exact=exact, promise=PROMISE, transform=back @ columns)
        return found.point.value - optimum.point.value, found.theta

    bounds = (-np.inf, np.inf)
    return tuple(
        _limit(rise, optimum.theta, float(beta[j]), 2.0 * se, bounds, side, level) for side in (-1, 1)
    )


def _limit(
    rise: Callable[[float, Array], tuple[float, Array]],
    start: Array,
    estimate: float,
    step: float,
    bounds: tuple[float, float],
    side: int,
    level: float,
) -> float:
    """Return where the deviance has risen to the quantile on one side; the bound if it does not before it.

    The root of the rise is nearly straight in the parameter, which is what makes the search short.
    """
    target = float(np.sqrt(scipy.stats.chi2.ppf(level, 1)))
    bound = bounds[0] if side < 0 else bounds[1]
    if estimate == bound:
        return bound
    state = start

    def short(value: float) -> float:
        nonlocal state
        found, at = rise(value, state)
        state = at if np.isfinite(found) else state
        return float(np.sqrt(max(found, 0.0))) - target

    inner, reach = estimate, step
    for _ in range(60):
        outer = estimate + side * reach
        at_bound = (outer - bound) * side >= 0
        outer = bound if at_bound else outer
        left = short(outer)
        if left >= 0:
            return float(
                scipy.optimize.brentq(short, inner, outer, xtol=TOLERANCE * abs(outer - estimate), rtol=1e-12)
            )
        if at_bound:
            return bound
        inner, reach = outer, reach * float(np.clip(1.1 * target / max(left + target, 1e-3), 1.2, 4.0))
    return bound


def _absolute(optimum: Optimum, form: Plan) -> tuple[list[Array], float]:
    """Return the covariances and sigma^2, in working units."""
    sigma2 = float(optimum.theta[-1] ** 2) if form.known else optimum.point.scale
    size = 1.0 if form.known else sigma2
    return [size * (lam @ lam.T) for lam in factors(optimum.theta, form)], sigma2


def _order(held: Held, q: int) -> list[int]:
    return [*held.first, *[a for a in range(q) if a not in held.first]]


def _opened(held: Held, squares: list[Array], sigma2: float, form: Plan) -> tuple[float, Array]:
    """Return the held parameter's estimate, and the free ones: Cholesky factors in its order, then sigma."""
    free: list[float] = []
    estimate = float(np.sqrt(sigma2)) if held.kind == "sigma" else np.nan
    for i, (square, kind, q) in enumerate(zip(squares, form.kinds, form.sizes, strict=True)):
        mine = held.kind != "sigma" and held.level == i
        order = _order(held, q) if mine else list(range(q))
        low = half_root(square[np.ix_(order, order)])
        values = [float(low[cell[0]]) for cell in entries(kind, q)]
        if mine and held.kind == "sd":
            estimate = values.pop(0)
        elif mine:
            length = float(np.hypot(values[1], values[2]))
            estimate = values[1] / length if length > 0 and values[0] > 0 else np.nan
            values[1:3] = [length]
        free += values
    return estimate, np.array([*free, *([] if held.kind == "sigma" else [np.sqrt(sigma2)])])


def _closed(free: Array, value: float, held: Held, form: Plan) -> tuple[list[Array], float]:
    """Return covariances and sigma^2 from the free parameters and the held one; complex numbers do too."""
    values, squares = list(free), []
    for i, (kind, q) in enumerate(zip(form.kinds, form.sizes, strict=True)):
        mine = held.kind != "sigma" and held.level == i
        cells = entries(kind, q)
        if mine and held.kind == "sd":
            own = [value, *values[: len(cells) - 1]]
        elif mine:
            own = [
                values[0],
                value * values[1],
                np.sqrt(1.0 - value**2) * values[1],
                *values[2 : len(cells) - 1],
            ]
        else:
            own = values[: len(cells)]
        del values[: len(cells) - mine]
        low = np.zeros((q, q), dtype=free.dtype)
        for cell, entry in zip(cells, own, strict=True):
            for at in cell:
                low[at] = entry
        order = _order(held, q) if mine else list(range(q))
        square = np.empty_like(low)
        square[np.ix_(order, order)] = low @ low.T
        squares.append(square)
    return squares, value**2 if held.kind == "sigma" else values[0] ** 2


def _coordinates(free: Array, value: float, held: Held, form: Plan) -> Array:
    """Return what the deviance is differentiated in: gamma and log sigma^2 (known variances: sigma^2)."""
    squares, sigma2 = _closed(free, value, held, form)
    cells = [
        s[cell[0]] for s, k, q in zip(squares, form.kinds, form.sizes, strict=True) for cell in entries(k, q)
    ]
    if form.known:
        return np.array([*cells, sigma2])
    return np.array([*(c / sigma2 for c in cells), np.log(sigma2)])


def _held_look(
    at: Array, value: float, held: Held, evaluate: Evaluate, probe: Array | None, form: Plan
) -> Look[None]:
    """Return the deviance at these free parameters, with derivatives by the chain rule."""
    squares, sigma2 = _closed(at, value, held, form)
    size = 1.0 if form.known else float(sigma2)
    theta = theta_from([s / size for s in squares], float(sigma2) if form.known else None, form)
    sums = evaluate(theta, probe)
    if form.known:
        point = criterion(sums, form)
        found, gradient, hessian = point.value, point.gradient, point.hessian
    else:
        found, gradient, hessian = unprofiled(sums, form, float(np.log(sigma2)))
    first, second = _chain(at, value, held, form)
    return Look(
        at, found, first.T @ gradient, first.T @ hessian @ first + np.tensordot(gradient, second, 1), None
    )


def _chain(at: Array, value: float, held: Held, form: Plan) -> tuple[Array, Array]:
    """Return first derivatives of the coordinates by complex steps, and second by differences of them."""

    def first(point: Array) -> Array:
        steps = point + 1e-30j * np.eye(len(point))
        return np.stack([_coordinates(s, value, held, form).imag / 1e-30 for s in steps], axis=1)

    h = 1e-5
    second = [(first(at + h * e) - first(at - h * e)) / (2.0 * h) for e in np.eye(len(at))]
    return first(at), np.stack(second, axis=2)
