"""What does a fitted prior say of the whole, of one unit, and of units that belong together?

Where a family has a setting that likelihood decides badly (the upper end of a beta), priors of several
families are averaged by their likelihood (Buckland, Burnham & Augustin 1997, Biometrics 53:603, from memory).
How alike the units of a cluster are is estimated by a Gaussian copula on the regular part.
"""

from dataclasses import dataclass

import numpy as np
import scipy
from scipy.special import ndtr, ndtri

from analytics.numerics.deconvolution.prior import LEAST, Family, Prior, Units

DROPPED = 0.02  # families under this share of the likelihood leave the average
NODES, NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(11)
NODE_WEIGHTS = NODE_WEIGHTS / NODE_WEIGHTS.sum()


@dataclass(frozen=True, slots=True)
class Averaged:
    """Priors averaged over families, one a set of weights (b sets).

    `share` (b, families) their weights; `regular` (b, groups, A), `pi` (b,) and `poor` (A,) the two parts.
    """

    share: np.ndarray
    regular: np.ndarray
    pi: np.ndarray
    poor: np.ndarray

    def whole(self) -> np.ndarray:
        """Return the two parts together (b, groups, A)."""
        pi = self.pi[:, None, None]
        return (1 - pi) * self.regular + pi * self.poor


def average(families: list[Family], fits: list[Prior], *, before=None) -> Averaged:
    """Return the priors of several families averaged by likelihood, those of a small share left out.

    Parameters
    ----------
    families
        The families fitted.
    fits
        A fit of each, under the same sets of weights.
    before
        Shape (families,), above 0: how likely each is before the data, up to a factor; alike if not given.
    """
    objective = np.column_stack([f.objective for f in fits])
    if before is not None:
        objective = objective + np.log(before)
    share = np.exp(objective - objective.max(axis=1, keepdims=True))
    share /= share.sum(axis=1, keepdims=True)
    share = np.where(share < DROPPED, 0.0, share)
    share /= share.sum(axis=1, keepdims=True)
    return combine(families, share, [(f.regular, f.pi) for f in fits])


def combine(families: list[Family], share: np.ndarray, parts) -> Averaged:
    """Return parts (regular, pi) of several families, put together by given shares (b, families).

    Parameters
    ----------
    families
        The families, alike in their poor part.
    share
        Shape (b, families), each row summing to 1.
    parts
        A pair of each family: regular (b, groups, A) and pi (b,).
    """
    poor = families[0].poor
    kept = [s * (1 - pi) for s, (_, pi) in zip(share.T, parts, strict=True)]
    regular = sum(k[:, None, None] * r for k, (r, _) in zip(kept, parts, strict=True))
    whole = np.asarray(sum(kept))
    second = np.zeros(regular.shape[2]) if poor is None else poor
    return Averaged(share, regular / whole[:, None, None], 1 - whole, second)


def posterior(of: Units, prior: np.ndarray) -> np.ndarray:
    """Return the posterior of every unit (j, A) under a prior (groups, A).

    Parameters
    ----------
    of
        The units, j of them.
    prior
        Shape (groups, A), each row summing to 1.

    Returns
    -------
    numpy.ndarray
        Shape (j, A), each row summing to 1.

    Examples
    --------
    A unit twice as likely in the second cell, under an even prior:

    >>> from analytics.numerics.deconvolution.prior import units
    >>> posterior(units(np.log([[1.0, 2.0]])), np.array([[0.5, 0.5]])).round(4).tolist()
    [[0.3333, 0.6667]]
    """
    joint = of.likelihood * prior[of.group]
    return joint / joint.sum(axis=1, keepdims=True)


def given_common(regular: np.ndarray, alike: float, common: np.ndarray = NODES) -> np.ndarray:
    """Return the regular part given the cluster's common factor (nodes, ..., A), Gaussian copula.

    Parameters
    ----------
    regular
        Shape (..., A), sums to 1.
    alike
        Correlation of two units of a cluster on the normal scale, 0 or more and under 1.
    common
        Shape (nodes,): values of the common factor, standard normal.

    Returns
    -------
    numpy.ndarray
        Shape (nodes, ..., A), sums to 1 over the last axis.

    Examples
    --------
    Units that are not alike know nothing of a common factor:

    >>> given_common(np.array([0.5, 0.5]), 0.0, np.array([-1.0, 1.0])).round(6).tolist()
    [[0.5, 0.5], [0.5, 0.5]]
    """
    top = ndtri(np.clip(np.cumsum(regular, axis=-1), 0.0, 1.0))
    top[..., -1] = np.inf
    shape = (-1,) + (1,) * regular.ndim
    below = ndtr((top - np.sqrt(alike) * common.reshape(shape)) / np.sqrt(1 - alike))
    return np.diff(below, axis=-1, prepend=0.0)


def likeness(of: Units, found: Averaged, cluster: np.ndarray, *, most: float = 0.95) -> float:
    """Return how alike the units of a cluster are: the copula's correlation, by maximum likelihood.

    2 log rho + 2 log(1 - rho) is added, so that a few clusters give neither 0 nor 1. The poor part comes
    upon units one by one.

    Parameters
    ----------
    of
        The units.
    found
        Of `average`.
    cluster
        Number of the cluster of each unit, (j,), from 0.
    most
        The highest correlation looked at, under 1.

    Returns
    -------
    float
        Correlation on the normal scale, above 0.
    """
    pi, poor = found.pi[0], found.poor

    def loss(alike: float) -> float:
        given = (1 - pi) * given_common(found.regular[0], alike) + pi * poor
        each = np.zeros((len(of.group), len(NODES)))
        for k in range(of.n_groups):
            here = of.of(k)
            each[here] = np.log(np.maximum(of.likelihood[here] @ given[:, k].T, LEAST))
        together = np.zeros((int(cluster.max()) + 1, len(NODES)))
        np.add.at(together, cluster, each)
        most_of = together.max(axis=1, keepdims=True)
        value = most_of[:, 0] + np.log(np.exp(together - most_of) @ NODE_WEIGHTS)
        return -float(value.sum() + 2 * np.log(alike) + 2 * np.log1p(-alike))

    return float(
        scipy.optimize.minimize_scalar(loss, bounds=(0.01, most), method="bounded", options={"xatol": 1e-3}).x
    )
