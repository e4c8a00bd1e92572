"""Are the groups alike, and what would the answer be had they been? Balance, propensity, weights.

Standardised differences say how far the groups are apart in units of their own spread, whatever the number
of patients. The propensity is the chance, by logistic regression, of being in the compared group.
Inverse-probability weights are stabilised (their mean is near 1) and truncated at stated quantiles.

Sources: Austin 2009, Stat Med 28:3083-3107 (standardised differences); Yang & Dalton 2012, SAS Global Forum
335 (several categories; from memory); Robins, Hernán & Brumback 2000, Epidemiology 11:550-560 (stabilised
weights); Cole & Hernán 2008, Am J Epidemiol 168:656-664 (truncation); Kish 1965 (effective number).
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import expit

from analytics.errors import ParameterError

TRUNCATED_AT = (0.01, 0.99)
# A ridge on standardised columns, the weight of one patient a column; used only where plain estimates run
# away because a covariate separates the groups.
RIDGE = 1.0
LARGEST_COEFFICIENT = 15.0


@dataclass(frozen=True, slots=True)
class Propensity:
    """The chance of each row to be in the compared group.

    `share` (n,), 0 to 1; `separated`: the covariates tell the groups apart wholly, a ridge was needed;
    `overlap` the common area of the two groups' distributions, 0 to 1; `outside` the share of rows whose
    propensity the other group never has.
    """

    share: np.ndarray
    separated: bool
    overlap: float
    outside: float


@dataclass(frozen=True, slots=True)
class Weights:
    """Stabilised weights (n,), how many were truncated, their range, and the number they are worth."""

    weight: np.ndarray
    n_truncated: int
    smallest: float
    largest: float
    effective: float


def standardised_difference(
    values: ArrayLike, group: ArrayLike, *, weights: ArrayLike | None = None
) -> float:
    """Return the difference of means (compared less reference) over the root mean variance of the groups.

    Parameters
    ----------
    values
        Shape (n,); NaN is left out.
    group
        Shape (n,), True in the compared group.
    weights
        Shape (n,), for balance after weighting; the spread stays that of the unweighted groups.

    Returns
    -------
    float
        In standard deviations; NaN where a group has fewer than two values.

    Examples
    --------
    Means one apart, both spreads one:

    >>> round(standardised_difference([0.0, 2.0, 1.0, 3.0], [False, False, True, True]), 6)
    0.707107
    """
    x, is_compared = np.asarray(values, dtype=float), np.asarray(group, dtype=bool)
    w = np.ones(len(x)) if weights is None else np.asarray(weights, dtype=float)
    known = ~np.isnan(x)
    a, b = known & is_compared, known & ~is_compared
    if a.sum() < 2 or b.sum() < 2:
        return np.nan
    spread = np.sqrt((x[a].var(ddof=1) + x[b].var(ddof=1)) / 2)
    gap = np.average(x[a], weights=w[a]) - np.average(x[b], weights=w[b])
    return float(gap / spread) if spread > 0 else (0.0 if gap == 0 else float(np.sign(gap) * np.inf))


def categorical_difference(labels: ArrayLike, group: ArrayLike, *, weights: ArrayLike | None = None) -> float:
    """Return the standardised difference of a word with several values (never negative).

    Parameters
    ----------
    labels
        Shape (n,), words.
    group
        Shape (n,), True in the compared group.
    weights
        Shape (n,), for balance after weighting.

    Returns
    -------
    float
        In standard deviations, 0 or more.

    Source
    ------
    Yang & Dalton 2012: the Mahalanobis distance of the two vectors of shares.

    Examples
    --------
    >>> categorical_difference(["a", "b", "a", "b"], [False, False, True, True])
    0.0
    """
    words, code = np.unique(np.asarray(labels, dtype=str), return_inverse=True)
    if len(words) < 2:
        return 0.0
    w = np.ones(len(code)) if weights is None else np.asarray(weights, dtype=float)
    is_compared = np.asarray(group, dtype=bool)
    dummies = np.eye(len(words))[code][:, 1:]
    shares, spreads = [], []
    for rows in (is_compared, ~is_compared):
        shares.append(np.average(dummies[rows], axis=0, weights=w[rows]))
        plain = dummies[rows].mean(axis=0)
        spreads.append(np.diag(plain) - np.outer(plain, plain))
    gap = shares[0] - shares[1]
    distance = gap @ np.linalg.pinv((spreads[0] + spreads[1]) / 2) @ gap
    return float(np.sqrt(max(distance, 0.0)))


def propensity(group: ArrayLike, X: ArrayLike) -> Propensity:
    """Return the chance of the compared group given covariates, by logistic regression.

    Parameters
    ----------
    group
        Shape (n,), True in the compared group; both groups are present.
    X
        Shape (n, p), without a constant.

    Raises
    ------
    ParameterError
        When a group is empty.

    Examples
    --------
    A covariate alike in both groups tells nothing:

    >>> propensity([True, True, False, False], [[0.0], [1.0], [0.0], [1.0]]).share.round(6).tolist()
    [0.5, 0.5, 0.5, 0.5]
    """
    y = np.asarray(group, dtype=float)
    if y.min() == y.max():
        raise ParameterError("weighting.propensity(group): one group is empty; there is nothing to compare")
    design = _standardised(np.asarray(X, dtype=float))
    beta = _logistic(y, design)
    separated = beta is None
    if beta is None:
        beta = _ridge(y, design)
    share = expit(design @ beta)
    return Propensity(share, separated, _overlap(share, y > 0), _outside(share, y > 0))


def _standardised(x: np.ndarray) -> np.ndarray:
    spread = x.std(axis=0)
    x = (x - x.mean(axis=0))[:, spread > 0] / spread[spread > 0]
    return np.column_stack([np.ones(len(x)), x])


def _logistic(y: np.ndarray, design: np.ndarray) -> np.ndarray | None:
    """Return the estimates, or None where they run away (the groups are told apart wholly)."""
    from statsmodels.genmod import families
    from statsmodels.genmod.generalized_linear_model import GLM

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            fit = GLM(y, design, family=families.Binomial()).fit(maxiter=50)
        except (np.linalg.LinAlgError, ValueError):
            return None
    beta = np.asarray(fit.params)
    settled = fit.converged and np.isfinite(beta).all() and np.abs(beta).max() < LARGEST_COEFFICIENT
    return beta if settled else None


def _ridge(y: np.ndarray, design: np.ndarray) -> np.ndarray:
    penalty = RIDGE * np.eye(design.shape[1])
    penalty[0, 0] = 1e-6
    beta = np.zeros(design.shape[1])
    for _ in range(100):
        share = expit(design @ beta)
        slope = design.T @ (y - share) - penalty @ beta
        curve = (design * (share * (1 - share))[:, None]).T @ design + penalty
        step = np.linalg.solve(curve, slope)
        beta = beta + step
        if np.abs(step).max() < 1e-10:
            break
    return beta


def _overlap(share: np.ndarray, is_compared: np.ndarray) -> float:
    """Return the common area of the two distributions of the logit, in twenty classes of equal number."""
    edges = np.unique(np.quantile(share, np.linspace(0, 1, 21)))
    if len(edges) < 3:
        return 1.0
    edges[0], edges[-1] = -np.inf, np.inf
    a = np.histogram(share[is_compared], edges)[0] / is_compared.sum()
    b = np.histogram(share[~is_compared], edges)[0] / (~is_compared).sum()
    return float(np.minimum(a, b).sum())


def _outside(share: np.ndarray, is_compared: np.ndarray) -> float:
    low = max(share[is_compared].min(), share[~is_compared].min())
    high = min(share[is_compared].max(), share[~is_compared].max())
    return float(((share < low) | (share > high)).mean())


def stabilised(
    group: ArrayLike, share: ArrayLike, *, truncated_at: tuple[float, float] = TRUNCATED_AT
) -> Weights:
    """Return inverse-probability weights: the group's own share over the row's chance of its group.

    Parameters
    ----------
    group, share
        Shape (n,): True in the compared group, and the chance of it.
    truncated_at
        Quantiles beyond which weights are cut.

    Examples
    --------
    Nothing to correct, all weights are one:

    >>> stabilised([True, False], [0.5, 0.5]).weight.tolist()
    [1.0, 1.0]
    """
    is_compared, chance = np.asarray(group, dtype=bool), np.asarray(share, dtype=float)
    mean = is_compared.mean()
    plain = np.where(is_compared, mean / chance, (1 - mean) / (1 - chance))
    return truncated(plain, truncated_at=truncated_at)


def truncated(plain: ArrayLike, *, truncated_at: tuple[float, float] = TRUNCATED_AT) -> Weights:
    """Return weights cut at quantiles, with what they are worth: (sum w)^2 / sum w^2.

    Parameters
    ----------
    plain
        Weights, (n,), above 0.
    truncated_at
        Quantiles beyond which weights are cut, 0 to 1.

    Examples
    --------
    Equal weights are worth their number:

    >>> truncated([2.0, 2.0, 2.0]).effective
    3.0
    """
    given = np.asarray(plain, dtype=float)
    low, high = np.quantile(given, truncated_at)
    weight = np.clip(given, low, high)
    n_cut = int(((given < low) | (given > high)).sum())
    effective = float(weight.sum() ** 2 / (weight**2).sum())
    return Weights(weight, n_cut, float(weight.min()), float(weight.max()), effective)
