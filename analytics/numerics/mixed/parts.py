"""A part of the data as cross-products by group, and the two sweeps over its levels: inward out, outward in.

Groups stand along the last axis of every array, so that the small matrices of all groups are worked on at
once: for matrices of one to a few rows this is several times faster than a stack handled by LAPACK one matrix
at a time. A part is cut into blocks of whole outermost groups, small enough for the sweeps over a block to
stay in the processor's cache. No matrix has a side of n but the rows themselves, which are kept only when
known variances make the cross-products depend on sigma.

The sweeps eliminate inward out and substitute outward in. With A = Z'[Z, Z_outer, X, y] of a group after
elimination of the levels inside it (in units of the error variance), D = Lambda (I + Lambda'Z'ZLambda)^-1
Lambda' is the group's conditional covariance and A'DA what it takes from the cross-products of everything
outside it. D is positive semidefinite also where a variance is zero.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy

from analytics.numerics.mixed.design import Design, Layout
from analytics.numerics.mixed.plan import Plan

Array = np.ndarray


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


def mix(weights: Array, values: Array) -> Array:
    """Return the products of one matrix (i, k) and values (k, j, groups); zero weights cost nothing."""
    out = np.empty((len(weights), *values.shape[1:]))
    for i, row in enumerate(weights.tolist()):
        used = [k for k, weight in enumerate(row) if weight != 0.0]
        if not used:
            out[i] = 0.0
        for k in used:
            if k == used[0]:
                np.multiply(values[k], row[k], out=out[i])
            else:
                out[i] += row[k] * values[k]
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


# Floats of one block's largest array: about the second-level cache of a common processor, so that sweeps
# stay in it.
BLOCK_FLOATS = 120_000


@dataclass(frozen=True)
class Rows:
    """Rows of a block in the order of its groups.

    `stack` (n, all q + m) holds Z, innermost level first, and the working columns; `indices[l]`,
    `pointers[l]` say which rows make up the groups of level l, once for each of its q effects.
    """

    stack: Array
    inverse_weights: Array
    known_variance: Array
    leaf: Array
    starts: tuple[Array, ...]
    indices: tuple[Array, ...]
    pointers: tuple[Array, ...]


@dataclass(frozen=True)
class Block:
    """Cross-products of some outermost groups.

    `cross[l]` (q, q + outer q + m, groups) is Z'[Z, Z_outer..., X, y], outer levels nearest first.
    """

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


def prepare(given: Design, form: Plan) -> Part:
    """Turn rows into cross-products by group.

    Parameters
    ----------
    given
        The part's rows.
    form
        The plan shared by all parts.

    Examples
    --------
    Shown with `contributions`, which takes it.
    """
    layout, weights = given.layout, given.weights
    known = None if given.known_variance is None else given.known_variance / form.unit**2
    blocks = []
    for order, starts, ancestors, groups in _split(layout, _n_blocks(layout, form)):
        inverse = np.ones(len(order)) if weights is None else 1.0 / weights[order]
        stack = _stack(given, order, form)
        own = np.zeros(len(order)) if known is None else known[order]
        rows = _rows(stack, inverse, own, starts, form.sizes)
        cross, total = weigh(rows, 1.0 / inverse, form.sizes)
        between = tuple(tuple(np.searchsorted(s, t) for t in starts[:i]) for i, s in enumerate(starts))
        blocks.append(
            Block(len(order), cross, total, ancestors, between, groups, rows if form.known else None)
        )
    return Part(tuple(blocks))


def _stack(given: Design, order: Array, form: Plan) -> Array:
    """Return Z, innermost level first, and the working columns of these rows (n, all q + m)."""
    wide = sum(form.sizes)
    out = np.empty((len(order), wide + form.m))
    at = 0
    for columns in reversed(given.zs):
        out[:, at : at + columns.shape[1]] = columns[order]
        at += columns.shape[1]
    plain = np.empty((len(order), form.m))
    plain[:, : form.p] = given.x[order]
    plain[:, form.p] = given.y[order]
    out[:, wide:] = plain @ form.basis
    return out


def _rows(
    stack: Array, inverse: Array, known: Array, starts: tuple[Array, ...], sizes: tuple[int, ...]
) -> Rows:
    n = len(stack)
    every = np.arange(n, dtype=np.int32)
    leaf = np.repeat(np.arange(len(starts[-1])), np.diff(np.append(starts[-1], n)))
    indices = tuple(np.tile(every, q) for q in sizes)
    pointers = tuple(
        np.append((s + n * np.arange(q)[:, None]).ravel(), n * q).astype(np.int32)
        for s, q in zip(starts, sizes, strict=True)
    )
    return Rows(stack, inverse, known, leaf, starts, indices, pointers)


def _n_blocks(layout: Layout, form: Plan) -> int:
    inner = len(layout.labels[-1]) * form.sizes[-1] * form.m
    return int(min(len(layout.labels[0]), max(1, round(inner / BLOCK_FLOATS))))


def _split(layout: Layout, n_blocks: int):
    """Yield row order, starts of groups by level, ancestors and group numbers for each block."""
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


def weigh(rows: Rows, weight: Array, sizes: tuple[int, ...]) -> tuple[tuple[Array, ...], Array]:
    """Return the cross-products of every level and of [X, y] with these weights."""
    cross: list[Array] = []
    at = 0
    for i in reversed(range(len(sizes))):
        cross.append(np.ascontiguousarray(sum_rows(rows, i, at, sizes[i], weight, rows.stack)[:, at:]))
        at += sizes[i]
    columns = rows.stack[:, at:]
    return tuple(reversed(cross)), (columns * weight[:, None]).T @ columns


def sum_rows(rows: Rows, level: int, at: int, q: int, weight: Array, values: Array) -> Array:
    """Return Z' diag(weight) values (q, columns, groups) of a level; its Z begins at column `at`."""
    scaled = (rows.stack[:, at : at + q] * weight[:, None]).T.ravel()
    pointers = rows.pointers[level]
    picked = scipy.sparse.csr_array(
        (scaled, rows.indices[level], pointers), shape=(len(pointers) - 1, len(values))
    )
    return (picked @ values).reshape(q, -1, values.shape[1]).transpose(0, 2, 1)


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
