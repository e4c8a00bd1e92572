"""A part of the data, turned into cross-products by group once.

Groups stand along the last axis of every array, so that the small matrices of all groups are worked on at
once. A part is cut into blocks of whole outermost groups, small enough for the sweeps over a block to stay
in the processor's cache. No matrix has a side of n but the rows themselves, which are kept only when known
variances make the cross-products depend on sigma.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from analytics.numerics.mixed_design import Design
from analytics.numerics.mixed_layout import Layout
from analytics.numerics.mixed_plan import Plan

Array = np.ndarray
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
    picked = csr_array((scaled, rows.indices[level], pointers), shape=(len(pointers) - 1, len(values)))
    return (picked @ values).reshape(q, -1, values.shape[1]).transpose(0, 2, 1)
