"""Right-censored curves, tests and hazard ratios against published values; library traps beside them."""

import csv
import warnings

import numpy as np
import pytest

from analytics.errors import ParameterError
from analytics.numerics import survival
from analytics.numerics import survival as hazards

# Stated with the published values: 1e-6 for the curve, 1e-5 for tests, hazard ratios and restricted means.
CURVE = 1e-6
TESTS = 1e-5


@pytest.fixture(scope="module")
def leukaemia(published):
    """Return time, event, treatment, pair of the 6-MP trial (Freireich 1963; Gehan 1965; Cox 1972)."""
    with (published / "gehan_6mp.csv").open() as handle:
        rows = list(csv.DictReader(handle))
    return (
        np.array([float(row["time"]) for row in rows]),
        np.array([int(row["cens"]) for row in rows]),
        np.array([row["treat"] for row in rows]),
        np.array([row["pair"] for row in rows]),
    )


@pytest.fixture(scope="module")
def arms(leukaemia):
    time, event, treat, _ = leukaemia
    return {
        name: survival.kaplan_meier(time[treat == name], event[treat == name]) for name in np.unique(treat)
    }


def test_the_6mp_curve_and_its_errors_are_the_published_ones(arms):
    fit = arms["6-MP"]
    np.testing.assert_array_equal(fit.time, [6, 7, 10, 13, 16, 22, 23])
    expected = [0.857143, 0.806723, 0.752941, 0.690196, 0.627451, 0.537815, 0.448179]
    errors = [0.076360, 0.086935, 0.096350, 0.106815, 0.114054, 0.128234, 0.134592]
    np.testing.assert_allclose(fit.survival, expected, atol=CURVE)
    np.testing.assert_allclose(fit.se, errors, atol=CURVE)
    assert fit.median == 23.0
    assert arms["control"].median == 8.0
    assert arms["control"].at(12.0) == pytest.approx(0.190476, abs=CURVE)


# survival 3.5-3 in R; the two scales that software takes by default are log (R) and log-log (lifelines).
@pytest.mark.parametrize(
    ("transform", "low", "high", "median_low"),
    [
        ("plain", 0.564099, 0.941783, 13.0),
        ("log", 0.585919, 0.967575, 16.0),
        ("log-log", 0.503200, 0.889362, 13.0),
    ],
)
def test_limits_follow_the_named_transform(leukaemia, transform, low, high, median_low):
    time, event, treat, _ = leukaemia
    fit = survival.kaplan_meier(time[treat == "6-MP"], event[treat == "6-MP"], transform=transform)
    at_ten = int(np.flatnonzero(fit.time == 10.0)[0])
    assert fit.ci_low[at_ten] == pytest.approx(low, abs=CURVE)
    assert fit.ci_high[at_ten] == pytest.approx(high, abs=CURVE)
    assert (fit.median_low, fit.median_high) == (median_low, np.inf)


def test_restricted_means_and_their_errors_are_the_published_ones(arms):
    # Klein and Moeschberger 2003, eq. 4.5.2; computed with survival 3.5-3 in R.
    expected = {
        ("6-MP", 20): (16.116527, 1.251560),
        ("6-MP", 23): (17.909244, 1.553190),
        ("control", 20): (8.428571, 1.268083),
        ("control", 23): (8.666667, 1.377390),
    }
    for (arm, tau), (mean, se) in expected.items():
        found = survival.restricted_mean(arms[arm], tau)
        assert (found.estimate, found.se) == pytest.approx((mean, se), abs=TESTS)


def test_lifelines_still_returns_the_variance_of_the_time_and_not_of_the_mean(leukaemia):
    # If this fails the library was mended, and the note in the module is out of date.
    from lifelines import KaplanMeierFitter
    from lifelines.utils import restricted_mean_survival_time

    time, event, treat, _ = leukaemia
    arm = treat == "6-MP"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitter = KaplanMeierFitter().fit(time[arm], event[arm])
        _, variance = restricted_mean_survival_time(fitter, t=20, return_variance=True)
    assert variance == pytest.approx(30.896, abs=0.01)
    assert survival.restricted_mean(survival.kaplan_meier(time[arm], event[arm]), 20).se ** 2 < 1.6


# Log-rank 16.79 and Gehan 13.46 in print; the rest computed with survival, lifelines and statsmodels.
@pytest.mark.parametrize(
    ("weights", "statistic"),
    [
        ("log-rank", 16.792941),
        ("gehan", 13.457852),
        ("tarone-ware", 15.123575),
        ("fleming-harrington", 14.457151),
        ("peto", 14.084140),
    ],
)
def test_weighted_log_rank_tests_are_the_published_ones(leukaemia, weights, statistic):
    time, event, treat, _ = leukaemia
    assert survival.log_rank(time, event, treat, weights=weights).statistic == pytest.approx(
        statistic, abs=TESTS
    )


def test_the_log_rank_table_is_the_published_one(leukaemia):
    time, event, treat, pair = leukaemia
    found = survival.log_rank(time, event, treat)
    np.testing.assert_array_equal(found.observed, [9, 21])
    np.testing.assert_allclose(found.expected, [19.2505, 10.7495], atol=5e-5)
    assert found.covariance[0, 0] == pytest.approx(6.256961, abs=TESTS)
    assert found.p_value == pytest.approx(4.169e-05, abs=1e-8)
    assert survival.log_rank(time, event, treat, stratum=pair).statistic == pytest.approx(
        10.714286, abs=TESTS
    )


def test_the_log_rank_test_of_three_groups_agrees_with_statsmodels():
    from statsmodels.duration.survfunc import survdiff

    rng = np.random.default_rng(2)
    time, event, group = rng.integers(1, 12, 90).astype(float), rng.random(90) < 0.7, rng.integers(0, 3, 90)
    statistic, p_value = survdiff(time, event.astype(int), group)
    found = survival.log_rank(time, event, group)
    assert (found.statistic, found.p_value) == pytest.approx((statistic, p_value), rel=1e-8)


# survival 3.5-3 in R (coxph).
@pytest.mark.parametrize(
    ("ties", "beta", "se", "loglik"),
    [
        ("breslow", 1.509191, 0.409564, -86.379622),
        ("efron", 1.572125, 0.412397, -85.008425),
        ("exact", 1.628244, 0.433131, -74.543101),
    ],
)
def test_hazard_ratios_of_the_6mp_trial_are_the_published_ones(leukaemia, ties, beta, se, loglik):
    time, event, treat, _ = leukaemia
    fit = hazards.cox(time, event, treat == "control", ties=ties)
    assert (fit.beta[0], fit.se[0], fit.loglik) == pytest.approx((beta, se, loglik), abs=TESTS)


def test_the_score_test_of_the_exact_likelihood_is_the_log_rank_test(leukaemia):
    time, event, treat, _ = leukaemia
    exact = hazards.cox(time, event, treat == "control", ties="exact")
    assert exact.score_statistic == pytest.approx(16.792941, abs=TESTS)
    efron = hazards.cox(time, event, treat == "control")
    assert (efron.ci_low[0], efron.ci_high[0]) == pytest.approx((0.763842, 2.380408), abs=TESTS)


def test_six_rows_solved_by_hand_give_their_hazard_ratio():
    # Therneau, "validation" vignette of the R package survival: beta = log((3 + sqrt 33) / 2) under Breslow.
    time, event, x = [1, 1, 6, 6, 8, 9], [1, 0, 1, 1, 0, 1], [1, 1, 1, 0, 0, 0]
    breslow = hazards.cox(time, event, x, ties="breslow")
    assert breslow.beta[0] == pytest.approx(np.log((3 + np.sqrt(33)) / 2), abs=CURVE)
    assert (breslow.loglik_null, breslow.loglik) == pytest.approx((-4.564348, -3.824750), abs=CURVE)
    assert breslow.se[0] ** -2 == pytest.approx(0.634168, abs=CURVE)
    # Efron by hand: r / (3 r + 3) times 2 r / ((r + 3)(r + 5)), r the hazard ratio. The vignette prints
    # -3.358979
    # for its log at the maximum; the product is -3.358975, so that digit is taken from the product.
    efron = hazards.cox(time, event, x, ties="efron")
    assert (efron.beta[0], efron.loglik_null) == pytest.approx((1.676857, -4.276666), abs=CURVE)
    r = np.exp(1.6768574788)
    assert efron.loglik == pytest.approx(np.log(2 * r**2 / ((3 * r + 3) * (r + 3) * (r + 5))), abs=CURVE)


def test_a_likelihood_without_a_maximum_is_flagged_and_infinite():
    time, event, x = [1, 1, 6, 6, 8, 9], [1, 0, 1, 1, 0, 1], [1, 1, 1, 0, 0, 0]
    exact = hazards.cox(time, event, x, ties="exact")
    assert not exact.is_finite
    assert not exact.checks["converged"]
    assert exact.beta[0] == np.inf
    assert np.isnan(exact.se[0])


def test_times_that_differ_by_rounding_are_one_time_here_and_two_in_lifelines():
    # 0.1 + 0.2 is not 0.3 in binary. The second half fails once lifelines merges them.
    from lifelines import KaplanMeierFitter

    time, event = np.array([0.3, 0.1 + 0.2, 1.0]), np.array([1, 1, 1])
    np.testing.assert_allclose(survival.kaplan_meier(time, event).survival, [1 / 3, 0.0], atol=1e-12)
    assert len(KaplanMeierFitter().fit(time, event).survival_function_) == 4


def test_bad_times_are_refused_in_words():
    with pytest.raises(ParameterError, match="1 missing or negative, first at row 2"):
        survival.kaplan_meier([1.0, -1.0], [1, 1])
    with pytest.raises(ParameterError, match="no rows, or shapes that differ"):
        survival.kaplan_meier([], [])
    with pytest.raises(ParameterError, match="use one of plain, log, log-log"):
        survival.kaplan_meier([1.0], [1], transform="logit")
    with pytest.raises(ParameterError, match="fewer than 2 groups"):
        survival.log_rank([1.0, 2.0], [1, 1], ["a", "a"])


def test_a_restricted_mean_past_what_was_seen_is_refused_in_words(arms):
    with pytest.raises(ParameterError, match="outside what was seen, 0 to 35"):
        survival.restricted_mean(arms["6-MP"], 36)
