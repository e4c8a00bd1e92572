"""Imputation from a mixed model recovers what was planted; Rubin's rules stand in `published.studies`."""

import numpy as np
import pytest

from analytics.errors import FitError, ParameterError
from analytics.numerics import imputation


def _patients(rng, n, between, within):
    """Return three values each of n patients, and their codes; all true means are 80."""
    patient = np.repeat(np.arange(n), 3)
    y = 80 + between * rng.standard_normal(n)[patient] + within * rng.standard_normal(3 * n)
    return y, patient


def test_imputed_mean_is_that_of_all_where_the_seen_are_not_like_the_unseen():
    # Missing at random given the first value: the third is seen only where the first is high. The mean of
    # the seen thirds is too high by theory; imputation knows the patient and is right (Rubin 1976).
    rng = np.random.default_rng(11)
    y, patient = _patients(rng, 1500, 8.0, 4.0)
    first = np.repeat(y[::3], 3)
    third = np.tile([False, False, True], 1500)
    missing = third & (first < 82)
    seen = np.where(missing, np.nan, y)
    made = imputation.imputer(seen, np.ones((len(y), 1)), patient, known_variance=np.zeros(len(y)))
    means = [made.draw(np.random.default_rng(k))[third].mean() for k in range(10)]
    assert np.nanmean(seen[third]) > 83.5
    # the mean of 1,500 true thirds has an error of 9 / sqrt(1500) = 0.23
    assert np.mean(means) == pytest.approx(80.0, abs=0.7)
    filled = made.draw(np.random.default_rng(0))[third]
    assert filled.std() == pytest.approx(np.hypot(8, 4), rel=0.06)


def test_seen_values_stay_and_the_same_seed_draws_the_same():
    rng = np.random.default_rng(3)
    y, patient = _patients(rng, 60, 5.0, 5.0)
    y[::7] = np.nan
    made = imputation.imputer(y, np.ones((len(y), 1)), patient, known_variance=np.ones(len(y)))
    one, two = (made.draw(np.random.default_rng(9)) for _ in range(2))
    np.testing.assert_array_equal(one, two)
    np.testing.assert_array_equal(one[~np.isnan(y)], y[~np.isnan(y)])
    assert np.isfinite(one).all()


def test_what_cannot_be_pooled_or_imputed_is_refused():
    with pytest.raises(ParameterError, match="two or more"):
        imputation.rubin([1.0], [1.0])
    with pytest.raises(FitError, match="cannot carry"):
        imputation.imputer([1.0, 2.0, np.nan], np.ones((3, 1)), [1, 2, 3], known_variance=np.zeros(3))
