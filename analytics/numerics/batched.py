"""Many small matrices at once: groups stand along the last axis, so that each step runs over all of them.

For matrices of one to a few rows this is several times faster than a stack handled by LAPACK a matrix at a
time.
"""

from __future__ import annotations

import numpy as np

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
