"""The nonlinear engines against other libraries and simulation; published fits: `published.growth`."""

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, stats

from analytics.errors import FitError, ParameterError
from analytics.numerics import mixed, nonlinear
from analytics.numerics.nonlinear import curves, errors


def asymptotic(x, p):
    return p[:, 0] + (p[:, 1] - p[:, 0]) * np.exp(-np.exp(p[:, 2]) * x)


@pytest.mark.parametrize(
    ("method", "words"),
    [("quadrature", "exact marginal likelihood"), ("lindstrom-bates", "Lindstrom-Bates")],
)
def test_a_fit_says_which_likelihood_it_is(published, method, words):
    """Loblolly pines: the two methods have different maxima."""
    data = pd.read_csv(published / "loblolly.csv")
    fit = nonlinear.fit(
        data["height"],
        data["age"],
        asymptotic,
        [103, -8.5, -3.3],
        designs=[None] * 3,
        levels=[(data["Seed"], {0: "full"})],
        method=method,
    )
    assert words in fit.likelihood
    assert fit.converged


@pytest.mark.parametrize("method", ["lindstrom-bates", "marginal", "quadrature"])
def test_a_straight_line_is_the_linear_mixed_model(published, method):
    """Orthodont, random intercept and slope by ML: the linear engine, itself held to published fits."""
    data = pd.read_csv(published / "orthodont.csv")
    female = data["Sex"].eq("Female").to_numpy(dtype=float)
    design = np.column_stack([np.ones(len(data)), female])
    fit = nonlinear.fit(
        data["distance"],
        data["age"] - 11.0,
        lambda x, p: p[:, 0] + p[:, 1] * x,
        [[25.0, 0.0], [0.5, 0.0]],
        designs=[design, design],
        levels=[(data["Subject"], {0: "full", 1: "full"})],
        method=method,
    )
    age = data["age"].to_numpy(dtype=float) - 11.0
    both = np.column_stack([design, design * age[:, None]])
    levels = [(data["Subject"].to_numpy(), both[:, [0, 2]])]
    linear = mixed.fit(data["distance"].to_numpy(dtype=float), both, levels, method="ML")
    assert fit.loglik == pytest.approx(linear.loglik, abs=1e-4)
    np.testing.assert_allclose(fit.beta, linear.beta, rtol=1e-4)
    np.testing.assert_allclose(fit.beta_se, linear.beta_se, rtol=1e-3)


def _simulated_growth(n_groups=200, seed=11):
    rng = np.random.default_rng(seed)
    group = np.repeat(np.arange(n_groups), 6)
    x = np.tile([2.0, 4.0, 6.0, 9.0, 12.0, 18.0], n_groups)
    plateau = 85 + 8 * rng.standard_normal(n_groups)
    half = np.log(6.0) + 0.2 * rng.standard_normal(n_groups)
    share = curves.share("log-logistic", x / np.exp(half)[group], np.log(4.0))[0]
    return plateau[group] * share + 5 * rng.standard_normal(len(x)), x, group


def test_quadrature_is_the_integral_it_says_it_is():
    """One random log half time: the integral of each group by scipy's adaptive rule."""
    y, x, group = _simulated_growth(8)
    fit = nonlinear.fit(
        y,
        x,
        curves.emergence("log-logistic"),
        [[80.0], [np.log(6.0)], [np.log(4.0)]],
        designs=[None] * 3,
        levels=[(group, {1: "full"})],
        method="quadrature",
    )
    spread = np.sqrt(fit.covariances[0][0, 0])

    def of_group(g):
        here = group == g

        def density(b):
            mean = (
                fit.beta[0] * curves.share("log-logistic", x[here] / np.exp(fit.beta[1] + b), fit.beta[2])[0]
            )
            return np.prod(stats.norm.pdf(y[here], mean, fit.sigma)) * stats.norm.pdf(b, 0, spread)

        centre = fit.random[0][g, 0]
        return np.log(integrate.quad(density, centre - 1, centre + 1, points=[centre], epsabs=0)[0])

    assert fit.loglik == pytest.approx(sum(of_group(g) for g in range(8)), abs=1e-6)


def test_the_marginal_fit_is_not_pulled_down_by_a_random_plateau():
    """Truth 85, 6 months, 4; Lindstrom-Bates leans towards the noise, as it does on Orange trees."""
    estimates = {"marginal": [], "lindstrom-bates": []}
    for seed in range(6):
        y, x, group = _simulated_growth(120, seed)
        for method, found in estimates.items():
            fit = nonlinear.fit(
                y,
                x,
                curves.emergence("log-logistic"),
                [[80.0], [np.log(5.0)], [np.log(3.0)]],
                designs=[None] * 3,
                levels=[(group, {0: "full", 1: "full"})],
                method=method,
            )
            found.append((fit.beta - [85.0, np.log(6.0), np.log(4.0)]) / fit.beta_se)
    # A mean of 6 standardised errors has a standard error of 0.41.
    bias = {method: np.mean(found, axis=0) for method, found in estimates.items()}
    assert np.all(np.abs(bias["marginal"]) < 3 * 0.41)
    assert bias["lindstrom-bates"][2] > bias["marginal"][2]


def test_known_sampling_variances_are_added_to_sigma_squared():
    """Errors known to be 1 and 3: sigma stays near 0, the mean is the weighted one."""
    rng = np.random.default_rng(4)
    n = 400
    known = np.where(np.arange(n) % 2, 1.0, 9.0)
    y = 10 + np.sqrt(known) * rng.standard_normal(n)
    fit = nonlinear.fit(
        y,
        np.zeros(n),
        lambda x, p: p[:, 0],
        [[9.0]],
        designs=[None],
        levels=[(np.arange(n) // 4, {0: "full"})],
        known_variance=known,
    )
    weighted = np.average(y, weights=1 / known)
    assert fit.beta[0] == pytest.approx(weighted, abs=0.05)
    assert fit.sigma < 1.0


# --- curves: the library's own distribution functions


@pytest.mark.parametrize(
    ("shape", "reference"),
    [
        ("log-logistic", stats.fisk),
        ("log-normal", lambda k: stats.lognorm(1 / k)),
        ("Weibull", lambda k: stats.weibull_min(k, scale=np.log(2) ** (-1 / k))),
    ],
)
def test_shapes_are_the_distribution_functions_of_scipy(shape, reference):
    time, k = np.array([0.0, 0.2, 0.9, 1.0, 1.7, 4.0]), 2.3
    known = reference(k)
    share, by_time, _ = curves.share(shape, time, np.log(k))
    np.testing.assert_allclose(share, known.cdf(time), atol=1e-12)
    np.testing.assert_allclose(by_time[1:], (time * known.pdf(time))[1:], rtol=1e-9)
    np.testing.assert_allclose(
        np.exp(curves.log_time_of(shape, 0.95, np.log(k))[0]), known.ppf(0.95), rtol=1e-9
    )


def test_gompertz_is_its_growth_curve_rebased_to_the_outset():
    """G = exp(-b exp(-c t)): a growth curve of Gompertz with b = 3 and c = 0.4, less G(0), over 1 - G(0)."""
    b, c, time = 3.0, 0.4, np.array([0.0, 1.0, 5.0, 12.0])
    growth, outset = np.exp(-b * np.exp(-c * time)), np.exp(-b)
    half = -np.log(-np.log((1 + outset) / 2) / b) / c
    np.testing.assert_allclose(
        curves.share("Gompertz", time / half, np.log(b))[0], (growth - outset) / (1 - outset), atol=1e-12
    )


@pytest.mark.parametrize("tail", [0.4, 1.0, 2.5])
def test_the_tailed_shape_is_scipys_burr_as_steep_at_half_as_the_log_logistic(tail):
    time, k = np.array([0.2, 0.9, 1.0, 1.7, 4.0]), 2.3
    turned = k * tail / (2 * (1 - 2.0**-tail))
    known = stats.burr12(turned, 1 / tail, scale=(2.0**tail - 1) ** (-1 / turned))
    shape = ("Burr", np.log(tail))
    share, by_time, _ = curves.share(shape, time, np.log(k))
    np.testing.assert_allclose(share, known.cdf(time), atol=1e-12)
    np.testing.assert_allclose(by_time, time * known.pdf(time), rtol=1e-9)
    np.testing.assert_allclose(
        np.exp(curves.log_time_of(shape, 0.95, np.log(k))[0]), known.ppf(0.95), rtol=1e-9
    )
    assert by_time[2] == pytest.approx(k / 4)
    # The slope in log tail, by differences, through the density a fit takes.
    x = np.column_stack([time * 6.0, np.full(5, 50.0), np.ones(5)])
    at = np.tile([40.0, 84.0, np.log(6.0), np.log(k), np.log(tail)], (5, 1))
    step = np.zeros(5)
    step[4] = 1e-6
    of = curves.density("Burr")
    rise = (of(x, at + step)[0] - of(x, at - step)[0]) / 2e-6
    np.testing.assert_allclose(of(x, at)[1][:, 4], rise, atol=1e-6)


def test_a_prior_joins_the_estimates_by_precision_and_its_error_is_one_more_groups():
    """Dense matrices: (X' V^-1 X + P)^-1; the scores' squares and P between two of them."""
    rng = np.random.default_rng(12)
    groups = np.repeat(np.arange(40), 5)
    X = np.column_stack([np.ones(200), rng.standard_normal(200)])
    y = X @ [3.0, 1.0] + 0.8 * rng.standard_normal(40)[groups] + rng.standard_normal(200)

    def line(x, parameters):
        return parameters[:, 0], np.ones((len(x), 1))

    options = {"designs": [X], "levels": [(groups, {0: "diagonal"})], "method": "marginal"}
    mean, precision = np.array([0.0, 5.0]), np.array([0.0, 50.0])
    free = nonlinear.fit(y, X, line, [0.0, 0.0], **options)
    fit = nonlinear.fit(y, X, line, [0.0, 0.0], prior=(mean, precision), **options)
    same = groups[:, None] == groups[None, :]
    V = np.eye(200) * fit.sigma**2 + fit.linear.covariances[0][0, 0] * same
    bread = np.linalg.inv(X.T @ np.linalg.solve(V, X) + np.diag(precision))
    weighted = np.linalg.solve(V, X)
    np.testing.assert_allclose(fit.beta, bread @ (weighted.T @ y + precision * mean), rtol=1e-4)
    assert free.beta[1] < fit.beta[1] < 5.0
    block = (groups, np.ones((200, 1)), fit.linear.covariances[0], "diagonal")
    pattern = rng.standard_normal((200, 1))
    residual = y - X @ fit.beta
    given = {"groups": groups, "precision": precision, "patterns": pattern}
    found = errors(residual, X, [block], np.full(200, fit.sigma**2), **given)
    np.testing.assert_allclose(found.model_cov, bread, rtol=1e-9)
    np.testing.assert_allclose(found.moves, bread @ weighted.T @ pattern, rtol=1e-9)
    none = errors(residual, X, [block], np.full(200, fit.sigma**2), groups=groups)
    assert found.robust_cov[1, 1] < none.robust_cov[1, 1]
    alone = errors(0 * residual, X, [block], np.full(200, fit.sigma**2), **given)
    np.testing.assert_allclose(alone.robust_cov, bread @ np.diag(precision) @ bread, rtol=1e-9)


@pytest.mark.parametrize("shape", curves.SHAPES)
def test_slopes_are_the_slopes(shape):
    time, log_k, step = np.array([0.3, 1.0, 1.8, 3.0]), np.log(2.6), 1e-6
    _, by_time, by_steepness = curves.share(shape, time, log_k)
    rise = (
        curves.share(shape, time * np.exp(step), log_k)[0]
        - curves.share(shape, time * np.exp(-step), log_k)[0]
    )
    np.testing.assert_allclose(by_time, rise / (2 * step), rtol=1e-6)
    rise = curves.share(shape, time, log_k + step)[0] - curves.share(shape, time, log_k - step)[0]
    np.testing.assert_allclose(by_steepness, rise / (2 * step), rtol=1e-5, atol=1e-9)


@pytest.mark.parametrize("shape", curves.SHAPES)
def test_a_shape_started_by_itself_finds_the_truth_in_readings_without_error(shape):
    time = np.array([1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 12.0, 15.0, 18.0])
    truth = [84.0, np.log(6.3), np.log(3.1)]
    y = curves.emergence(shape)(time, np.tile(truth, (10, 1)))[0]
    start = curves.start(shape, time, y)
    fit = nonlinear.fit(y, time, curves.emergence(shape), start, designs=[None] * 3, levels=[])
    np.testing.assert_allclose(fit.beta, truth, rtol=1e-6)


# --- errors from the groups: statsmodels


def test_robust_errors_without_random_effects_are_those_of_mancl_and_derouen():
    """statsmodels GEE, independence, bias-reduced covariance."""
    sm = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(3)
    group = np.repeat(np.arange(25), rng.integers(1, 7, 25))
    X = np.column_stack([np.ones(len(group)), rng.standard_normal(len(group))])
    y = X @ [1.0, 2.0] + rng.standard_normal(25)[group] + rng.standard_normal(len(group))
    reference = sm.GEE(y, X, groups=group).fit(cov_type="bias_reduced", scale=1.0)
    beta = np.linalg.lstsq(X, y, rcond=None)[0]
    nothing = [(group, np.zeros((len(y), 1)), np.zeros((1, 1)), "full")]
    found = nonlinear.errors(y - X @ beta, X, nothing, np.ones(len(y)), groups=group)
    np.testing.assert_allclose(found.robust_cov, reference.cov_params(), rtol=1e-6)


def test_what_one_group_alone_determines_takes_the_models_error_and_leaves_the_others_theirs():
    """A column of one row is a fit without that row (statsmodels' Mancl and DeRouen errors), and that row."""
    sm = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(8)
    group = np.repeat(np.arange(20), 4)
    X = np.column_stack([np.ones(80), rng.normal(size=80)])
    y = X @ [1.0, 2.0] + rng.normal(size=20)[group] + rng.normal(size=80)
    alone = np.eye(80)[:, [17]]
    kept = np.arange(80) != 17
    reference = sm.GEE(y[kept], X[kept], groups=group[kept]).fit(cov_type="bias_reduced", scale=1.0)
    both = np.hstack([X, alone])
    beta = np.linalg.lstsq(both, y, rcond=None)[0]
    nothing = [(group, np.zeros((80, 1)), np.zeros((1, 1)), "full")]
    found = nonlinear.errors(y - both @ beta, both, nothing, np.ones(80), groups=group)
    np.testing.assert_allclose(found.robust_cov[:2, :2], reference.cov_params(), rtol=1e-6)
    of_row = 1.0 + X[17] @ reference.cov_params() @ X[17]
    np.testing.assert_allclose(found.robust_cov[2, 2], of_row, rtol=1e-6)


def test_errors_of_variances_in_a_balanced_layout_are_the_textbook_ones():
    """Searle, Casella & McCulloch 1992, chapter 4: 40 groups of 5, variances 4 and 1."""
    groups, size, between, within = 40, 5, 4.0, 1.0
    codes = np.repeat(np.arange(groups), size)
    one = np.ones((groups * size, 1))
    found = nonlinear.errors(
        np.zeros(groups * size),
        one,
        [(codes, one, np.array([[between]]), "full")],
        np.full(groups * size, within),
        groups=codes,
    )
    of_within = 2 * within**2 / (groups * (size - 1))
    of_between = 2 / size**2 * ((within + size * between) ** 2 / groups + within**2 / (groups * (size - 1)))
    np.testing.assert_allclose(np.diag(found.variance_cov), [of_between, of_within], rtol=1e-9)


# --- what cannot be fitted is said


def test_a_parameter_the_data_do_not_determine_is_named():
    x = np.linspace(0, 1, 20)
    fit = nonlinear.fit(
        np.exp(-x),
        x,
        lambda x, p: np.exp(-(p[:, 0] + p[:, 1]) * x),
        [0.4, 0.4],
        designs=[None] * 2,
        levels=[],
    )
    assert not fit.checks["determined"]
    assert not fit.checks["finite_se"]
    assert "not determined" in fit.words[0]


def test_crossed_levels_missing_values_and_wrong_starts_are_refused_in_words():
    y, x = np.arange(8.0), np.arange(8.0)
    line = (lambda x, p: p[:, 0] + p[:, 1] * x,)
    crossed = [(np.arange(8) // 4, {0: "full"}), (np.arange(8) % 4, {0: "full"})]
    with pytest.raises(FitError, match="must be nested"):
        nonlinear.fit(y, x, *line, [0, 1], designs=[None] * 2, levels=crossed)
    with pytest.raises(FitError, match=r"nonlinear.fit\(y\): 1 row\(s\) not finite, first at row 3"):
        nonlinear.fit(np.where(y == 3, np.nan, y), x, *line, [0, 1], designs=[None] * 2, levels=[])
    with pytest.raises(ParameterError, match="3 values"):
        nonlinear.fit(y, x, *line, [0, 1, 2], designs=[None] * 2, levels=[])
    with pytest.raises(ParameterError, match="use one of full, diagonal, identity"):
        nonlinear.fit(y, x, *line, [0, 1], designs=[None] * 2, levels=[(np.arange(8) // 2, {0: "round"})])
    with pytest.raises(FitError, match="use method='lindstrom-bates'"):
        nonlinear.fit(
            y,
            x,
            *line,
            [0, 1],
            designs=[None] * 2,
            levels=[(np.arange(8) // 4, {0: "full"}), (np.arange(8) // 2, {0: "full"})],
            method="quadrature",
        )
