"""The two sweeps over the levels of a block: eliminate inward out, substitute outward in.

With A = Z'[Z, Z_outer, X, y] of a group after elimination of the levels inside it (in units of the error
variance), D = Lambda (I + Lambda'Z'ZLambda)^-1 Lambda' is the group's conditional covariance and A'DA what
it takes from the cross-products of everything outside it. D is positive semidefinite also where a variance
is zero.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.numerics.batched import cholesky, forward, mix, reduce, times, transposed_times
from analytics.numerics.mixed_parts import Block
from analytics.numerics.mixed_plan import Plan

Array = np.ndarray


@dataclass(frozen=True)
class Sweep:
    """A block after both sweeps; `sweep`, `eliminate` and `shrink` say what each list holds by level."""

    cross: list[Array]
    shrunk: list[Array]
    left: list[Array]
    scores: list[Array]
    paths: list[Array]
    log_det: float
    total: Array


def offsets(sizes: tuple[int, ...], level: int) -> list[int]:
    """Return where the columns of each level k <= level begin in `cross[level]`, then where [X, y] begins."""
    at = [sum(sizes[k + 1 : level + 1]) for k in range(level + 1)]
    return [*at, sum(sizes[: level + 1])]


def eliminate(cross: tuple[Array, ...], total: Array, block: Block, form: Plan, lams: list[Array]):
    """Eliminate all levels, innermost first; return A, D and D A by level, log|H| and M'H^-1M."""
    depth = len(form.sizes)
    cross_now, shrunk, pulled = list(cross), [np.zeros(0)] * depth, [np.zeros(0)] * depth
    log_det, left = 0.0, total.copy()
    for i in reversed(range(depth)):
        q, at = form.sizes[i], offsets(form.sizes, i)
        a = cross_now[i]
        d, more = shrink(a[:, :q], lams[i])
        log_det += more
        da = times(d, a[:, q:])
        cut = at[-1] - q
        for b in range(q):
            left -= a[b, at[-1] :] @ da[b, cut:].T
        for k in range(i):
            own = slice(at[k], at[k] + form.sizes[k])
            down = transposed_times(a[:, own], da[:, at[k] - q :])
            cross_now[k] = cross_now[k] - reduce(down, block.starts[i][k])
        shrunk[i], pulled[i] = d, da
    return cross_now, shrunk, pulled, log_det, left


def sweep(
    cross: tuple[Array, ...], total: Array, block: Block, form: Plan, lams: list[Array], *, last: bool
) -> Sweep:
    """Eliminate inward out, then substitute outward in.

    `scores[l]` (q, m, groups) is Z'H^-1M; `left[l]` (q, outer q, groups) is Z'H_in^-1 Z_outer with H_in of
    the levels from l inward; `paths[l]` (path q, m, groups) holds the modes of level l and all outside it,
    for every column of M.
    """
    depth = len(form.sizes)
    cross_now, shrunk, pulled, log_det, left_total = eliminate(cross, total, block, form, lams)
    left, scores = [], []
    paths: list[Array] = []
    for i in range(depth):
        q, at = form.sizes[i], offsets(form.sizes, i)
        a, da = cross_now[i], pulled[i]
        kept = a[:, q:] - times(a[:, :q], da)
        e, score = kept[:, : at[-1] - q], kept[:, at[-1] - q :]
        left.append(e)
        outer = paths[i - 1][..., block.ancestors[i][i - 1]] if i else None
        if outer is not None:
            score = score - times(e, outer)
        scores.append(score)
        if i < depth - 1 or last:
            g = lams[i] @ lams[i].T
            own = mix(g, score)
            paths.append(own if outer is None else np.concatenate([own, outer]))
    return Sweep(cross_now, shrunk, left, scores, paths, log_det, left_total)


def path_covariances(swept: Sweep, block: Block, form: Plan, *, last: bool) -> list[Array]:
    """Return by level the conditional covariance (path q, path q, groups) of a group's path."""
    out: list[Array] = []
    depth = len(form.sizes)
    for i in range(depth if last else depth - 1):
        d = swept.shrunk[i]
        if i == 0:
            out.append(d)
            continue
        q = form.sizes[i]
        outer = out[i - 1][..., block.ancestors[i][i - 1]]
        w = times(d, swept.cross[i][:, q : sum(form.sizes[: i + 1])])
        wp = times(w, outer)
        own = d + times(wp, w.transpose(1, 0, 2))
        top = np.concatenate([own, -wp], axis=1)
        out.append(np.concatenate([top, np.concatenate([-wp.transpose(1, 0, 2), outer], axis=1)]))
    return out


def shrink(s: Array, lam: Array) -> tuple[Array, float]:
    """Return D (q, q, groups) of the module's formula and the sum of log|I + Lambda' S Lambda|."""
    q = len(lam)
    if q == 1:
        scaled = 1.0 + lam[0, 0] ** 2 * s
        return lam[0, 0] ** 2 / scaled, float(np.log(scaled).sum())
    inner = mix(lam.T, mix(lam.T, s).transpose(1, 0, 2))
    inner[np.arange(q), np.arange(q)] += 1.0
    low = cholesky(inner)
    half = forward(low, lam.T[:, :, None])
    log_det = 2.0 * float(np.log(low[np.arange(q), np.arange(q)]).sum())
    return transposed_times(half, half), log_det
