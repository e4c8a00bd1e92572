"""What independent groups say about the errors of a (linearised) mixed model.

Two things the fit itself does not give, both sums over outermost groups (patients), each group's covariance
matrix V_i = sum over blocks of Z Psi Z' + R held whole:

* the *robust covariance* of the fixed effects (the sandwich): right where V_i is wrong, e.g. where
  emergence follows another shape than the fitted one, or effects are not normal. Each group's residuals are
  first inflated by (I - H_ii)^-1, which makes it the jackknife over groups to first order;
* the *covariance of the variance parameters*: from the expected information, or robust as above, so that a
  derived share carries the uncertainty of the spreads it rests on.

Sources: Liang & Zeger 1986, Biometrika 73:13-22; Mancl & DeRouen 2001, Biometrics 57:126-34; expected
information of variance parameters: Searle, Casella & McCulloch 1992, Variance Components, chapter 6 (all
from memory).
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

# Groups of one batch are padded to one size: a batch holds at most this many numbers a matrix.
_BATCH_CELLS = 4_000_000
# A direction is determined by one group alone where no more than this share of it is left to the others.
_ALONE = 1e-6


@dataclass(frozen=True, slots=True)
class ClusterErrors:
    """Errors from the groups: see the module's words.

    `robust_cov` (p, p) of the fixed effects and `model_cov` (p, p) beside it; `variance_cov` (v, v) and
    `variance_robust_cov` of the variance parameters, in the order block by block, row by row of the lower
    triangle, sigma squared last; `n_groups` the number of groups; `moves` (p, m), how far each pattern of
    the readings moves the fixed effects; `independent` (n,), residuals that are independent and of unit
    variance where the model is right.
    """

    robust_cov: np.ndarray
    model_cov: np.ndarray
    variance_cov: np.ndarray
    variance_robust_cov: np.ndarray
    n_groups: int
    moves: np.ndarray
    independent: np.ndarray


@dataclass(frozen=True, slots=True)
class _Batch:
    rows: np.ndarray
    present: np.ndarray
    X: np.ndarray
    residual: np.ndarray
    inverse: np.ndarray
    kernels: list[np.ndarray]


def errors(
    residual, X, blocks: Sequence, variance, *, groups, precision=None, patterns=None
) -> ClusterErrors:
    """Return the robust and the model's covariances.

    Parameters
    ----------
    residual
        Shape (n,): working response less X beta.
    X
        Shape (n, p).
    blocks
        (codes (n,), Z (n, q), Psi (q, q), structure) each, nested in `groups`.
    variance
        Shape (n,): sampling variance of each row, sigma squared included.
    groups
        Shape (n,): codes of the independent groups (patients).
    precision
        Shape (p,): of the prior the fixed effects were joined with, whose error then counts as one more
        group's.
    patterns
        Shape (n, m): what errors that all readings share would add to each.

    Examples
    --------
    The mean of two patients' readings, one above and one below it: (1 + 1) / 2^2, as the model has it too.

    >>> found = errors(
    ...     np.array([-1.0, 1.0]), np.ones((2, 1)), [], np.full(2, 1.0), groups=np.array([0, 1])
    ... )
    >>> found.model_cov.round(6).tolist(), found.n_groups
    ([[0.5]], 2)
    """
    p, n_variance = X.shape[1], sum(len(pairs(b[1].shape[1], b[3])) for b in blocks) + 1
    prior = np.diag(np.zeros(p) if precision is None else precision)
    shared = np.empty((len(X), 0)) if patterns is None else patterns
    information, with_shared = prior.copy(), np.zeros((p, shared.shape[1]))
    for batch in _batches(residual, X, blocks, variance, groups):
        weighted = np.einsum("gip,gij->gjp", batch.X, batch.inverse, optimize=True)
        information += np.einsum("gjp,gjq->pq", weighted, batch.X, optimize=True)
        with_shared += np.einsum("gjp,gjm->pm", weighted, shared[batch.rows], optimize=True)
    model_cov = np.linalg.pinv(information, hermitian=True)
    meat, scores = prior.copy(), []
    expected, spread, independent = np.zeros((n_variance, n_variance)), [], np.empty(len(X))
    for batch in _batches(residual, X, blocks, variance, groups):
        own, lacking, white = _fixed_scores(batch, model_cov)
        independent[batch.rows[batch.present]] = white[batch.present]
        scores.append(own)
        meat += own.T @ own + lacking.T @ lacking
        found, by_group = _variance_information(batch)
        expected += found
        spread.append(by_group)
    n_groups = sum(len(s) for s in scores)
    gradient = np.vstack(spread)
    variance_cov = np.linalg.pinv(expected, hermitian=True)
    return ClusterErrors(
        robust_cov=model_cov @ meat @ model_cov,
        model_cov=model_cov,
        variance_cov=variance_cov,
        variance_robust_cov=variance_cov @ (gradient.T @ gradient) @ variance_cov,
        n_groups=n_groups,
        moves=model_cov @ with_shared,
        independent=independent,
    )


def pairs(size: int, structure: str) -> list[tuple[int, int]]:
    """Return the free entries of a covariance, as (row, column) of its lower triangle.

    Parameters
    ----------
    size
        Rows of the covariance.
    structure
        full, diagonal or identity.

    Returns
    -------
    list of tuple
        One for each free entry; (-1, -1) for the one variance of an identity.

    Examples
    --------
    >>> pairs(2, "full")
    [(0, 0), (1, 0), (1, 1)]
    """
    if structure == "identity":
        return [(-1, -1)]
    if structure == "diagonal":
        return [(a, a) for a in range(size)]
    return [(a, b) for a in range(size) for b in range(a + 1)]


def _batches(residual, X, blocks, variance, groups) -> Iterator[_Batch]:
    """Yield groups of like size together, padded with rows of unit variance and no design."""
    order = np.argsort(groups, kind="stable")
    _, starts, counts = np.unique(groups[order], return_index=True, return_counts=True)
    by_size = np.argsort(counts, kind="stable")
    at = 0
    while at < len(by_size):
        small = counts[by_size[at]]
        width = min(int(small * 1.25) + 1, int(counts.max()))
        end = int(np.searchsorted(counts[by_size], width, side="right"))
        end = min(end, at + max(1, _BATCH_CELLS // width**2))
        chosen = by_size[at:end]
        yield _one_batch(residual, X, blocks, variance, order, starts[chosen], counts[chosen])
        at = end


def _one_batch(residual, X, blocks, variance, order, starts, counts) -> _Batch:
    width = int(counts.max())
    place = np.arange(width)
    present = place < counts[:, None]
    rows = order[np.where(present, starts[:, None] + place, starts[:, None])]
    both = present[:, :, None] & present[:, None, :]
    V = np.zeros(both.shape)
    diagonal = np.arange(width)
    V[:, diagonal, diagonal] = np.where(present, variance[rows], 1.0)
    kernels = []
    for block in blocks:
        codes, Z, psi, _ = block
        same = (codes[rows][:, :, None] == codes[rows][:, None, :]) & both
        z = Z[rows]
        V += same * np.einsum("gia,ab,gjb->gij", z, psi, z, optimize=True)
        for a, b in pairs(block[1].shape[1], block[3]):
            if a < 0:
                kernels.append(same * np.einsum("gia,gja->gij", z, z, optimize=True))
                continue
            cross = z[:, :, a, None] * z[:, None, :, b]
            kernels.append(same * (cross if a == b else cross + cross.transpose(0, 2, 1)))
    kernels.append(np.broadcast_to(np.eye(width), both.shape) * both)
    return _Batch(
        rows=rows,
        present=present,
        X=X[rows] * present[:, :, None],
        residual=residual[rows] * present,
        inverse=np.linalg.inv(V),
        kernels=kernels,
    )


def _fixed_scores(batch: _Batch, model_cov: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return each group's score, its residual inflated by (I - H_ii)^-1, the scores it lacks, and L' r.

    V^-1 = L L', so that L' r are independent.

    In a direction that one group alone determines (an eigenvalue of H_ii is 1) its residual is 0 whatever
    happened: it says nothing of the error there. What it lacks, (k, p), are scores of the size that the model
    expects in such directions.
    """
    root = np.linalg.cholesky(batch.inverse)
    white_x = np.einsum("gji,gjp->gip", root, batch.X, optimize=True)
    white_residual = np.einsum("gji,gj->gi", root, batch.residual)
    hat = np.einsum("gip,pq,gjq->gij", white_x, model_cov, white_x, optimize=True)
    share, axes = np.linalg.eigh(hat)
    told = share < 1.0 - _ALONE
    along = np.einsum("gia,gi->ga", axes, white_residual)
    inflated = np.where(told, along / np.where(told, 1.0 - share, 1.0), 0.0)
    by_axis = np.einsum("gip,gia->gap", white_x, axes, optimize=True)
    score = np.einsum("gap,ga->gp", by_axis, inflated, optimize=True)
    return score, by_axis[~told], white_residual


def _variance_information(batch: _Batch) -> tuple[np.ndarray, np.ndarray]:
    """Return the expected information of the variance parameters and each group's score in them."""
    shares = [batch.inverse @ kernel for kernel in batch.kernels]
    size = len(shares)
    information = np.empty((size, size))
    for k in range(size):
        for other in range(k + 1):
            value = 0.5 * float(np.einsum("gij,gji->", shares[k], shares[other], optimize=True))
            information[k, other] = information[other, k] = value
    pulled = np.einsum("gij,gj->gi", batch.inverse, batch.residual)
    scores = [
        0.5 * (np.einsum("gi,gij,gj->g", pulled, kernel, pulled, optimize=True) - np.einsum("gii->g", share))
        for kernel, share in zip(batch.kernels, shares, strict=True)
    ]
    return information, np.column_stack(scores)
