"""Has the risk of a bad outcome risen? Cumulative sums, case by case, and how long until a false alarm.

The risk-adjusted chart: a case with risk p under control adds the log likelihood ratio of odds R times higher
against unchanged, log(R^y / (1 - p + R p)). The sum starts again at 0 when it would be negative and signals
when it reaches the limit. For a count out of many (transected grafts of a session) the same with a
beta-binomial likelihood, because grafts of one session are alike. The limit is the one whose mean run length
in control, on the practice's own mix of risks, is the one asked for: found by a Markov chain on a fine grid
and confirmed by simulation with its standard error.

`run_length` is the mean number of points to a signal of the plain chart of normal values (reference value k,
decision limit h, both in sigmas), from the integral equation by Gauss-Legendre quadrature.

Sources: Steiner, Cook, Farewell & Treasure 2000, Biostatistics 1:441-452; Steiner & Woodall 2016, BMC Surg
16:15 (why observed minus expected alone has no signalling rule); Brook & Evans 1972, Biometrika 59:539-549
(chain); Lucas & Crosier 1982, Technometrics 24:199-205 (head start).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from analytics.errors import ParameterError

# Points of the quadrature, and of the chain's grid from 0 to the limit.
NODES = 96
GRID = 240
MAX_STEPS = 800  # a larger set of possible values is merged
SEED = 20260101
GUIDES = 1 << 14  # steps of 0 to 1 in the table by which draws are placed


@dataclass(frozen=True, slots=True)
class Increments:
    """What one case adds while in control: possible values and their probabilities, shape (m,)."""

    value: np.ndarray
    probability: np.ndarray


@dataclass(frozen=True, slots=True)
class Path:
    """The running sum after each case, the cases (0-based) that signalled, the case where each rise began."""

    total: np.ndarray
    signals: np.ndarray
    began: np.ndarray


@dataclass(frozen=True, slots=True)
class Limit:
    """Decision limit with the mean run length in control that it gives, by chain and by simulation."""

    limit: float
    asked: float
    by_chain: float
    by_simulation: float
    simulation_se: float
    n_charts: int
    seed: int


def weights(outcome: ArrayLike, risk: ArrayLike, odds_ratio: float) -> np.ndarray:
    """Return what each case adds: log(R^y / (1 - p + R p)).

    Parameters
    ----------
    outcome
        1 bad, 0 good, shape (n,).
    risk
        Chance of a bad outcome under control, strictly between 0 and 1, shape (n,).
    odds_ratio
        The change of odds to be found, not 1 (2: doubling; 0.5: halving).

    Returns
    -------
    numpy.ndarray
        Shape (n,), above 0 for a bad outcome where the odds ratio is above 1.

    Examples
    --------
    >>> weights([1, 0], [0.5, 0.5], 3.0).round(4).tolist()
    [0.4055, -0.6931]
    """
    y, p = np.asarray(outcome, dtype=float), np.asarray(risk, dtype=float)
    _check(p, odds_ratio)
    return y * np.log(odds_ratio) - np.log1p(p * (odds_ratio - 1))


def count_weights(
    events: ArrayLike, sizes: ArrayLike, risk: ArrayLike, odds_ratio: float, correlation: float
) -> np.ndarray:
    """Return what each session adds: the beta-binomial log likelihood ratio of odds R times higher.

    Parameters
    ----------
    events, sizes
        Bad items and all items of each session, shape (n,).
    risk
        Expected share under control, shape (n,).
    odds_ratio
        As in `weights`.
    correlation
        Intra-session correlation of items, 0 to below 1 (0 is the binomial).

    Returns
    -------
    numpy.ndarray
        Shape (n,).

    Examples
    --------
    >>> count_weights([1], [1], [0.5], 3.0, 0.2).round(4).tolist()
    [0.4055]
    """
    y, n = np.asarray(events, dtype=float), np.asarray(sizes, dtype=float)
    p = np.asarray(risk, dtype=float)
    _check(p, odds_ratio)
    shifted = odds_ratio * p / (1 + p * (odds_ratio - 1))
    return _log_beta_binomial(y, n, shifted, correlation) - _log_beta_binomial(y, n, p, correlation)


def _check(risk: np.ndarray, odds_ratio: float) -> None:
    if ((risk <= 0) | (risk >= 1)).any() or not (odds_ratio > 0 and odds_ratio != 1):
        raise ParameterError(
            "cusum: a risk is not strictly between 0 and 1, or the odds ratio is 1 or not above 0; "
            "leave such cases out"
        )


def _log_beta_binomial(y: np.ndarray, n: np.ndarray, p: np.ndarray, correlation: float) -> np.ndarray:
    """Return the log likelihood without the binomial coefficient, which cancels in a ratio."""
    if correlation <= 0:
        return y * np.log(p) + (n - y) * np.log1p(-p)
    scale = 1 / correlation - 1
    a, b = p * scale, (1 - p) * scale
    return scipy.special.betaln(y + a, n - y + b) - scipy.special.betaln(a, b)


def path(added: ArrayLike, limit: float) -> Path:
    """Return the running sum; after a signal it starts again at 0.

    Parameters
    ----------
    added
        What each case adds, shape (n,), in order of time.
    limit
        Decision limit, above 0.

    Examples
    --------
    >>> found = path([1.0, -3.0, 1.0, 1.0], 2.0)
    >>> found.total.tolist(), found.signals.tolist(), found.began.tolist()
    ([1.0, 0.0, 1.0, 2.0], [3], [2])
    """
    values = np.asarray(added, dtype=float)
    total = np.zeros(len(values))
    level, start = 0.0, 0
    signals, began = [], []
    for i, value in enumerate(values):
        if level <= 0:
            start = i
        level = max(0.0, level + value)
        total[i] = level
        if level >= limit:
            signals.append(i)
            began.append(start)
            level = 0.0
    return Path(total, np.array(signals, dtype=int), np.array(began, dtype=int))


def in_control(risk: ArrayLike, odds_ratio: float) -> Increments:
    """Return the distribution of what one case adds in control, cases drawn from the given risks.

    Parameters
    ----------
    risk
        Chance of a bad outcome under control, strictly between 0 and 1, shape (n,).
    odds_ratio
        As in `weights`.

    Examples
    --------
    >>> in_control([0.5], 3.0).value.round(4).tolist()
    [-0.6931, 0.4055]
    """
    p = np.asarray(risk, dtype=float)
    bad, good = (weights(np.full(p.shape, y), p, odds_ratio) for y in (1.0, 0.0))
    value = np.concatenate([bad, good])
    return _thinned(value, np.concatenate([p, 1 - p]) / len(p))


def in_control_counts(
    sizes: ArrayLike,
    risk: ArrayLike,
    odds_ratio: float,
    correlation: float,
    *,
    draws: int = 400,
    seed: int = SEED,
) -> Increments:
    """Return the distribution of what one session adds in control, by drawing beta-binomial counts.

    Parameters
    ----------
    sizes, risk, odds_ratio, correlation
        As in `count_weights`.
    draws
        Counts drawn for each session.
    seed
        Seed of the draws.

    Examples
    --------
    Of single items the sum moves as `in_control` says:

    >>> found = in_control_counts([1, 1], [0.5, 0.5], 3.0, 0.0, draws=50)
    >>> np.unique(found.value.round(4)).tolist()
    [-0.6931, 0.4055]
    """
    n, p = np.asarray(sizes, dtype=int), np.asarray(risk, dtype=float)
    rng = np.random.default_rng(seed)
    share = np.broadcast_to(p, (draws, len(p)))
    if correlation > 0:
        scale = 1 / correlation - 1
        share = rng.beta(share * scale, (1 - share) * scale)
    added = count_weights(rng.binomial(n, share), n, p, odds_ratio, correlation).ravel()
    return _thinned(added, np.full(added.size, 1 / added.size))


def _thinned(value: np.ndarray, probability: np.ndarray) -> Increments:
    """Merge a large set of possible values into MAX_STEPS groups, each keeping its mean."""
    order = np.argsort(value, kind="stable")
    value, probability = value[order], probability[order]
    if len(value) <= MAX_STEPS:
        return Increments(value, probability)
    group = np.minimum((np.cumsum(probability) * MAX_STEPS).astype(int), MAX_STEPS - 1)
    mass = np.bincount(group, weights=probability, minlength=MAX_STEPS)
    centre = np.bincount(group, weights=probability * value, minlength=MAX_STEPS)
    kept = mass > 0
    return Increments(centre[kept] / mass[kept], mass[kept])


def limit_for(
    increments: Increments,
    run_length_asked: float,
    *,
    n_charts: int = 4000,
    seed: int = SEED,
    given: float | None = None,
) -> Limit:
    """Return the smallest limit whose mean run length in control reaches the one asked for.

    Parameters
    ----------
    increments
        From `in_control` or `in_control_counts`.
    run_length_asked
        Mean number of cases between false alarms, above 1.
    n_charts, seed
        Simulated charts that confirm it.
    given
        A limit set earlier, which stays: what run length it gives now is computed.

    Raises
    ------
    ParameterError
        When no limit can reach it (nothing pulls the sum down) or the run length is not above 1.

    Examples
    --------
    >>> found = limit_for(in_control([0.1], 2.0), 50.0, n_charts=100)
    >>> round(found.by_chain)
    50
    """
    if run_length_asked <= 1 or (increments.value * increments.probability).sum() >= 0:
        raise ParameterError(
            "cusum.limit_for: run length not above 1, or the sum has no downward drift in control; "
            "ask for more cases"
        )
    if given is not None:
        mean, se = simulate_run_length(increments, given, n_charts=n_charts, seed=seed)
        by_chain = risk_run_length(increments, given)
        return Limit(given, float(run_length_asked), by_chain, mean, se, n_charts, seed)
    top = float(increments.value.max())
    while risk_run_length(increments, top) < run_length_asked:
        top *= 1.5
    low = top / 1.5**8

    def short_of(limit: float) -> float:
        return np.log(risk_run_length(increments, limit) / run_length_asked)

    found = low if short_of(low) >= 0 else float(scipy.optimize.brentq(short_of, low, top, xtol=1e-4))
    mean, se = simulate_run_length(increments, found, n_charts=n_charts, seed=seed)
    return Limit(found, float(run_length_asked), risk_run_length(increments, found), mean, se, n_charts, seed)


def risk_run_length(increments: Increments, limit: float, *, grid: int = GRID) -> float:
    """Return the mean number of cases to a signal, by a Markov chain whose grid points share mass linearly.

    Parameters
    ----------
    increments
        What one case adds.
    limit
        Decision limit, above 0.
    grid
        Steps from 0 to the limit.

    Returns
    -------
    float
        Cases, 1 or more.

    Examples
    --------
    A fair walk from a wall at 0 takes 3 x 4 steps to reach 3:

    >>> walk = Increments(np.array([1.0, -1.0]), np.array([0.5, 0.5]))
    >>> round(risk_run_length(walk, 3.0, grid=3), 6)
    12.0
    """
    step = limit / grid
    state = np.arange(grid + 1) * step
    landing = np.maximum(state[:, None] + increments.value[None, :], 0.0)
    stays = landing < limit - 1e-12
    position = np.where(stays, landing / step, 0.0)
    lower = np.minimum(np.floor(position + 1e-9).astype(int), grid)
    share = np.clip(position - lower, 0.0, 1.0)
    mass = stays * increments.probability[None, :]
    first = np.arange(grid + 1)[:, None] * (grid + 1)
    size = (grid + 1) ** 2
    move = np.bincount((first + lower).ravel(), weights=(mass * (1 - share)).ravel(), minlength=size)
    upper = np.minimum(lower + 1, grid)
    move += np.bincount((first + upper).ravel(), weights=(mass * share).ravel(), minlength=size)
    move = move.reshape(grid + 1, grid + 1)
    return float(np.linalg.solve(np.eye(grid + 1) - move, np.ones(grid + 1))[0])


def simulate_run_length(
    increments: Increments, limit: float, *, n_charts: int = 4000, seed: int = SEED, max_cases: int = 10**6
) -> tuple[float, float]:
    """Return the mean number of cases to a signal over simulated charts, and its standard error.

    Parameters
    ----------
    increments, limit
        As in `risk_run_length`.
    n_charts, seed
        Charts to simulate, 2 or more, and the seed.
    max_cases
        A chart without a signal ends here, and its length counts as this.

    Returns
    -------
    tuple of float
        Mean number of cases and its standard error.

    Examples
    --------
    A case that always adds 1 reaches 3 with the third:

    >>> simulate_run_length(Increments(np.array([1.0]), np.array([1.0])), 3.0, n_charts=10)
    (3.0, 0.0)
    """
    rng = np.random.default_rng(seed)
    edges = np.cumsum(increments.probability)
    edges /= edges[-1]
    level = np.zeros(n_charts)
    length = np.zeros(n_charts)
    alive = np.arange(n_charts)
    done = 0
    while len(alive) and done < max_cases:
        block = int(np.clip(200_000 // len(alive), 16, 4096))
        drawn = increments.value[_places(edges, rng.random((len(alive), block)))]
        walk = level[alive][:, None] + np.cumsum(drawn, axis=1)
        walk -= np.minimum(np.minimum.accumulate(walk, axis=1), 0.0)
        hit = walk >= limit
        ended = hit.any(axis=1)
        length[alive[ended]] = done + hit[ended].argmax(axis=1) + 1
        level[alive] = walk[:, -1]
        alive = alive[~ended]
        done += block
    length[alive] = done
    return float(length.mean()), float(length.std(ddof=1) / np.sqrt(n_charts))


def _places(edges: np.ndarray, drawn: np.ndarray) -> np.ndarray:
    """Return `np.searchsorted(edges, drawn)` of shares, from a table of where each of GUIDES steps begins."""
    begins = np.searchsorted(edges, np.arange(GUIDES) / GUIDES)
    at = begins[(drawn * GUIDES).astype(int)].ravel()
    short = np.flatnonzero(edges[at] < drawn.ravel())
    while len(short):
        at[short] += 1
        short = short[edges[at[short]] < drawn.ravel()[short]]
    return at.reshape(drawn.shape)


def run_length(
    *, k: float = 0.5, h: float = 4.0, shift: float = 0.0, head_start: float = 0.0, two_sided: bool = True
) -> float:
    """Return the mean number of points until the CUSUM of normal values signals.

    Parameters
    ----------
    k, h
        Reference value (0 or more) and decision limit (above 0), in sigmas.
    shift
        True mean, in sigmas.
    head_start
        Starting value of the sums, 0 to below h.
    two_sided
        Watch both directions, by two sums.

    Returns
    -------
    float
        Points, 1 or more.

    Raises
    ------
    ParameterError
        When a value is out of range.

    Source
    ------
    Brook & Evans 1972, Biometrika 59:539-549; Lucas & Crosier 1982, Technometrics 24:199-205.

    Examples
    --------
    >>> round(run_length(k=0.5, h=4.0), 1)
    167.7
    """
    if not (h > 0 and k >= 0 and 0 <= head_start < h):
        raise ParameterError(
            "cusum.run_length: expected h above 0, k 0 or more, head_start from 0 to below h"
        )
    up_zero, up_start = _one_sided(k, h, shift, head_start)
    if not two_sided:
        return up_start
    down_zero, down_start = _one_sided(k, h, -shift, head_start)
    both = up_start * down_zero + up_zero * down_start - up_zero * down_zero
    return float(both / (up_zero + down_zero))


def _one_sided(k: float, h: float, shift: float, start: float) -> tuple[float, float]:
    """Solve L(s) = 1 + L(0) F(k - s - shift) + integral over (0, h) of L(y) f(y - s + k - shift)."""
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    y, w = h / 2 * (nodes + 1), h / 2 * weights
    at = np.concatenate([[0.0], y])
    kernel = np.empty((NODES + 1, NODES + 1))
    kernel[:, 0] = scipy.stats.norm.cdf(k - at - shift)
    kernel[:, 1:] = w * scipy.stats.norm.pdf(y[None, :] - at[:, None] + k - shift)
    solved = np.linalg.solve(np.eye(NODES + 1) - kernel, np.ones(NODES + 1))
    inside = solved[1:] * w * scipy.stats.norm.pdf(y - start + k - shift)
    return float(solved[0]), float(1 + solved[0] * scipy.stats.norm.cdf(k - start - shift) + inside.sum())
