"""A part of the data turned into cross-products by group, once, and its contributions to the criterion at one theta.

Groups stand along the last axis of every array, so that the small matrices of all groups are worked on at
once. The innermost level is eliminated first, then outward; a second sweep from the outermost level inward
gives Z'V^-1[X, y] of each group, of which the derivatives are sums over groups. No matrix has a side of n.

With A = Z'[Z, Z_outer, X, y] of a group after elimination of the levels inside it (in units of the error
variance), D = Lambda (I + Lambda'Z'ZLambda)^-1 Lambda' is the group's conditional covariance and `-A' D A`
its downdate of what lies outside. `contributions` returns sums only; sums of disjoint parts (whole
outermost groups) add up.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from analytics.numerics.mixed_layout import Layout
from analytics.numerics.mixed_plan import Plan

Array = np.ndarray
# Floats of one block's largest array: about the second-level cache of a common processor, so that sweeps
# stay in it.
BLOCK_FLOATS = 60_000


@dataclass(frozen=True)
class Rows:
    """Rows of a block, kept when the error variance changes with sigma: z (q_all, n) innermost level first, columns (m, n)."""

    z: Array
    columns: Array
    inverse_weights: Array
    known_variance: Array
    leaf: Array
    starts: tuple[Array, ...]


@dataclass(frozen=True)
class Block:
    """Cross-products of some outermost groups. `cross[l]` (q, q + outer q + m, groups) is Z'[Z, Z_outer..., X, y]."""

    n: int
    cross: tuple[Array, ...]
    total: Array
    ancestors: tuple[tuple[Array, ...], ...]
    starts: tuple[tuple[Array, ...], ...]
    groups: tuple[Array, ...]
    rows: Rows | None


@dataclass(frozen=True)
class Part:
    """One part of the data, ready to contribute: blocks of outermost groups."""

    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Sums:
    """What a part contributes at one theta; all of it adds up over parts.

    With H = V / sigma^2 (V itself under known variances), M = [X, y] in the working basis, H_i = dH /
    dgamma_i: `log_det` log|H|; `cross` M'H^-1M; `trace[i]` tr(H^-1 H_i); `slope[i]` M'H^-1 H_i H^-1 M;
    `trace2[i, j]` tr(H^-1 H_i H^-1 H_j); `curve[i, j]` P'M'H^-1 H_i H^-1 H_j H^-1 M P for the probe P (m,
    k).
    """

    n: int
    log_det: float
    cross: Array
    trace: Array
    slope: Array
    trace2: Array
    curve: Array

    def __add__(self, other: Sums) -> Sums:
        return Sums(
            self.n + other.n,
            self.log_det + other.log_det,
            self.cross + other.cross,
            self.trace + other.trace,
            self.slope + other.slope,
            self.trace2 + other.trace2,
            self.curve + other.curve,
        )


def prepare(
    y: Array,
    x: Array,
    z: list[Array],
    layout: Layout,
    form: Plan,
    *,
    weights: Array | None = None,
    known_variance: Array | None = None,
) -> Part:
    """Turn rows into cross-products by group.

    Parameters
    ----------
    y, x, z
        Outcome (n,), fixed-effect columns (n, p), random-effect columns (n, q) a level, outermost first.
    layout
        Which row belongs to which group.
    form
        The plan shared by all parts.
    weights, known_variance
        As in `mixed.fit`.
    """
    columns = form.basis.T @ np.column_stack([x, y]).T
    inverse = np.ones(len(y)) if weights is None else 1.0 / weights
    known = None if known_variance is None else np.broadcast_to(known_variance / form.unit**2, len(y))
    blocks = []
    for order, starts, ancestors, groups in _split(layout, _n_blocks(layout, form)):
        zs = np.concatenate([z[i][order].T for i in reversed(range(len(z)))] or [np.zeros((0, len(order)))])
        leaf = np.repeat(np.arange(len(starts[-1])), np.diff(np.append(starts[-1], len(order))))
        rows = Rows(
            zs,
            columns[:, order],
            inverse[order],
            np.zeros(len(order)) if known is None else known[order],
            leaf,
            starts,
        )
        cross, total = weigh(rows, 1.0 / rows.inverse_weights, form.sizes)
        between = _between(starts)
        keep = rows if form.known else None
        blocks.append(Block(len(order), cross, total, ancestors, between, groups, keep))
    return Part(tuple(blocks))


def _n_blocks(layout: Layout, form: Plan) -> int:
    inner = len(layout.labels[-1]) * form.sizes[-1] * form.m
    floats = max(inner, layout.n * form.m if form.known else 0)
    return int(min(len(layout.labels[0]), max(1, round(floats / BLOCK_FLOATS))))


def _split(layout: Layout, n_blocks: int):
    """Yield row order, starts of groups by level, ancestors and group numbers for each block of outermost groups."""
    depth = len(layout.labels)
    rank = _ranks(layout, n_blocks)
    key = rank[layout.groups[-1]]
    order = np.argsort(key, kind="stable")
    sorted_groups = [g[order] for g in layout.groups]
    block = sorted_groups[0] % n_blocks
    edges = np.flatnonzero(np.diff(block)) + 1
    for low, high in zip(np.append(0, edges), np.append(edges, layout.n), strict=True):
        inside = [g[low:high] for g in sorted_groups]
        starts = tuple(np.append(0, np.flatnonzero(np.diff(g)) + 1) for g in inside)
        groups = tuple(g[s] for g, s in zip(inside, starts, strict=True))
        ancestors = tuple(
            tuple(np.searchsorted(starts[k], starts[i], side="right") - 1 for k in range(i))
            for i in range(depth)
        )
        yield order[low:high], starts, ancestors, groups


def _ranks(layout: Layout, n_blocks: int) -> Array:
    """Return, for each innermost group, its place when blocks, then outer groups, are kept together."""
    rank = np.arange(len(layout.labels[0]))
    rank = _place(np.lexsort((rank, rank % n_blocks)))
    for i in range(1, len(layout.labels)):
        outer = rank[layout.parents[i]]
        rank = _place(np.lexsort((np.arange(len(outer)), outer)))
    return rank


def _place(order: Array) -> Array:
    place = np.empty(len(order), dtype=np.intp)
    place[order] = np.arange(len(order))
    return place


def _between(starts: tuple[Array, ...]) -> tuple[tuple[Array, ...], ...]:
    """Return for level l and each outer level k the first level-l group of every level-k group."""
    return tuple(tuple(np.searchsorted(starts[i], starts[k]) for k in range(i)) for i in range(len(starts)))


def weigh(rows: Rows, weight: Array, sizes: tuple[int, ...]) -> tuple[tuple[Array, ...], Array]:
    """Return the cross-products of every level and of [X, y] with these weights."""
    stacked = np.concatenate([rows.z, rows.columns])
    cross, at = [], 0
    for i in reversed(range(len(sizes))):
        q = sizes[i]
        right = stacked[at:]
        left = rows.z[at : at + q] * weight
        cross.append(np.stack([reduce(left[a] * right, rows.starts[i]) for a in range(q)]))
        at += q
    return tuple(reversed(cross)), (rows.columns * weight) @ rows.columns.T


def reduce(values: Array, starts: Array) -> Array:
    """Add neighbours along the last axis, a group at a time."""
    if len(starts) == values.shape[-1]:
        return values
    return np.add.reduceat(values, starts, axis=-1)


def times(left: Array, right: Array) -> Array:
    """Return the matrix products of left (i, k, groups) and right (k, j, groups)."""
    out = left[:, 0, None] * right[0]
    for k in range(1, len(right)):
        out += left[:, k, None] * right[k]
    return out


def transposed_times(left: Array, right: Array) -> Array:
    """Return the matrix products of left (k, i, groups) transposed and right (k, j, groups)."""
    out = left[0][:, None] * right[0]
    for k in range(1, len(right)):
        out += left[k][:, None] * right[k]
    return out


def cholesky(a: Array) -> Array:
    """Return the lower Cholesky factors of a (q, q, groups)."""
    q = len(a)
    low = np.zeros_like(a)
    for j in range(q):
        square = a[j, j] - sum((low[j, k] ** 2 for k in range(j)), start=np.zeros(1))
        low[j, j] = np.sqrt(square)
        for i in range(j + 1, q):
            dot = a[i, j] - sum((low[i, k] * low[j, k] for k in range(j)), start=np.zeros(1))
            low[i, j] = dot / low[j, j]
    return low


def forward(low: Array, right: Array) -> Array:
    """Return low^-1 right, group by group."""
    out = np.empty(np.broadcast_shapes(right.shape, (*right.shape[:2], low.shape[-1])))
    for i in range(len(low)):
        row = right[i]
        for k in range(i):
            row = row - low[i, k] * out[k]
        out[i] = row / low[i, i]
    return out


def shrink(s: Array, lam: Array) -> tuple[Array, float]:
    """Return D = Lambda (I + Lambda' S Lambda)^-1 Lambda' (q, q, groups) and the sum of log|I + Lambda' S Lambda|."""
    q = len(lam)
    if q == 1:
        scaled = 1.0 + lam[0, 0] ** 2 * s
        return lam[0, 0] ** 2 / scaled, float(np.log(scaled).sum())
    inner = np.tensordot(lam.T, np.moveaxis(np.tensordot(lam.T, s, 1), 1, 0), 1)
    inner[np.arange(q), np.arange(q)] += 1.0
    low = cholesky(inner)
    half = forward(low, lam.T[:, :, None])
    log_det = 2.0 * float(np.log(low[np.arange(q), np.arange(q)]).sum())
    return transposed_times(half, half), log_det


@dataclass(frozen=True)
class Sweep:
    """A block after both sweeps: per level the eliminated cross-products, D, N'E, and scores Z'H^-1M, and modes by path."""

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
    """Eliminate all levels, innermost first; return cross-products by level, D and D A by level, log|H| and M'H^-1M."""
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
            own = np.tensordot(g, score, 1)
            paths.append(own if outer is None else np.concatenate([own, outer]))
    return Sweep(cross_now, shrunk, left, scores, paths, log_det, left_total)


def path_covariances(swept: Sweep, block: Block, form: Plan, *, last: bool) -> list[Array]:
    """Return, by level, the conditional covariance (path q, path q, groups) of the effects of a group and all outside it."""
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
