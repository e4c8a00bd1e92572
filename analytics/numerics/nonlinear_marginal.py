"""The marginal fit: the mean over the random effects themselves, with a linear covariance about it.

Lindstrom-Bates follows each group's conditional modes, which follow the noise: with a random asymptote it
pulls asymptote and half time down (Orange trees: 191.0 and 722.6 where the exact likelihood has 192.1 and
727.9). Here the curve is averaged over its random effects, row by row, at the present covariances:

    mean = E curve(x, parameters + b),   slopes = E d curve / d parameters,   y - mean = Z b + error, Z from
    the slopes

and the linear mixed model of that working response gives the next fixed effects and covariances. The fixed
effects then solve generalised estimating equations with the right mean: consistent whether or not the
covariance is right, which is what the robust errors (`nonlinear_clusters`) are for. Averaged slopes make Z
b the best linear approximation to the curve's deviation (for normal b, covariance of curve and b is slope
times covariance of b).

The mean is by Gauss-Hermite product rules over the parameters in which the curve bends.

Sources: Zeger, Liang & Albert 1988, Biometrics 44:1049-60 (population-averaged estimating equations);
Vonesh & Carter 1992, Biometrics 48:1-17; Stein 1981, Ann Stat 9:1135-51 (averaged slopes), all from memory.
"""

import numpy as np

from analytics.numerics import mixed
from analytics.numerics.mixed import MixedFit
from analytics.numerics.nonlinear_alternating import relaxed, sizes_of, variance_rule
from analytics.numerics.nonlinear_model import Linearised, Model, NonlinearFit, gather, slices_of

# Nodes a dimension by number of dimensions: product rules exact to degree 9, 5, 5.
_NODES = {1: 5, 2: 3, 3: 3}
_MAX_PASSES = 60
_PULL = 1e-4
_HALVINGS = 8
_BEND = 1e-8


def fit(
    model: Model, start: np.ndarray, known_variance, *, criterion: str, longest_step=None
) -> NonlinearFit:
    """Alternate mean and linear model until the fixed effects settle to a ten-thousandth of their errors."""
    beta, share, last_pull = start, 1.0, None
    covariances = _first_covariances(model, beta)
    bent = _bent_parameters(model, beta, covariances)
    variance_of = variance_rule(known_variance, len(model.y))
    linear: MixedFit | None = None
    settled, n_passes = False, 0
    with np.errstate(over="ignore", invalid="ignore"):
        while not settled and n_passes < _MAX_PASSES:
            n_passes += 1
            at = linearise(model, beta, covariances, bent)
            linear, before = _linear_fit(model, at, beta, variance_of(at.mean), criterion, linear), linear
            pull = (linear.beta - beta) / sizes_of(linear)
            settled = before is not None and float(np.max(np.abs(pull))) < _PULL
            share = relaxed(pull, last_pull, share)
            share = min(share, _room(model, linear.beta - beta, longest_step))
            beta, share = _damped(model, beta, linear, bent, share)
            covariances, last_pull = list(linear.covariances), pull
        at = linearise(model, beta, covariances, bent)
        variance = variance_of(at.mean)
        linear = _linear_fit(model, at, beta, variance, criterion, linear)
    return _answer(model, linear, at, beta, variance, settled, n_passes, criterion)


def _room(model: Model, step: np.ndarray, longest_step) -> float:
    """Return the share of a step after which some row's parameter has moved its longest way."""
    if longest_step is None:
        return np.inf
    rooms = [
        most / max(float(np.max(np.abs(design @ step[part]), initial=0.0)), 1e-300)
        for design, part, most in zip(model.designs, slices_of(model), longest_step, strict=True)
    ]
    return float(min(rooms))


def _first_covariances(model: Model, beta: np.ndarray) -> list[np.ndarray]:
    """Return no spread: the first pass is made at the curve itself."""
    return [np.zeros((b.size, b.size)) for b in model.blocks]


def _bent_parameters(model: Model, beta: np.ndarray, covariances) -> list[int]:
    """Return the random parameters in which the curve, or any of its slopes, is not straight."""
    parameters = model.parameters(beta, model.no_effects())
    slopes = model.evaluate(parameters)[1]
    size = np.maximum(np.abs(slopes).max(axis=0), 1e-300)
    bent = []
    for k in sorted({k for block in model.blocks for k, _ in block.columns}):
        moved = parameters.copy()
        moved[:, k] += 0.05 * np.maximum(np.abs(moved[:, k]), 1.0)
        change = np.abs(model.evaluate(moved)[1] - slopes) / size
        if change.max() > _BEND:
            bent.append(k)
    # A product rule over more dimensions than three would cost more than it is worth.
    return bent[: max(_NODES)]


def linearise(model: Model, beta: np.ndarray, covariances, bent: list[int]) -> Linearised:
    """Return the averaged curve and its averaged slopes in fixed and random effects."""
    centre = model.parameters(beta, model.no_effects())
    spread = _row_covariance(model, covariances, bent)
    if not bent or not np.any(spread):
        mean, slopes = model.evaluate(centre)
        return Linearised(mean, model.fixed_slopes(slopes), tuple(model.random_slopes(slopes)))
    root = _roots(spread)
    points, weights = np.polynomial.hermite_e.hermegauss(_NODES[len(bent)])
    grid = np.stack(np.meshgrid(*[points] * len(bent), indexing="ij"), axis=-1).reshape(-1, len(bent))
    share = np.stack(np.meshgrid(*[weights] * len(bent), indexing="ij"), axis=-1).reshape(-1, len(bent))
    share = share.prod(axis=1) / share.prod(axis=1).sum()
    mean, slopes = np.zeros(len(model.y)), np.zeros_like(centre)
    for node, weight in zip(grid, share, strict=True):
        moved = centre.copy()
        moved[:, bent] += root @ node
        value, slope = model.evaluate(moved)
        mean += weight * value
        slopes += weight * slope
    return Linearised(mean, model.fixed_slopes(slopes), tuple(model.random_slopes(slopes)))


def _row_covariance(model: Model, covariances, bent: list[int]) -> np.ndarray:
    """Return the covariance of the bent parameters in every row, all levels added, shape (n, d, d)."""
    total = np.zeros((len(model.y), len(bent), len(bent)))
    place = {k: i for i, k in enumerate(bent)}
    for block, psi in zip(model.blocks, covariances, strict=True):
        for a, (k, z) in enumerate(block.columns):
            for b, (other, w) in enumerate(block.columns):
                if k in place and other in place:
                    total[:, place[k], place[other]] += psi[a, b] * z * w
    return total


def _roots(spread: np.ndarray) -> np.ndarray:
    """Return square roots of covariances that may be singular."""
    values, vectors = np.linalg.eigh(spread)
    return vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]


def _linear_fit(
    model: Model, at: Linearised, beta, variance, criterion: str, before: MixedFit | None
) -> MixedFit:
    working = model.y - at.mean + at.X @ beta
    levels = [(b.codes, z, b.structure) for b, z in zip(model.blocks, at.Z, strict=True)]
    first = None if before is None else before.theta
    return mixed.fit(working, at.X, levels, method=criterion, known_variance=variance, start=first)


def _damped(model: Model, beta, linear: MixedFit, bent, share: float) -> tuple[np.ndarray, float]:
    """Return the next fixed effects; the step is halved while it fits much worse."""
    covariances = linear.covariances

    def misfit(tried):
        return float(np.sum((model.y - linearise(model, tried, covariances, bent).mean) ** 2))

    before = misfit(beta)
    for _ in range(_HALVINGS):
        tried = beta + share * (linear.beta - beta)
        value = misfit(tried)
        if np.isfinite(value) and value <= 1.2 * before:
            break
        share /= 2
    return tried, share


def _answer(model: Model, linear, at, beta, variance, converged, n_passes, criterion) -> NonlinearFit:
    random = [np.asarray(r) for r in linear.random]
    return NonlinearFit(
        beta=beta,
        beta_cov=linear.beta_cov,
        beta_se=linear.beta_se,
        slices=slices_of(model),
        sigma=linear.sigma,
        covariances=gather(model, linear.covariances, square=True),
        random=gather(model, random, square=False),
        random_se=gather(model, linear.random_se, square=False),
        loglik=linear.loglik,
        aic=linear.aic,
        bic=linear.bic,
        likelihood=f"marginal mean, linear covariance ({criterion})",
        fitted=model.evaluate(model.parameters(beta, random))[0],
        population=at.mean,
        known_variance=np.zeros(len(model.y)) if variance is None else variance,
        converged=converged,
        on_boundary=tuple(linear.on_boundary),
        n_iterations=n_passes,
        checks={**linear.checks, "converged": converged},
        linear=linear,
        working=at,
        model=model,
    )
