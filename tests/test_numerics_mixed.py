"""The mixed-model engine against plain n x n algebra, against statsmodels, and against itself in parts.

Published fits stand in `published.linear`.
"""

import pickle
import warnings
from functools import reduce

import mixed_dense as dense
import numpy as np
import pytest
from scipy import stats
from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMParams, VCSpec

from analytics.errors import FitError
from analytics.numerics import mixed
from analytics.numerics.mixed import inference
from analytics.numerics.mixed.likelihood import along
from analytics.numerics.mixed.plan import chain

# Rounding of n x n algebra with a few hundred rows.
ROUNDING = 1e-9
# Fourth-order differences of a log-likelihood.
DIFFERENCED = 1e-4
SHAPES = {
    "one level, full": [("full", 2)],
    "patient, placement with slope": [("full", 1), ("full", 2)],
    "three levels": [("diagonal", 2), ("identity", 3), ("full", 1)],
    "three levels, wide": [("full", 3), ("full", 2), ("identity", 2)],
}


def _register(seed, shape, *, sd=2.0, n_patients=14):
    """Return y, X, levels, weights and known variances of an unbalanced nested design with shuffled rows."""
    rng = np.random.default_rng(seed)
    rows = [
        (p, 10 * p + k, 100 * p + 10 * k + r)
        for p in range(n_patients)
        for k in range(rng.integers(1, 4))
        for r in range(rng.integers(1, 3))
        for _ in range(rng.integers(1, 5))
    ]
    codes = rng.permutation(np.array(rows))
    n = len(codes)
    x = np.column_stack([np.ones(n), rng.uniform(0, 18, n), rng.normal(size=n)])
    y = x @ [50.0, 1.0, 2.0] + rng.normal(scale=2.0, size=n)
    levels = []
    for i, (kind, q) in enumerate(shape):
        z = np.column_stack([np.ones(n), x[:, 1] / 10, x[:, 2]])[:, :q]
        effects = rng.normal(scale=sd, size=(codes[:, i].max() + 1, q))
        y += (z * effects[codes[:, i]]).sum(axis=1)
        levels.append((codes[:, i], z, kind))
    return y, x, levels, rng.uniform(0.5, 2.0, n), rng.uniform(0.5, 3.0, n)


def _error_variance(fit, n, weights, known):
    own = np.full(n, fit.sigma**2) / (1.0 if weights is None else weights)
    return own + (0.0 if known is None else known)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("method", ["REML", "ML"])
@pytest.mark.parametrize("extra", ["plain", "weights", "known variance", "both"])
def test_the_likelihood_is_that_of_n_by_n_algebra_and_nothing_nearby_is_higher(shape, method, extra):
    # Laird & Ware 1982, Biometrics 38:963, eq. 2.2; REML: Harville 1977, JASA 72:320.
    y, x, levels, weights, known = _register(1, SHAPES[shape])
    weights = weights if extra in ("weights", "both") else None
    known = known if extra in ("known variance", "both") else None
    fit = mixed.fit(y, x, levels, method=method, weights=weights, known_variance=known)
    assert fit.converged

    def at(covariances, error):
        return dense.loglik(y, x, dense.covariance(levels, covariances, error), reml=method == "REML")

    error = _error_variance(fit, len(y), weights, known)
    np.testing.assert_allclose(fit.loglik, at(fit.covariances, error), rtol=ROUNDING)
    v = np.linalg.inv(dense.covariance(levels, fit.covariances, error))
    np.testing.assert_allclose(fit.beta, np.linalg.solve(x.T @ v @ x, x.T @ v @ y), rtol=1e-7)
    np.testing.assert_allclose(fit.beta_cov, np.linalg.inv(x.T @ v @ x), rtol=1e-7, atol=1e-10)
    for i in range(len(levels)):
        for factor in (0.97, 1.03):
            moved = [c * (factor if i == j else 1.0) for j, c in enumerate(fit.covariances)]
            assert at(moved, error) <= fit.loglik + ROUNDING


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("extra", ["weights", "known variance"])
def test_gradient_and_hessian_are_those_of_differences_of_the_plain_likelihood(shape, extra):
    y, x, levels, weights, known = _register(2, SHAPES[shape])
    given = {"weights": weights} if extra == "weights" else {"known_variance": known}
    fit = mixed.fit(y, x, levels, **given)
    form = fit.form
    theta = fit.optimum.theta + 0.1 * np.random.default_rng(0).normal(size=form.n_theta)

    def deviance(point):
        sigma2 = point[-1] ** 2 * form.unit**2 if form.known else 1.0
        size = form.unit**2 if form.known else 1.0
        lams = mixed.factors(point, form)
        error = sigma2 + known if form.known else 1.0 / weights
        v = dense.covariance(levels, [size * lam @ lam.T for lam in lams], error)
        if form.known:
            return -2 * dense.loglik(y, x, v, reml=True)
        inverse = np.linalg.inv(v)
        information = x.T @ inverse @ x
        residual = y - x @ np.linalg.solve(information, x.T @ inverse @ y)
        free = len(y) - x.shape[1]
        logs = np.linalg.slogdet(v)[1] + np.linalg.slogdet(information)[1]
        return logs + free * np.log(residual @ inverse @ residual)

    point = mixed.criterion(fit.evaluate(theta, None), form)
    gradient, hessian = along(point, *chain(theta, form))
    step = 1e-5
    eye = np.eye(len(theta)) * step
    slope = [(deviance(theta + e) - deviance(theta - e)) / (2 * step) for e in eye]
    np.testing.assert_allclose(gradient, slope, rtol=1e-5, atol=1e-5 * np.abs(gradient).max())
    expected = dense.differences(deviance, theta, 1e-3)
    np.testing.assert_allclose(hessian, expected, rtol=DIFFERENCED, atol=DIFFERENCED * np.abs(hessian).max())


def _statsmodels(y, x, outer, outer_z, inner, inner_z):
    """Return a statsmodels model: full covariance in the outer level, independent effects in "
    "the inner one."""
    spec = None
    if inner is not None:
        mats, names = [], []
        for column in inner_z.T:
            groups = [(outer == g, np.unique(inner[outer == g])) for g in np.unique(outer)]
            mats.append([(inner[at][:, None] == own) * column[at][:, None] for at, own in groups])
            names.append([[str(code) for code in own] for _, own in groups])
        spec = VCSpec([f"v{j}" for j in range(inner_z.shape[1])], names, mats)
    return MixedLM(y, x, groups=outer, exog_re=outer_z, exog_vc=spec)


DESIGNS = [
    {"outer": 1, "inner": 0, "sd": 3.0},
    {"outer": 2, "inner": 0, "sd": 3.0},
    {"outer": 1, "inner": 1, "sd": 3.0},
    {"outer": 1, "inner": 2, "sd": 2.0},
    {"outer": 2, "inner": 1, "sd": 2.0},
    {"outer": 1, "inner": 2, "sd": 0.3, "note": "near zero"},
    {"outer": 2, "inner": 1, "sd": 0.5, "note": "near zero"},
    {"outer": 1, "inner": 1, "sd": 2.0, "single": True},
    {"outer": 1, "inner": 2, "sd": 2.0, "visits": 1},
    {"outer": 2, "inner": 0, "sd": 2.0, "visits": 1},
]


@pytest.mark.parametrize("method", ["REML", "ML"])
@pytest.mark.parametrize("number", range(len(DESIGNS)))
def test_the_optimum_is_that_of_statsmodels_on_fresh_designs(number, method):
    # statsmodels MixedLM 0.15: its likelihood at our estimates is ours, and its own optimum no higher.
    design = DESIGNS[number]
    rng = np.random.default_rng(100 + number)
    placements = np.where(rng.random(50) < (0.6 if design.get("single") else 0.2), 1, rng.integers(1, 4, 50))
    patient_of = np.repeat(np.arange(50), placements)
    visits = np.where(
        rng.random(len(patient_of)) < 0.3, 1, rng.integers(1, design.get("visits", 5) + 3, len(patient_of))
    )
    inner = np.repeat(np.arange(len(patient_of)), visits)
    outer = patient_of[inner]
    n = len(inner)
    x = np.column_stack([np.ones(n), rng.uniform(0, 2, n), rng.integers(0, 2, n)])
    outer_z, inner_z = x[:, : design["outer"]], x[:, : design["inner"]]
    y = x @ [60.0, 8.0, -3.0] + rng.normal(scale=4.0, size=n)
    y += (outer_z * rng.normal(scale=design["sd"], size=(50, design["outer"]))[outer]).sum(axis=1)
    levels = [(outer, outer_z)]
    if design["inner"]:
        y += (inner_z * rng.normal(scale=design["sd"], size=(len(patient_of), design["inner"]))[inner]).sum(
            axis=1
        )
        levels.append((inner, inner_z, "diagonal"))
    fit = mixed.fit(y, x, levels, method=method)
    model = _statsmodels(y, x, outer, outer_z, inner if design["inner"] else None, inner_z)
    own = MixedLMParams.from_components(
        fe_params=fit.beta,
        cov_re=fit.covariances[0] / fit.sigma**2,
        vcomp=np.diag(fit.covariances[1]) / fit.sigma**2 if design["inner"] else np.zeros(0),
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = [model.fit(reml=method == "REML", method=m, gtol=1e-8).llf for m in (["lbfgs"], ["bfgs"])]
        if not any(fit.on_boundary):
            assert abs(model.loglike(own) - fit.loglik) < 1e-6
    # Its simplex and quasi-Newton searches can end at an infinite likelihood (a step to a variance below
    # zero).
    found = [value for value in found if np.isfinite(value)]
    assert max(found) - fit.loglik < 1e-6
    if not any(fit.on_boundary):
        assert fit.loglik - max(found) < 1e-6


def test_a_fit_added_up_over_parts_is_the_fit_of_all_rows_to_rounding():
    y, x, levels, weights, _ = _register(3, SHAPES["patient, placement with slope"], n_patients=60)
    whole = mixed.fit(y, x, levels, weights=weights)
    part_of = levels[0][0] % 3
    designs = [
        mixed.design(y[at], x[at], [(c[at], z[at], kind) for c, z, kind in levels], weights=weights[at])
        for at in (part_of == k for k in range(3))
    ]
    total = reduce(mixed.Survey.__add__, (mixed.survey(d) for d in designs))
    form = mixed.plan(total, designs[0].kinds)
    parts = [pickle.loads(pickle.dumps(mixed.prepare(d, form))) for d in designs]
    exchanges = []

    def evaluate(theta, probe):
        exchanges.append(theta)
        return reduce(mixed.Sums.__add__, (mixed.contributions(theta, p, form, probe=probe) for p in parts))

    pooled = mixed.fit_sums(form, evaluate)
    assert len(exchanges) <= 8
    np.testing.assert_allclose(pooled.loglik, whole.loglik, rtol=1e-13)
    np.testing.assert_allclose(pooled.beta, whole.beta, rtol=1e-9)
    np.testing.assert_allclose(pooled.beta_se, whole.beta_se, rtol=1e-8)
    np.testing.assert_allclose(pooled.beta_df, whole.beta_df, rtol=1e-6)
    with pytest.raises(FitError, match="random effects stay with the parts"):
        _ = pooled.random


def test_order_of_rows_names_of_groups_and_cutting_into_blocks_change_nothing(monkeypatch):
    y, x, levels, weights, known = _register(4, SHAPES["three levels"], n_patients=40)
    first = mixed.fit(y, x, levels, weights=weights, known_variance=known)
    turned = np.random.default_rng(1).permutation(len(y))
    named = [(np.array([f"g{c:06d}" for c in code[turned]]), z[turned], kind) for code, z, kind in levels]
    monkeypatch.setattr("analytics.numerics.mixed.parts.BLOCK_FLOATS", 100)
    second = mixed.fit(y[turned], x[turned], named, weights=weights[turned], known_variance=known[turned])
    assert len(second.parts[0].blocks) > 2
    second = pickle.loads(pickle.dumps(second))
    np.testing.assert_allclose(second.loglik, first.loglik, rtol=1e-12)
    np.testing.assert_allclose(second.beta, first.beta, rtol=1e-8)
    for a, b in zip(first.random, second.random, strict=True):
        np.testing.assert_allclose(b, a, atol=1e-5)


def test_units_of_y_and_z_change_only_the_units_of_the_answer():
    y, x, levels, _, _ = _register(5, SHAPES["patient, placement with slope"])
    first = mixed.fit(y, x, levels)
    (a, za, ka), (b, zb, kb) = levels
    second = mixed.fit(1e4 * y, x, [(a, za, ka), (b, zb * [1.0, 1e-3], kb)])
    np.testing.assert_allclose(second.beta, 1e4 * first.beta, rtol=1e-7)
    turn = np.diag([1e4, 1e7])
    np.testing.assert_allclose(second.covariances[1], turn @ first.covariances[1] @ turn, rtol=1e-5)
    np.testing.assert_allclose(second.beta_df, first.beta_df, rtol=1e-5)


def test_a_variance_of_zero_is_an_answer_flagged_with_finite_errors():
    # Dyestuff2 of Box & Tiao 1973, p. 247, is built so that the batch variance is estimated at zero; here
    # the same by making every group mean equal: between-group mean square zero, so the REML variance is
    # zero (Searle, Casella & McCulloch 1992, Variance Components, sec. 3.5) and the mean has the standard
    # error of a plain sample.
    within = np.array([-1.5, -0.5, 0.5, 1.5])
    y, group, one = np.tile(within, 6) + 10.0, np.repeat(np.arange(6), 4), np.ones((24, 1))
    fit = mixed.fit(y, one, [(group, one)])
    assert fit.covariances[0][0, 0] == 0.0
    assert fit.on_boundary == [True]
    assert not fit.checks["not_on_boundary"]
    assert fit.converged
    np.testing.assert_allclose(fit.beta_se, y.std(ddof=1) / np.sqrt(24), rtol=1e-7)
    np.testing.assert_allclose(fit.beta_df, 23, atol=1e-6)
    np.testing.assert_array_equal(fit.random[0], 0.0)
    low, high = fit.profile(names=["sd[0, 0]"])["sd[0, 0]"]
    assert low == 0.0
    assert 0.1 < high < 2.0
    assert fit.wald()["sd[0, 0]"] != fit.wald()["sd[0, 0]"]


def test_a_correlation_of_one_is_flagged_and_nothing_else_fails():
    # Intercepts and slopes of the groups are proportional by construction.
    rng = np.random.default_rng(8)
    group = np.repeat(np.arange(8), 6)
    t = np.tile(np.arange(6.0), 8)
    z = np.column_stack([np.ones(48), t])
    noise = (np.eye(48) - np.kron(np.eye(8), z[:6] @ np.linalg.pinv(z[:6]))) @ rng.normal(size=48)
    shared = rng.normal(size=8)[group]
    y = z @ [1.0, 2.0] + shared * (3 + t) + noise
    fit = mixed.fit(y, z, [(group, z)])
    assert fit.on_boundary == [True]
    c = fit.covariances[0]
    np.testing.assert_allclose(c[0, 1] ** 2, c[0, 0] * c[1, 1], rtol=1e-9)
    assert np.isfinite(fit.beta_df).all()
    assert fit.converged


def test_a_whole_covariance_of_zero_is_exactly_zero():
    # Every group has the same rows, so between-group sums of squares are zero in intercept and slope.
    z = np.column_stack([np.ones(4), np.arange(4.0)])
    y, x, group = np.tile([1.0, 3.0, 2.5, 6.0], 7), np.tile(z, (7, 1)), np.repeat(np.arange(7), 4)
    fit = mixed.fit(y, x, [(group, x)])
    np.testing.assert_array_equal(fit.covariances[0], np.zeros((2, 2)))
    least = np.linalg.lstsq(x, y)
    np.testing.assert_allclose(fit.beta, least[0], rtol=1e-9)
    np.testing.assert_allclose(fit.sigma**2, least[1][0] / 26, rtol=1e-9)
    np.testing.assert_allclose(fit.beta_df, 26, rtol=1e-6)


def test_known_variances_that_explain_more_than_all_leave_sigma_at_zero():
    y, x, levels, _, known = _register(1, SHAPES["one level, full"])
    fit = mixed.fit(y, x, levels, known_variance=known + 30.0)
    assert fit.sigma == 0.0
    assert not fit.checks["not_on_boundary"]
    assert np.isfinite(fit.beta_df).all()
    least = dense.loglik(y, x, dense.covariance(levels, fit.covariances, known + 30.0), reml=True)
    more = dense.loglik(y, x, dense.covariance(levels, fit.covariances, known + 30.1), reml=True)
    np.testing.assert_allclose(fit.loglik, least, rtol=ROUNDING)
    assert more < least
    zero = mixed.fit(y, x, levels, known_variance=0 * known)
    np.testing.assert_allclose(zero.loglik, mixed.fit(y, x, levels).loglik, rtol=1e-9)
    from_zero = mixed.fit(y, x, levels, known_variance=0 * known, start=[*zero.theta[:-1], 0.0])
    np.testing.assert_allclose(from_zero.loglik, zero.loglik, rtol=1e-9)


def test_wald_limits_are_those_of_the_plain_likelihoods_curvature():
    # Pinheiro & Bates 2000, sec. 2.4.3: normal limits for log standard deviations and Fisher's z.
    y, x, levels, _, known = _register(6, SHAPES["one level, full"])
    for extra in (None, known):
        fit = mixed.fit(y, x, levels, known_variance=extra)
        limits = fit.wald(level=0.9)

        def deviance(point, extra=extra):
            sd, r = np.exp(point[:2]), np.tanh(point[2])
            psi = np.array([[sd[0] ** 2, r * sd.prod()], [r * sd.prod(), sd[1] ** 2]])
            error = np.exp(2 * point[3]) + (np.zeros(len(y)) if extra is None else extra)
            return -2 * dense.loglik(y, x, dense.covariance(levels, [psi], error), reml=True)

        at = np.array([*np.log(limits.estimate[:2]), np.arctanh(limits.estimate[2]), np.log(fit.sigma)])
        half = 1.6448536 * np.sqrt(np.diag(2 * np.linalg.inv(dense.differences(deviance, at, 1e-2))))
        bend = [np.exp, np.exp, np.tanh, np.exp]
        low, high = ([f(v) for f, v in zip(bend, at + s * half, strict=True)] for s in (-1, 1))
        np.testing.assert_allclose(limits.low[:4], low, rtol=1e-3)
        np.testing.assert_allclose(limits.high[:4], high, rtol=1e-3)


@pytest.mark.parametrize("extra", ["plain", "known variance"])
def test_kenward_roger_and_satterthwaite_are_those_of_their_papers_on_unbalanced_data(extra):
    # Kenward & Roger 1997, Biometrics 53:983, and Fai & Cornelius 1996, eq. 3 to 6, both by n x n algebra.
    y, x, levels, _, known = _register(6, SHAPES["patient, placement with slope"])
    known = known if extra == "known variance" else None
    fit = mixed.fit(y, x, levels, known_variance=known)
    n = len(y)
    units = []
    for c, z, _ in levels:
        q = z.shape[1]
        for a in range(q):
            for b in range(a + 1):
                e = np.zeros((q, q))
                e[a, b] = e[b, a] = 1.0
                units.append((c[:, None] == c[None]) * (z @ e @ z.T))
    units.append(np.eye(n))
    at = np.array(
        [*(c[a, b] for c in fit.covariances for a in range(len(c)) for b in range(a + 1)), fit.sigma**2]
    )
    base = np.zeros((n, n)) if known is None else np.diag(known)

    def v(point):
        return base + np.tensordot(point, units, 1)

    rows = np.eye(3)[1:]
    adjusted, f, df = dense.kenward_roger(x, v(at), units, rows, rows @ fit.beta)
    test = fit.contrast(rows, method="kenward-roger")
    np.testing.assert_allclose(fit.beta_cov_kr, adjusted, rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose([test.statistic, test.df[1]], [f, df], rtol=1e-6)
    np.testing.assert_allclose(test.p_value, stats.f.sf(f, 2, df), rtol=1e-6)

    hessian = dense.differences(lambda p: -2 * dense.loglik(y, x, v(p), reml=True), at, 1e-3)
    spread = 2 * np.linalg.inv(hessian)

    def variances(point):
        return np.diag(np.linalg.inv(x.T @ np.linalg.inv(v(point)) @ x))

    slopes = np.array([(variances(at + e) - variances(at - e)) / 2e-4 for e in 1e-4 * np.eye(len(at))])
    expected = 2 * variances(at) ** 2 / np.einsum("kp,kh,hp->p", slopes, spread, slopes)
    np.testing.assert_allclose(fit.beta_df, expected, rtol=1e-3)


@pytest.mark.parametrize("known", [True, False])
def test_many_outcomes_at_once_are_fitted_as_each_alone(known):
    # Each alone is held against dense algebra above; some of these have a variance of zero between groups.
    rng = np.random.default_rng(20_261_130)
    codes = rng.integers(0, 25, 60)
    x = np.column_stack([rng.integers(0, 2, 60), np.ones(60), rng.normal(size=60)])
    variance = rng.uniform(20, 60, 60) if known else None
    spread = np.repeat([0.0, 3.0, 9.0], 4)[:, None]
    outcomes = spread * rng.normal(size=(12, 25))[:, codes] + 6 * rng.normal(size=(12, 60))
    one = [(codes, np.ones((60, 1)))]
    alone = [mixed.fit(y, x, one, known_variance=variance) for y in outcomes]
    assert any(fit.on_boundary[0] for fit in alone)
    tested = [fit.contrast([1, -1, 0.5], method="kenward-roger") for fit in alone]
    found = mixed.contrasts(outcomes, x, codes, np.array([1, -1, 0.5]), known_variance=variance)
    np.testing.assert_allclose(np.transpose(found), [(t.estimate, t.se, t.df) for t in tested], rtol=1e-6)


def test_a_joint_test_in_a_balanced_design_has_the_degrees_of_freedom_of_the_analysis_of_variance():
    # Random blocks: F of treatments on (t - 1) and (b - 1)(t - 1) df, exact (Searle, Casella & McCulloch
    # 1992, ch. 4).
    rng = np.random.default_rng(9)
    block, treatment = np.repeat(np.arange(8), 4), np.tile(np.arange(4), 8)
    y = rng.normal(size=8)[block] * 3 + treatment + rng.normal(size=32)
    x = (treatment[:, None] == np.arange(4)).astype(float)
    fit = mixed.fit(y, x, [(block, np.ones((32, 1)))])
    table = y.reshape(8, 4)
    rest = table - table.mean(axis=1, keepdims=True) - table.mean(axis=0) + table.mean()
    f = 8 * ((table.mean(axis=0) - table.mean()) ** 2).sum() / 3 / ((rest**2).sum() / 21)
    rows = np.eye(4)[1:] - np.eye(4)[0]
    for method in ("satterthwaite", "kenward-roger"):
        test = fit.contrast(rows, method=method)
        np.testing.assert_allclose([test.statistic, *test.df], [f, 3, 21], rtol=1e-5)


def test_predictions_and_their_errors_are_hendersons():
    # Henderson 1975, Biometrics 31:423: Var of X beta + Z b - (their predictor), by n x n algebra.
    y, x, levels, _, known = _register(7, SHAPES["patient, placement with slope"])
    fit = mixed.fit(y, x, levels, known_variance=known)
    g = dense.covariance(levels, fit.covariances, np.zeros(len(y)))
    v = np.linalg.inv(g + np.diag(fit.sigma**2 + known))
    phi = np.linalg.inv(x.T @ v @ x)
    p = v - v @ x @ phi @ x.T @ v
    cross = x @ phi @ x.T @ v @ g
    expected = np.diag(g - g @ p @ g + x @ phi @ x.T - cross - cross.T)
    got = fit.predict(x, levels)
    np.testing.assert_allclose(got.mean, x @ fit.beta + g @ p @ y, rtol=1e-8)
    np.testing.assert_allclose(got.se**2, expected, rtol=1e-7)
    np.testing.assert_allclose(fit.residuals(y, x, levels), y - got.mean, rtol=1e-9)
    fresh = [(np.full(len(y), -1), z, kind) for _, z, kind in levels]
    variance = np.einsum("np,pq,nq->n", x, fit.beta_cov, x) + sum(
        np.einsum("na,ab,nb->n", z, c, z) for (_, z, _), c in zip(levels, fit.covariances, strict=True)
    )
    np.testing.assert_allclose(fit.predict(x, fresh).se ** 2, variance, rtol=1e-9)
    reading = fit.predict(x, fresh, observation=True)
    np.testing.assert_allclose(reading.se**2, variance + fit.sigma**2, rtol=1e-9)
    low, high = reading.interval(0.9)
    np.testing.assert_allclose(high - low, 2 * 1.6448536 * reading.se, rtol=1e-6)


def test_a_case_conditioned_on_its_own_readings_has_the_modes_of_the_fit():
    y, x, levels, _, known = _register(7, SHAPES["three levels"])
    fit = mixed.fit(y, x, levels, known_variance=known)
    at = levels[0][0] == 5
    own = [(c[at], z[at]) for c, z, _ in levels]
    case = fit.condition(y[at], x[at], own, known_variance=known[at])
    for i, groups in enumerate(case.groups):
        rows = np.searchsorted(fit.groups[i], groups)
        np.testing.assert_allclose(case.modes[i], fit.random[i][rows], rtol=1e-7, atol=1e-9)
    again, whole = case.predict(x[at], own), fit.predict(x, levels)
    np.testing.assert_allclose(again.mean, whole.mean[at], rtol=1e-9)
    np.testing.assert_allclose(again.se, whole.se[at], rtol=1e-7)
    reading = case.predict(x[at], own, observation=True, known_variance=known[at])
    np.testing.assert_allclose(reading.se**2, again.se**2 + fit.sigma**2 + known[at], rtol=1e-9)
    unread = fit.condition(y[:0], x[:0], [(c[:0], z[:0]) for c, z, _ in levels])
    fresh = [(c[at] + 10_000, z[at]) for c, z, _ in levels]
    np.testing.assert_allclose(unread.predict(x[at], fresh).se, fit.predict(x[at], fresh).se, rtol=1e-9)


def test_a_start_elsewhere_ends_at_the_same_optimum():
    y, x, levels, _, known = _register(9, SHAPES["three levels, wide"], n_patients=30)
    for extra in (None, known):
        fit = mixed.fit(y, x, levels, known_variance=extra)
        warm = mixed.fit(y, x, levels, known_variance=extra, start=fit.theta)
        far = mixed.fit(y, x, levels, known_variance=extra, start=3 * np.abs(fit.theta) + 0.1)
        assert warm.optimum.n_exchanges <= 3
        np.testing.assert_allclose([warm.loglik, far.loglik], fit.loglik, rtol=1e-10)


BAD = {
    "missing outcome": (
        lambda y, x, a, b, o: (np.where(np.arange(12) == 4, np.nan, y), x, [(a, o)]),
        "mixed.fit: y is missing or infinite in 1 rows, first at row 4; every value must be a finite number; "
        "leave those rows out",
    ),
    "missing text code": (
        lambda y, x, a, b, o: (y, x, [(np.array(["p", float("nan"), "q"] * 4, dtype=object), o)]),
        "mixed.fit: level 1: 4 codes are missing, first at row 1; every row belongs to one group of each "
        "level; drop those rows or give them a code",
    ),
    "missing code": (
        lambda y, x, a, b, o: (y, x, [(np.where(np.arange(12) < 2, None, a.astype(object)), o)]),
        "mixed.fit: level 1: 2 codes are missing, first at row 0; every row belongs to one group "
        "of each level; "
        "drop those rows or give them a code",
    ),
    "collinear": (
        lambda y, x, a, b, o: (y, np.column_stack([x, x.sum(axis=1)]), [(a, o)]),
        "mixed.fit: column 2 of X (counted from 0) is a combination of the columns before it; the "
        "columns of X "
        "must be independent; drop it",
    ),
    "crossed": (
        lambda y, x, a, b, o: (y, x, [(a, o), (np.tile([0, 1, 2], 4), o)]),
        "mixed.fit: level 2 is not nested in level 1: 3 of its groups hold rows of more than one "
        "outer group, first "
        "at row 0; give each inner group a code of its own, or enter a crossed factor as fixed effects "
        "or, in mixed.fit, as crossed=",
    ),
    "wrong order": (
        lambda y, x, a, b, o: (y, x, [(b, o), (a, o)]),
        "mixed.fit: levels 1 and 2 are in the wrong order, first seen at row 0; levels are given "
        "outermost first; "
        "swap them",
    ),
    "few groups": (
        lambda y, x, a, b, o: (y, x, [(np.repeat([0, 1], 6), np.column_stack([o, x[:, 1], x[:, 1] ** 2]))]),
        "mixed.fit: level 1 has 2 groups for 3 random effects; at least 3 groups are needed; drop "
        "the level, or enter "
        "it as fixed effects",
    ),
    "one group": (
        lambda y, x, a, b, o: (y, x, [(np.zeros(12, int), o)]),
        "mixed.fit: level 1 has 1 group for 1 random effect; at least 2 groups are needed; drop "
        "the level, or enter it "
        "as fixed effects",
    ),
    "alone": (
        lambda y, x, a, b, o: (y, x, [(np.arange(12), o)]),
        "mixed.fit: every row is a group of its own at level 1; its variance cannot be told from "
        "the error variance; "
        "drop the level",
    ),
    "exact": (
        lambda y, x, a, b, o: (x @ [1.0, 2.0], x, [(a, o)]),
        "mixed.fit: y is reproduced exactly by the fixed effects; there is no variation left to divide",
    ),
    "empty effect": (
        lambda y, x, a, b, o: (y, x, [(a, np.column_stack([o, 0 * o]))]),
        "mixed.fit: a column of Z of level 1 is zero throughout; drop it",
    ),
    "lengths": (
        lambda y, x, a, b, o: (y, x, [(a[:5], o)]),
        "mixed.fit: level 1 has 5 codes and Z of shape (12, 1) for 12 rows; one code and one row "
        "of Z an observation "
        "are needed",
    ),
    "structure": (
        lambda y, x, a, b, o: (y, x, [(a, o, "band")]),
        "mixed.fit: level 1 has an unknown structure; use one of full, diagonal, identity",
    ),
    "no levels": (
        lambda y, x, a, b, o: (y, x, []),
        "mixed.fit: no levels given; a mixed model needs at least one, (codes, Z)",
    ),
    "too few rows": (
        lambda y, x, a, b, o: (y[:2], x[:2], [(a[:2], o[:2])]),
        "mixed.fit: 2 rows for 2 fixed effects; more rows than fixed effects are needed",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_what_cannot_be_fitted_is_refused_in_one_sentence(case):
    rng = np.random.default_rng(3)
    make, sentence = BAD[case]
    outer = np.repeat(np.arange(4), 3)
    inner = np.repeat(np.arange(6), 2)
    if case in ("wrong order",):
        outer, inner = np.repeat(np.arange(3), 4), np.repeat(np.arange(6), 2)
    x = np.column_stack([np.ones(12), np.tile([0.0, 1.0, 2.5], 4)])
    with pytest.raises(FitError) as caught:
        mixed.fit(*make(rng.normal(size=12), x, outer, inner, np.ones((12, 1))))
    assert str(caught.value) == sentence


def test_weights_and_known_variances_out_of_range_are_refused():
    y, x, levels, weights, known = _register(1, SHAPES["one level, full"])
    with pytest.raises(FitError) as caught:
        mixed.fit(y, x, levels, weights=np.where(np.arange(len(y)) == 3, 0.0, weights))
    assert str(caught.value) == (
        "mixed.fit: weights is out of range in 1 rows, first at row 3; it must be more than zero"
    )
    with pytest.raises(
        FitError, match="known_variance is out of range in 2 rows, first at row 0; it must be zero or more"
    ):
        mixed.fit(y, x, levels, known_variance=np.where(np.arange(len(y)) < 2, -1.0, known))


def test_a_test_says_which_distribution_its_p_value_is_from(published):
    # Stram & Lee 1994: one variance more lies on the edge; a covariance or a fixed effect does not.
    data = np.genfromtxt(published / "sleepstudy.csv", delimiter=",", names=True, deletechars='"')
    reaction, days, subject = (data[name] for name in ("Reaction", "Days", "Subject"))
    X = np.column_stack([np.ones(len(days)), days])

    def fit(fixed, levels):
        return mixed.fit(reaction, fixed, levels, method="ML")

    one, two = fit(X, [(subject.astype(int), X[:, :1])]), fit(X, [(subject.astype(int), X, "diagonal")])
    three, flat = fit(X, [(subject.astype(int), X)]), fit(X[:, :1], [(subject.astype(int), X)])
    assert mixed.likelihood_ratio(one, two).mixture == "50:50 mixture of chi-square 0 and 1"
    assert mixed.likelihood_ratio(two, three).mixture == "chi-square 1"
    assert mixed.likelihood_ratio(flat, three).mixture == "chi-square 1"


def test_a_balanced_fit_has_equal_errors_and_needs_no_correction_for_few_groups(published):
    data = np.genfromtxt(published / "sleepstudy.csv", delimiter=",", names=True, deletechars='"')
    X = np.column_stack([np.ones(len(data)), data["Days"]])
    fit = mixed.fit(data["Reaction"], X, [(data["Subject"].astype(int), X)])
    assert fit.checks == dict.fromkeys(("converged", "not_on_boundary", "determined", "finite_se"), True)
    np.testing.assert_allclose(fit.beta_cov_kr, fit.beta_cov, rtol=1e-8)
    np.testing.assert_allclose(fit.random_se[0], np.tile(fit.random_se[0][0], (18, 1)), rtol=1e-8)


def test_tests_that_do_not_compare_are_refused():
    y, x, levels, _, _ = _register(1, SHAPES["one level, full"])
    reml, other = mixed.fit(y, x, levels), mixed.fit(y, x[:, :2], levels)
    with pytest.raises(FitError, match="REML likelihoods of different fixed effects do not compare"):
        mixed.likelihood_ratio(other, reml)
    with pytest.raises(FitError, match="the larger model has 0 parameters more"):
        mixed.likelihood_ratio(reml, reml)
    with pytest.raises(FitError, match="not of the same rows under the same criterion"):
        mixed.likelihood_ratio(reml, mixed.fit(y, x, levels, method="ML"))
    with pytest.raises(FitError, match="Kenward and Roger's method is defined for REML"):
        mixed.fit(y, x, levels, method="ML").contrast([1, 0, 0], method="kenward-roger")
    with pytest.raises(FitError, match="start has shape \\(2,\\) for 3 variance parameters"):
        mixed.fit(y, x, levels, start=[1.0, 1.0])
    with pytest.raises(FitError, match="L has 2 columns for 3 fixed effects"):
        reml.contrast([1, 0])
    known = [(np.roll(c, 1), z, kind) for c, z, kind in levels]
    assert np.isfinite(reml.predict(x, known).mean).all()


def test_a_known_placement_named_under_another_patient_is_refused():
    y, x, levels, _, _ = _register(1, SHAPES["patient, placement with slope"])
    fit = mixed.fit(y, x, levels)
    (a, za, _), (b, zb, _) = levels
    with pytest.raises(FitError, match="name a known group under another outer group than in the fit"):
        fit.predict(x, [(a + 1, za), (b, zb)])


def test_contrasts_of_endless_degrees_of_freedom_are_tested_as_such():
    # A covariance that no variance parameter moves; contrasts 1 and 3 of variance 1: F is their mean square.
    spread = inference.Spread(np.eye(2), slopes=np.zeros((1, 2, 2)), parameters=np.eye(1))
    assert inference.satterthwaite_test(spread, np.eye(2), np.array([1.0, 3.0])) == (5.0, np.inf, 2)
