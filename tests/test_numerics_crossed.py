"""Crossed factors against plain n x n algebra, the nested engine, and closed forms of a balanced table.

Published fits stand in `published.crossed`.
"""

import numpy as np
import pytest
from scipy import optimize, stats

from analytics.errors import FitError
from analytics.numerics import mixed
from analytics.numerics.mixed import crossed as engine
from analytics.published.readings import JUDGES


def _readings(seed: int, n: int = 80):
    """Return y, X, two crossed factors, weights and known variances, unbalanced."""
    rng = np.random.default_rng(seed)
    reader, patient = rng.integers(0, 5, n), rng.integers(0, 20, n)
    X = np.column_stack([np.ones(n), rng.uniform(0, 18, n)])
    y = X @ [40.0, 1.5] + rng.normal(scale=3, size=20)[patient] + rng.normal(scale=2, size=5)[reader]
    weights, known = rng.uniform(0.5, 2.0, n), rng.uniform(0.5, 3.0, n)
    y = y + rng.normal(size=n) * np.sqrt(2.0 / weights + known)
    return y, X, reader, patient, weights, known


def _dense(v, y, X, factors, weights, known, method):
    """Return the log-likelihood, fixed effects, their covariance and conditional modes, V written out."""
    zs = [np.eye(f.max() + 1)[f] for f in factors]
    V = np.diag(v[-1] / weights + known) + sum(a * z @ z.T for a, z in zip(v, zs, strict=False))
    inverse = np.linalg.inv(V)
    cov = np.linalg.inv(X.T @ inverse @ X)
    beta = cov @ X.T @ inverse @ y
    r = y - X @ beta
    value = np.linalg.slogdet(V)[1] + r @ inverse @ r
    n = len(y)
    if method == "REML":
        value, n = value - np.linalg.slogdet(cov)[1], n - X.shape[1]
    modes = [a * z.T @ inverse @ r for a, z in zip(v, zs, strict=False)]
    return -0.5 * (value + n * np.log(2 * np.pi)), beta, cov, modes


@pytest.mark.parametrize("method", ["REML", "ML"])
def test_the_optimum_is_that_of_the_likelihood_written_out(method):
    y, X, reader, patient, weights, known = _readings(3)
    fit = mixed.fit(
        y, X, [(patient, np.ones((len(y), 1)))], crossed=[reader], method=method, weights=weights,
        known_variance=known,
    )  # fmt: skip
    given = (y, X, [patient, reader], weights, known, method)
    best = optimize.minimize(
        lambda log: -_dense(np.exp(log), *given)[0], np.log([5.0, 5.0, 2.0]), method="Nelder-Mead",
        options={"xatol": 1e-8, "fatol": 1e-11, "maxiter": 4000},
    )  # fmt: skip
    loglik, beta, cov, modes = _dense(np.exp(best.x), *given)
    assert fit.loglik == pytest.approx(loglik, abs=1e-7)
    assert fit.theta == pytest.approx(np.exp(best.x), rel=1e-4)
    assert fit.beta == pytest.approx(beta, rel=1e-6)
    assert fit.beta_cov == pytest.approx(cov, rel=1e-4)
    for ours, theirs in zip(fit.random, modes, strict=True):
        assert ours[:, 0] == pytest.approx(theirs, abs=1e-4)
    assert all(fit.checks.values())


def test_a_limit_of_a_variance_is_where_the_likelihood_written_out_has_fallen_by_chi_squared():
    y, X, reader, patient, _, known = _readings(4)
    ones = np.ones(len(y))
    fit = mixed.fit(y, X, [], crossed=[reader, patient], known_variance=known)
    low, high = fit.variance_limits(0)
    assert 0 < low < fit.theta[0] < high < np.inf
    for limit in (low, high):
        best = optimize.minimize(
            lambda log, limit=limit: (
                -_dense([limit, *np.exp(log)], y, X, [reader, patient], ones, known, "REML")[0]
            ),
            np.log(fit.theta[1:]),
            method="Nelder-Mead",
            options={"xatol": 1e-7, "fatol": 1e-10},
        )
        assert 2 * (fit.loglik + best.fun) == pytest.approx(stats.chi2.ppf(0.95, 1), abs=1e-3)


def test_nested_levels_given_as_factors_are_what_the_nested_engine_fits():
    rng = np.random.default_rng(5)
    patient = np.repeat(np.arange(15), 6)
    zone = np.repeat(np.arange(45), 2)
    y = 60 + rng.normal(scale=4, size=15)[patient] + rng.normal(scale=3, size=45)[zone] + rng.normal(size=90)
    X, one = np.column_stack([np.ones(90), rng.normal(size=90)]), np.ones((90, 1))
    nested = mixed.fit(y, X, [(patient, one), (zone, one)])
    crossed = mixed.fit(y, X, [(patient, one)], crossed=[zone])
    assert crossed.loglik == pytest.approx(nested.loglik, abs=1e-8)
    assert crossed.beta_se == pytest.approx(nested.beta_se, rel=1e-6)
    assert crossed.beta_df == pytest.approx(nested.beta_df, rel=1e-4)
    assert crossed.random[0] == pytest.approx(nested.random[0], abs=1e-5)
    told = crossed.contrast(np.eye(2))
    assert told.statistic == pytest.approx(nested.contrast(np.eye(2)).statistic, rel=1e-5)


def test_degrees_of_freedom_of_a_balanced_table_are_satterthwaites_of_its_mean_squares():
    # Var(mean) is proportional to MS targets + MS judges - MS rest, on 5, 3 and 15 degrees of freedom.
    scores = np.array(JUDGES, dtype=float)
    target, judge = np.indices(scores.shape)
    fit = mixed.fit(scores.ravel(), np.ones((24, 1)), [], crossed=[target.ravel(), judge.ravel()])
    rest = scores - scores.mean(axis=0) - scores.mean(axis=1, keepdims=True) + scores.mean()
    squares = np.array(
        [4 * scores.mean(axis=1).var(ddof=1), 6 * scores.mean(axis=0).var(ddof=1), -(rest**2).sum() / 15]
    )
    assert fit.beta_df[0] == pytest.approx(squares.sum() ** 2 / (squares**2 / [5, 3, 15]).sum(), rel=1e-5)


def test_a_variance_of_zero_is_flagged_and_its_lower_limit_is_zero():
    y = np.tile([0.0, 1.0, 2.0, 3.0, 4.0, 5.0], 4) + np.repeat([0.1, -0.1, -0.1, 0.1], 6)
    reader, patient = np.tile([0, 1], 12), np.tile(np.arange(6), 4)
    y = y + np.where((np.arange(24) % 5) > 2, 0.4, -0.4)
    fit = mixed.fit(y, np.ones((24, 1)), [], crossed=[patient, reader])
    assert fit.on_boundary == [False, True]
    assert fit.checks["converged"]
    assert not fit.checks["not_on_boundary"]
    assert fit.variance_limits(1)[0] == 0.0


def test_parts_that_share_no_group_are_counted():
    reader, patient = np.repeat([0, 1], 8), np.repeat(np.arange(4), 4)
    y = np.random.default_rng(6).normal(size=16)
    apart = mixed.fit(y, np.ones((16, 1)), [], crossed=[patient, reader])
    assert apart.n_components == 2
    assert not apart.checks["connected"]
    patient[-1] = 0
    assert mixed.fit(y, np.ones((16, 1)), [], crossed=[patient, reader]).n_components == 1


REFUSED = {
    "one group": (lambda n: [np.zeros(n, dtype=int)], "factor 1 has 1 groups in 8 rows"),
    "a group a row": (lambda n: [np.arange(n)], "factor 1 has 8 groups in 8 rows"),
    "alike": (lambda n: [np.arange(n) // 2, np.arange(n) // 2 + 7], "factors 1 and 2 group the rows alike"),
    "short": (lambda n: [np.arange(n - 1) // 2], "factor 1 has 7 codes for 8 rows"),
    "missing": (lambda n: [np.where(np.arange(n) > 3, np.nan, 1.0)], "4 codes are missing, first at row 4"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_what_cannot_be_fitted_is_refused_in_words(case):
    factors, said = REFUSED[case]
    y = np.array([1.0, 3, 2, 5, 4, 8, 6, 7])
    with pytest.raises(FitError, match=said):
        mixed.fit(y, np.ones((8, 1)), [], crossed=factors(8))


def test_a_slope_beside_a_crossed_factor_and_kenward_rogers_method_are_refused_in_words():
    y, X, reader, patient, _, _ = _readings(7)
    with pytest.raises(FitError, match="level 1 has effects other than an intercept"):
        mixed.fit(y, X, [(patient, X)], crossed=[reader])
    with pytest.raises(FitError, match="the method is satterthwaite"):
        mixed.fit(y, X, [], crossed=[reader, patient]).contrast([0, 1], method="kenward-roger")


@pytest.mark.parametrize("method", ["REML", "ML"])
@pytest.mark.parametrize("is_weighted", [False, True])
def test_the_slope_by_the_residual_variance_is_that_of_the_deviance(method, is_weighted):
    """Central differences of the deviance; the slope follows from the others', for all variances scale."""
    rng, n = np.random.default_rng(1), 300
    X = np.column_stack([np.ones(n), rng.normal(size=n)])
    a, b = rng.integers(0, 20, n), rng.integers(0, 9, n)
    y = X @ [1.0, 2.0] + rng.normal(size=20)[a] + 0.5 * rng.normal(size=9)[b] + rng.normal(size=n)
    weights = rng.uniform(0.5, 2.0, n) if is_weighted else None
    rows = engine.rows_of(y, X, [a, b], method=method, weights=weights, known_variance=None)
    v, h = np.array([0.4, 0.2, 0.3]), np.array([0.0, 0.0, 1e-6])
    seen = (engine.evaluate(rows, v + h).deviance - engine.evaluate(rows, v - h).deviance) / 2e-6
    assert engine.evaluate(rows, v).slope[-1] == pytest.approx(seen, abs=1e-3)
