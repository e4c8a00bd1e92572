"""Regression with errors by cluster, against statsmodels and closed forms; see also `published.studies`."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from analytics.errors import FitError
from analytics.numerics import proportions, regression


def test_errors_for_few_patients_are_no_smaller(published):
    # Mancl & DeRouen 2001: residuals are enlarged, never shrunk
    d = pd.read_csv(published / "ohio.csv")
    d = d[d["id"] % 6 == 0]
    X = np.column_stack([np.ones(len(d)), d["smoke"]])
    plain = regression.logistic(d["resp"], X, d["id"], covariance="robust")
    few = regression.logistic(d["resp"], X, d["id"])
    assert (np.diag(few.cov) > np.diag(plain.cov)).all()


def test_standardised_risks_of_a_fourfold_table_are_the_table_s_own():
    # Nothing to standardise over: difference and log ratio are those of the counts; their errors are Wald's,
    # up to n / (n - 1).
    a, n, b, m = 189, 1034, 104, 1037
    y = np.repeat([1, 0, 1, 0], [a, n - a, b, m - b])
    X = np.column_stack([np.repeat([1.0, 0.0], [n, m]), np.ones(n + m)])
    found = regression.standardised(regression.logistic(y, X, np.arange(n + m), covariance="robust"), X, 0)
    p, q = a / n, b / m
    assert found.difference == pytest.approx(p - q)
    assert found.log_ratio == pytest.approx(np.log(p / q))
    assert found.difference_se == pytest.approx(np.sqrt(p * (1 - p) / n + q * (1 - q) / m), rel=1e-3)
    assert found.log_ratio_se == pytest.approx(np.sqrt(1 / a - 1 / n + 1 / b - 1 / m), rel=1e-3)


def test_a_column_that_tells_yes_from_no_is_refused():
    y = np.array([0, 0, 0, 0, 1, 1, 1, 1])
    X = np.column_stack([y, np.ones(8)])
    with pytest.raises(FitError, match="wholly"):
        regression.logistic(y, X, np.arange(8))
    with pytest.raises(FitError, match="alike"):
        regression.logistic(np.zeros(8), X, np.arange(8))


def test_two_groups_of_single_cases_get_the_published_degrees_of_freedom():
    # Imbens & Kolesár 2016, Rev Econ Stat 98:701-712: df for 3 against 27 is 2.5
    rng = np.random.default_rng(5)
    y, treated = rng.standard_normal(30), np.r_[np.ones(3), np.zeros(27)]
    fit = regression.values(y, np.column_stack([np.ones(30), treated]), np.arange(30))
    found = regression.contrast(fit, [0, 1])
    unequal = np.sqrt(y[:3].var(ddof=1) / 3 + y[3:].var(ddof=1) / 27)
    assert found.se == pytest.approx(unequal, rel=1e-10)
    df = 30**2 * 2 * 26 / (3**2 * 2 + 27**2 * 26)
    assert found.df == pytest.approx(df, rel=1e-9)
    assert round(df, 1) == 2.5


def test_single_cases_get_the_standard_errors_of_statsmodels():
    rng = np.random.default_rng(6)
    X = np.column_stack([np.ones(40), rng.standard_normal((40, 2))])
    y = X @ [1.0, 0.5, -0.5] + rng.standard_normal(40)
    fit = regression.values(y, X, np.arange(40))
    np.testing.assert_allclose(fit.cov, sm.OLS(y, X).fit(cov_type="HC2").cov_params(), rtol=1e-10)


def test_a_share_with_sessions_as_units_is_the_plain_ratio_of_totals():
    rng = np.random.default_rng(7)
    sizes = rng.integers(500, 3000, 30)
    events = rng.binomial(sizes, rng.beta(5, 95, 30))
    fit = regression.shares(events, sizes, np.ones((30, 1)), np.arange(30))
    found = regression.contrast(fit, [1.0])
    assert 1 / (1 + np.exp(-found.estimate)) == pytest.approx(events.sum() / sizes.sum(), rel=1e-10)
    ratio = proportions.ratio_of_totals(events, sizes)
    assert ratio.se == pytest.approx(found.se * ratio.estimate * (1 - ratio.estimate), rel=0.03)
    assert fit.correlation == pytest.approx(1 / 101, rel=0.5)


def test_dependent_columns_are_refused_in_words():
    with pytest.raises(FitError, match="depend on each other"):
        regression.values([1.0, 2.0], np.ones((2, 2)), [0, 1])
