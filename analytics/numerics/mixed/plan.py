"""What a nested mixed model holds: its levels, its variance parameters, the basis its columns are written in.

The model is y = X beta + sum over levels of Z b + e with b ~ N(0, sigma^2 Lambda Lambda') and e ~ N(0,
sigma^2 / w), or, with known sampling variances v, b ~ N(0, Lambda Lambda') and e ~ N(0, sigma^2 / w + v).
`theta` holds the lower triangle of Lambda row by row (`full`), its diagonal (`diagonal`) or one number
(`identity`), level by level, outermost first; with known variances sigma is its last entry. Lambda is
relative to sigma in the first case and absolute in the second.

The criterion is differentiated in gamma, the entries of Lambda Lambda' (and sigma^2), in which it is smooth
at zero.

Columns are rewritten in a basis in which X'X = n I and the residual of y has mean square 1; so one
tolerance serves every unit, and cross-products of awkward columns (month, month squared) lose no digits.
What cannot be fitted is refused here, each fault in one sentence.

Source: Bates, Maechler, Bolker & Walker 2015, J Stat Softw 67(1), sec. 3 (relative Cholesky factor,
profiled criterion).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import scipy

from analytics.errors import FitError

if TYPE_CHECKING:
    from analytics.numerics.mixed.design import Design

Array = np.ndarray
Levels = list[tuple]
KINDS = ("full", "diagonal", "identity")


def checked_columns(y: Array, x: Array, where: str) -> tuple[Array, Array]:
    """Return y (n,) and X (n, p) as floats.

    Raises
    ------
    FitError
        If shapes differ, there are no rows or columns, or a value is missing or infinite.
    """
    y, x = np.asarray(y, dtype=float), np.asarray(x, dtype=float)
    if y.ndim != 1 or x.ndim != 2:
        raise FitError(f"{where}: y has {y.ndim} and X {x.ndim} dimensions; y is (n,) and X is (n, p)")
    if len(y) != len(x):
        raise FitError(f"{where}: y has {len(y)} rows and X has {len(x)}; both need one row an observation")
    if x.shape[1] == 0:
        raise FitError(f"{where}: X has no columns; give at least a column of ones")
    refuse_not_finite(y, f"{where}: y")
    refuse_not_finite(x, f"{where}: X")
    return y, x


def refuse_not_finite(values: Array, what: str) -> None:
    """Raise FitError if a value is missing or infinite, with count and first row."""
    if np.isfinite(values.sum()):
        return
    bad = ~np.isfinite(values if values.ndim == 1 else values.sum(axis=1))
    if bad.any():
        raise FitError(
            f"{what} is missing or infinite in {int(bad.sum())} rows, first at row {int(np.argmax(bad))}; "
            "every value must be a finite number; leave those rows out"
        )


def checked_levels(levels: Levels, n: int, where: str) -> tuple[list[Array], list[Array], tuple[str, ...]]:
    """Return codes, Z (n, q) and kind of each level.

    Raises
    ------
    FitError
        If no level is given, a length differs, a kind is unknown or a value of Z is missing.
    """
    if not levels:
        raise FitError(f"{where}: no levels given; a mixed model needs at least one, (codes, Z)")
    codes, zs, kinds = [], [], []
    for i, level in enumerate(levels):
        code, z, *rest = level
        kind = rest[0] if rest else "full"
        if kind not in KINDS:
            raise FitError(f"{where}: level {i + 1} has an unknown structure; use one of {', '.join(KINDS)}")
        z = np.asarray(z, dtype=float)
        z = z[:, None] if z.ndim == 1 else z
        if z.ndim != 2 or z.shape[1] == 0 or len(z) != n or len(code) != n:
            raise FitError(
                f"{where}: level {i + 1} has {len(code)} codes and Z of shape {z.shape} for {n} rows; "
                "one code and one row of Z an observation are needed"
            )
        refuse_not_finite(z, f"{where}: Z of level {i + 1}")
        codes.append(code)
        zs.append(z)
        kinds.append(kind)
    return codes, zs, tuple(kinds)


def checked_positive(values: Array | None, n: int, what: str, *, zero: bool) -> Array | None:
    """Return weights or known variances as floats (n,), or None.

    Raises
    ------
    FitError
        If the length differs, a value is missing, or a value is out of range.
    """
    if values is None:
        return None
    out = np.asarray(values, dtype=float)
    if out.ndim == 0:
        out = np.full(n, float(out))
    if out.shape != (n,):
        raise FitError(f"{what} has shape {out.shape} for {n} rows; one value per row is needed")
    refuse_not_finite(out, what)
    bad = out < 0 if zero else out <= 0
    if bad.any():
        rule = "zero or more" if zero else "more than zero"
        raise FitError(
            f"{what} is out of range in {int(bad.sum())} rows, first at row {int(np.argmax(bad))}; "
            f"it must be {rule}"
        )
    return out


def refuse_undetermined(given: Design, where: str) -> None:
    """Refuse an effect that cannot be told from the error, or that is zero throughout."""
    for i, z in enumerate(given.zs):
        alone = len(given.layout.labels[i]) == len(z) and z.shape[1] == 1
        if alone and np.ptp(np.abs(z)) == 0:
            raise FitError(
                f"{where}: every row is a group of its own at level {i + 1}; its variance cannot be told "
                "from the error variance; drop the level"
            )
        if not z.any(axis=0).all():
            raise FitError(f"{where}: a column of Z of level {i + 1} is zero throughout; drop it")


def refuse_few_groups(n_groups: tuple[int, ...], sizes: tuple[int, ...], where: str) -> None:
    """Refuse a level with fewer groups than effects, or with one group."""
    for i, (groups, q) in enumerate(zip(n_groups, sizes, strict=True)):
        if groups < max(2, q):
            raise FitError(
                f"{where}: level {i + 1} has {groups} group{'s' * (groups != 1)} for {q} random "
                f"effect{'s' * (q != 1)}; at least {max(2, q)} groups are needed; drop the level, "
                "or enter it as fixed effects"
            )


# A column whose part not explained by the columns before it has less than 1e-6 of its length is a
# combination of them.
COLLINEAR = 1e-12


@dataclass(frozen=True)
class Survey:
    """Sums that fix the basis and the start values; they add up over parts.

    `gram` (m, m) are the weighted cross-products of [X, y], `z_squares[l]` (q,) the sums of squares of Z,
    `n_groups[l]` the number of groups, `log_weights` the sum of log w.
    """

    n: int
    gram: Array
    z_squares: tuple[Array, ...]
    n_groups: tuple[int, ...]
    log_weights: float

    def __add__(self, other: Survey) -> Survey:
        return Survey(
            self.n + other.n,
            self.gram + other.gram,
            tuple(a + b for a, b in zip(self.z_squares, other.z_squares, strict=True)),
            tuple(a + b for a, b in zip(self.n_groups, other.n_groups, strict=True)),
            self.log_weights + other.log_weights,
        )


@dataclass(frozen=True)
class Plan:
    """Everything all parts must agree on before they contribute.

    `kinds[l]`, `sizes[l]` (q) and `scales[l]` (root mean square of Z) describe the levels; `basis` (m, m)
    turns [X, y] into the working columns; `unit` is the residual standard deviation y is divided by.
    """

    n: int
    p: int
    kinds: tuple[str, ...]
    sizes: tuple[int, ...]
    scales: tuple[Array, ...]
    n_groups: tuple[int, ...]
    basis: Array
    unit: float
    log_weights: float
    method: str
    known: bool

    @property
    def m(self) -> int:
        """Number of working columns: p fixed effects and y."""
        return self.p + 1

    @property
    def n_theta(self) -> int:
        """Number of variance parameters, sigma included only when it is not profiled out."""
        return sum(_n_entries(k, q) for k, q in zip(self.kinds, self.sizes, strict=True)) + self.known


def plan(survey: Survey, kinds: tuple[str, ...], *, method: str = "REML", known: bool = False) -> Plan:
    """Fix basis and scales from the sums of all parts.

    Raises
    ------
    FitError
        If the method is unknown, a level has too few groups, columns of X are collinear, if there are no
        more rows than columns, or if X reproduces y exactly.
    """
    p = len(survey.gram) - 1
    if method not in ("REML", "ML"):
        raise FitError("mixed.fit: unknown method; use REML or ML")
    if survey.n <= p:
        raise FitError(
            f"mixed.fit: {survey.n} rows for {p} fixed effects; more rows than fixed effects are needed"
        )
    refuse_few_groups(survey.n_groups, tuple(len(s) for s in survey.z_squares), "mixed.fit")
    root = _checked_root(survey.gram / survey.n)
    unit = float(root[p, p] * np.sqrt(survey.n / (survey.n - p)))
    root[p, p] = unit
    basis = scipy.linalg.solve_triangular(root, np.eye(p + 1))
    scales = tuple(np.sqrt(np.maximum(s, 1e-300) / survey.n) for s in survey.z_squares)
    sizes = tuple(len(s) for s in scales)
    return Plan(
        survey.n, p, kinds, sizes, scales, survey.n_groups, basis, unit, survey.log_weights, method, known
    )


def _checked_root(gram: Array) -> Array:
    """Return the upper Cholesky factor of the Gram matrix of [X, y], refusing dependent columns."""
    m = len(gram)
    root = np.zeros((m, m))
    for j in range(m):
        above = scipy.linalg.solve_triangular(root[:j, :j], gram[:j, j], trans="T") if j else np.zeros(0)
        left = gram[j, j] - above @ above
        if not left > COLLINEAR * gram[j, j]:
            _refuse_column(j, m, gram[j, j])
        root[:j, j], root[j, j] = above, np.sqrt(left)
    return root


def _refuse_column(j: int, m: int, square: float) -> None:
    if j == m - 1:
        raise FitError(
            "mixed.fit: y is reproduced exactly by the fixed effects; there is no variation left to divide"
        )
    if square == 0:
        raise FitError(f"mixed.fit: column {j} of X (counted from 0) is zero throughout; drop it")
    raise FitError(
        f"mixed.fit: column {j} of X (counted from 0) is a combination of the columns before it; "
        "the columns of X must be independent; drop it"
    )


def _n_entries(kind: str, q: int) -> int:
    return {"full": q * (q + 1) // 2, "diagonal": q, "identity": 1}[kind]


def entries(kind: str, q: int) -> list[list[tuple[int, int]]]:
    """Return, for each variance parameter of a level, the entries (row, column) of Lambda it fills.

    Examples
    --------
    >>> entries("full", 2)
    [[(0, 0)], [(1, 0)], [(1, 1)]]
    >>> entries("identity", 2)
    [[(0, 0), (1, 1)]]
    """
    if kind == "full":
        return [[(a, b)] for a in range(q) for b in range(a + 1)]
    if kind == "diagonal":
        return [[(a, a)] for a in range(q)]
    return [[(a, a) for a in range(q)]]


@cache
def basis_matrices(kind: str, q: int) -> Array:
    """Return the symmetric matrices (d, q, q) whose sum with weights gamma is Lambda Lambda'."""
    cells = entries(kind, q)
    out = np.zeros((len(cells), q, q))
    for i, cell in enumerate(cells):
        for a, b in cell:
            out[i, a, b] = out[i, b, a] = 1.0
    return out


def factors(theta: Array, form: Plan) -> list[Array]:
    """Return Lambda (q, q) of each level from theta."""
    out, at = [], 0
    for kind, q in zip(form.kinds, form.sizes, strict=True):
        lam = np.zeros((q, q), dtype=theta.dtype)
        for cell in entries(kind, q):
            for a, b in cell:
                lam[a, b] = theta[at]
            at += 1
        out.append(lam)
    return out


def gamma(theta: Array, form: Plan) -> Array:
    """Return the entries of Lambda Lambda' (and sigma^2) that the criterion is differentiated in."""
    parts = []
    for lam, kind, q in zip(factors(theta, form), form.kinds, form.sizes, strict=True):
        square = lam @ lam.T
        parts.append([square[cell[0]] for cell in entries(kind, q)])
    tail = [[theta[-1] ** 2]] if form.known else []
    return np.concatenate([*parts, *tail]) if parts or tail else np.zeros(0)


def squared_entries(form: Plan) -> Array:
    """Return which entries of theta (d,) enter gamma through their square alone.

    Their square can be varied instead, down to zero. They are sigma and every diagonal entry with nothing
    below it in its column.
    """
    out: list[bool] = []
    for kind, q in zip(form.kinds, form.sizes, strict=True):
        out += [kind != "full" or cell[0] == (q - 1, q - 1) for cell in entries(kind, q)]
    return np.array([*out, *([True] if form.known else [])], dtype=bool)


def chain_squared(theta: Array, form: Plan) -> tuple[Array, Array]:
    """Return the derivatives of `chain`, where squared entries are varied through their square."""
    first, second = chain(theta, form)
    at = np.flatnonzero(squared_entries(form))
    first[:, at], second[:, at, :], second[:, :, at] = 0.0, 0.0, 0.0
    first[at, at] = 1.0
    return first, second


def split_gamma(vector: Array, form: Plan, *, slopes: bool = False) -> list[Array]:
    """Return the symmetric matrix (q, q) of each level from a vector in gamma.

    With `slopes` the vector is a gradient, and the matrices are those whose trace product with a change of
    Lambda Lambda' is the change of the deviance.
    """
    out, at = [], 0
    for kind, q in zip(form.kinds, form.sizes, strict=True):
        matrices = basis_matrices(kind, q)
        weights = 1.0 / (matrices**2).sum(axis=(1, 2)) if slopes else np.ones(len(matrices))
        out.append(np.tensordot(vector[at : at + len(matrices)] * weights, matrices, 1))
        at += len(matrices)
    return out


def theta_from(squares: list[Array], sigma2: float | None, form: Plan) -> Array:
    """Return theta from Lambda Lambda' of each level (and sigma^2), singular ones included."""
    parts = []
    for square, kind, q in zip(squares, form.kinds, form.sizes, strict=True):
        low = half_root(square) if kind == "full" else np.diag(np.sqrt(np.maximum(np.diag(square), 0.0)))
        if kind == "identity":
            low = np.eye(q) * np.sqrt(max(np.trace(square) / q, 0.0))
        parts.append([low[cell[0]] for cell in entries(kind, q)])
    tail = [] if sigma2 is None else [[np.sqrt(sigma2)]]
    return np.concatenate([*parts, *tail])


def half_root(square: Array) -> Array:
    """Return the lower Cholesky factor of a matrix that may be singular, with zero columns where it is."""
    low = np.zeros_like(square)
    for j in range(len(square)):
        left = square[j, j] - low[j, :j] @ low[j, :j]
        if left > 1e-14 * max(square[j, j], 1e-300):
            low[j, j] = np.sqrt(left)
            low[j + 1 :, j] = (square[j + 1 :, j] - low[j + 1 :, :j] @ low[j, :j]) / low[j, j]
    return low


def diagonal_entries(form: Plan) -> Array:
    """Return which entries of theta stand on a diagonal (sigma included)."""
    on = [
        cell[0][0] == cell[0][1]
        for k, q in zip(form.kinds, form.sizes, strict=True)
        for cell in entries(k, q)
    ]
    return np.array([*on, *([True] if form.known else [])], dtype=bool)


def column_signs(theta: Array, form: Plan) -> Array:
    """Return the signs (d,) that make the diagonal of every Lambda (and sigma) non-negative."""
    out: list[float] = []
    for lam, kind, q in zip(factors(theta, form), form.kinds, form.sizes, strict=True):
        signs = np.where(np.diag(lam) < 0, -1.0, 1.0)
        out += [float(signs[cell[0][1]]) for cell in entries(kind, q)]
    if form.known:
        out.append(-1.0 if theta[-1] < 0 else 1.0)
    return np.array(out)


def chain(theta: Array, form: Plan) -> tuple[Array, Array]:
    """Return first (d, d) and second (d, d, d) derivatives of gamma in theta, gamma along the first axis."""
    d = form.n_theta
    first, second = np.zeros((d, d)), np.zeros((d, d, d))
    at = 0
    for lam, kind, q in zip(factors(theta, form), form.kinds, form.sizes, strict=True):
        cells = entries(kind, q)
        units = np.zeros((len(cells), q, q))
        for i, cell in enumerate(cells):
            for a, b in cell:
                units[i, a, b] = 1.0
        for i, cell in enumerate(cells):
            a, b = cell[0]
            for k in range(len(cells)):
                first[at + i, at + k] = units[k][a] @ lam[b] + lam[a] @ units[k][b]
                for h in range(len(cells)):
                    second[at + i, at + k, at + h] = units[k][a] @ units[h][b] + units[h][a] @ units[k][b]
        at += len(cells)
    if form.known:
        first[at, at], second[at, at, at] = 2 * theta[-1], 2.0
    return first, second


def start_theta(form: Plan) -> Array:
    """Return start values: the variance shared evenly between the effects (and sigma), by the scale of Z."""
    share = 1.0 / (sum(form.sizes) + 1)
    top = np.sqrt(share if form.known else 1.0)
    out = []
    for kind, q, scale in zip(form.kinds, form.sizes, form.scales, strict=True):
        out += [
            top / _cell_scale(cell, scale) if cell[0][0] == cell[0][1] else 0.0 for cell in entries(kind, q)
        ]
    return np.array([*out, *([top] if form.known else [])])


def theta_scale(form: Plan) -> Array:
    """Return the size of theta that would give each effect the residual's variance, to judge steps by."""
    out = []
    for kind, q, scale in zip(form.kinds, form.sizes, form.scales, strict=True):
        out += [1.0 / _cell_scale(cell, scale) for cell in entries(kind, q)]
    return np.array([*out, *([1.0] if form.known else [])])


def _cell_scale(cell: list[tuple[int, int]], scale: Array) -> float:
    return float(np.sqrt(np.mean([scale[a] ** 2 for a, _ in cell])))


def with_method(form: Plan, method: str) -> Plan:
    """Return the same plan under the other criterion."""
    return replace(form, method=method)
