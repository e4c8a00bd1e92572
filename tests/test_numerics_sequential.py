"""Sequential tests and standards against simulation and statsmodels.

Tables and second programs stand in `published.harms`.
"""

import numpy as np
import pytest
from scipy import special, stats
from statsmodels.stats.proportion import proportion_confint

from analytics.errors import ParameterError
from analytics.numerics import sequential


def test_the_true_errors_of_a_test_are_those_of_simulated_ones():
    rng = np.random.default_rng(20261130)
    low, high = sequential.bounds(0.05, 0.05)
    steps = sequential.added([1, 0], 0.05, 2.0)
    stated = sequential.exact(0.05, *steps, low=low, high=high)
    n = 4000
    ended = [
        sequential.walk(sequential.added(rng.random(1500) < 0.05, 0.05, 2.0), alpha=0.05, beta=0.05)
        for _ in range(n)
    ]
    first = [(w.rejected[:1].tolist() or [9999])[0] < (w.accepted[:1].tolist() or [9999])[0] for w in ended]
    assert np.mean(first) == pytest.approx(stated.reject, abs=3.5 * np.sqrt(0.05 * 0.95 / n))


@pytest.mark.parametrize("standard", [0.01, 0.02, 0.05, 0.121, 0.2])
@pytest.mark.parametrize("at_most", [True, False])
def test_a_perfect_record_is_the_smallest_that_wilsons_interval_of_statsmodels_lets_pass(standard, at_most):
    s = standard if at_most else 1 - standard
    n = int(sequential.perfect_record(s, at_most=at_most))
    faultless = [proportion_confint(0 if at_most else k, k, method="wilson") for k in (n - 1, n)]
    met = [(high <= s) if at_most else (low >= s) for low, high in faultless]
    assert met == [False, True]


def test_how_many_units_decide_is_what_statsmodels_finds_by_trying():
    for share, standard in ((0.04, 0.1), (0.9, 0.8), (0.2, 0.1)):
        n = int(sequential.units_to_decide(share, standard))
        inside = []
        for k in (n - 2, n + 1):
            low, high = proportion_confint(share * k, k, method="wilson")
            inside.append(low < standard < high)
        assert inside == [True, False]


def test_the_chance_that_a_standard_holds_is_calibrated_where_periods_lie_as_far_apart_as_assumed():
    # Of practices told 70 to 90 %, as many must truly meet the standard; the draws are the check's own.
    rng = np.random.default_rng(7)
    told, true = [], []
    for _ in range(800):
        spread = abs(rng.normal(0, 0.5))
        rates = special.expit(rng.normal(-2.9, 0.4) + spread * rng.normal(size=5))
        before, now = rng.binomial(30, rates[:4]), rng.binomial(30, rates[4])
        belief = sequential.holds_of_share(now, 30, (before, np.full(4, 30)), 0.05, at_most=True)
        told.append(belief.chance)
        true.append(rates[4] <= 0.05)
    told, true = np.array(told), np.array(true)
    between = (told > 0.7) & (told < 0.9)
    assert between.sum() > 100
    assert true[between].mean() == pytest.approx(told[between].mean(), abs=0.08)


def test_periods_that_differ_lend_less():
    alike = sequential.holds_of_share(0, 20, ([2, 2, 2, 2], [20] * 4), 0.1, at_most=True)
    apart = sequential.holds_of_share(0, 20, ([0, 0, 0, 8], [20] * 4), 0.1, at_most=True)
    assert alike.prior == pytest.approx(0.1, abs=0.03) == apart.prior
    assert 20 < alike.prior_units < 80
    assert apart.prior_units < 10
    assert apart.chance > alike.chance


def test_years_of_good_quarters_do_not_outvote_a_bad_one():
    # 14 of 105 now (13 %), about 8 % in eight quarters of 27: as one rate 12 % would nearly surely hold.
    found = sequential.holds_of_share(14, 105, ([2, 2, 3, 2, 2, 3, 2, 2], [27] * 8), 0.121, at_most=True)
    as_one = stats.beta.cdf(0.121, 0.5 + 32, 0.5 + 321 - 32)
    alone = stats.beta.cdf(0.121, 0.5 + 14, 0.5 + 105 - 14)
    assert alone + 0.1 < found.chance < as_one - 0.1


def test_a_mean_is_drawn_towards_earlier_periods_as_two_normals_are():
    # Earlier: one period at 8 +- 1. Now 10 +- 1. As one mean 9 +- sqrt(1/2); alone 10 +- 1. Where periods lie
    # hardly apart it is the first, where they lie far apart the second, by the half-normal's share between.
    def at_most_9(spread):
        before = ([8.0], [1.0])
        return sequential.holds_of_mean(10.0, 1.0, before, 9.0, at_most=True, spread=spread).chance

    assert at_most_9(1e-3) == pytest.approx(0.5, abs=1e-4)
    assert at_most_9(1e4) == pytest.approx(stats.norm.cdf(-1.0), abs=2e-3)
    tau = np.linspace(0.0, 40.0, 20_001)
    total = 2 * (1 + tau**2)
    chances = np.exp(-(tau**2) / 8 - 4 / total / 2) / np.sqrt(total)  # scale 2; two groups 2 apart
    pull = 1 / (1 + tau**2)
    own = pull * 9 + (1 - pull) * 10
    sd = np.sqrt(1 - pull + pull**2 * total / 4)
    by_hand = np.average(stats.norm.cdf((9 - own) / sd), weights=chances)
    assert at_most_9(8.0) == pytest.approx(by_hand, abs=2e-4)


@pytest.mark.parametrize("before", [([], []), ([8.0, 9.0], [1.0, 1.0])])
def test_values_all_alike_tell_no_chance(before):
    """Three equal values have an SE of 0; the chance divided by it."""
    assert np.isnan(sequential.holds_of_mean(10.0, 0.0, before, 9.0, at_most=True, spread=4.0).chance)


def test_nonsense_is_refused():
    with pytest.raises(ParameterError, match="together below 1"):
        sequential.bounds(0.6, 0.5)
    with pytest.raises(ParameterError, match="0 < p0 < p1 < 1"):
        sequential.lines(0.3, 0.1, alpha=0.05, beta=0.05)
