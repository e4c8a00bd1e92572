"""What a part of the data adds to the criterion: value, gradient and Hessian as small sums.

Everything is differentiated in gamma, the entries of Lambda Lambda' (and sigma^2), of which H = V / sigma^2
is a linear function: H = I + sum of gamma_i H_i. Second derivatives need no derivative code of their own:
H_i H^-1 M is a set of new columns ("working variates", Johnson & Thompson 1995), eliminated like any other;
the traces follow by differentiating the conditional covariances of the random effects.

Source: Johnson & Thompson 1995, J Dairy Sci 78:449 (working variates); Rauch, Tung & Striebel 1965, AIAA J
3:1445 (covariances from the outermost level inward).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce as fold

import numpy as np
import scipy

from analytics.numerics.mixed.parts import (
    Block,
    Part,
    Rows,
    Sums,
    Sweep,
    mix,
    offsets,
    path_covariances,
    reduce,
    sum_rows,
    sweep,
    times,
    transposed_times,
    weigh,
)
from analytics.numerics.mixed.plan import Plan, basis_matrices, factors

Array = np.ndarray
# Error variance, in working units, below which a row counts as having this one: keeps sigma from zero where
# a known variance is zero.
LEAST_VARIANCE = 1e-12


def contributions(theta: Array, part: Part, form: Plan, *, probe: Array | None = None) -> Sums:
    """Return the sums a part adds to the criterion, its gradient and its Hessian at theta.

    Parameters
    ----------
    theta
        Variance parameters (d,), in working units (see `numerics.mixed.plan`).
    part
        What `prepare` made of the part's rows.
    form
        The plan all parts share.
    probe
        Columns (m, k) of combinations of [X, y] for which second derivatives of cross-products are summed;
        the identity if not given (exact Hessian). One column, the current (-beta, 1), costs far less and
        leaves out only a REML term of relative size p / n groups.

    Returns
    -------
    Sums
        Numbers and matrices that add up over parts.

    Examples
    --------
    >>> from analytics.numerics.mixed.design import design, survey
    >>> from analytics.numerics.mixed.parts import prepare
    >>> from analytics.numerics.mixed.plan import plan
    >>> given = design([0.0, 2.0, 10.0, 12.0], np.ones((4, 1)), [([1, 1, 2, 2], np.ones((4, 1)))])
    >>> form = plan(survey(given), ("full",))
    >>> contributions([0.0], prepare(given, form), form).n
    4
    """
    columns = np.eye(form.m) if probe is None else probe
    return fold(Sums.__add__, (_block_sums(np.asarray(theta, float), b, form, columns) for b in part.blocks))


def _block_sums(theta: Array, block: Block, form: Plan, probe: Array) -> Sums:
    lams = factors(theta, form)
    base = base_at(block, form, float(theta[-1]) if form.known else 1.0)
    swept = sweep(base.cross, base.total, block, form, lams, last=form.known)
    covariances = path_covariances(swept, block, form, last=form.known)
    inner = _inner_squares(swept, covariances, block, form)
    trace, slope = _first_order(swept, inner, form)
    residual = _row_scores(base, swept)
    if form.known:
        trace, slope = _append_sigma(base, covariances, residual, trace, slope)
    trace2 = _second_traces(swept, covariances, inner, base, block, form)
    curve = _second_crosses(swept, base, residual, block, form, probe)
    return Sums(block.n, swept.log_det + base.log_det, swept.total, trace, slope, trace2, curve)


@dataclass(frozen=True)
class Base:
    """Cross-products before elimination at this sigma, and what known variances add.

    `weight` (n,) is 1 / error variance; `first` and `second` (path q, path q, groups) are sums of z z' / w
    times its second power, and z z' / w^2 times its third.
    """

    cross: tuple[Array, ...]
    total: Array
    log_det: float
    weight: Array
    first: Array
    second: Array
    rows: Rows | None


def base_at(block: Block, form: Plan, sigma: float) -> Base:
    """Return the cross-products of a block, weighted anew if the error variance depends on sigma."""
    rows, empty = block.rows, np.zeros(0)
    if rows is None:
        return Base(block.cross, block.total, 0.0, empty, empty, empty, None)
    variance = np.maximum(sigma**2 * rows.inverse_weights + rows.known_variance, LEAST_VARIANCE)
    weight = 1.0 / variance
    cross, total = weigh(rows, weight, form.sizes)
    z = rows.stack[:, : sum(form.sizes)].T
    pairs = z[:, None] * z
    once = rows.inverse_weights * weight**2
    first = reduce(pairs * once, rows.starts[-1])
    second = reduce(pairs * (once * rows.inverse_weights * weight), rows.starts[-1])
    return Base(cross, total, float(np.log(variance).sum()), weight, first, second, rows)


def _inner_squares(
    swept: Sweep, covariances: list[Array], block: Block, form: Plan
) -> list[tuple[Array, Array]]:
    """Return by level Z'H_in^-1 Z and what the outer levels take from it; the difference is Z'H^-1 Z."""
    out = []
    for i, q in enumerate(form.sizes):
        s, d, e = swept.cross[i][:, :q], swept.shrunk[i], swept.left[i]
        whole = s - times(s, times(d, s))
        taken = np.zeros((q, q, 1))
        if i:
            outer = covariances[i - 1][..., block.ancestors[i][i - 1]]
            taken = times(times(e, outer), e.transpose(1, 0, 2))
        out.append((whole, taken))
    return out


def _first_order(swept: Sweep, inner: list[tuple[Array, Array]], form: Plan) -> tuple[Array, Array]:
    """Return tr(H^-1 H_i) and M'H^-1 H_i H^-1 M."""
    trace, slope = [], []
    for i, (kind, q) in enumerate(zip(form.kinds, form.sizes, strict=True)):
        whole, taken = inner[i]
        summed = (whole - taken).sum(axis=-1)
        pairs: dict[tuple[int, int], Array] = {}
        for b in basis_matrices(kind, q):
            trace.append(float((b * summed).sum()))
            slope.append(_quadratic(b, swept.scores[i], pairs))
    return np.array(trace), np.array(slope).reshape(-1, form.m, form.m)


def _quadratic(b: Array, f: Array, pairs: dict[tuple[int, int], Array]) -> Array:
    """Return the sum over groups of f' b f; products already made are kept in `pairs`."""
    out = np.zeros((f.shape[1], f.shape[1]))
    for a in range(len(b)):
        for c in range(a + 1):
            if b[a, c] == 0:
                continue
            if (a, c) not in pairs:
                pairs[a, c] = f[a] @ f[c].T
            out += b[a, c] * (pairs[a, c] if a == c else pairs[a, c] + pairs[a, c].T)
    return out


def _row_scores(base: Base, swept: Sweep) -> Array:
    """Return V^-1 [X, y] of every row (n, m), which needs the modes of the row's path."""
    rows = base.rows
    if rows is None:
        return np.zeros((0, 0))
    modes = swept.paths[-1]
    wide, m, groups = modes.shape
    n = len(rows.stack)
    spread = scipy.sparse.csr_array(
        (
            rows.stack[:, :wide].ravel(),
            (rows.leaf[:, None] + groups * np.arange(wide)).ravel(),
            np.arange(n + 1) * wide,
        ),
        shape=(n, wide * groups),
    )
    fitted = spread @ modes.transpose(0, 2, 1).reshape(-1, m)
    return (rows.stack[:, wide:] - fitted) * base.weight[:, None]


def _append_sigma(base: Base, covariances: list[Array], residual: Array, trace: Array, slope: Array):
    """Append the entries of sigma^2, whose H_i is the diagonal matrix of inverse weights."""
    rows = base.rows
    assert rows is not None
    own = float((rows.inverse_weights * base.weight).sum() - (covariances[-1] * base.first).sum())
    square = (residual * rows.inverse_weights[:, None]).T @ residual
    return np.append(trace, own), np.concatenate([slope, square[None]])


def _second_traces(
    swept: Sweep, covariances: list[Array], inner, base: Base, block: Block, form: Plan
) -> Array:
    """Return tr(H^-1 H_i H^-1 H_j): minus the derivative of tr(H^-1 H_i) along gamma_j."""
    d, depth = form.n_theta, len(form.sizes)
    matrices = [basis_matrices(k, q) for k, q in zip(form.kinds, form.sizes, strict=True)]
    edges = np.cumsum([0, *[len(b) for b in matrices]])
    loads = [_loads(swept.left[i], b, block, i) for i, b in enumerate(matrices)]
    out = np.zeros((d, d))
    for j in range(depth):
        q = form.sizes[j]
        own = slice(edges[j], edges[j + 1])
        out[own, own] = _own_traces(matrices[j], *inner[j])
        kept = np.eye(q)[:, :, None] - times(swept.cross[j][:, :q], swept.shrunk[j])
        for b, at in zip(matrices[j], range(edges[j], edges[j + 1]), strict=True):
            change = {j: transposed_times(kept, mix(b, kept))}
            tangents = _tangents(swept, covariances, block, form, [None] * depth, change)
            for i in range(max(j, 1), depth):
                spread = [float((load * tangents[i - 1]).sum()) for load in loads[i]]
                out[edges[i] : edges[i + 1], at] += spread
            if form.known:
                out[d - 1, at] = float((base.first * tangents[-1]).sum())
        out[own, edges[j + 1] :] = out[edges[j + 1] :, own].T
    if form.known:
        out[d - 1, d - 1] = _sigma_trace(swept, covariances, base, block, form)
    return out


def _loads(e: Array, matrices: Array, block: Block, level: int) -> list[Array]:
    """Return E' b E, summed to the groups of the level outside, for each basis matrix b."""
    if level == 0:
        return []
    starts = block.starts[level][level - 1]
    return [reduce(transposed_times(e, mix(b, e)), starts) for b in matrices]


def _own_traces(matrices: Array, whole: Array, taken: Array) -> Array:
    """Return what of tr(H^-1 H_i H^-1 H_j) does not pass through outer levels, for one level's parameters."""
    q = len(whole)
    right = np.broadcast_to(whole - 2.0 * taken, whole.shape)
    squares = (whole.reshape(q * q, -1) @ right.reshape(q * q, -1).T).reshape(q, q, q, q)
    out = np.einsum("iab,bcda,jcd->ij", matrices, squares, matrices)
    return (out + out.T) / 2.0


def _sigma_trace(swept: Sweep, covariances: list[Array], base: Base, block: Block, form: Plan) -> float:
    rows = base.rows
    assert rows is not None
    changes: list[Array | None] = []
    for i in range(len(form.sizes)):
        at = sum(form.sizes[i + 1 :])
        own = base.first[at : at + form.sizes[i], at:]
        inmost = len(form.sizes) - 1
        changes.append(-own if i == inmost else -reduce(own, block.starts[inmost][i]))
    tangents = _tangents(swept, covariances, block, form, changes, {})
    direct = float(((rows.inverse_weights * base.weight) ** 2).sum())
    return direct + float((tangents[-1] * base.first - 2.0 * covariances[-1] * base.second).sum())


def _tangents(
    swept: Sweep, covariances, block: Block, form: Plan, changes: list[Array | None], own: dict[int, Array]
):
    """Differentiate the conditional covariances by path.

    `changes[l]` (q, path q, groups) is the change of Z'[Z, Z_outer] before elimination; `own[l]` the change
    of D that is not due to it.
    """
    depth = len(form.sizes)
    changes = list(changes)
    shrunk: list[Array | None] = [None] * depth
    for i in reversed(range(depth)):
        q, at = form.sizes[i], offsets(form.sizes, i)
        change, d = changes[i], swept.shrunk[i]
        moving = own.get(i)
        if moving is None:
            if change is None:
                continue
            moving = -times(d, times(change[:, :q], d))
        shrunk[i] = moving
        a = swept.cross[i][:, : at[-1]]
        for k in range(i):
            mine, tail = slice(at[k], at[k] + form.sizes[k]), slice(at[k], at[-1])
            moved = times(moving, a[:, tail])
            if change is not None:
                moved = moved + times(d, change[:, tail])
            down = transposed_times(a[:, mine], moved)
            if change is not None:
                down = down + transposed_times(change[:, mine], times(d, a[:, tail]))
            less = reduce(down, block.starts[i][k])
            changes[k] = -less if changes[k] is None else changes[k] - less
    return _path_tangents(swept, covariances, block, form, changes, shrunk)


def _path_tangents(swept: Sweep, covariances, block: Block, form: Plan, changes, shrunk) -> list[Array]:
    out: list[Array] = []
    for i in range(len(covariances)):
        q, d = form.sizes[i], swept.shrunk[i]
        own = np.zeros((q, q, 1)) if shrunk[i] is None else shrunk[i]
        if i == 0:
            out.append(own)
            continue
        up = block.ancestors[i][i - 1]
        e, outer, moved = (
            swept.cross[i][:, q : sum(form.sizes[: i + 1])],
            covariances[i - 1][..., up],
            out[i - 1][..., up],
        )
        w = times(d, e)
        side = times(w, moved)
        own = own + times(side, w.transpose(1, 0, 2))
        if shrunk[i] is not None:
            dw = times(shrunk[i], e)
            if changes[i] is not None:
                dw = dw + times(d, changes[i][:, q:])
            tilt = times(times(dw, outer), w.transpose(1, 0, 2))
            own = own + tilt + tilt.transpose(1, 0, 2)
            side = side + times(dw, outer)
        top = np.concatenate([own, -side], axis=1)
        out.append(np.concatenate([top, np.concatenate([-side.transpose(1, 0, 2), moved], axis=1)]))
    return out


def _second_crosses(
    swept: Sweep, base: Base, residual: Array, block: Block, form: Plan, probe: Array
) -> Array:
    """Return P'M'H^-1 H_i H^-1 H_j H^-1 M P by eliminating the working variates H_i H^-1 M P."""
    k, d = probe.shape[1], form.n_theta
    loads = [_variates(swept.scores[i], kind, probe) for i, kind in enumerate(form.kinds)]
    edges = np.cumsum([0, *[c.shape[1] for c in loads], k if form.known else 0])
    own = None if base.rows is None else (residual @ probe) * base.rows.inverse_weights[:, None]
    columns = _variate_crosses(loads, own, base, block, form)
    out = np.zeros((d * k, d * k))
    for i, c in enumerate(loads):
        rows = slice(edges[i], edges[i + 1])
        product = sum(c[a] @ columns[i][a].T for a in range(len(c)))
        out[rows, : edges[i + 1]] = product[:, : edges[i + 1]]
        out[: edges[i], rows] = out[rows, : edges[i]].T
        out[rows, edges[-2] :], out[edges[-2] :, rows] = product[:, edges[-2] :], product[:, edges[-2] :].T
    if own is not None:
        out[edges[-2] :, edges[-2] :] = (own * base.weight[:, None]).T @ own
    for i in reversed(range(len(loads))):
        at = offsets(form.sizes, i)
        moved = times(swept.shrunk[i], columns[i])
        for a in range(len(moved)):
            out -= columns[i][a] @ moved[a].T
        for j in range(i):
            mine = swept.cross[i][:, at[j] : at[j] + form.sizes[j]]
            columns[j] = columns[j] - reduce(transposed_times(mine, moved), block.starts[i][j])
    return out.reshape(d, k, d, k).transpose(0, 2, 1, 3)


def _variates(scores: Array, kind: str, probe: Array) -> Array:
    """Return B_i Z'H^-1 M P (q, parameters x k, groups) of a level."""
    probed = np.matmul(probe.T, scores)
    return np.concatenate([mix(b, probed) for b in basis_matrices(kind, len(scores))], axis=1)


def _variate_crosses(
    loads: list[Array], own: Array | None, base: Base, block: Block, form: Plan
) -> list[Array]:
    """Return, by level, the products of Z with every working variate (q, d k, groups)."""
    out = []
    for i, q in enumerate(form.sizes):
        pieces = []
        for j, c in enumerate(loads):
            if j <= i:
                at = offsets(form.sizes, i)[j]
                spread = c if j == i else c[..., block.ancestors[i][j]]
                pieces.append(times(base.cross[i][:, at : at + form.sizes[j]], spread))
            else:
                at = offsets(form.sizes, j)[i]
                pieces.append(reduce(transposed_times(base.cross[j][:, at : at + q], c), block.starts[j][i]))
        if own is not None and base.rows is not None:
            at = sum(form.sizes[i + 1 :])
            pieces.append(sum_rows(base.rows, i, at, q, base.weight, own))
        out.append(np.concatenate(pieces, axis=1))
    return out
