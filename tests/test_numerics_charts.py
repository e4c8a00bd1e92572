"""The engines of the quality review against other implementations, tables and simulation.

Printed tables and handbooks stand in `published.shares` and `published.charts`.
"""

import numpy as np
import pytest
from scipy import stats

from analytics.errors import ParameterError
from analytics.numerics import control, cusum, funnel, meta, run_rules


def test_exact_funnel_limits_interpolate_the_binomial_table():
    # Binomial table n = 10, p = 0.5, in 1/1024: F(1) = 11, F(2) = 56, F(7) = 968, F(8) = 1013
    low, high = funnel.binomial_limits([10], 0.5)
    assert low[0] == pytest.approx((2 - (56 / 1024 - 0.025) / (45 / 1024)) / 10, abs=1e-12)
    assert high[0] == pytest.approx((8 - (1013 / 1024 - 0.975) / (45 / 1024)) / 10, abs=1e-12)


def test_exact_limits_meet_the_normal_ones_at_large_volume():
    exact = funnel.binomial_limits([20000], 0.3)
    plain = funnel.normal_limits(np.sqrt(0.21 / 20000), 0.3)
    np.testing.assert_allclose(np.ravel(exact), plain, atol=5e-5)


def test_overdispersion_of_4_doubles_the_width_of_the_limits():
    plain, wide = funnel.normal_limits(0.1, 0.3), funnel.normal_limits(0.1, 0.3, phi=4.0)
    np.testing.assert_allclose(np.diff(wide), 2 * np.diff(plain))


def test_the_added_variance_of_the_scores_is_that_of_the_shrunken_estimates():
    # DerSimonian and Laird's moments by two ways: from z-scores about the centre, and from the estimates.
    rng = np.random.default_rng(9)
    se = rng.uniform(0.5, 2.0, 15)
    estimate = rng.normal(0.0, 2.0, 15) + se * rng.standard_normal(15)
    centre = np.average(estimate, weights=1 / se**2)
    tau2 = funnel.dispersion((estimate - centre) / se, se, winsorised=0.0).tau2
    assert tau2 == pytest.approx(meta.random_effects(estimate, se**2, method="DL").tau2)
    assert tau2 > 0


def test_winsorising_takes_the_edge_off_one_extreme_unit():
    z = np.array([-1.5, -1, -0.5, -0.2, 0, 0.2, 0.5, 1, 1.5, 9.0])
    assert funnel.dispersion(z, winsorised=0.1).phi < 0.5 * funnel.dispersion(z, winsorised=0.0).phi


def test_charts_refuse_what_they_cannot_chart():
    with pytest.raises(ParameterError, match="2 points in its baseline"):
        control.individuals([1.0, 2.0, 3.0], n_baseline=1)
    with pytest.raises(ParameterError, match="leave such points out"):
        control.p([1, 0], [10, 0])
    with pytest.raises(ParameterError, match="unknown, or sizes are missing"):
        control.chart("p", [1, 2])


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


@pytest.mark.parametrize("kind", ["individuals", "g"])
def test_the_rate_printed_beside_lines_set_earlier_is_that_of_their_errors_too(kind):
    # 8,000 stable series by another generator, lines set by 39 points, the last 24 of 63 judged.
    rng = np.random.default_rng(7)
    drawn = {"individuals": rng.normal(50.0, 4.0, (8000, 63)), "g": rng.geometric(0.05, (8000, 63)) - 1.0}
    one = control.chart(kind, drawn[kind][0], n_baseline=39)
    rates = run_rules.of_chart(one, judged=24, runs_at_most=0.06, n_series=2000)
    all_of_them = control.chart(kind, drawn[kind], n_baseline=39)
    line = run_rules.baseline_median(all_of_them)
    runs = run_rules.run_tests(all_of_them.value[:, -24:], line, stricter=rates.stricter).signal
    seen = (all_of_them.outside[:, -24:].any(axis=-1) | runs).mean()
    assert 100 * seen == pytest.approx(100 * rates.either, abs=2.5)
    assert 100 * rates.either < 12


def test_the_rate_of_means_of_values_with_long_tails_is_that_of_such_values():
    # Student's t with 4 degrees of freedom, one to three values a point; 4,000 stable series drawn anew.
    rng = np.random.default_rng(11)
    sizes = np.tile([1, 2, 3], 21)
    drawn = np.stack([rng.standard_t(4, (4000, n)).mean(axis=1) for n in sizes], axis=1)
    charts = control.chart("individuals", drawn, np.broadcast_to(sizes, drawn.shape), n_baseline=39)
    seen = charts.outside[:, -24:].any(axis=-1).mean()
    one = control.chart("individuals", drawn[0], sizes, n_baseline=39)
    asked = {"judged": 24, "n_series": 4000}
    rates = run_rules.of_chart(one, sizes, values=rng.standard_t(4, 2000), **asked)
    normal = run_rules.of_chart(one, sizes, **asked)
    assert 100 * rates.outside == pytest.approx(100 * seen, abs=4)
    assert seen > 2 * normal.outside


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


def test_chain_and_simulation_agree_on_the_run_length_of_a_normal_cusum():
    # The chain is held to Brook & Evans 1972 in `published.charts`.
    edge = np.linspace(-6, 6, 601)
    middle = (edge[1:] + edge[:-1]) / 2
    steps = cusum.Increments(middle - 0.5, np.diff(stats.norm.cdf(edge)))
    mean, se = cusum.simulate_run_length(steps, 3.0, n_charts=4000)
    assert abs(mean - cusum.risk_run_length(steps, 3.0)) < 3.5 * se


@pytest.mark.parametrize("asked", [200, 500])
def test_the_limit_gives_the_run_length_asked_for(asked):
    # The bar: within 5 % in simulation, on an uneven mix of risks
    risk = np.random.default_rng(3).beta(2, 12, 120)
    found = cusum.limit_for(cusum.in_control(risk, 2.0), asked)
    assert found.by_chain == pytest.approx(asked, rel=0.01)
    assert found.by_simulation == pytest.approx(asked, rel=0.05)


def test_the_limit_for_counts_gives_the_run_length_asked_for():
    rng = np.random.default_rng(4)
    sizes = rng.integers(800, 3000, 100)
    steps = cusum.in_control_counts(sizes, np.full(100, 0.05), 1.5, 0.01)
    found = cusum.limit_for(steps, 200)
    # Fresh sessions, drawn here and scored one by one, not through the stored distribution.
    lengths = []
    for _ in range(1500):
        level, n = 0.0, 0
        while level < found.limit:
            k = rng.integers(0, 100, 50)
            events = rng.binomial(sizes[k], rng.beta(0.05 * 99, 0.95 * 99, 50))
            for added in cusum.count_weights(events, sizes[k], np.full(50, 0.05), 1.5, 0.01):
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
    np.testing.assert_allclose(cusum.count_weights(events, sizes, risk, 2.0, rho), expected, rtol=1e-10)


def test_a_signal_names_the_cases_between_its_rise_and_itself():
    found = cusum.path([1, -2, 0.6, 0.6, 0.6, -1, 0.9, 0.9], 1.7)
    assert found.signals.tolist() == [4, 7]
    assert found.began.tolist() == [2, 6]


def test_a_sum_that_does_not_fall_in_control_has_no_limit():
    with pytest.raises(ParameterError, match="no downward drift"):
        cusum.limit_for(cusum.Increments(np.array([0.1]), np.array([1.0])), 100)
