"""One mixed model fitted to many outcomes of the same rows at once: a group intercept, known variances.

V = tau Z Z' + diag(sigma^2 + known). All outcomes take their steps of REML together, each with its own
variances: Newton's where the deviance is a bowl, else Fisher's, shorter until the deviance falls. An outcome
that does not settle is given back as NaN; `mixed.fit` is for those, and for every other model.

With V_1 = Z Z', V_2 = I, S_i = X'V^-1 V_i V^-1 X, K_ij = X'V^-1 V_i V^-1 V_j V^-1 X and A = (X'V^-1 X)^-1,
the expected information is half of E_ij = tr(V^-1 V_i V^-1 V_j) - 2 tr(A K_ij) + tr(A S_i A S_j). For one
contrast l both moments of Kenward and Roger are t'W t, W = 2 E^-1, t_i = l'A S_i A l / l'A l: their degrees
of freedom are then 2 / t'W t.

Sources: Harville 1977, JASA 72:320; Kenward & Roger 1997, Biometrics 53:983-997.
"""

from typing import NamedTuple

import numpy as np

Array = np.ndarray
MAX_STEPS = 40
# Deviance a last step may promise: within 1e-5 standard errors of the optimum.
PROMISE = 1e-10
ROUNDING = 1e-10
# The error variance stays above this share of the whole where a known variance is zero.
LEAST = 1e-9
# Numbers in a handful of outcomes, about the second-level cache of a common processor.
HANDFUL = 60_000


class Look(NamedTuple):
    """The criterion at the variances of each outcome (b, 2), and what the answer is made of there.

    `deviance` (b,); `slope` (b, 2) its derivative; `observed` and `expected` (b, 2, 2) its second; `beta`
    (b, p); `A` (b, p, p); `S` (b, 2, p, p); `K` (b, 2, 2, p, p).
    """

    deviance: Array
    slope: Array
    observed: Array
    expected: Array
    beta: Array
    A: Array
    S: Array
    K: Array


def contrasts(
    outcomes: Array, X: Array, codes: Array, wanted: Array, *, known_variance: Array | None = None
) -> tuple[Array, Array, Array]:
    """Return the estimate of a contrast, Kenward and Roger's error and degrees of freedom, each (b,).

    Parameters
    ----------
    outcomes
        One row an outcome (b, n).
    X
        Fixed-effect columns (n, p), independent of each other.
    codes
        The group of each row (n,), whole numbers; fewer groups than rows.
    wanted
        The combination of fixed effects (p,).
    known_variance
        Sampling variances (n,) added to the error variance.

    Returns
    -------
    tuple of arrays
        Estimate, its error and its degrees of freedom, (b,) each, in the unit of the outcomes.

    Examples
    --------
    Three patients with two readings each, and the same twice as far apart: the mean square between patients
    is 200, so that the mean of six has variance 200 / 6.

    >>> y = np.array([0.0, 2, 10, 12, 20, 22])
    >>> found = contrasts(np.array([y, 2 * y]), np.ones((6, 1)), np.array([1, 1, 2, 2, 3, 3]), np.ones(1))
    >>> [value.round(4).tolist() for value in (found[0], found[1] ** 2, found[2])]
    [[11.0, 22.0], [33.3333, 133.3333], [2.0, 2.0]]
    """
    order = np.argsort(codes, kind="stable")
    starts = np.append(0, np.flatnonzero(np.diff(np.asarray(codes)[order])) + 1)
    known = np.zeros(len(order)) if known_variance is None else known_variance[order]
    basis, root = np.linalg.qr(X[order])
    row = np.linalg.solve(root.T, wanted)
    each = max(1, HANDFUL // (len(order) * (X.shape[1] + 1)))
    with np.errstate(divide="ignore", invalid="ignore"):
        found = [
            _fitted(outcomes[at : at + each, order], basis, starts, known, row)
            for at in range(0, len(outcomes), each)
        ]
    estimate, se, df = (np.concatenate(part) for part in zip(*found, strict=True))
    return estimate, se, df


def _fitted(y: Array, basis: Array, starts: Array, known: Array, row: Array) -> tuple[Array, Array, Array]:
    """Return estimate, error and degrees of freedom of a handful of outcomes (b, n)."""
    columns = np.concatenate([np.broadcast_to(basis, (len(y), *basis.shape)), y[:, :, None]], axis=2)
    whole = ((y - y @ basis @ basis.T) ** 2).sum(axis=1) / (len(known) - basis.shape[1])
    lower = np.stack([np.zeros(len(y)), np.maximum(LEAST * whole - known.min(), 0.0)], axis=1)
    at = np.repeat(whole[:, None] / 2, 2, axis=1)
    seen, share = _look(at, columns, starts, known), np.ones(len(y))
    for _ in range(MAX_STEPS):
        step, promised = _step(seen, at <= lower)
        if (promised < PROMISE).all():
            break
        moved = np.maximum(at + share[:, None] * step, lower)
        then = _look(moved, columns, starts, known)
        fell = then.deviance <= seen.deviance + ROUNDING * np.abs(seen.deviance)
        at = np.where(fell[:, None], moved, at)
        seen = Look(
            *(np.where(fell.reshape(-1, *[1] * (b.ndim - 1)), b, a) for a, b in zip(seen, then, strict=True))
        )
        share = np.where(fell, 1.0, share / 4)
    return _answer(seen, row, promised < np.sqrt(PROMISE))


def _look(at: Array, columns: Array, starts: Array, known: Array) -> Look:
    """Return the criterion at tau and sigma^2 (b, 2); `columns` (b, n, p + 1) are X and y, group by group."""
    tau = at[:, :1]
    weight = 1.0 / (at[:, 1:] + known)
    leaf = np.repeat(np.arange(len(starts)), np.diff(np.append(starts, len(known))))
    one, two, three = (np.add.reduceat(weight**k, starts, axis=1) for k in (1, 2, 3))
    left = 1.0 / (1.0 + tau * one)
    weighed = weight[:, :, None] * columns
    f = np.add.reduceat(weighed, starts, axis=1) * left[:, :, None]  # Z'V^-1 M
    r = weighed - weight[:, :, None] * (tau[:, :, None] * f)[:, leaf]  # V^-1 M
    h = np.add.reduceat(weight[:, :, None] * r, starts, axis=1) * left[:, :, None]  # Z'V^-2 M
    ft, rt = f.swapaxes(1, 2), r.swapaxes(1, 2)
    cross, slope = columns.swapaxes(1, 2) @ r, np.stack([ft @ f, rt @ r], axis=1)
    own = rt @ (weight[:, :, None] * r) - h.swapaxes(1, 2) @ ((tau / left)[:, :, None] * h)
    curve = _square(ft @ ((one * left)[:, :, None] * f), (ft @ h + h.swapaxes(1, 2) @ f) / 2.0, own)
    trace = np.stack([(one * left).sum(axis=1), weight.sum(axis=1) - (tau * two * left).sum(axis=1)], axis=1)
    last = (weight**2).sum(axis=1) + (tau * left * (tau * left * two**2 - 2.0 * three)).sum(axis=1)
    trace2 = _square(((one * left) ** 2).sum(axis=1), (two * left**2).sum(axis=1), last)
    log_det = -np.log(weight).sum(axis=1) - np.log(left).sum(axis=1)
    return _criterion(log_det, cross, trace, slope, trace2, curve)


def _criterion(log_det: Array, cross: Array, trace: Array, slope: Array, trace2: Array, curve: Array) -> Look:
    """Return the deviance and its derivatives from log|V| and products of M = [X, y] with V^-1 and V_i."""
    p = cross.shape[-1] - 1
    inverse = np.linalg.inv(cross[:, :p, :p])
    beta = (inverse @ cross[:, :p, p:])[:, :, 0]
    rest = np.concatenate([-beta, np.ones((len(beta), 1))], axis=1)
    pulled = np.einsum("bimn,bn->bim", slope, rest)
    S, K = slope[:, :, :p, :p], curve[:, :, :, :p, :p]
    blocks = inverse[:, None] @ S
    expected = trace2 - 2.0 * np.einsum("bpq,bijqp->bij", inverse, K)
    expected += np.einsum("bipq,bjqp->bij", blocks, blocks)
    average = np.einsum("bm,bijmn,bn->bij", rest, curve, rest)
    average -= np.einsum("bip,bpq,bjq->bij", pulled[:, :, :p], inverse, pulled[:, :, :p])
    deviance = log_det - np.linalg.slogdet(inverse)[1] + np.einsum("bm,bmn,bn->b", rest, cross, rest)
    gradient = trace - np.einsum("bim,bm->bi", pulled, rest) - np.einsum("bipp->bi", blocks)
    return Look(deviance, gradient, 2.0 * average - expected, expected, beta, inverse, S, K)


def _square(first: Array, both: Array, second: Array) -> Array:
    """Return a symmetric two by two of arrays, along axes 1 and 2."""
    return np.stack([np.stack([first, both], axis=1), np.stack([both, second], axis=1)], axis=1)


def _step(seen: Look, on_bound: Array) -> tuple[Array, Array]:
    """Return each outcome's step (b, 2) and what it promises; a variance at its bound may only leave it."""
    held = on_bound & (seen.slope > 0)
    free = np.where(held, 0.0, seen.slope)
    is_bowl = (np.linalg.det(seen.observed) > 0) & (seen.observed[:, 0, 0] > 0)
    bend = np.where(is_bowl[:, None, None], seen.observed, seen.expected)
    bend = np.where(held[:, :, None] | held[:, None, :], np.where(np.eye(2) > 0, bend, 0.0), bend)
    step = -np.linalg.solve(bend, free[:, :, None])[:, :, 0]
    return step, -(step * free).sum(axis=1) / 2.0


def _answer(seen: Look, row: Array, is_settled: Array) -> tuple[Array, Array, Array]:
    """Return the contrast, Kenward and Roger's error and degrees of freedom; NaN where not settled."""
    W = 2.0 * np.linalg.pinv(seen.expected, rcond=1e-9, hermitian=True)
    inner = np.einsum("bij,bijpq->bpq", W, seen.K)
    inner -= np.einsum("bij,bipq,bqr,bjrs->bps", W, seen.S, seen.A, seen.S)
    pulled = seen.A @ row
    plain = pulled @ row
    variance = plain + 2.0 * np.einsum("bp,bpq,bq->b", pulled, inner, pulled)
    t = np.einsum("bp,bipq,bq->bi", pulled, seen.S, pulled) / plain[:, None]
    found = seen.beta @ row, np.sqrt(variance), 2.0 / np.einsum("bi,bij,bj->b", t, W, t)
    estimate, se, df = (np.where(is_settled, value, np.nan) for value in found)
    return estimate, se, df
