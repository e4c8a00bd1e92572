"""Marginal logistic regression, clustered errors, doses: against published fits."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from analytics.errors import FitError
from analytics.numerics import regression

TOLERANCE = 1e-5


def test_ohio_wheeze_as_geepack(published):
    # Fitzmaurice & Laird 1993, Biometrika 80:141; R package geepack 1.3.9, exchangeable, age * smoke
    d = pd.read_csv(published / "ohio.csv")
    X = np.column_stack([np.ones(len(d)), d["age"], d["smoke"], d["age"] * d["smoke"]])
    fit = regression.logistic(d["resp"], X, d["id"], covariance="robust")
    expected = [-1.900495, -0.141236, 0.313826, 0.070832]
    np.testing.assert_allclose(fit.beta, expected, atol=TOLERANCE)
    se = [0.119087, 0.058201, 0.187842, 0.088279]
    np.testing.assert_allclose(np.sqrt(np.diag(fit.cov)), se, atol=TOLERANCE)
    # geepack divides the pairs' products by other counts than statsmodels: alike to 2e-4 only
    assert fit.correlation == pytest.approx(0.3545, abs=2e-4)


def test_errors_for_few_patients_are_no_smaller(published):
    # Mancl & DeRouen 2001: residuals are enlarged, never shrunk
    d = pd.read_csv(published / "ohio.csv")
    d = d[d["id"] % 6 == 0]
    X = np.column_stack([np.ones(len(d)), d["smoke"]])
    plain = regression.logistic(d["resp"], X, d["id"], covariance="robust")
    few = regression.logistic(d["resp"], X, d["id"])
    assert (np.diag(few.cov) > np.diag(plain.cov)).all()


def test_clustered_errors_as_petersen(published):
    # Petersen 2009, Rev Financ Stud 22:435; R package sandwich 3.0-2
    d = pd.read_csv(published / "petersen.csv")
    X = np.column_stack([np.ones(len(d)), d["x"]])
    beta, by_firm = regression.least_squares(d["y"], X, d["firm"])
    np.testing.assert_allclose(beta, [0.0296797, 1.0348334], atol=1e-6)
    assert np.sqrt(by_firm[1, 1]) == pytest.approx(0.050596, abs=1e-6)
    _, by_year = regression.least_squares(d["y"], X, d["year"])
    assert np.sqrt(by_year[1, 1]) == pytest.approx(0.033389, abs=1e-6)
    _, both = regression.least_squares(d["y"], X, d["firm"], d["year"])
    assert np.sqrt(both[1, 1]) == pytest.approx(0.053558, abs=1e-6)
    _, bare = regression.least_squares(d["y"], X, d["firm"], small_sample=False)
    assert np.sqrt(bare[1, 1]) == pytest.approx(0.050540, abs=1e-6)


@pytest.fixture
def budworm():
    """Return the fit of Venables & Ripley 2002, section 7.2: male and female intercepts, common slope."""
    dead = np.array([1, 4, 9, 13, 18, 20, 0, 2, 6, 10, 12, 16])
    is_male = np.repeat([1.0, 0.0], 6)
    X = np.column_stack([is_male, 1 - is_male, np.tile(np.arange(6.0), 2)])
    return sm.GLM(np.column_stack([dead, 20 - dead]), X, family=sm.families.Binomial()).fit()


@pytest.mark.parametrize(
    ("share", "x", "se"),
    [(0.25, 2.231265, 0.249909), (0.50, 3.263587, 0.229754), (0.75, 4.295910, 0.274687)],
)
def test_doses_for_females_as_venables_and_ripley(budworm, share, x, se):
    # Venables & Ripley 2002, Modern Applied Statistics with S, section 7.2 (dose.p of R package MASS)
    assert budworm.deviance == pytest.approx(6.757064, abs=TOLERANCE)
    found = regression.dose(budworm.params, budworm.cov_params(), intercept=1, slope=2, share=share)
    assert found.estimate == pytest.approx(x, abs=TOLERANCE)
    assert found.se == pytest.approx(se, abs=TOLERANCE)


def test_dose_for_males_and_fieller_limits(budworm):
    # same, males at 50 %; Fieller's limits for females: Finney 1971, Probit Analysis (method)
    males = regression.dose(budworm.params, budworm.cov_params(), intercept=0, slope=2)
    assert males.estimate == pytest.approx(2.229262, abs=TOLERANCE)
    assert males.se == pytest.approx(0.225965, abs=TOLERANCE)
    females = regression.dose(budworm.params, budworm.cov_params(), intercept=1, slope=2)
    assert females.low == pytest.approx(2.812217, abs=TOLERANCE)
    assert females.high == pytest.approx(3.740639, abs=TOLERANCE)
    assert females.g == pytest.approx(0.0582766, abs=TOLERANCE)


def test_standardised_risks_of_a_fourfold_table():
    # Agresti 2002, Categorical Data Analysis, table 3.1: 104/11037 against 189/11034; nothing to standardise
    # over, so the difference and log ratio are the table's own; their errors Wald's, up to n / (n - 1)
    y = np.repeat([1, 0, 1, 0], [189, 11034 - 189, 104, 11037 - 104])
    group = np.repeat([1.0, 0.0], [11034, 11037])
    X = np.column_stack([group, np.ones(len(y))])
    fit = regression.logistic(y, X, np.arange(len(y)), covariance="robust")
    found = regression.standardised(fit, X, 0)
    assert found.difference == pytest.approx(0.0077060, abs=1e-6)
    assert np.exp(found.log_ratio) == pytest.approx(1.817802, abs=1e-5)
    half = 1.959964 * found.difference_se
    assert found.difference - half == pytest.approx(0.0046878, abs=1e-5)
    assert found.difference + half == pytest.approx(0.0107243, abs=1e-5)


def test_a_column_that_tells_yes_from_no_is_refused():
    y = np.array([0, 0, 0, 0, 1, 1, 1, 1])
    X = np.column_stack([y, np.ones(8)])
    with pytest.raises(FitError, match="wholly"):
        regression.logistic(y, X, np.arange(8))
    with pytest.raises(FitError, match="alike"):
        regression.logistic(np.zeros(8), X, np.arange(8))
