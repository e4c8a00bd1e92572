"""Lindstrom-Bates: linearise at the present estimates, fit the linear mixed model, and repeat.

At fixed effects beta and conditional modes b the working response y - f + X beta + Z b follows a linear
mixed model whose design X and random design Z are the curve's slopes. One pass solves for covariances, beta
and b together; the step is halved where it does not lower the penalised sum of squares, so that the
alternation cannot run away. Its fixed point is that of Lindstrom & Bates: beta and b minimise the penalised
sum of squares given the covariances, and the covariances maximise the likelihood of the linear model there.

Where sampling variances depend on the expected reading they are taken anew in each pass from the population
curve: the variance a reading is expected to have, averaged over groups. Taken from the reading itself, or
from conditional modes that follow it, they would favour low readings.
"""

from collections.abc import Callable

import numpy as np

from analytics.numerics import mixed
from analytics.numerics.mixed import MixedFit
from analytics.numerics.nonlinear.model import Linearised, Model, NonlinearFit, of_linear

_MAX_PASSES = 60
_PULL = 1e-4
_GAIN = 1e-6
_HALVINGS = 8
_SHARES = (0.4, 1.6)


def fit(model: Model, start: np.ndarray, known_variance, *, criterion: str) -> NonlinearFit:
    """Alternate until the fixed effects move by less than a ten-thousandth of their standard errors."""
    beta, random = start, model.no_effects()
    variance_of = variance_rule(known_variance, len(model.y))
    linear: MixedFit | None = None
    settled, n_passes = False, 0
    share, last_pull = 1.0, None
    with np.errstate(over="ignore", invalid="ignore"):
        while not settled and n_passes < _MAX_PASSES:
            n_passes += 1
            variance = variance_of(_population(model, beta))
            before, linear = linear, _linear_fit(model, beta, random, variance, criterion, start=linear)
            pull = (linear.beta - beta) / sizes_of(linear)
            share = relaxed(pull, last_pull, share)
            settled = _has_settled(linear, before, pull)
            beta, random, share = _damped(model, beta, random, linear, variance, share)
            last_pull = pull
        variance = variance_of(_population(model, beta))
        linear = _linear_fit(model, beta, random, variance, criterion, start=linear)
    return _answer(model, linear, beta, random, variance, settled, n_passes, criterion)


def sizes_of(linear: MixedFit) -> np.ndarray:
    """Return the standard errors of the fixed effects, as units in which steps are judged."""
    return np.where(linear.beta_se > 0, linear.beta_se, np.abs(linear.beta) + 1e-8)


def relaxed(pull: np.ndarray, last: np.ndarray | None, share: float) -> float:
    """Return the share of the step to take, from how the last one changed the pull (Aitken).

    Near the fixed point the alternation shrinks the pull by one factor a pass, often a negative one: full
    steps then jump to and fro across the answer.
    """
    if last is None or not last @ last > 0:
        return 1.0
    rate = 1 - (1 - float(pull @ last) / float(last @ last)) / share
    return float(np.clip(1 / (1 - rate), *_SHARES)) if rate < 1 else _SHARES[1]


def variance_rule(known_variance, n: int) -> Callable:
    """Return a function from the population curve (n,) to sampling variances (n,), or to None."""
    if known_variance is None:
        return lambda mean: None
    if callable(known_variance):
        return known_variance
    fixed = np.broadcast_to(np.asarray(known_variance, dtype=float), n)
    return lambda mean: fixed


def _population(model: Model, beta) -> np.ndarray:
    return model.evaluate(model.parameters(beta, model.no_effects()))[0]


def _mixed_levels(model: Model, slopes: np.ndarray) -> list[tuple]:
    return [
        (block.codes, z, block.structure)
        for block, z in zip(model.blocks, model.random_slopes(slopes), strict=True)
    ]


def _linear_fit(model: Model, beta, random, variance, criterion, *, start):
    """Fit the linear mixed model of the working response."""
    mean, slopes = model.evaluate(model.parameters(beta, random))
    X = model.fixed_slopes(slopes)
    levels = _mixed_levels(model, slopes)
    working = model.y - mean + X @ beta
    for (codes, z, _), modes in zip(levels, random, strict=True):
        working = working + np.sum(z * modes[codes], axis=1)
    first = None if start is None else start.theta
    return mixed.fit(working, X, levels, method=criterion, known_variance=variance, start=first)


def _penalised(model: Model, beta, random, linear, variance) -> float:
    """Return the penalised sum of squares at the linear model's covariances."""
    residual = model.y - model.evaluate(model.parameters(beta, random))[0]
    spread = linear.sigma**2 + (0.0 if variance is None else variance)
    total = float(np.sum(residual**2 / np.maximum(spread, 1e-300)))
    for modes, psi in zip(random, linear.covariances, strict=True):
        total += float(np.sum((modes @ np.linalg.pinv(psi, hermitian=True, rcond=1e-10)) * modes))
    return total


def _damped(model: Model, beta, random, linear, variance, share):
    """Return the linear model's answer, pulled back towards the present one while it does not fit better."""
    target = [np.asarray(r) for r in linear.random]
    if not np.any([np.any(r) for r in random]):
        before = np.inf
    else:
        before = _penalised(model, beta, random, linear, variance)
    for _ in range(_HALVINGS):
        tried = beta + share * (linear.beta - beta)
        effects = [r + share * (t - r) for r, t in zip(random, target, strict=True)]
        value = _penalised(model, tried, effects, linear, variance)
        if np.isfinite(value) and (value <= before * (1 + 1e-9) or not np.isfinite(before)):
            break
        share /= 2
    return tried, effects, share


def _has_settled(linear, before, pull: np.ndarray) -> bool:
    if before is None:
        return False
    gain = abs(linear.loglik - before.loglik)
    return float(np.max(np.abs(pull))) < _PULL and gain < _GAIN * (1 + abs(linear.loglik))


def _answer(model: Model, linear, beta, random, variance, converged, passes, criterion) -> NonlinearFit:
    mean, slopes = model.evaluate(model.parameters(beta, random))
    zs = tuple(model.random_slopes(slopes))
    about = mean - sum(
        np.sum(z * r[b.codes], axis=1) for b, z, r in zip(model.blocks, zs, random, strict=True)
    )
    return of_linear(
        model, linear, beta, random,
        likelihood=f"Lindstrom-Bates approximation ({criterion} of the linearised model)",
        fitted=mean,
        population=_population(model, beta),
        known_variance=variance,
        converged=converged,
        n_iterations=passes,
        working=Linearised(about, model.fixed_slopes(slopes), zs),
    )  # fmt: skip
