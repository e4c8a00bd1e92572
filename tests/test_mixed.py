"""Published linear mixed models: the engine gives the printed numbers.

Digits beyond the printed ones were computed with R 4.2 and lme4 1.1-31, lmerTest 3.1-3 and pbkrtest 0.5.2,
nlme 3.1-162. BBMW: Bates, Maechler, Bolker & Walker 2015, J Stat Softw 67(1). PB: Pinheiro & Bates 2000,
Mixed-Effects Models in S and S-PLUS. Data: data_demo/published, cited in its README.
"""

import csv

import numpy as np
import pytest

from analytics.numerics import mixed

# The references agree with each other to this; log-likelihoods are absolute, others relative.
LOGLIK, FIXED, SE, VARIANCE = 1e-4, 1e-6, 1e-4, 1e-3
MODES, DF, CHI2, P = 1e-3, 0.01, 1e-3, 1e-3


def _columns(published, name):
    with (published / f"{name}.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    return {key: np.array([row[key] for row in rows]) for key in rows[0]}


@pytest.fixture(scope="module")
def sleep(published):
    d = _columns(published, "sleepstudy")
    return d["Reaction"].astype(float), np.column_stack([np.ones(180), d["Days"].astype(float)]), d["Subject"]


@pytest.fixture(scope="module")
def orthodont(published):
    """Return distance, age less 11, girl, child."""
    d = _columns(published, "orthodont")
    age = d["age"].astype(float) - 11
    return d["distance"].astype(float), age, (d["Sex"] == "Female").astype(float), d["Subject"]


@pytest.fixture(scope="module")
def sleep_reml(sleep):
    y, x, subject = sleep
    return mixed.fit(y, x, [(subject, x)])


@pytest.fixture(scope="module")
def sleep_ml(sleep):
    y, x, subject = sleep
    return mixed.fit(y, x, [(subject, x)], method="ML")


def _close(got, expected, rel):
    np.testing.assert_allclose(got, expected, rtol=rel)


def test_sleepstudy_by_reml_is_that_of_bbmw_section_5_2(sleep, sleep_reml):
    y, x, subject = sleep
    f = sleep_reml
    assert abs(f.loglik + 871.814136) < LOGLIK
    assert abs(-2 * f.loglik - 1743.6283) < 2 * LOGLIK
    _close(f.beta, [251.405105, 10.467286], FIXED)
    _close(f.beta_se, [6.824556, 1.545789], SE)
    _close(f.covariances[0], [[612.0897, 9.60434], [9.60434, 35.07166]], VARIANCE)
    _close(f.sigma, 25.59182, VARIANCE)
    _close(f.beta_cov[0, 1] / np.prod(f.beta_se), -0.1376, 1e-3)
    scaled = f.residuals(y, x, [(subject, x)]) / f.sigma
    _close([scaled.min(), np.median(scaled), scaled.max()], [-3.954, 0.023, 5.179], 6e-3)
    assert f.checks == {"converged": True, "not_on_boundary": True, "determined": True, "finite_se": True}


def test_sleepstudy_by_ml_is_that_of_lme4(sleep_ml):
    f = sleep_ml
    assert abs(f.loglik + 875.969672) < LOGLIK
    np.testing.assert_allclose([f.aic, f.bic], [1763.9393, 1783.0971], atol=2 * LOGLIK)
    _close(f.covariances[0], [[565.5153, 11.05541], [11.05541, 32.68220]], VARIANCE)
    _close(f.sigma**2, 654.9410, VARIANCE)
    _close(f.beta_se, [6.632276, 1.502237], SE)


def test_the_chain_of_sleepstudy_models_is_that_of_bbmw_section_5_2_4(sleep, sleep_ml):
    y, x, subject = sleep
    one = mixed.fit(y, x, [(subject, x[:, :1])], method="ML")
    two = mixed.fit(y, x, [(subject, x, "diagonal")], method="ML")
    np.testing.assert_allclose(
        [one.loglik, two.loglik, sleep_ml.loglik], [-897.03932, -876.00163, -875.96967], atol=LOGLIK
    )
    np.testing.assert_allclose([one.aic, two.aic, sleep_ml.aic], [1802.08, 1762.00, 1763.94], atol=6e-3)
    slope = mixed.likelihood_ratio(one, two)
    np.testing.assert_allclose(slope.statistic, 42.0754, atol=CHI2)
    _close(slope.p_value, 4.39e-11, 2e-3)
    assert slope.mixture == "50:50 mixture of chi-square 0 and 1"
    correlation = mixed.likelihood_ratio(two, sleep_ml)
    np.testing.assert_allclose(correlation.statistic, 0.06391, atol=CHI2)
    _close(correlation.p_value, 0.8004, P)
    assert correlation.mixture == "chi-square 1"


def test_conditional_modes_of_sleepstudy_are_those_of_lme4(sleep_reml):
    f = sleep_reml
    at = {code: i for i, code in enumerate(f.groups[0].tolist())}
    expected = {
        "308": [2.258566, 9.198972],
        "309": [-40.398577, -8.619703],
        "337": [34.890351, 8.628284],
        "335": [-0.333696, -10.752159],
    }
    for subject, modes in expected.items():
        np.testing.assert_allclose(f.random[0][at[subject]], modes, atol=MODES)
    _close(f.random_se[0], np.tile([12.070837, 2.304837], (18, 1)), SE)


def test_degrees_of_freedom_of_sleepstudy_are_17_by_both_methods(sleep_reml):
    f = sleep_reml
    for method in ("satterthwaite", "kenward-roger"):
        both = [f.contrast(row, method=method) for row in np.eye(2)]
        np.testing.assert_allclose([c.df for c in both], 17, atol=DF)
        _close([c.statistic for c in both], [36.8383, 6.771485], SE)
        _close(both[1].p_value, 3.2638e-06, P)
    np.testing.assert_allclose(f.beta_df, 17, atol=DF)
    _close(f.beta_cov_kr, f.beta_cov, 1e-8)


def test_profile_limits_of_sleepstudy_are_those_of_bbmw_section_5_2_6(sleep_ml):
    limits = sleep_ml.profile()
    expected = {
        "sd[0, 0]": (14.3817, 37.7160),
        "corr[0, 1, 0]": (-0.4815, 0.6850),
        "sd[0, 1]": (3.8012, 8.7534),
        "sigma": (22.8983, 28.8580),
        "beta[0]": (237.6807, 265.1295),
        "beta[1]": (7.3587, 13.5759),
    }
    for name, pair in expected.items():
        np.testing.assert_allclose(limits[name], pair, atol=0.02, err_msg=name)


def test_sleepstudy_with_an_intercept_alone_is_that_of_lmertest(sleep):
    y, x, subject = sleep
    f = mixed.fit(y, x, [(subject, x[:, :1])])
    assert abs(f.loglik + 893.232543) < LOGLIK
    _close([f.covariances[0][0, 0], f.sigma**2], [1378.1785, 960.4566], VARIANCE)
    _close(f.beta_se, [9.746716, 0.804221], SE)
    np.testing.assert_allclose(f.beta_df, [22.810, 161], atol=DF)
    ml = mixed.fit(y, x, [(subject, x[:, :1])], method="ML")
    assert abs(ml.loglik + 897.039322) < LOGLIK
    _close([ml.covariances[0][0, 0], ml.sigma**2], [1296.8700, 954.5278], VARIANCE)


def test_orthodont_with_an_intercept_a_child_tests_sex_on_25_degrees_of_freedom(orthodont):
    y, age, girl, child = orthodont
    x = np.column_stack([np.ones(108), age + 11, girl])
    f = mixed.fit(y, x, [(child, x[:, :1])])
    assert abs(f.loglik + 218.756254) < LOGLIK
    _close([f.covariances[0][0, 0], f.sigma**2], [3.266784, 2.049456], VARIANCE)
    _close(f.beta, [17.706713, 0.660185, -2.321023], FIXED)
    _close(f.beta_se, [0.833922, 0.061606, 0.761417], SE)
    np.testing.assert_allclose(f.beta_df, [99.352, 80, 25], atol=DF)
    kr = [f.contrast(row, method="kenward-roger").df for row in np.eye(3)]
    np.testing.assert_allclose(kr, [99.352, 80, 25], atol=DF)
    _close(f.contrast([0, 0, 1]).p_value, 0.0053750, P)


def test_orthodont_with_a_slope_a_child_is_that_of_pb_page_147(orthodont):
    y, age, girl, child = orthodont
    x = np.column_stack([np.ones(108), girl, age, girl * age])
    f = mixed.fit(y, x, [(child, x[:, [0, 2]])])
    assert abs(f.loglik + 216.290831) < LOGLIK
    sd = np.sqrt(np.diag(f.covariances[0]))
    _close(
        [*sd, f.covariances[0][1, 0] / sd.prod(), f.sigma], [1.830327, 0.180345, 0.206434, 1.310040], VARIANCE
    )
    _close(f.beta, [24.968750, -2.321023, 0.784375, -0.304830], 2 * FIXED)
    _close(f.beta_se, [0.486001, 0.761417, 0.086000, 0.134735], SE)
    np.testing.assert_allclose(f.beta_df, 25, atol=DF)
    _close(f.contrast([0, 0, 0, 1]).p_value, 0.032614, P)
    ml = mixed.fit(y, x, [(child, x[:, [0, 2]])], method="ML")
    assert abs(ml.loglik + 213.902975) < LOGLIK
    _close(ml.beta_se[3], 0.129649, SE)
    without = mixed.fit(y, x[:, [0, 2]], [(child, x[:, [0, 2]])], method="ML")
    test = mixed.likelihood_ratio(without, ml)
    np.testing.assert_allclose(test.statistic, 11.40565, atol=CHI2)
    _close(test.p_value, 0.0033365, P)
    assert test.mixture == "chi-square 2"


def test_girls_of_orthodont_are_those_of_pb_section_2_4(orthodont):
    y, age, _, child = (values[orthodont[2] == 1] for values in orthodont)
    x = np.column_stack([np.ones(len(y)), age + 11])
    one = mixed.fit(y, x, [(child, x[:, :1])])
    assert abs(one.loglik + 70.609162) < LOGLIK
    _close([np.sqrt(one.covariances[0][0, 0]), one.sigma], [2.068470, 0.780033], VARIANCE)
    modes = dict(zip(one.groups[0].tolist(), one.random[0][:, 0], strict=True))
    np.testing.assert_allclose(
        [modes["F10"], modes["F11"], modes["F01"]], [-4.005329, 3.599309, -1.229032], atol=MODES
    )
    two = mixed.fit(y, x, [(child, x)])
    assert abs(two.loglik + 68.714352) < LOGLIK
    sd = np.sqrt(np.diag(two.covariances[0]))
    _close(
        [*sd, two.covariances[0][1, 0] / sd.prod(), two.sigma],
        [1.884186, 0.160928, -0.354493, 0.668275],
        VARIANCE,
    )
    np.testing.assert_allclose(mixed.likelihood_ratio(one, two).statistic, 3.78962, atol=CHI2)


def test_rail_is_that_of_pb_page_8_and_of_its_closed_form(published):
    d = _columns(published, "rail")
    y, one = d["travel"].astype(float), np.ones((18, 1))
    f = mixed.fit(y, one, [(d["Rail"].astype(int), one)])
    assert abs(f.loglik + 61.08850) < LOGLIK
    _close([np.sqrt(f.covariances[0][0, 0]), f.sigma], [24.80547, 4.020779], VARIANCE)
    _close(f.sigma**2, 16.16667, 1e-6)
    _close([f.beta[0], f.beta_se[0]], [66.5, 10.17104], FIXED)
    np.testing.assert_allclose(f.beta_df, 5, atol=DF)
    ml = mixed.fit(y, one, [(d["Rail"].astype(int), one)], method="ML")
    assert abs(ml.loglik + 64.28002) < LOGLIK
    _close(np.sqrt(ml.covariances[0][0, 0]), 22.62435, VARIANCE)
    _close(ml.beta_se[0], 9.284844, SE)


def test_dyestuff_is_that_of_lme4(published):
    d = _columns(published, "dyestuff")
    y, one = d["Yield"].astype(float), np.ones((30, 1))
    f = mixed.fit(y, one, [(d["Batch"], one)])
    assert abs(-2 * f.loglik - 319.6543) < 2 * LOGLIK
    _close([f.covariances[0][0, 0], f.sigma**2], [1764.050, 2451.250], VARIANCE)
    _close([f.beta[0], f.beta_se[0]], [1527.5, 19.38341], FIXED)
    expected = [-17.60685, 0.39126, 28.56223, -23.08454, 56.73319, -44.99529]
    np.testing.assert_allclose(f.random[0][:, 0], expected, atol=MODES)
    ml = mixed.fit(y, one, [(d["Batch"], one)], method="ML")
    assert abs(-2 * ml.loglik - 327.3271) < 2 * LOGLIK
    _close(ml.covariances[0][0, 0], 1388.333, VARIANCE)
    _close(ml.beta_se[0], 17.69455, SE)


def test_oxide_is_that_of_pb_pages_167_to_171(published):
    d = _columns(published, "oxide")
    y, one = d["Thickness"].astype(float), np.ones((72, 1))
    wafer = np.char.add(np.char.add(d["Lot"], "/"), d["Wafer"])
    f = mixed.fit(y, one, [(d["Lot"], one), (wafer, one)])
    assert abs(f.loglik + 227.01103) < LOGLIK
    _close([*(np.sqrt(c[0, 0]) for c in f.covariances), f.sigma], [11.39768, 5.988801, 3.545341], VARIANCE)
    _close([f.beta[0], f.beta_se[0]], [2000.15278, 4.231711], FIXED)
    np.testing.assert_allclose(f.beta_df, 7, atol=DF)
    np.testing.assert_allclose(f.random[0][:2, 0], [-3.463469, -11.221640], atol=MODES)
    np.testing.assert_allclose(f.random[1][f.groups[1] == "1/1", 0], 6.545992, atol=MODES)
    limits = f.wald()
    _close(limits["sd[0, 0]"], (6.3903, 20.3288), VARIANCE)
    _close(limits["sd[1, 0]"], (4.0645, 8.8241), VARIANCE)
    _close(limits["sigma"], (2.9026, 4.3304), VARIANCE)
    without = mixed.fit(y, one, [(d["Lot"], one)])
    assert abs(without.loglik + 245.56584) < LOGLIK
    np.testing.assert_allclose(mixed.likelihood_ratio(without, f).statistic, 37.1096, atol=CHI2)
    ml = mixed.fit(y, one, [(d["Lot"], one), (wafer, one)], method="ML")
    assert abs(ml.loglik + 229.338454) < LOGLIK
    _close(np.sqrt(ml.covariances[0][0, 0]), 10.58300, VARIANCE)


def test_pastes_are_those_of_the_lme4_book_chapter_2(published):
    d = _columns(published, "pastes")
    y, one = d["strength"].astype(float), np.ones((60, 1))
    cask = np.char.add(d["batch"], d["cask"])
    f = mixed.fit(y, one, [(d["batch"], one), (cask, one)])
    assert abs(f.loglik + 123.495373) < LOGLIK
    _close([*(c[0, 0] for c in f.covariances), f.sigma**2], [1.657309, 8.433667, 0.678000], VARIANCE)
    _close(f.beta, 60.05333, FIXED)
    _close(f.beta_se, 0.676870, SE)
    ml = mixed.fit(y, one, [(d["batch"], one), (cask, one)], method="ML")
    assert abs(ml.loglik + 123.997233) < LOGLIK
    _close(ml.covariances[0][0, 0], 1.199156, VARIANCE)
    without = mixed.fit(y, one, [(cask, one)], method="ML")
    assert abs(without.loglik + 124.200850) < LOGLIK
    test = mixed.likelihood_ratio(without, ml)
    np.testing.assert_allclose(test.statistic, 0.40723, atol=CHI2)
    _close(2 * test.p_value, 0.52338, P)
