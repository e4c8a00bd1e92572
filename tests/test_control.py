"""The engines of the quality review against printed tables, handbooks and other implementations.

Row names (PR-1, SPC-3, ...) are those of the project's list of published checks.
"""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

from analytics.errors import FitError, ParameterError
from analytics.numerics import control, cusum, funnel, means, power, proportions, regression, run_rules
from analytics.numerics import cusum as risk_cusum

EXACT = 1e-6  # half a unit in the sixth printed digit
PRINTED_4 = 5e-5
HANDBOOK = 1e-4  # NIST prints four decimals
RUN_LENGTH_PRINTED = 5e-3  # relative, tables print three or four digits
RUN_LENGTH_COMPUTED = 1e-3  # relative, against R package spc 0.6.7
D2_ROUNDED = 1e-3  # relative: 2.66 of the reference is 3 / 1.128 rounded


# Newcombe 1998, Stat Med 17:857-872, Table I; Altman et al. 2000, p. 47 (PR-1, PR-2)
@pytest.mark.parametrize(
    ("x", "n", "method", "low", "high"),
    [
        (81, 263, "wilson", 0.255289, 0.366210),
        (81, 263, "wilson_cc", 0.253509, 0.368176),
        (81, 263, "wald", 0.252190, 0.363779),
        (81, 263, "clopper_pearson", 0.252737, 0.367622),
        (81, 263, "mid_p", 0.254402, 0.365773),
        (0, 20, "wilson", 0.0, 0.161125),
        (1, 29, "wilson", 0.006113, 0.171755),
        (0, 20, "wilson_cc", 0.0, 0.200453),
        (1, 29, "wilson_cc", 0.001803, 0.196282),
        (0, 20, "clopper_pearson", 0.0, 0.168433),
        (1, 29, "clopper_pearson", 0.000873, 0.177644),
        (0, 20, "mid_p", 0.0, 0.139108),
        (1, 29, "mid_p", 0.001725, 0.158537),
        (4, 200, "clopper_pearson", 0.005476, 0.050414),  # epiR documentation (PR-4)
    ],
)
def test_limits_of_one_proportion_are_those_printed(x, n, method, low, high):
    found = proportions.proportion(x, n, method=method)
    np.testing.assert_allclose([found.low, found.high], [low, high], atol=EXACT)


# Newcombe 1998, Stat Med 17:873-890, Table II, method 10; Altman et al. 2000, p. 49 (PR-3)
@pytest.mark.parametrize(
    ("a", "n", "b", "m", "low", "high"),
    [
        (56, 70, 48, 80, 0.052431, 0.333873),
        (9, 10, 3, 10, 0.170523, 0.809018),
        (5, 56, 0, 29, -0.038137, 0.192560),
        (0, 10, 0, 20, -0.161125, 0.277533),
        (10, 10, 0, 20, 0.679086, 1.0),
    ],
)
def test_limits_of_a_difference_are_those_printed(a, n, b, m, low, high):
    found = proportions.difference(a, n, b, m)
    np.testing.assert_allclose([found.low, found.high], [low, high], atol=EXACT)


def test_exact_poisson_limits_are_those_of_the_standard_table():
    # Garwood 1936, Biometrika 28:437 (PO-1)
    counts = [0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 20]
    low = [
        0,
        0.025318,
        0.242209,
        0.618672,
        1.089865,
        1.623486,
        2.201894,
        2.814363,
        3.453832,
        4.115373,
        4.795389,
        12.21652,
    ]
    high = [
        3.688879,
        5.571643,
        7.224688,
        8.767273,
        10.241589,
        11.668332,
        13.059474,
        14.422675,
        15.763189,
        17.084803,
        18.390356,
        30.888378,
    ]
    found = proportions.rate(counts)
    np.testing.assert_allclose(found.low, low, atol=EXACT)
    np.testing.assert_allclose(found.high, high, atol=EXACT)


def test_ratios_and_difference_of_a_two_by_two_table_are_those_printed():
    # Agresti 2002, Categorical Data Analysis, Table 3.1 (RR-1)
    table = (189, 11034, 104, 11037)
    for function, expected in (
        (proportions.risk_ratio, (1.817802, 1.433031, 2.305884)),
        (proportions.odds_ratio, (1.832054, 1.440042, 2.330780)),
        (proportions.wald_difference, (0.0077060, 0.0046878, 0.0107243)),
    ):
        found = function(*table)
        np.testing.assert_allclose([found.estimate, found.low, found.high], expected, atol=EXACT)


def test_the_e_value_is_the_one_printed():
    # VanderWeele & Ding 2017, Ann Intern Med 167:268 (EV-1)
    found = proportions.e_value(3.9, 1.8, 8.7)
    np.testing.assert_allclose(found, (7.263034, 3.0), atol=EXACT)
    np.testing.assert_allclose(proportions.e_value(1 / 3.9, 1 / 8.7, 1 / 1.8), found, atol=EXACT)
    assert proportions.e_value(1.5, 0.9, 2.4)[1] == 1.0


def test_counts_that_cannot_be_are_refused_in_words():
    with pytest.raises(ParameterError, match=r"1 count\(s\) below 0 or above their n, first at position 1"):
        proportions.proportion([1, 5], [2, 4])


def test_no_one_due_has_no_share():
    found = proportions.proportion([0], [0])
    assert np.isnan(found.estimate).all()
    assert np.isnan(found.high).all()


# NIST/SEMATECH e-Handbook 7.2.6.2: 12 wafer measurements (QT-1)
@pytest.mark.parametrize(("kind", "expected"), [(6, 95.1981), (7, 95.1957), (8, 95.1972)])
def test_the_ninetieth_percentile_by_definition_is_that_of_the_handbook(kind, expected):
    wafer = [
        95.1772,
        95.1567,
        95.1937,
        95.1959,
        95.1442,
        95.0610,
        95.1591,
        95.1195,
        95.1065,
        95.0925,
        95.1990,
        95.1682,
    ]
    assert means.quantile(wafer, 0.9, kind=kind) == pytest.approx(expected, abs=PRINTED_4)


def test_a_paired_mean_is_that_of_the_textbook():
    # Altman et al. 2000, Statistics with Confidence, p. 31 (PT-1)
    before = [148, 142, 136, 134, 138, 140, 132, 144, 128, 170, 162, 150, 138, 154, 126, 116]
    after = [152, 152, 134, 148, 144, 136, 144, 150, 146, 174, 162, 162, 146, 156, 132, 126]
    found = means.paired(before, after)
    np.testing.assert_allclose(
        [found.estimate, found.se, found.low, found.high], [6.625, 1.491294, 3.446382, 9.803618], atol=1e-5
    )


def test_adjusted_p_values_are_those_of_the_paper():
    # Benjamini & Hochberg 1995, J R Stat Soc B 57:289-300, section 4.1; adjusted by R's p.adjust (MT-1)
    p = [
        0.0001,
        0.0004,
        0.0019,
        0.0095,
        0.0201,
        0.0278,
        0.0298,
        0.0344,
        0.0459,
        0.3240,
        0.4262,
        0.5719,
        0.6528,
        0.7590,
        1.0,
    ]
    bh = [
        0.0015,
        0.003,
        0.0095,
        0.035625,
        0.0603,
        0.0638571,
        0.0638571,
        0.0645,
        0.0765,
        0.486,
        0.5811818,
        0.714875,
        0.7532308,
        0.8132143,
        1,
    ]
    holm = [0.0015, 0.0056, 0.0247, 0.114, 0.2211, 0.278, 0.278, 0.278, 0.3213, *[1.0] * 6]
    np.testing.assert_allclose(power.adjust(p, "benjamini-hochberg"), bh, atol=EXACT)
    np.testing.assert_allclose(power.adjust(p, "holm"), holm, atol=EXACT)
    assert (power.adjust(p, "benjamini-hochberg") <= 0.05).sum() == 4
    assert (power.adjust(p, "bonferroni") <= 0.05).sum() == 3


def test_a_missing_p_value_is_no_test():
    np.testing.assert_allclose(power.adjust([0.01, np.nan, 0.04], "holm"), [0.02, np.nan, 0.04])


def test_funnel_scores_and_dispersion_of_twelve_hospitals(published):
    # Method of Spiegelhalter 2005, Stat Med 24:1185, on the 12-hospital data of the BUGS examples (FP-1)
    data = pd.read_csv(published / "surgical12.csv")
    z, target = funnel.proportion_z(data["r"], data["n"])
    expected = [
        -1.936838,
        2.218219,
        -0.278905,
        -1.862962,
        -1.998786,
        -0.406118,
        -0.609374,
        3.938165,
        -0.345523,
        0.322157,
        2.407336,
        -0.525730,
    ]
    assert target == pytest.approx(0.0739161, abs=1e-7)
    np.testing.assert_allclose(z, expected, atol=1e-5)
    assert funnel.dispersion(z, winsorised=0.0).phi == pytest.approx(3.212970, abs=1e-5)


def test_normal_funnel_limits_at_a_hundred_cases():
    # Same source (FP-2)
    target = 208 / 2814
    se = np.sqrt(target * (1 - target) / 100)
    np.testing.assert_allclose(funnel.normal_limits(se, target), (0.022637, 0.125196), atol=EXACT)
    np.testing.assert_allclose(
        funnel.normal_limits(se, target, level=0.998), (-0.006935, 0.154767), atol=EXACT
    )
    low, high = funnel.normal_limits(se, target, phi=4.0)
    assert high - low == pytest.approx(2 * (0.125196 - 0.022637), abs=2e-6)


def test_exact_funnel_limits_interpolate_the_binomial_table():
    # Binomial table n = 10, p = 0.5, in 1/1024: F(1) = 11, F(2) = 56, F(7) = 968, F(8) = 1013
    low, high = funnel.binomial_limits([10], 0.5)
    assert low[0] == pytest.approx((2 - (56 / 1024 - 0.025) / (45 / 1024)) / 10, abs=1e-12)
    assert high[0] == pytest.approx((8 - (1013 / 1024 - 0.975) / (45 / 1024)) / 10, abs=1e-12)


def test_exact_limits_meet_the_normal_ones_at_large_volume():
    exact = funnel.binomial_limits([20000], 0.3)
    plain = funnel.normal_limits(np.sqrt(0.21 / 20000), 0.3)
    np.testing.assert_allclose(np.ravel(exact), plain, atol=5e-5)
    low, high = funnel.poisson_limits([20000.0])
    np.testing.assert_allclose([low[0], high[0]], funnel.normal_limits(np.sqrt(1 / 20000), 1.0), atol=5e-5)


def test_the_moment_variance_between_units_is_that_of_the_vaccine_trials(published):
    # DerSimonian-Laird tau2 of the 13 BCG trials, log risk ratio: 0.3087603 (metafor 3.8-1; row MA-1)
    data = pd.read_csv(published / "bcg.csv")
    a, b, c, d = (data[k].to_numpy(float) for k in ("tpos", "tneg", "cpos", "cneg"))
    effect = np.log(a / (a + b)) - np.log(c / (c + d))
    se = np.sqrt(1 / a - 1 / (a + b) + 1 / c - 1 / (c + d))
    shrunken = funnel.shrink(effect, se)
    assert shrunken.tau2 == pytest.approx(0.3087603, abs=1e-6)
    assert shrunken.centre == pytest.approx(-0.7141172, abs=1e-6)
    centre = (effect / se**2).sum() / (1 / se**2).sum()
    assert funnel.dispersion((effect - centre) / se, se, winsorised=0.0).tau2 == pytest.approx(
        0.3087603, abs=1e-6
    )


def test_winsorising_takes_the_edge_off_one_extreme_unit():
    z = np.array([-1.5, -1, -0.5, -0.2, 0, 0.2, 0.5, 1, 1.5, 9.0])
    assert funnel.dispersion(z, winsorised=0.1).phi < 0.5 * funnel.dispersion(z, winsorised=0.0).phi


def test_individuals_limits_are_those_of_the_handbook(published):
    # NIST/SEMATECH e-Handbook 6.3.2.2, flow rate (SPC-1)
    chart = control.individuals(pd.read_csv(published / "nist_flowrate_imr.csv")["x"])
    found = [chart.centre[0], chart.high[0], chart.low[0]]
    np.testing.assert_allclose(found, [50.81, 55.8041, 45.8159], atol=HANDBOOK)
    assert not chart.outside.any()


def test_the_ewma_series_is_that_of_the_handbook(published):
    # NIST/SEMATECH e-Handbook 6.3.2.4; the handbook rounds sqrt(0.3 / 1.7) to 0.4201 for its limits (SPC-2)
    data = pd.read_csv(published / "nist_ewma.csv")
    chart = control.ewma(data["x"], weight=0.3, target=50.0, sigma=2.0539)
    np.testing.assert_allclose(chart.value, data["ewma_printed"], atol=5.1e-3)
    np.testing.assert_allclose([chart.high[0], chart.low[0]], [52.5884, 47.4116], atol=HANDBOOK)
    assert not chart.outside.any()


def test_proportion_limits_are_those_of_another_implementation(published):
    # Mohammed et al. 2013, BMJ Qual Saf 22:362-368, attendances seen in time; limits by R package qicharts2
    data = pd.read_csv(published / "attendances_in_time.csv")
    plain = control.p(data["in_time"], data["attendances"])
    np.testing.assert_allclose(
        [plain.centre[0], plain.low[0], plain.high[0], plain.low[19], plain.high[19]],
        [0.952899711344, 0.951699564646, 0.954099858042, 0.951685030668, 0.954114392020],
        atol=1e-9,
    )
    prime = control.p_prime(data["in_time"], data["attendances"])
    np.testing.assert_allclose(
        [prime.low[0], prime.high[0], prime.low[19], prime.high[19]],
        [0.940129644178, 0.965669778511, 0.939974996523, 0.965824426165],
        atol=1e-9,
    )
    assert plain.outside.sum() > 10
    assert not prime.outside.any()


def test_limits_frozen_at_a_baseline_do_not_move_with_later_points(published):
    # Same data, limits from weeks 1 to 10, by R package qicharts2
    data = pd.read_csv(published / "attendances_in_time.csv")
    frozen = control.p_prime(data["in_time"], data["attendances"], n_baseline=10)
    np.testing.assert_allclose(
        [frozen.centre[15], frozen.low[0], frozen.high[0], frozen.low[10], frozen.high[10]],
        [0.951059643833, 0.938664691389, 0.963454596277, 0.938646419489, 0.963472868176],
        atol=1e-9,
    )


def test_rate_limits_are_those_of_another_implementation(published):
    # Infections per risk day (Danish hospital, 2012-2015), limits by R package qicharts2
    data = pd.read_csv(published / "infections_by_month.csv")
    chart = control.u(data["infections"], data["risk_days"])
    np.testing.assert_allclose(
        [chart.centre[0], chart.low[0], chart.high[0], chart.high[35]],
        [0.00103802310379, 0.00024267399952, 0.00183337220806, 0.00184966831768],
        rtol=1e-8,
    )


def test_rare_event_limits_are_those_of_another_implementation(published):
    # Operations and days between deaths after heart surgery; limits by R package qicharts2
    data = pd.read_csv(published / "between_deaths.csv")
    cases = control.g(data["operations_between"], exact=False)
    np.testing.assert_allclose(
        [cases.centre[0], cases.low[0], cases.high[0]], [24, 0, 128.174910232], rtol=1e-9
    )
    days = control.t(data["days_between"])
    assert days.centre[0] == pytest.approx(11.205060797, rel=1e-9)
    assert days.high[0] == pytest.approx(106.041831425, rel=D2_ROUNDED)
    frozen = control.g(data["operations_between"], n_baseline=33, exact=False)
    assert frozen.high[0] == pytest.approx(132.155359492, rel=1e-9)


def test_the_plain_run_length_of_three_sigma_limits():
    # Standard values, e.g. Montgomery, Introduction to Statistical Quality Control (SPC-6)
    assert control.shewhart_run_length() == pytest.approx(370.3983, abs=1e-4)
    assert control.shewhart_run_length(1.0) == pytest.approx(43.8947, abs=1e-4)


def test_charts_refuse_what_they_cannot_chart():
    with pytest.raises(ParameterError, match="2 points in its baseline"):
        control.individuals([1.0, 2.0, 3.0], n_baseline=1)
    with pytest.raises(ParameterError, match="leave such points out"):
        control.p([1, 0], [10, 0])
    with pytest.raises(ParameterError, match="unknown, or sizes are missing"):
        control.chart("p", [1, 2])


def test_the_joint_distribution_of_runs_and_crossings_is_the_published_one():
    # Wentzel-Larsen & Anhøj, documents of R package crossrun: n = 14, in 1/8192; own median, in 1/1716
    known = run_rules.joint_distribution(14) * 8192
    np.testing.assert_allclose([known[6, 5], known[7, 3], known[8, 3]], [392, 756, 756], atol=1e-6)
    own = run_rules.joint_distribution(14, own_median=True) * 1716
    np.testing.assert_allclose([own[5, 4], own[7, 3]], [108, 240], atol=1e-6)


@pytest.mark.parametrize(
    ("n", "run", "crossings"), [(10, 6, 2), (12, 7, 3), (20, 7, 6), (24, 8, 8), (60, 9, 23)]
)
def test_the_limits_of_the_run_rules_are_those_printed(n, run, crossings):
    # Anhøj & Olesen 2014, PLoS One 9:e113825, Table 1 (longest run allowed, fewest crossings allowed)
    assert [int(v) for v in run_rules.limits(n)] == [run, crossings]


@pytest.mark.parametrize(("n", "percent"), [(12, 1.2), (24, 3.1), (36, 4.2)])
def test_the_false_alarm_rate_of_the_run_rules_is_the_tabulated_one(n, percent):
    # Simulation of 20,000 stable normal series by another hand (its error is 0.08 to 0.14 points)
    assert 100 * run_rules.false_alarm_rate(n, own_median=True) == pytest.approx(percent, abs=0.2)


@pytest.mark.parametrize(("n", "percent"), [(12, 5.2), (24, 10.1), (36, 12.8)])
def test_the_false_alarm_rate_of_screened_limits_is_the_tabulated_one(n, percent):
    # Same table, column of points outside limits, which screens the moving ranges
    x = np.random.default_rng(20260103).standard_normal((20000, n))
    rate = control.individuals(x, screened=True).outside.any(axis=-1).mean()
    assert 100 * rate == pytest.approx(percent, abs=0.8)


def test_the_rate_printed_under_a_chart_is_that_of_the_chart():
    # Exact value for the run rules of 24 points around their own median: 3.06 %
    chart = control.individuals(np.random.default_rng(1).standard_normal(24))
    rates = run_rules.of_chart(chart, n_series=20000)
    assert 100 * rates.runs == pytest.approx(3.06, abs=0.4)
    assert max(rates.outside, rates.runs) <= rates.either <= rates.outside + rates.runs


@pytest.mark.parametrize("kind", ["p", "p_prime", "u", "u_prime", "g", "t"])
def test_every_kind_of_chart_has_a_false_alarm_rate(kind):
    rng = np.random.default_rng(2)
    sizes = rng.integers(40, 80, 24)
    drawn = {"g": rng.geometric(0.1, 24) - 1.0, "t": rng.exponential(5.0, 24)}.get(
        kind, rng.binomial(sizes, 0.1)
    )
    chart = control.chart(kind, drawn, sizes)
    rates = run_rules.of_chart(chart, sizes, n_series=1000)
    assert 0 < rates.either < 0.3


def test_points_on_the_line_neither_make_nor_break_a_run():
    found = run_rules.run_tests([1, 1, 0, 1, -1, 0, -1], centre=0)
    assert (int(found.longest), int(found.crossings), int(found.n_useful)) == (3, 1, 5)


# Lucas & Crosier 1982, Technometrics 24:199, Table 1 (printed) and R package spc 0.6.7 (computed) (SPC-3)
@pytest.mark.parametrize(
    ("shift", "head", "printed", "computed"),
    [
        (0, 0, 168, 167.6838),
        (0.5, 0, 26.6, 26.6302),
        (1, 0, 8.38, 8.3831),
        (2, 0, 3.34, 3.3428),
        (0, 2, 149, 148.6957),
        (1, 2, 5.29, 5.2869),
    ],
)
def test_two_sided_run_lengths_are_those_of_the_table(shift, head, printed, computed):
    found = cusum.run_length(k=0.5, h=4, shift=shift, head_start=head)
    assert found == pytest.approx(printed, rel=RUN_LENGTH_PRINTED)
    assert found == pytest.approx(computed, rel=RUN_LENGTH_COMPUTED)


# Brook & Evans 1972; Waldmann 1986; Vance 1986, as quoted and computed by R package spc 0.6.7 (SPC-4)
@pytest.mark.parametrize(
    ("k", "h", "shift", "computed"),
    [
        (0.5, 3, 0, 117.5957),
        (0.5, 3, 1.5, 3.7491),
        (0.5, 3, -0.5, 1962.79),
        (0, 10, 0, 124.6616),
        (0, 10, 0.5, 20.3718),
    ],
)
def test_one_sided_run_lengths_are_those_of_the_tables(k, h, shift, computed):
    assert cusum.run_length(k=k, h=h, shift=shift, two_sided=False) == pytest.approx(
        computed, rel=RUN_LENGTH_COMPUTED
    )


@pytest.mark.parametrize(("shift", "expected"), [(0, 169.0466), (0.5, 26.6412), (1, 8.3434), (2, 3.2218)])
def test_the_closed_approximation_is_siegmunds(shift, expected):
    # Siegmund 1985, Sequential Analysis, p. 27 (SPC-5)
    assert cusum.siegmund(k=0.5, h=4, shift=shift) == pytest.approx(expected, abs=1e-4)


# Steiner, Cook, Farewell & Treasure 2000, Biostatistics 1:441, formula (SPC-7)
@pytest.mark.parametrize(
    ("risk", "odds", "good", "bad"),
    [(0.1, 2, -0.0953102, 0.5978370), (0.05, 2, -0.0487902, 0.6443570), (0.1, 0.5, 0.0512933, -0.6418539)],
)
def test_what_a_case_adds_is_the_published_score(risk, odds, good, bad):
    np.testing.assert_allclose(risk_cusum.weights([0, 1], [risk, risk], odds), [good, bad], atol=EXACT)


def test_the_chain_gives_the_published_run_length_of_a_normal_cusum():
    # Brook & Evans 1972: k = 0.5, h = 3, one-sided, 117.6; a standard normal minus 0.5 on a fine grid
    edge = np.linspace(-6, 6, 1201)
    middle = (edge[1:] + edge[:-1]) / 2
    steps = risk_cusum.Increments(middle - 0.5, np.diff(stats.norm.cdf(edge)))
    assert risk_cusum.risk_run_length(steps, 3.0) == pytest.approx(117.5957, rel=RUN_LENGTH_PRINTED)
    mean, se = risk_cusum.simulate_run_length(steps, 3.0, n_charts=4000)
    assert abs(mean - 117.5957) < 3.5 * se


@pytest.mark.parametrize("asked", [200, 500])
def test_the_limit_gives_the_run_length_asked_for(asked):
    # The bar: within 5 % in simulation, on an uneven mix of risks
    risk = np.random.default_rng(3).beta(2, 12, 120)
    found = risk_cusum.limit_for(risk_cusum.in_control(risk, 2.0), asked)
    assert found.by_chain == pytest.approx(asked, rel=0.01)
    assert found.by_simulation == pytest.approx(asked, rel=0.05)


def test_the_limit_for_counts_gives_the_run_length_asked_for():
    rng = np.random.default_rng(4)
    sizes = rng.integers(800, 3000, 100)
    steps = risk_cusum.in_control_counts(sizes, np.full(100, 0.05), 1.5, 0.01)
    found = risk_cusum.limit_for(steps, 200)
    # Fresh sessions, drawn here and scored one by one, not through the stored distribution.
    lengths = []
    for _ in range(1500):
        level, n = 0.0, 0
        while level < found.limit:
            k = rng.integers(0, 100, 50)
            events = rng.binomial(sizes[k], rng.beta(0.05 * 99, 0.95 * 99, 50))
            for added in risk_cusum.count_weights(events, sizes[k], np.full(50, 0.05), 1.5, 0.01):
                level, n = max(0.0, level + added), n + 1
                if level >= found.limit:
                    break
        lengths.append(n)
    assert np.mean(lengths) == pytest.approx(200, rel=0.08)  # its own error is 2.6 %


def test_a_beta_binomial_score_is_the_ratio_of_two_likelihoods():
    events, sizes, risk, rho = np.array([3.0]), np.array([40.0]), np.array([0.05]), 0.1
    shifted = 2 * 0.05 / 1.05
    scale = 1 / rho - 1
    expected = stats.betabinom.logpmf(3, 40, shifted * scale, (1 - shifted) * scale) - stats.betabinom.logpmf(
        3, 40, 0.05 * scale, 0.95 * scale
    )
    np.testing.assert_allclose(risk_cusum.count_weights(events, sizes, risk, 2.0, rho), expected, rtol=1e-10)


def test_a_signal_names_the_cases_between_its_rise_and_itself():
    found = risk_cusum.path([1, -2, 0.6, 0.6, 0.6, -1, 0.9, 0.9], 1.7)
    assert found.signals.tolist() == [4, 7]
    assert found.began.tolist() == [2, 6]


def test_a_sum_that_does_not_fall_in_control_has_no_limit():
    with pytest.raises(ParameterError, match="no downward drift"):
        risk_cusum.limit_for(risk_cusum.Increments(np.array([0.1]), np.array([1.0])), 100)


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
    ratio = means.ratio_of_totals(events, sizes)
    assert ratio.se == pytest.approx(found.se * ratio.estimate * (1 - ratio.estimate), rel=0.03)
    assert fit.correlation == pytest.approx(1 / 101, rel=0.5)


def test_counting_grafts_one_by_one_makes_intervals_too_narrow():
    # 95 % must cover about 95 %: the interval over sessions does, the one over grafts does not
    rng = np.random.default_rng(8)
    hits = np.zeros(2)
    for _ in range(400):
        sizes = rng.integers(800, 3000, 25)
        events = rng.binomial(sizes, rng.beta(0.05 * 250, 0.95 * 250, 25))
        session = means.ratio_of_totals(events, sizes)
        graft = proportions.proportion(events.sum(), sizes.sum())
        hits += [session.low <= 0.05 <= session.high, graft.low <= 0.05 <= graft.high]
    assert 0.92 <= hits[0] / 400 <= 0.98
    assert hits[1] / 400 < 0.7


def test_no_event_at_all_still_has_an_upper_limit():
    found = means.ratio_of_totals([0, 0, 0], [100, 100, 100])
    assert (found.estimate, found.low) == (0.0, 0.0)
    assert 0 < found.high < 1
    with pytest.raises(FitError, match="no event"):
        regression.shares([0, 0], [10, 10], np.ones((2, 1)), [0, 1])


def test_dependent_columns_are_refused_in_words():
    with pytest.raises(FitError, match="depend on each other"):
        regression.values([1.0, 2.0], np.ones((2, 2)), [0, 1])
