"""Rubin's rules against published poolings; imputation from a mixed model recovers what was planted."""

import numpy as np
import pandas as pd
import pytest

from analytics.errors import FitError, ParameterError
from analytics.numerics import imputation

TOLERANCE = 1e-6


@pytest.mark.parametrize(
    ("term", "estimate", "se", "df", "share"),
    [
        ("(Intercept)", -2.25974358, 0.26830731, 2740.917, 0.038),
        ("wave", 0.24055250, 0.06587423, 303.588, 0.115),
        ("sex", 0.64905222, 0.34919264, 43384.6, 0.010),
        ("wave:sex", -0.03725422, 0.08609199, 852.872, 0.068),
    ],
)
def test_rubin_pools_as_carlin_and_others(published, term, estimate, se, df, share):
    # Carlin et al. 2003, Stata J 3:1; estimates, errors, df as printed by R package mitools
    fits = pd.read_csv(published / "mi_carlin2003_estimates.csv")
    own = fits[fits["term"].eq(term)]
    pooled = imputation.rubin(own["estimate"], own["se"] ** 2)
    assert pooled.estimate == pytest.approx(estimate, abs=TOLERANCE)
    assert pooled.se == pytest.approx(se, abs=TOLERANCE)
    assert pooled.df == pytest.approx(df, rel=1e-5)
    assert pooled.missing_share == pytest.approx(share, abs=5e-4)


def test_limits_of_carlin_and_others(published):
    # same: 95 % limits of wave 0.110925 to 0.370180
    own = pd.read_csv(published / "mi_carlin2003_estimates.csv").query("term == 'wave'")
    low, high = imputation.rubin(own["estimate"], own["se"] ** 2).limits()
    assert low == pytest.approx(0.110925, abs=TOLERANCE)
    assert high == pytest.approx(0.370180, abs=TOLERANCE)


def test_barnard_rubin_df_as_mice():
    # R package mice 3.15.0, pool.scalar, n = 25 and one parameter: 24 df were nothing missing
    q = [27.496, 26.532, 26.560, 26.980, 26.520]
    u = [0.741449333, 0.782624, 0.552933333, 0.663766667, 0.692833333]
    pooled = imputation.rubin(q, u, complete_df=24)
    assert pooled.estimate == pytest.approx(26.8176, abs=TOLERANCE)
    assert pooled.within == pytest.approx(0.686721333, abs=TOLERANCE)
    assert pooled.between == pytest.approx(0.1807728, abs=TOLERANCE)
    assert pooled.total == pytest.approx(0.903648693, abs=TOLERANCE)
    assert pooled.df == pytest.approx(13.582925, abs=TOLERANCE)
    assert pooled.increase == pytest.approx(0.315888, abs=TOLERANCE)
    assert pooled.missing_information == pytest.approx(0.331711, abs=TOLERANCE)


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
