"""Pooling of estimates against the BCG trials: Colditz et al. 1994; Viechtbauer 2010, J Stat Softw 36(3).

Expected values: metafor 3.8.
"""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from analytics.errors import FitError, ParameterError
from analytics.numerics import meta

DL_TOL, REML_TOL, COARSE = 1e-5, 1e-4, 1e-3


@pytest.fixture(scope="module")
def bcg(published):
    trials = pd.read_csv(published / "bcg.csv")
    a, b, c, d = (trials[k].to_numpy(dtype=float) for k in ("tpos", "tneg", "cpos", "cneg"))
    y = np.log(a / (a + b)) - np.log(c / (c + d))
    v = 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)
    return y, v, trials["ablat"].to_numpy(dtype=float), (a, b, c, d)


def test_reml_and_its_heterogeneity_are_the_published_ones(bcg):
    y, v, _, _ = bcg
    fit = meta.random_effects(y, v, prediction="normal")
    assert fit.beta[0] == pytest.approx(-0.7145323, abs=REML_TOL)
    assert fit.se[0] == pytest.approx(0.1797815, abs=REML_TOL)
    assert fit.tau2 == pytest.approx(0.3132433, abs=REML_TOL)
    assert fit.tau2_se == pytest.approx(0.1664, abs=REML_TOL)
    assert fit.i2 == pytest.approx(92.22, abs=0.005)
    assert (fit.q, fit.q_df) == (pytest.approx(152.2330, abs=REML_TOL), 12)
    assert np.exp([fit.beta[0], fit.ci_low[0], fit.ci_high[0]]) == pytest.approx(
        [0.4894, 0.3441, 0.6962], abs=REML_TOL
    )
    assert np.exp(fit.prediction) == pytest.approx([0.1546, 1.5490], abs=REML_TOL)
    assert (fit.tau2_low, fit.tau2_high) == (
        pytest.approx(0.1197, abs=REML_TOL),
        pytest.approx(1.1115, abs=REML_TOL),
    )


@pytest.mark.parametrize(
    ("method", "tau2", "tol"),
    [
        ("DL", 0.3087603, DL_TOL),
        ("ML", 0.2800281, REML_TOL),
        ("PM", 0.3180937, 3e-5),
        ("HE", 0.3285639, DL_TOL),
        ("SJ", 0.3455157, DL_TOL),
    ],
)
def test_every_estimator_of_between_study_variance_is_the_published_one(bcg, method, tau2, tol):
    y, v, _, _ = bcg
    assert meta.random_effects(y, v, method=method).tau2 == pytest.approx(tau2, abs=tol)


def test_dersimonian_laird_and_common_effect_are_the_published_ones(bcg):
    y, v, _, _ = bcg
    fit = meta.random_effects(y, v, method="DL")
    assert (fit.beta[0], fit.se[0], fit.i2) == pytest.approx((-0.7141172, 0.1787421, 92.1173), abs=1e-4)
    common = meta.random_effects(y, v, method="common")
    assert (common.beta[0], common.se[0]) == pytest.approx((-0.4302852, 0.0404988), abs=DL_TOL)


def test_hartung_knapp_is_the_published_one(bcg):
    y, v, _, _ = bcg
    fit = meta.random_effects(y, v, hartung_knapp=True)
    assert fit.se[0] == pytest.approx(0.1808, abs=REML_TOL)
    assert (fit.ci_low[0], fit.ci_high[0]) == pytest.approx((-1.1084, -0.3206), abs=REML_TOL)


def test_meta_regression_on_latitude_is_the_published_one(bcg):
    y, v, latitude, _ = bcg
    fit = meta.random_effects(y, v, X=np.column_stack([np.ones(13), latitude]))
    assert fit.beta == pytest.approx([0.2515, -0.0291], abs=COARSE)
    assert fit.se == pytest.approx([0.2491, 0.0072], abs=COARSE)
    assert fit.tau2 == pytest.approx(0.0764, abs=COARSE)
    assert fit.moderator_test == pytest.approx(16.3571, abs=0.01)
    alone = meta.random_effects(y, v)
    assert 100 * (1 - fit.tau2 / alone.tau2) == pytest.approx(75.62, abs=0.05)


def test_mantel_haenszel_is_the_published_one(bcg):
    log_ratio, se, low, high = meta.mantel_haenszel(*bcg[3])
    assert (log_ratio, se) == pytest.approx((-0.4537, 0.0393), abs=REML_TOL)
    assert np.exp([log_ratio, low, high]) == pytest.approx([0.6353, 0.5881, 0.6862], abs=REML_TOL)


def test_estimates_that_lie_close_do_not_make_the_interval_shorter_than_their_errors_do(bcg):
    # Three alike, variance 0.75 each: the error of their mean is 0.5, t of 2 df 4.3027 (any table); without a
    # least scale the interval has no length. Where the scale is above 1 nothing changes.
    alike = ([1.0, 1.0, 1.0], [0.75, 0.75, 0.75])
    assert meta.random_effects(*alike, hartung_knapp=True).se[0] == 0.0
    fit = meta.random_effects(*alike, hartung_knapp=True, least_scale=1.0)
    np.testing.assert_allclose([fit.ci_low[0], fit.ci_high[0]], [1 - 2.15135, 1 + 2.15135], atol=1e-4)
    y, v, _, _ = bcg
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
