"""Nested linear mixed models: how far patients, placements and readings differ around a common course.

y = X beta + sum over levels of Z b + e. Levels are nested, outermost first; b of a group is normal with the
level's covariance, e with variance sigma^2 / weight, plus known_variance where sampling variances are
known. Fitted by REML or ML to the optimum (the deviance left to gain is under 1e-12); cost and memory are
linear in rows.

A fit can also be added up over parts that live in other processes or clinics: each makes a `design` of its
rows; their `survey`s added give the `plan`; each makes a part with `prepare`; then `fit_sums` asks for the
sum of `contributions` some six times.

A variance of exactly zero is an answer and is flagged (`on_boundary`). Degrees of freedom are
Satterthwaite's, with variances estimated at zero held there; Kenward and Roger's are given on request.
Everything but the optimum is computed when asked for.

AIC is -2 loglik + 2 k and BIC is -2 loglik + k log(n), k counting fixed effects, variance parameters and
sigma; under REML BIC uses n - p (the number of error contrasts), and neither compares fits with different
X.

Sources: Laird & Ware 1982, Biometrics 38:963; Bates, Maechler, Bolker & Walker 2015, J Stat Softw 67(1);
Pinheiro & Bates 2000, Mixed-Effects Models in S and S-PLUS, ch. 2.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import overload

import numpy as np

from analytics.errors import FitError
from analytics.numerics.mixed.contributions import contributions
from analytics.numerics.mixed.crossed import CrossedFit, fit_crossed
from analytics.numerics.mixed.design import design, survey
from analytics.numerics.mixed.fitted import MixedFit, fit_sums
from analytics.numerics.mixed.inference import LikelihoodRatio, ratio_test
from analytics.numerics.mixed.optimise import optimise
from analytics.numerics.mixed.parts import Part, Sums, prepare
from analytics.numerics.mixed.plan import (
    Levels,
    Plan,
    plan,
    refuse_undetermined,
    start_theta,
)

Array = np.ndarray
# From this many blocks on, a fit of the first block gives the start values; it stops when a step promises
# this little.
PILOT_BLOCKS = 3
PILOT_PROMISE = 0.01


@overload
def fit(
    y: Array, X: Array, levels: Levels, *, method: str = ..., weights: Array | None = ...,
    known_variance: Array | None = ..., crossed: None = ..., start: Array | None = ...,
    promise: float | None = ...,
) -> MixedFit: ...  # fmt: skip
@overload
def fit(
    y: Array, X: Array, levels: Levels, *, method: str = ..., weights: Array | None = ...,
    known_variance: Array | None = ..., crossed: Sequence[Array], start: Array | None = ...,
    promise: float | None = ...,
) -> CrossedFit: ...  # fmt: skip
def fit(
    y: Array,
    X: Array,
    levels: Levels,
    *,
    method: str = "REML",
    weights: Array | None = None,
    known_variance: Array | None = None,
    crossed: Sequence[Array] | None = None,
    start: Array | None = None,
    promise: float | None = None,
) -> MixedFit | CrossedFit:
    """Fit a linear mixed model of nested levels, or of crossed factors.

    Parameters
    ----------
    y
        Outcome (n,).
    X
        Fixed-effect columns (n, p), independent of each other.
    levels
        `(codes, Z)` outermost first, each nested in the one before; codes (n,) whole numbers or strings, Z
        (n, q). A third entry sets the covariance: "full" (the default), "diagonal", "identity" (one tied
        variance).
    method
        "REML" or "ML".
    weights
        Known inverse variance factors (n,): the error variance is sigma^2 / weight.
    known_variance
        Sampling variances (n,) added to sigma^2 / weight.
    crossed
        Codes (n,) of factors that cross the levels (readers, surgeons), each with a random intercept; levels
        are then intercepts too, and may be none. See `numerics.mixed.crossed`.
    start
        `theta` of a similar fit.
    promise
        Stop when a step promises to lower the deviance by less than this; to rounding if not given.

    Returns
    -------
    MixedFit or CrossedFit
        Fixed effects with errors and degrees of freedom, covariances of the levels, named checks.

    Raises
    ------
    FitError
        If a value is missing, columns of X are collinear, levels cross or are in the wrong order, a level
        has fewer groups than effects, or y has no variation left.

    Examples
    --------
    Three patients with two readings each: mean squares 2 within and 200 between, so variances 2 and (200 -
    2) / 2.

    >>> one = np.ones((6, 1))
    >>> found = fit([0, 2, 10, 12, 20, 22], one, [([1, 1, 2, 2, 3, 3], one)])
    >>> found.beta.round(6).tolist(), round(found.sigma**2, 6), found.covariances[0].round(6).tolist()
    ([11.0], 2.0, [[99.0]])
    >>> found.beta_df.round(6).tolist()
    [2.0]
    """
    if crossed is not None:
        factors = [*_intercepts(levels), *crossed]
        return fit_crossed(
            y, X, factors, method=method, weights=weights, known_variance=known_variance, start=start
        )
    given = design(y, X, levels, weights=weights, known_variance=known_variance)
    refuse_undetermined(given, "mixed.fit")
    form = plan(survey(given), given.kinds, method=method, known=given.known_variance is not None)
    part = prepare(given, form)
    if start is None and len(part.blocks) >= PILOT_BLOCKS:
        start = _pilot(part, form)
    if given.known_variance is not None and not given.known_variance.all():
        start = _with_sigma(start, form)
    out = fit_sums(form, partial(_contributions, part, form), start=start, promise=promise)
    return replace(out, layout=given.layout, parts=(part,))


def _intercepts(levels: Levels) -> list[Array]:
    """Return the codes of levels that are intercepts."""
    for i, level in enumerate(levels):
        if not (np.asarray(level[1], dtype=float) == 1.0).all() or np.ndim(level[1]) != 2:
            raise FitError(
                f"mixed.fit: level {i + 1} has effects other than an intercept, which are not fitted beside "
                "crossed factors; give Z as one column of ones, or enter the crossed factor in X"
            )
    return [level[0] for level in levels]


def _contributions(part: Part, form: Plan, theta: Array, probe: Array | None) -> Sums:
    return contributions(theta, part, form, probe=probe)


def _with_sigma(start: Array | None, form: Plan) -> Array | None:
    """Return the start with sigma above zero: a row of known variance zero has no other error."""
    if start is None or np.ravel(start)[-1] != 0:
        return start
    return np.append(np.asarray(start, float)[:-1], 0.1 * form.unit)


def _pilot(part: Part, form: Plan) -> Array | None:
    """Return a rough theta from the first block (every k-th outermost group); None if it lacks a column."""
    first = Part(part.blocks[:1])
    evaluate = partial(_contributions, first, form)
    seen = evaluate(start_theta(form), np.zeros((form.m, 1))).cross
    values = np.linalg.eigvalsh(seen[: form.p, : form.p])
    if values[0] < 1e-8 * values[-1]:
        return None
    found = optimise(evaluate, form, exact=False, promise=PILOT_PROMISE)
    return found.theta * (form.unit if form.known else 1.0)


def likelihood_ratio(smaller: MixedFit, larger: MixedFit) -> LikelihoodRatio:
    """Test a model against one it is nested in; which distribution the p-value is from is said in words.

    Where the larger model has random effects more, their variances lie on the edge of what is possible
    under the smaller one, and the mixture of Stram & Lee is used.

    Parameters
    ----------
    smaller
        A fit with method ML, or REML with the same fixed effects.
    larger
        A fit of the same rows, in which the smaller is nested.

    Returns
    -------
    LikelihoodRatio
        Statistic, p-value, and the distribution it is from in words.

    Raises
    ------
    FitError
        If the fits are of other rows, under other criteria, by REML with other fixed effects, or the larger
        model has no more parameters.

    Source
    ------
    Stram & Lee 1994, Biometrics 50:1171.

    Examples
    --------
    A slope that explains nothing:

    >>> y, one, groups = [0.0, 2.0, 10.0, 12.0, 20.0, 22.0], np.ones(6), [1, 1, 2, 2, 3, 3]
    >>> levels = [(groups, one[:, None])]
    >>> small = fit(y, one[:, None], levels, method="ML")
    >>> large = fit(y, np.column_stack([one, [1, 1, -2, -2, 1, 1]]), levels, method="ML")
    >>> round(likelihood_ratio(small, large).p_value, 6)
    1.0
    """
    a, b = smaller.form, larger.form
    if a.n != b.n or a.method != b.method or a.known != b.known:
        raise FitError(
            "mixed.likelihood_ratio: the fits are not of the same rows under the same criterion; refit one"
        )
    if a.method == "REML" and (a.p != b.p or not np.allclose(a.basis[:-1, :-1], b.basis[:-1, :-1])):
        raise FitError(
            "mixed.likelihood_ratio: REML likelihoods of different fixed effects do not compare; "
            "fit both with method ML"
        )
    df = larger.n_parameters - smaller.n_parameters
    if df <= 0:
        raise FitError(
            f"mixed.likelihood_ratio: the larger model has {df} parameters more; give the smaller model first"
        )
    n_zero = max(_n_variances(b) - _n_variances(a), 0)
    return ratio_test(2.0 * (larger.loglik - smaller.loglik), df, n_zero)


def _n_variances(form: Plan) -> int:
    """Return how many variances a model holds, sigma aside."""
    return sum(1 if kind == "identity" else q for kind, q in zip(form.kinds, form.sizes, strict=True))
