"""What a mixed model leaves over: residuals, whole groups far off, random effects against their errors.

Also where observed values lie among those a fitted model simulates (`among_simulated`). One level of groups
with covariance V_i = Z_i Psi Z_i' + diag(own_i). Shapes: n rows, p fixed effects, q random effects, m groups
in the order of their codes.

Sources: Pinheiro & Bates 2000, Mixed-Effects Models in S and S-PLUS, ch. 4; Houseman, Ryan & Coull 2004, J Am
Stat Assoc 99:383-394 (Cholesky residuals); Dempster & Ryan 1985, Biometrika 72:217-220 (effects against their
own variance). What leaving a group out does: `numerics.resample.leave_one_out`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

Array = np.ndarray
# A column with less than this share of its length beside those before it is determined by them.
DETERMINED = 1e-7


@dataclass(frozen=True, slots=True)
class Leftover:
    """What a fit leaves over.

    By row (n,): `marginal` y - X b; `conditional` with the effects taken off; `independent` L^-1 (y - X b)
    with V = L L'; `pit` Phi(marginal / its sd). By group: `rows` the numbers of its rows, `distance`
    r' V^-1 r with `p_value` by chi-squared, `effect` (m, q), `effect_sd` (m, q) what the predicted effect
    itself scatters by (the estimation of b counted), `effect_distance` (m,) of all its effects together.
    """

    marginal: Array
    conditional: Array
    independent: Array
    pit: Array
    rows: tuple[Array, ...]
    distance: Array
    p_value: Array
    effect: Array
    effect_sd: Array
    effect_distance: Array


def leftover(
    y: ArrayLike, X: ArrayLike, codes: ArrayLike, Z: ArrayLike, *, beta: ArrayLike, beta_cov: ArrayLike,
    covariance: ArrayLike, own_variance: ArrayLike,
) -> Leftover:  # fmt: skip
    """Return what a fitted model with one level of groups leaves over.

    Parameters
    ----------
    y, X, codes, Z
        Outcome (n,), fixed-effect columns (n, p), group of each row (n,), random-effect columns (n, q).
    beta, beta_cov
        Fixed effects (p,) and their covariance (p, p).
    covariance
        Psi (q, q).
    own_variance
        Variance of each row beside the groups' (n,): sigma^2 and known sampling variances.

    Examples
    --------
    Two groups of one row, variance 1 in and 0 between groups: residuals as they are.

    >>> found = leftover(
    ...     [1.0, -1.0], np.ones((2, 1)), [0, 1], np.ones((2, 1)),
    ...     beta=[0.0], beta_cov=[[0.0]], covariance=[[0.0]], own_variance=1.0,
    ... )
    >>> found.independent.tolist()
    [1.0, -1.0]
    """
    y, X, Z = (np.asarray(a, dtype=float) for a in (y, X, Z))
    beta, beta_cov, psi = (np.asarray(a, dtype=float) for a in (beta, beta_cov, np.atleast_2d(covariance)))
    own = np.broadcast_to(np.asarray(own_variance, dtype=float), y.shape)
    groups = by_group(codes)
    marginal = y - X @ beta
    conditional, independent, sd = np.empty_like(y), np.empty_like(y), np.empty_like(y)
    found = []
    for rows in groups:
        z, r = Z[rows], marginal[rows]
        v = z @ psi @ z.T + np.diag(own[rows])
        lower = scipy.linalg.cholesky(v, lower=True)
        pulled = scipy.linalg.cho_solve((lower, True), np.column_stack([r, z, X[rows]]))
        effect = psi @ z.T @ pulled[:, 0]
        conditional[rows] = r - z @ effect
        independent[rows] = scipy.linalg.solve_triangular(lower, r, lower=True)
        sd[rows] = np.sqrt(np.diag(v))
        zvx = z.T @ pulled[:, 1 + z.shape[1] :]
        scatter = psi @ (z.T @ pulled[:, 1 : 1 + z.shape[1]] - zvx @ beta_cov @ zvx.T) @ psi
        far = float(effect @ scipy.linalg.pinvh(scatter) @ effect)
        found.append((float(r @ pulled[:, 0]), effect, np.sqrt(np.maximum(np.diag(scatter), 0.0)), far))
    distance = np.array([f[0] for f in found])
    return Leftover(
        marginal, conditional, independent, scipy.stats.norm.cdf(marginal / sd), tuple(groups), distance,
        scipy.stats.chi2.sf(distance, [len(g) for g in groups]), np.array([f[1] for f in found]),
        np.array([f[2] for f in found]), np.array([f[3] for f in found]),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Simulated:
    """Where observed values lie among values simulated from a fitted model.

    `residual` (n,) standard normal where the model holds; `departure` the largest distance of their
    distribution from the normal one, 0 to 1, and `p_value` of so large a distance.
    """

    residual: Array
    departure: float
    p_value: float


def among_simulated(
    observed: ArrayLike, simulated: ArrayLike, *, step: ArrayLike = 0.0, seed: int = 1
) -> Simulated:
    """Return randomised quantile residuals by simulation, and a test of their distribution.

    The share of simulated values below each observed one, as a normal quantile. A value that comes in steps
    is spread over its step, and each over its rank, at random. The distance is that of Kolmogorov and Smirnov
    after mean and spread are taken out of each set: a fit makes them right whatever the shape. Its p-value
    ranks the observed set among the simulated ones, treated alike, so that values of one patient may
    resemble each other.

    Parameters
    ----------
    observed
        Shape (n,).
    simulated
        Shape (S, n): S sets as the fitted model would make them.
    step
        Width of the steps in which observed values come, (n,) or one for all; 0 where they do not.
    seed
        Of what is spread at random.

    Returns
    -------
    Simulated
        The smallest p-value is 1 / (S + 1).

    Source
    ------
    Dunn & Smyth 1996, J Comput Graph Stat 5:236-244 (residuals); Hope 1968, J R Stat Soc B 30:582-598 (test
    by simulation); both from memory.

    Examples
    --------
    A value above all of 999 simulated ones lies among the highest thousandth:

    >>> found = among_simulated([9.0, 0.0], np.random.default_rng(1).standard_normal((999, 2)))
    >>> bool(found.residual[0] > 3)
    True
    """
    rng = np.random.default_rng(seed)
    spread = (rng.random(np.shape(observed)) - 0.5) * np.asarray(step, dtype=float)
    sets = np.vstack([np.asarray(observed, dtype=float) + spread, np.asarray(simulated, dtype=float)])
    n_sets, n = sets.shape
    rank = np.empty(sets.shape)
    np.put_along_axis(rank, np.argsort(sets, axis=0), np.arange(n_sets, dtype=float)[:, None], axis=0)
    residual = scipy.special.ndtri((rank + rng.random(sets.shape)) / n_sets)
    shape = residual - residual.mean(axis=1, keepdims=True)
    shape = scipy.special.ndtr(np.sort(shape / shape.std(axis=1, keepdims=True), axis=1))
    place = np.arange(n) / n
    departure = np.maximum(shape - place, place + 1 / n - shape).max(axis=1)
    p_value = float(np.mean(departure >= departure[0]))
    return Simulated(residual[0], float(departure[0]), p_value)


def by_group(codes: ArrayLike) -> list[Array]:
    """Return the rows of each group, groups in the order of their codes.

    Parameters
    ----------
    codes
        Shape (n,), any labels that sort.

    Returns
    -------
    list of arrays
        Row numbers of each group.

    Examples
    --------
    >>> [g.tolist() for g in by_group([1, 0, 1])]
    [[1], [0, 2]]
    """
    codes = np.asarray(codes)
    order = np.argsort(codes, kind="stable")
    return np.split(order, np.flatnonzero(codes[order][1:] != codes[order][:-1]) + 1)


def independent(X: Array) -> list[int]:
    """Return the columns that those before them do not determine.

    Parameters
    ----------
    X
        Design, (n, p).

    Returns
    -------
    list of int
        Numbers of columns, rising.

    Examples
    --------
    The third column is the sum of the first two:

    >>> independent(np.array([[1.0, 0.0, 1.0], [0.0, 1.0, 1.0], [1.0, 1.0, 2.0]]))
    [0, 1]
    """
    kept: list[int] = []
    basis = np.empty((len(X), 0))
    for j, column in enumerate(X.T):
        rest = column - basis @ (basis.T @ column)
        rest = rest - basis @ (basis.T @ rest)
        left = float(np.linalg.norm(rest))
        if left > DETERMINED * float(np.linalg.norm(column)):
            kept.append(j)
            basis = np.column_stack([basis, rest / left])
    return kept
