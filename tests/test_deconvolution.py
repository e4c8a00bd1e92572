"""Empirical Bayes on a grid: against published fits, against itself done otherwise, against a known truth."""

import numpy as np
import pytest
from scipy.optimize import approx_fprime
from scipy.special import expit
from scipy.stats import beta as beta_law
from scipy.stats import norm

from analytics import published
from analytics.errors import ParameterError
from analytics.numerics import deconvolution
from analytics.numerics.deconvolution import prior

# A central difference of a log-likelihood near 1,000 carries about seven digits.
DIFFERENCE = 1e-4
CENTRES = np.arange(1.0, 140.0, 2.0)
POOR = np.where(CENTRES < 60, 1 / 30, 0.0)


# Rows EB-1 to EB-7 and EB-9 of the project's list of published checks; sources stand in each case.
@pytest.mark.parametrize(
    "name",
    [
        "Lymph nodes, a smooth prior",
        "Lymph nodes, single patients",
        "Lymph nodes, a firmer penalty",
        "Lymph nodes, the best of all priors",
        "Tacks, the best of all priors",
        "Tacks, a beta prior",
        "Lymph nodes, a beta prior",
        "Rat tumours",
    ],
)
def test_the_published_priors_are_found(name):
    case = next(c for c in published.cases() if c.name == name)
    found = published.run((case,))
    assert found["passed"].all(), found.loc[~found["passed"], ["quantity", "expected", "found"]]


def test_seventy_rat_groups_give_the_beta_of_another_implementation(published):
    # Vignette of a public package on Tarone's 70 groups: alpha 2.304768, beta 14.079707.
    y, n = np.loadtxt(published / "rats.csv", delimiter=",", skiprows=1, max_rows=70).T
    assert (y.sum(), n.sum()) == (263, 1725)
    at = np.linspace(-14, 14, 4001)
    chance = expit(at)
    table = y[:, None] * np.log(chance) + (n - y)[:, None] * np.log1p(-chance)
    family = deconvolution.beta(chance, chance * (1 - chance), 1.0)
    p, q = deconvolution.fit(deconvolution.units(table), family, start=[0.0, 0.0]).theta[0]
    assert p + 1 == pytest.approx(2.304768, rel=1e-4)
    assert q - p + 1 == pytest.approx(14.079707, rel=1e-4)


def _drawn(seed=3, n=120, *, poor=0.06, alike=0.0):
    """Return units with normal noise in two groups: betas on (0, 112), some poor; and their clusters."""
    rng = np.random.default_rng(seed)
    cluster, group = np.arange(n) // 3, np.arange(n) % 2
    z = np.sqrt(alike) * rng.standard_normal(n)[cluster] + np.sqrt(1 - alike) * rng.standard_normal(n)
    truth = 112.0 * beta_law.ppf(norm.cdf(z), np.array([11.0, 9.0])[group], np.array([5.0, 7.0])[group])
    truth = np.where(rng.random(n) < poor, rng.uniform(0, 60, n), truth)
    noise = rng.uniform(4, 12, n)
    seen = truth + noise * rng.standard_normal(n)
    table = norm.logpdf(seen[:, None], CENTRES, noise[:, None])
    return deconvolution.units(table, group), truth, cluster


FAMILY = deconvolution.beta(CENTRES, np.full(70, 2.0), 112.0, poor=POOR)
PENALTY = deconvolution.Penalty(poor=(0.5, 25.0))
START = np.array([10.0, 8.0, 14.0, -3.0])


def test_gradient_and_information_are_those_of_differences():
    of, _, _ = _drawn()
    theta, w = START[None], np.ones((1, len(of.group)))

    def value(t):
        return float(prior._objective(of, FAMILY, t[None], w, PENALTY)[0])

    def tilt(t):
        return prior._curvature(of, FAMILY, t[None], w, PENALTY)[0][0]

    slope, _, observed = prior._curvature(of, FAMILY, theta, w, PENALTY)
    np.testing.assert_allclose(slope[0], approx_fprime(START, value, 1e-6), rtol=1e-3, atol=1e-3)
    by_difference = np.array([(tilt(START + h) - tilt(START - h)) / 2e-5 for h in 1e-5 * np.eye(4)])
    np.testing.assert_allclose(-observed[0], by_difference, rtol=DIFFERENCE, atol=DIFFERENCE)
    each = deconvolution.scores(of, FAMILY, START)
    np.testing.assert_allclose(each.sum(axis=0) + PENALTY.at(theta)[1][0], slope[0], atol=1e-9)


def test_whole_number_weights_are_repeated_units():
    of, _, _ = _drawn()
    weight = np.random.default_rng(1).integers(0, 4, len(of.group))
    found = deconvolution.fit(
        of, FAMILY, weights=np.stack([np.ones_like(weight), weight]), penalty=PENALTY, start=START
    )
    twice = np.repeat(np.arange(len(weight)), weight)
    table = np.log(np.maximum(of.likelihood, 1e-300)) + of.log_scale[:, None]
    again = deconvolution.fit(
        deconvolution.units(table[twice], of.group[twice]), FAMILY, penalty=PENALTY, start=START
    )
    assert found.converged.all()
    np.testing.assert_allclose(found.theta[1], again.theta[0], rtol=1e-4)
    assert found.objective[1] == pytest.approx(again.objective[0], rel=1e-9)


def test_no_prior_of_a_family_is_likelier_than_the_best_of_all():
    of, _, _ = _drawn(n=60)
    table = np.log(np.maximum(of.likelihood, 1e-300)) + of.log_scale[:, None]
    one = deconvolution.units(table)
    found = deconvolution.fit(one, FAMILY, penalty=PENALTY, start=[10.0, 14.0, -3.0])
    best = deconvolution.nonparametric(
        lambda a: np.array([np.interp(a, CENTRES, row) for row in table]), 1.0, 139.0
    )
    assert found.loglik[0] < best.loglik
    assert best.mass.sum() == pytest.approx(1.0)


def test_the_average_over_upper_ends_is_between_its_families_and_sums_to_one():
    of, _, _ = _drawn()
    families = [deconvolution.beta(CENTRES, np.full(70, 2.0), top, poor=POOR) for top in (105.0, 140.0)]
    fits = [deconvolution.fit(of, f, penalty=PENALTY, start=START) for f in families]
    found = deconvolution.average(families, fits)
    np.testing.assert_allclose(found.whole().sum(axis=2), 1.0)
    parts = np.stack([(1 - f.pi)[:, None, None] * f.regular + f.pi[:, None, None] * POOR for f in fits])
    assert (found.whole() <= parts.max(axis=0) + 1e-12).all()
    assert (found.whole() >= parts.min(axis=0) - 1e-12).all()


def test_what_families_are_worth_before_the_data_counts_as_likelihood_does():
    of, _, _ = _drawn()
    families = [deconvolution.beta(CENTRES, np.full(70, 2.0), top, poor=POOR) for top in (105.0, 140.0)]
    fits = [deconvolution.fit(of, f, penalty=PENALTY, start=START) for f in families]
    alike, before = (deconvolution.average(families, fits, before=b).share[0] for b in (None, [3.0, 1.0]))
    assert before[0] / before[1] == pytest.approx(3 * alike[0] / alike[1])


def test_the_poor_part_and_the_share_under_a_threshold_are_recovered():
    of, truth, _ = _drawn(seed=5, n=3000, poor=0.05)
    found = deconvolution.fit(of, FAMILY, penalty=PENALTY, start=START)
    whole = deconvolution.average([FAMILY], [found]).whole()[0]
    for k in (0, 1):
        mine = truth[of.group == k]
        for threshold in (60.0, 80.0):
            share = whole[k, threshold > CENTRES].sum()
            assert share == pytest.approx((mine < threshold).mean(), abs=0.025)


@pytest.mark.parametrize("alike", [0.1, 0.6])
def test_how_alike_the_units_of_a_cluster_are_is_recovered(alike):
    of, _, cluster = _drawn(seed=7, n=1500, poor=0.0, alike=alike)
    found = deconvolution.fit(of, FAMILY, penalty=PENALTY, start=START)
    rho = deconvolution.likeness(of, deconvolution.average([FAMILY], [found]), cluster)
    assert rho == pytest.approx(alike, abs=0.08)


def test_the_copula_keeps_the_margin():
    of, _, _ = _drawn()
    regular = deconvolution.fit(of, FAMILY, penalty=PENALTY, start=START).regular[0]
    given = deconvolution.given_common(regular, 0.4)
    back = np.einsum("u,uka->ka", deconvolution.NODE_WEIGHTS, given)
    np.testing.assert_allclose(back, regular, atol=2e-3)


def test_a_unit_that_no_cell_explains_is_refused():
    with pytest.raises(ParameterError, match="1 unit"):
        deconvolution.units(np.array([[0.0, -1.0], [-np.inf, -np.inf]]))
