"""Pooling of estimates: intervals of few studies; published poolings stand in `published.studies`."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analytics.errors import FitError, ParameterError
from analytics.numerics import meta


@pytest.fixture(scope="module")
def bcg(published):
    """Return log risk ratios of 13 vaccine trials (Colditz et al. 1994) and their variances."""
    trials = pd.read_csv(published / "bcg.csv")
    a, b, c, d = (trials[k].to_numpy(dtype=float) for k in ("tpos", "tneg", "cpos", "cneg"))
    y = np.log(a / (a + b)) - np.log(c / (c + d))
    v = 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)
    return y, v


def test_estimates_that_lie_close_do_not_make_the_interval_shorter_than_their_errors_do(bcg):
    # Three alike, variance 0.75 each: the error of their mean is 0.5, t of 2 df 4.3027 (any table); without a
    # least scale the interval has no length. Where the scale is above 1 nothing changes.
    alike = ([1.0, 1.0, 1.0], [0.75, 0.75, 0.75])
    assert meta.random_effects(*alike, hartung_knapp=True).se[0] == 0.0
    fit = meta.random_effects(*alike, hartung_knapp=True, least_scale=1.0)
    np.testing.assert_allclose([fit.ci_low[0], fit.ci_high[0]], [1 - 2.15135, 1 + 2.15135], atol=1e-4)
    y, v = bcg
    plain = meta.random_effects(y, v, hartung_knapp=True)
    assert meta.random_effects(y, v, hartung_knapp=True, least_scale=1.0).se[0] == plain.se[0]


def test_hartung_knapp_intervals_cover_with_few_clinics():
    """Six clinics, tau 4, SEs 2 to 5: the t interval covers 95 %, in 1,500 draws."""
    rng = np.random.default_rng(2)
    held = 0
    for _ in range(1500):
        v = rng.uniform(2, 5, size=6) ** 2
        y = 80 + rng.normal(size=6) * np.sqrt(16 + v)
        fit = meta.random_effects(y, v, hartung_knapp=True)
        held += fit.ci_low[0] <= 80 <= fit.ci_high[0]
    low, high = stats.binom.ppf([0.001, 0.999], 1500, 0.95) / 1500
    assert low <= held / 1500 <= high + 0.01


def test_bad_input_is_refused_in_words():
    with pytest.raises(ParameterError, match="a variance is not above 0"):
        meta.random_effects([1.0, 2.0], [0.0, 1.0])
    with pytest.raises(FitError, match="1 studies for 1 coefficients"):
        meta.random_effects([1.0], [1.0])
    with pytest.raises(ParameterError, match="use one of REML"):
        meta.random_effects([1.0, 2.0], [1.0, 1.0], method="best")


def test_a_few_clinics_are_never_taken_to_be_alike_and_cover_as_often_as_they_say():
    """Four clinics with SEs of 2 to 5 points, their spread drawn from the stated prior: simulated truth.

    What is drawn from the prior must lie in the 95 % limits in 95 % of draws: the mean, the first clinic's
    own value, and a fifth clinic's.
    """
    rng = np.random.default_rng(3)
    at = []
    for _ in range(600):
        tau, se = abs(rng.normal(0, 5.0)), rng.uniform(2, 5, size=4)
        truth = 80 + tau * rng.normal(size=5)
        fit = meta.few(truth[:4] + se * rng.normal(size=4), se**2, scale=5.0)
        at.append([fit.mean.below(80), fit.groups[0].below(truth[0]), fit.new.below(truth[4])])
    held = (np.abs(np.array(at) - 0.5) < 0.475).sum(axis=0)
    low, high = stats.binom.ppf([0.0005, 0.9995], 600, 0.95)
    assert ((low <= held) & (held <= high)).all(), held


def test_where_the_likelihood_sees_no_spread_a_new_clinic_is_still_less_certain_than_the_mean():
    """Three alike: REML says that clinics do not differ; then a new one is as certain as the mean."""
    y, v = [80.0, 80.2, 79.9], [4.0, 4.0, 4.0]
    assert meta.random_effects(y, v).tau2 == 0.0
    fit = meta.few(y, v, scale=5.0)
    assert fit.new.sd > 1.5 * fit.mean.sd
    assert fit.groups[1].mean > fit.groups[2].mean
    assert fit.tau_shortest(0.95)[0] == 0.0


def test_few_refuses_what_cannot_be_pooled():
    with pytest.raises(ParameterError, match="1 groups, 2 are the least"):
        meta.few([1.0], [1.0], scale=1.0)
    with pytest.raises(ParameterError, match="no value missing"):
        meta.few([1.0, np.nan], [1.0, 1.0], scale=1.0)
    with pytest.raises(ParameterError, match="not above 0"):
        meta.few([1.0, 2.0], [1.0, 1.0], scale=0.0)
