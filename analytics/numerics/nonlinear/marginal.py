"""The marginal fit: the mean over the random effects themselves, with a linear covariance about it.

Lindstrom-Bates follows each group's conditional modes, which follow the noise: with a random asymptote it
pulls asymptote and half time down (Orange trees: 191.0 and 722.6 where the exact likelihood has 192.1 and
727.9). Here the curve is averaged over its random effects, row by row, at the present covariances:

    mean = E curve(x, parameters + b),   slopes = E d curve / d parameters,   y - mean = Z b + error, Z from
    the slopes

and the linear mixed model of that working response gives the next fixed effects and covariances. The fixed
effects then solve generalised estimating equations with the right mean: consistent whether or not the
covariance is right, which is what the robust errors (`numerics.nonlinear.robust`) are for. Averaged slopes
make Z b the best linear approximation to the curve's deviation (for normal b, covariance of curve and b is
slope times covariance of b).

The mean is by Gauss-Hermite product rules over the parameters in which the curve bends.

Sources: Zeger, Liang & Albert 1988, Biometrics 44:1049-60 (population-averaged estimating equations);
Vonesh & Carter 1992, Biometrics 48:1-17; Stein 1981, Ann Stat 9:1135-51 (averaged slopes), all from memory.
"""

from dataclasses import dataclass

import numpy as np

from analytics.numerics import mixed
from analytics.numerics.mixed import MixedFit
from analytics.numerics.nonlinear.alternating import sizes_of, variance_rule
from analytics.numerics.nonlinear.model import Linearised, Model, NonlinearFit, of_linear, slices_of

# Nodes a dimension by number of dimensions: product rules exact to degree 9, 5, 5.
_NODES = {1: 5, 2: 3, 3: 3}
_MAX_PASSES = 60
# Linear models in a row whose variances ran nowhere, after which none has settled on registers of 2 to 30
# patients (six in a row at most in one that did): a choice of ours.
_MAX_ROUGH = 8
_PULL = 1e-3
# On the way a deviance good to this will do: variances to a hundredth of their errors.
_ON_THE_WAY = 1e-4
# Standard errors within which steps are alike enough to be extrapolated, and how many are remembered.
_NEAR = 2.0
_MEMORY = 4
_HALVINGS = 8
_BEND = 1e-8


@dataclass(frozen=True, slots=True)
class Bends:
    """Random parameters in which the curve bends (`nodes` run over these), and those in which it is straight.

    Given the former the curve is straight in the latter together, so that their conditional mean is all it
    takes.
    """

    bent: tuple[int, ...]
    straight: tuple[int, ...]


def fit(
    model: Model,
    start: np.ndarray,
    known_variance,
    *,
    criterion: str,
    longest_step=None,
    near=None,
    prior=None,
) -> NonlinearFit:
    """Alternate mean and linear model until the fixed effects settle to a thousandth of their errors.

    With a prior (mean, precision) each linear model's fixed effects are joined with it by precision.
    """
    beta, covariances = start, [np.zeros((b.size, b.size)) for b in model.blocks]
    if near is not None and [np.shape(c) for c in near] == [c.shape for c in covariances]:
        covariances = [np.asarray(c, dtype=float) for c in near]
    variance_of = variance_rule(known_variance, len(model.y))
    linear: MixedFit | None = None
    memory: list[tuple[np.ndarray, np.ndarray]] = []
    settled, n_passes, n_rough = False, 0, 0
    with np.errstate(over="ignore", invalid="ignore"):
        bends = _bends(model, beta)
        at = linearise(model, beta, covariances, bends)
        while not settled and n_passes < _MAX_PASSES and n_rough < _MAX_ROUGH:
            n_passes += 1
            variance, before = variance_of(at.mean), linear
            linear = _linear_fit(model, at, beta, variance, criterion, before, promise=_ON_THE_WAY)
            n_rough = 0 if linear.converged else n_rough + 1
            found = _joined(linear, prior)
            pull = float(np.max(np.abs((found - beta) / sizes_of(linear))))
            settled = before is not None and pull < _PULL
            target = (found, list(linear.covariances))
            if pull < _NEAR:
                target = _extrapolated(memory, (beta, covariances), target, sizes_of(linear))
            share = min(1.0, _room(model, target[0] - beta, longest_step))
            beta, covariances, at = _damped(model, (beta, covariances), target, at, bends, share)
        variance = variance_of(at.mean)
        linear = _linear_fit(model, at, beta, variance, criterion, linear)
    return _answer(model, linear, at, beta, variance, settled, n_passes, criterion)


def _joined(linear: MixedFit, prior) -> np.ndarray:
    """Return the fixed effects of a linear model joined with a prior: to (information + precision)^-1."""
    if prior is None:
        return linear.beta
    mean, precision = prior
    some = np.flatnonzero(precision)
    cov = linear.beta_cov
    between = cov[np.ix_(some, some)] + np.diag(1 / precision[some])
    return linear.beta + cov[:, some] @ np.linalg.solve(between, (mean - linear.beta)[some])


def _extrapolated(memory: list, now: tuple, target: tuple, sizes: np.ndarray) -> tuple:
    """Return where the alternation is heading, from its last few steps (Anderson 1965, J ACM 12:547-60).

    Steepness and the spread of tempo answer to one another, so that plain passes swing about the answer.
    """
    scales = [np.sqrt(np.outer(np.diag(c), np.diag(c))) + 1e-12 * np.trace(c) + 1e-300 for c in target[1]]

    def flat(state):
        return np.concatenate(
            [state[0] / sizes, *((c / d).ravel() for c, d in zip(state[1], scales, strict=True))]
        )

    memory.append((now, target))
    del memory[:-_MEMORY]
    states = np.array([flat(s) for s, _ in memory])
    steps = np.array([flat(t) - flat(s) for s, t in memory])
    if len(memory) < 2:
        return target
    mix = np.linalg.lstsq(np.diff(steps, axis=0).T, steps[-1], rcond=1e-6)[0]
    reached = states[-1] + steps[-1] - (np.diff(states, axis=0) + np.diff(steps, axis=0)).T @ mix
    beta = reached[: len(sizes)] * sizes
    covariances, at = [], len(sizes)
    for scale in scales:
        part = reached[at : at + scale.size].reshape(scale.shape) * scale
        covariances.append(_nearest_covariance(part))
        at += scale.size
    return beta, covariances


def _nearest_covariance(matrix: np.ndarray) -> np.ndarray:
    values, vectors = np.linalg.eigh((matrix + matrix.T) / 2)
    return (vectors * np.maximum(values, 0.0)) @ vectors.T


def _room(model: Model, step: np.ndarray, longest_step) -> float:
    """Return the share of a step after which some row's parameter has moved its longest way."""
    if longest_step is None:
        return np.inf
    rooms = [
        most / max(float(np.max(np.abs(design @ step[part]), initial=0.0)), 1e-300)
        for design, part, most in zip(model.designs, slices_of(model), longest_step, strict=True)
    ]
    return float(min(rooms))


def _bends(model: Model, beta: np.ndarray) -> Bends:
    """Tell apart the random parameters in which the curve bends, by how its slopes change."""
    parameters = model.parameters(beta, model.no_effects())
    slopes = model.evaluate(parameters)[1]
    size = np.maximum(np.abs(slopes).max(axis=0), 1e-300)
    random = sorted({k for block in model.blocks for k, _ in block.columns})
    changes = {}
    for k in random:
        moved = parameters.copy()
        moved[:, k] += 0.05 * np.maximum(np.abs(moved[:, k]), 1.0)
        changes[k] = np.max(np.abs(model.evaluate(moved)[1] - slopes) / size, axis=0, initial=0.0)
    bent = [k for k in random if changes[k][k] > _BEND]
    straight: list[int] = []
    for k in (k for k in random if k not in bent):
        alone = all(changes[k][other] <= _BEND for other in straight)
        (straight if alone else bent).append(k)
    matter = [k for k in straight if np.any(changes[k] > _BEND)]
    # A product rule over more dimensions than three would cost more than it is worth.
    return Bends(tuple(bent[: max(_NODES)]), tuple(matter) if bent else ())


def linearise(model: Model, beta: np.ndarray, covariances, bends: Bends) -> Linearised:
    """Return the averaged curve and its averaged slopes in fixed and random effects."""
    centre = model.parameters(beta, model.no_effects())
    bent, straight = list(bends.bent), list(bends.straight)
    spread = _row_covariance(model, covariances, [*bent, *straight])
    if not bent or not np.any(spread):
        mean, slopes = model.evaluate(centre)
        return Linearised(mean, model.fixed_slopes(slopes), tuple(model.random_slopes(slopes)))
    # The root's first columns carry the bent parameters, and what of the straight ones goes with them.
    root = _lower_roots(spread)[:, :, : len(bent)]
    points, weights = np.polynomial.hermite_e.hermegauss(_NODES[len(bent)])
    grid = np.stack(np.meshgrid(*[points] * len(bent), indexing="ij"), axis=-1).reshape(-1, len(bent))
    share = np.stack(np.meshgrid(*[weights] * len(bent), indexing="ij"), axis=-1).reshape(-1, len(bent))
    share = share.prod(axis=1) / share.prod(axis=1).sum()
    mean, slopes = np.zeros(len(model.y)), np.zeros_like(centre)
    for node, weight in zip(grid, share, strict=True):
        moved = centre.copy()
        moved[:, [*bent, *straight]] += root @ node
        value, slope = model.evaluate(moved)
        mean += weight * value
        slopes += weight * slope
    return Linearised(mean, model.fixed_slopes(slopes), tuple(model.random_slopes(slopes)))


def _row_covariance(model: Model, covariances, chosen: list[int]) -> np.ndarray:
    """Return the covariance of chosen parameters in every row, all levels added, shape (n, d, d)."""
    total = np.zeros((len(model.y), len(chosen), len(chosen)))
    place = {k: i for i, k in enumerate(chosen)}
    for block, psi in zip(model.blocks, covariances, strict=True):
        for a, (k, z) in enumerate(block.columns):
            for b, (other, w) in enumerate(block.columns):
                if k in place and other in place and psi[a, b] != 0.0:
                    total[:, place[k], place[other]] += psi[a, b] * z * w
    return total


def _lower_roots(spread: np.ndarray) -> np.ndarray:
    """Return lower Cholesky factors of covariances that may be singular, row by row."""
    root = np.zeros_like(spread)
    for j in range(spread.shape[1]):
        left = spread[:, j, j] - np.sum(root[:, j, :j] ** 2, axis=1)
        pivot = np.sqrt(np.maximum(left, 0.0))
        root[:, j, j] = pivot
        safe = np.where(pivot > 1e-12, pivot, np.inf)
        for i in range(j + 1, spread.shape[1]):
            root[:, i, j] = (spread[:, i, j] - np.sum(root[:, i, :j] * root[:, j, :j], axis=1)) / safe
    return root


def _linear_fit(
    model: Model,
    at: Linearised,
    beta,
    variance,
    criterion: str,
    before: MixedFit | None,
    *,
    promise: float | None = None,
) -> MixedFit:
    working = model.y - at.mean + at.X @ beta
    levels = [(b.codes, z, b.structure) for b, z in zip(model.blocks, at.Z, strict=True)]
    first = None if before is None else before.theta
    return mixed.fit(
        working, at.X, levels, method=criterion, known_variance=variance, start=first, promise=promise
    )


def _damped(model: Model, now: tuple, target: tuple, at: Linearised, bends: Bends, share: float):
    """Return the next estimates with the curve there; the step is halved while it fits much worse."""
    before = float(np.sum((model.y - at.mean) ** 2))
    for _ in range(_HALVINGS):
        beta = now[0] + share * (target[0] - now[0])
        there = linearise(model, beta, target[1], bends)
        value = float(np.sum((model.y - there.mean) ** 2))
        if np.isfinite(value) and value <= 1.2 * before:
            break
        share /= 2
    return beta, target[1], there


def _answer(model: Model, linear, at, beta, variance, converged, n_passes, criterion) -> NonlinearFit:
    random = [np.asarray(r) for r in linear.random]
    return of_linear(
        model, linear, beta, random,
        likelihood=f"marginal mean, linear covariance ({criterion})",
        fitted=model.evaluate(model.parameters(beta, random))[0],
        population=at.mean,
        known_variance=variance,
        converged=converged,
        n_iterations=n_passes,
        working=at,
    )  # fmt: skip
