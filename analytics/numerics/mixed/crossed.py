"""Linear mixed models with crossed factors: readers or surgeons who each saw many patients.

y = X beta + sum over factors of the intercept of the row's group + e. An intercept is normal with its
factor's variance, e with variance sigma^2 / weight + known variance. The factor with most groups is taken
out first (its block is diagonal), the rest is dense: memory is rows times groups of the other factors.

Fitted by REML or ML over variances of at least zero; a variance of zero is an answer and is flagged
(`on_boundary`): its deviance is not that of ANOVA estimators that may be negative. Degrees of freedom are
Satterthwaite's, with variances estimated at zero held there. Labels are global: a reader has one code with
all patients. `n_components` counts the parts of the rows that share no group; in different parts a group of
one factor is never compared within a group of another. A variance from a few groups says little: see
`variance_limits`.

Sources: Henderson 1953, Biometrics 9:226-252; Bates, Maechler, Bolker & Walker 2015, J Stat Softw 67(1);
Johnson & Thompson 1995, J Dairy Sci 78:449-456 (derivatives); Kuznetsova et al. 2017, J Stat Softw 82(13).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import scipy
from numpy.typing import ArrayLike

from analytics.errors import FitError
from analytics.numerics.mixed.design import factorise
from analytics.numerics.mixed.inference import Contrast, Spread, f_test, satterthwaite_test, t_test
from analytics.numerics.mixed.plan import checked_columns, checked_positive

Array = np.ndarray
WHERE = "mixed.fit: crossed"
# A variance below this share of the residual variance of X alone is tried at zero.
SMALL = 1e-8
STEP = 1e-3  # of a variance, for differences of the exact gradient
NEWTON_STEPS = 30
LEAST_SCALED = 1e-3  # residual variance, in units of y's own, from which its slope follows from the others'
FLAT = 1e-7  # relative slope of the deviance by the log of a variance that counts as none


@dataclass(frozen=True, eq=False)
class Rows:
    """Checked rows in units of `unit`; factors with the most groups first, in the `order` they were given.

    `first` (n,) groups of the largest factor, `others` (n, q) sparse indicators of all the rest.
    """

    y: Array
    X: Array
    weights: Array
    known: Array
    unit: float
    reml: bool
    order: tuple[int, ...]
    labels: tuple[Array, ...]
    groups: tuple[Array, ...]
    others: scipy.sparse.csr_array = field(repr=False)

    @property
    def sizes(self) -> list[int]:
        """Groups of each factor."""
        return [len(label) for label in self.labels]

    @property
    def rank(self) -> int:
        """Rows that tell of variances: n less p under REML."""
        return len(self.y) - (self.X.shape[1] if self.reml else 0)


@dataclass(frozen=True, eq=False)
class Point:
    """The criterion at variances v (factors, then sigma^2): deviance, its slope, fixed effects.

    `scores` Z' P y and `spread` diag(Z' P Z) by factor, from which effects and their errors follow.
    """

    v: Array
    deviance: float
    slope: Array
    beta: Array
    inverse: Array
    scores: tuple[Array, ...]
    spread: tuple[Array, ...]


def rows_of(y, X, crossed: Sequence[ArrayLike], *, method: str, weights, known_variance) -> Rows:
    """Return checked rows.

    Raises
    ------
    FitError
        If a value or code is missing, columns of X are collinear, a factor has one group or a group a row,
        or two factors group the rows alike.
    """
    y, X = checked_columns(y, X, WHERE)
    n = len(y)
    if method not in ("REML", "ML"):
        raise FitError(f"{WHERE}: method {method} is unknown; give REML or ML")
    made = [factorise(np.asarray(c), where=f"{WHERE}: factor {i + 1}") for i, c in enumerate(crossed)]
    _refuse_factors([g for _, g in made], [len(label) for label, _ in made], n)
    weight = checked_positive(weights, n, f"{WHERE}: weights", zero=False)
    known = checked_positive(known_variance, n, f"{WHERE}: known_variance", zero=True)
    if n <= X.shape[1] or np.linalg.matrix_rank(X) < X.shape[1]:
        raise FitError(
            f"{WHERE}: {n} rows do not determine {X.shape[1]} fixed effects; take dependent columns out of X"
        )
    rest = y - X @ np.linalg.lstsq(X, y, rcond=None)[0]
    unit = float(np.sqrt(rest @ rest / (n - X.shape[1])))
    if unit <= 1e-12 * max(float(np.abs(y).max()), 1e-300):
        raise FitError(f"{WHERE}: y has no variation left beside X; there is nothing to fit")
    order = tuple(sorted(range(len(made)), key=lambda i: -len(made[i][0])))
    labels, groups = (tuple(made[i][part] for i in order) for part in (0, 1))
    ones = [
        scipy.sparse.csr_array((np.ones(n), (np.arange(n), g)), shape=(n, len(label)))
        for label, g in zip(labels[1:], groups[1:], strict=True)
    ]
    others = scipy.sparse.csr_array(scipy.sparse.hstack(ones)) if ones else scipy.sparse.csr_array((n, 0))
    return Rows(
        y / unit, X, np.ones(n) if weight is None else weight,
        np.zeros(n) if known is None else known / unit**2,
        unit, method == "REML", order, labels, groups, others,
    )  # fmt: skip


def _refuse_factors(groups: list[Array], sizes: list[int], n: int) -> None:
    for i, (group, size) in enumerate(zip(groups, sizes, strict=True)):
        if len(group) != n:
            raise FitError(f"{WHERE}: factor {i + 1} has {len(group)} codes for {n} rows; give one a row")
        if size < 2 or size == n:
            raise FitError(
                f"{WHERE}: factor {i + 1} has {size} groups in {n} rows; its variance cannot be told; "
                "leave it out"
            )
        for j in range(i):
            pairs = len(np.unique(groups[j].astype(np.int64) * size + group))
            if pairs == size == sizes[j]:
                raise FitError(
                    f"{WHERE}: factors {j + 1} and {i + 1} group the rows alike; their variances cannot be "
                    "told apart; leave one out"
                )


def evaluate(rows: Rows, v: Array) -> Point:
    """Return the criterion at variances v (factors in the order of `rows`, then sigma^2)."""
    first, q1, q = rows.groups[0], rows.sizes[0], rows.others.shape[1]
    v = np.asarray(v, dtype=float)
    own = v[-1] / rows.weights + rows.known
    r = 1.0 / own
    dense = np.column_stack([rows.X, rows.y])
    x, last = slice(q, q + rows.X.shape[1]), q + rows.X.shape[1]
    z1 = scipy.sparse.csr_array((r, (first, np.arange(len(r)))), shape=(q1, len(r)))
    amount = np.bincount(first, r, q1)
    # V1 = R + v1 Z1 Z1' first, by the group: `through` Z1' R^-1 U with U = [other factors, X, y].
    through = np.hstack([(z1 @ rows.others).toarray(), z1 @ dense])
    shrunk = v[0] / (1.0 + v[0] * amount)
    scaled = rows.others.multiply(r[:, None]).tocsr()
    across = scaled.T @ dense
    M = np.block([[(scaled.T @ rows.others).toarray(), across], [across.T, dense.T @ (r[:, None] * dense)]])
    M = M - through.T @ (shrunk[:, None] * through)
    # Then the other factors: V^-1 = V1^-1 - V1^-1 Z s K^-1 s Z' V1^-1, K = I + s Z' V1^-1 Z s.
    s = np.sqrt(np.repeat(v[1:-1], rows.sizes[1:]))
    low = np.linalg.cholesky(np.eye(q) + s[:, None] * M[:q, :q] * s)
    half = scipy.linalg.solve_triangular(low, s[:, None] * M[:q], lower=True)
    N = M - half.T @ half
    inverse = np.linalg.inv(N[x, x])
    beta = inverse @ N[x, last]
    taken = np.append(-beta, 1.0)
    left = float(N[last, last] - N[x, last] @ beta)
    root = np.linalg.cholesky(inverse) if rows.reml else np.zeros_like(inverse)
    deviance = (
        np.log(own).sum() + np.log1p(v[0] * amount).sum() + 2 * np.log(np.diag(low)).sum() + left
        - (np.linalg.slogdet(inverse)[1] if rows.reml else 0.0)
        + rows.rank * np.log(2 * np.pi * rows.unit**2)
    )  # fmt: skip

    def projected(own_part: Array, side: Array) -> tuple[Array, Array]:
        """Return the scores and diag of A' P A from the diagonal and A' V1^-1 U."""
        towards = scipy.linalg.solve_triangular(low, s[:, None] * side[:, :q].T, lower=True)
        full = side[:, q:] - towards.T @ half[:, q:]
        diagonal = own_part - (towards**2).sum(axis=0) - ((full[:, :-1] @ root) ** 2).sum(axis=1)
        return full @ taken, diagonal

    pulled = 1.0 / (1.0 + v[0] * amount)
    score1, spread1 = projected(amount * pulled, pulled[:, None] * through)
    score2, spread2 = projected(np.diag(M)[:q], M[:q])
    cuts = np.cumsum(rows.sizes[1:])[:-1]
    scores = (score1, *(np.split(score2, cuts) if q else ()))
    spread = (spread1, *(np.split(spread2, cuts) if q else ()))
    slope = [float(d.sum() - u @ u) for u, d in zip(scores, spread, strict=True)]
    if rows.known.max() <= 0 and v[-1] > LEAST_SCALED:
        # All variances c times as large: the deviance changes by rank log c - left (1 - 1 / c).
        slope.append(float((rows.rank - left - v[:-1] @ slope) / v[-1]))
    else:
        by_row = np.hstack([rows.others.toarray(), dense]) - (shrunk[:, None] * through)[first]
        score_e, spread_e = projected(r - r**2 * shrunk[first], r[:, None] * by_row)
        slope.append(float(((spread_e - score_e**2) / rows.weights).sum()))
    return Point(v, float(deviance), np.array(slope), beta, inverse, scores, spread)


def _optimum(rows: Rows, start: Array, held: Array) -> Point:
    """Return the lowest deviance, variances marked in `held` staying as in `start`."""
    free, lowest = ~held, np.zeros(len(start))
    if rows.known.min() <= 0:
        lowest[-1] = SMALL

    def of(roots: Array) -> tuple[float, Array]:
        v = start.copy()
        v[free] = roots**2
        at = evaluate(rows, v)
        return at.deviance, 2.0 * roots * at.slope[free]

    best = evaluate(rows, start)
    if free.any():
        bounds = [(np.sqrt(b), None) for b in lowest[free]]
        found = scipy.optimize.minimize(of, np.sqrt(start[free]), jac=True, method="L-BFGS-B", bounds=bounds)
        v = start.copy()
        v[free] = np.where(found.x**2 < SMALL, lowest[free], found.x**2)
        best = evaluate(rows, v)
    for _ in range(NEWTON_STEPS):
        moving = free & ((best.v > lowest) | (best.slope < 0))
        if not moving.any() or _unsettled(best, moving) < FLAT * 1e-3:
            break
        after = _newton(rows, best, moving, lowest)
        if after is None:
            break
        best = after
    return best


def _unsettled(at: Point, moving: Array) -> float:
    return float(np.abs(at.slope * np.maximum(at.v, SMALL))[moving].max(initial=0.0))


def _newton(rows: Rows, at: Point, moving: Array, lowest: Array) -> Point | None:
    """Return the point after one step that lowers the deviance, or None."""
    values, vectors = np.linalg.eigh(_curvature(rows, at, moving)[0])
    values = np.maximum(np.abs(values), 1e-8 * np.abs(values).max())
    step = np.zeros(len(at.v))
    step[moving] = -vectors @ ((vectors.T @ at.slope[moving]) / values)
    for share in 0.5 ** np.arange(12):
        to = evaluate(rows, np.maximum(at.v + share * step, lowest))
        if to.deviance < at.deviance:
            return to
    return None


def _curvature(rows: Rows, at: Point, moving: Array) -> tuple[Array, Array]:
    """Return second derivatives of the deviance (k, k) and slopes of the covariance of beta (k, p, p)."""
    hessian, slopes = [], []
    for i in np.flatnonzero(moving):
        step = np.zeros(len(at.v))
        step[i] = STEP * max(at.v[i], SMALL)
        up, down = evaluate(rows, at.v + step), evaluate(rows, np.maximum(at.v - step, 0.0))
        width = up.v[i] - down.v[i]
        hessian.append((up.slope - down.slope)[moving] / width)
        slopes.append((up.inverse - down.inverse) / width)
    H = np.array(hessian)
    return (H + H.T) / 2, np.array(slopes)


@dataclass(frozen=True, eq=False)
class CrossedFit:
    """A fitted model with crossed factors; factors in the order they were given."""

    rows: Rows = field(repr=False)
    point: Point = field(repr=False)

    def _given(self, values: Sequence) -> list:
        out = [None] * len(values)
        for place, value in zip(self.rows.order, values, strict=True):
            out[place] = value
        return out

    @property
    def theta(self) -> Array:
        """Variances of the factors and sigma^2, in the units of y squared: start values of a similar fit."""
        unit = self.rows.unit**2
        return unit * np.array([*self._given(list(self.point.v[:-1])), self.point.v[-1]])

    @property
    def beta(self) -> Array:
        """Fixed effects (p,)."""
        return self.rows.unit * self.point.beta

    @property
    def beta_cov(self) -> Array:
        """Covariance of the fixed effects (p, p), variances taken as known."""
        return self.rows.unit**2 * self.point.inverse

    @property
    def beta_se(self) -> Array:
        """Standard errors of the fixed effects (p,)."""
        return np.sqrt(np.diag(self.beta_cov))

    @property
    def beta_df(self) -> Array:
        """Satterthwaite degrees of freedom (p,)."""
        eye = np.eye(len(self.beta))
        return np.array([satterthwaite_test(self._spread, row[None], row[:1])[1] for row in eye])

    @property
    def sigma(self) -> float:
        """Residual standard deviation (of the part not known)."""
        return float(np.sqrt(self.theta[-1]))

    @property
    def covariances(self) -> list[Array]:
        """Variance (1, 1) of each factor."""
        return [np.array([[v]]) for v in self.theta[:-1]]

    @property
    def groups(self) -> list[Array]:
        """Codes of the groups by factor, in the order of `random`."""
        return self._given(self.rows.labels)

    @property
    def random(self) -> list[Array]:
        """Conditional modes (groups, 1) by factor."""
        found = [v * u[:, None] for v, u in zip(self.point.v, self.point.scores, strict=False)]
        return self._given([self.rows.unit * b for b in found])

    @property
    def random_se(self) -> list[Array]:
        """Standard errors of modes less effects (groups, 1), the estimation of beta counted under REML."""
        found = [v - v**2 * d[:, None] for v, d in zip(self.point.v, self.point.spread, strict=False)]
        return self._given([self.rows.unit * np.sqrt(np.maximum(b, 0.0)) for b in found])

    @property
    def loglik(self) -> float:
        """Log-likelihood under the criterion fitted (REML or ML)."""
        return -0.5 * self.point.deviance

    @property
    def on_boundary(self) -> list[bool]:
        """Whether the variance of a factor is zero."""
        return self._given([bool(v <= SMALL) for v in self.point.v[:-1]])

    @cached_property
    def n_components(self) -> int:
        """Parts of the rows that share no group of any factor (1: all groups are connected)."""
        starts = np.concatenate([[0], np.cumsum(self.rows.sizes)])
        nodes = [g + at for g, at in zip(self.rows.groups, starts, strict=False)]
        ends = np.concatenate(nodes[1:]) if len(nodes) > 1 else nodes[0]
        links = scipy.sparse.csr_array(
            (np.ones(len(ends)), (np.tile(nodes[0], max(len(nodes) - 1, 1)), ends)), shape=(starts[-1],) * 2
        )
        return int(scipy.sparse.csgraph.connected_components(links, directed=False)[0])

    @property
    def checks(self) -> dict[str, bool]:
        """Named checks, true where all is well."""
        inside = self.point.v > SMALL
        settled = _unsettled(self.point, inside) < 1e-4 and (self.point.slope[~inside] > -FLAT).all()
        return {
            "converged": bool(settled),
            "not_on_boundary": not any(self.on_boundary) and self.sigma > 0,
            "connected": self.n_components == 1,
            "finite_se": bool(np.isfinite(self.beta_se).all()),
        }

    @cached_property
    def _spread(self) -> Spread:
        moving = self.point.v > SMALL
        hessian, slopes = _curvature(self.rows, self.point, moving)
        return Spread(self.point.inverse, slopes, 2.0 * np.linalg.pinv(hessian, hermitian=True))

    def contrast(self, L: Array, *, method: str = "satterthwaite", null: float | Array = 0.0) -> Contrast:
        """Test L beta against `null`: a vector (p,) for a t test, a matrix (r, p) for an F test.

        Raises
        ------
        FitError
            If L does not have p columns, or another method than Satterthwaite's is asked for.
        """
        given = np.asarray(L, dtype=float)
        rows = np.atleast_2d(given)
        if rows.shape[1] != len(self.beta) or method != "satterthwaite":
            raise FitError(
                f"{WHERE}: contrast: L has {rows.shape[1]} columns for {len(self.beta)} fixed effects; give "
                "one column a fixed effect; with crossed factors the method is satterthwaite"
            )
        estimate, working = rows @ self.beta, rows * self.rows.unit
        se = np.sqrt(np.einsum("rp,pq,rq->r", working, self._spread.covariance, working))
        effect = estimate - null
        statistic, df, rank = satterthwaite_test(self._spread, working, effect)
        if given.ndim == 1:
            return replace(t_test(float(effect[0]), float(se[0]), df, method), estimate=float(estimate[0]))
        return f_test(estimate, se, statistic, (rank, df), method)

    def variance_limits(self, factor: int, *, level: float = 0.95) -> tuple[float, float]:
        """Return profile likelihood limits of a factor's variance: where the deviance has risen enough.

        The lower limit is zero where zero is not ruled out; the upper is infinite where nothing rules out
        any value.
        """
        place, rise = self.rows.order.index(factor), float(scipy.stats.chi2.ppf(level, 1))
        held = np.zeros(len(self.point.v), dtype=bool)
        held[place] = True

        def gain(value: float) -> float:
            start = np.maximum(self.point.v, 1e-3)
            start[place] = value
            return _optimum(self.rows, start, held).deviance - self.point.deviance - rise

        at, low, high = float(self.point.v[place]), 0.0, np.inf
        if at > SMALL and gain(0.0) > 0:
            low = scipy.optimize.brentq(gain, 0.0, at, rtol=1e-6)
        far = max(4.0 * at, 0.1)
        while far < 1e8 and gain(far) < 0:
            far *= 4.0
        if far < 1e8:
            high = scipy.optimize.brentq(gain, max(at, 0.0), far, rtol=1e-6)
        return self.rows.unit**2 * float(low), self.rows.unit**2 * float(high)


def fit_crossed(
    y: ArrayLike, X: ArrayLike, crossed: Sequence[ArrayLike], *, method: str = "REML",
    weights: ArrayLike | None = None, known_variance: ArrayLike | None = None, start: Array | None = None,
) -> CrossedFit:  # fmt: skip
    """Fit random intercepts of crossed factors.

    Parameters
    ----------
    y, X
        Outcome (n,), independent fixed-effect columns (n, p).
    crossed
        Codes (n,) of each factor; one label is one group wherever it stands.
    method, weights, known_variance, start
        As in `mixed.fit`.

    Raises
    ------
    FitError
        As `rows_of`.

    Examples
    --------
    Three patients read by two readers; mean squares of a two-way table 100, 24 and 0.5.

    >>> found = fit_crossed(
    ...     [0, 5, 10, 14, 20, 23], np.ones((6, 1)), [[1, 1, 2, 2, 3, 3], ["a", "b"] * 3])
    >>> found.covariances[1].round(4).tolist(), round(found.sigma**2, 4)
    ([[7.8333]], 0.5)
    """
    rows = rows_of(y, X, crossed, method=method, weights=weights, known_variance=known_variance)
    k = len(rows.sizes)
    if start is None:
        first = np.append(np.full(k, 0.5 / k), 0.5)
    else:
        given = np.asarray(start, dtype=float) / rows.unit**2
        first = np.maximum(np.append(given[list(rows.order)], given[-1]), 1e-3)
    return CrossedFit(rows, _optimum(rows, first, np.zeros(k + 1, dtype=bool)))
