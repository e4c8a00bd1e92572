"""Published examples of linear mixed models.

Digits beyond the printed ones were computed with lme4 1.1-31, lmerTest 3.1-3, pbkrtest 0.5.2 and nlme
3.1-162 in R 4.2. A REML log-likelihood depends on how the fixed effects are coded; each case codes them
as its source.
"""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import scipy

from analytics.numerics import diagnostics, mixed
from analytics.published.cases import Case, Number, each, near

BATES = "Bates, Maechler, Bolker & Walker 2015, J Stat Softw 67(1)"
PINHEIRO = "Pinheiro & Bates 2000, Mixed-Effects Models in S and S-PLUS"
DAVIES = "Davies & Goldsmith 1972, Statistical Methods in Research and Production (data)"
MORE = "more digits by lme4 1.1-31 in R"

# To this the references agree with each other; conditional modes in the unit of the outcome.
LOGLIK, DF, CHI2, MODE = ({"absolute": a} for a in (1e-4, 0.01, 1e-3, 1e-3))
FIXED, SE, VARIANCE, P = ({"relative": r} for r in (1e-6, 1e-4, 1e-3, 1e-3))


def _sleep(published: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return reaction times, the design of a line over days, and subjects."""
    data = pd.read_csv(published / "sleepstudy.csv")
    X = np.column_stack([np.ones(len(data)), data["Days"]])
    return data["Reaction"].to_numpy(float), X, data["Subject"].to_numpy()


def _sleepstudy(published: Path) -> Iterator[Number]:
    y, X, subject = _sleep(published)
    levels = [(subject, X)]
    fit = mixed.fit(y, X, levels)
    (intercept, both), (_, slope) = fit.covariances[0]
    yield from near(
        {
            "log-likelihood (REML)": (fit.loglik, -871.814136),
            "REML criterion": (-2 * fit.loglik, 1743.6283),
        },
        **LOGLIK,
    )
    yield from near({"intercept": (fit.beta[0], 251.405105), "slope": (fit.beta[1], 10.467286)}, **FIXED)
    yield from near(
        {
            "its standard error": (fit.beta_se[0], 6.824556),
            "standard error of the slope": (fit.beta_se[1], 1.545789),
        },
        **SE,
    )
    correlation = fit.beta_cov[0, 1] / np.prod(fit.beta_se)
    yield from near({"correlation of the two": (correlation, -0.1376)}, absolute=5e-5)
    yield from near(
        {
            "SD of intercepts": (np.sqrt(intercept), 24.74045),
            "SD of slopes": (np.sqrt(slope), 5.922133),
            "variance of intercepts": (intercept, 612.0897),
            "variance of slopes": (slope, 35.07166),
            "covariance of intercept and slope": (both, 9.60434),
            "residual SD": (fit.sigma, 25.59182),
        },
        **VARIANCE,
    )
    scaled = fit.residuals(y, X, levels) / fit.sigma
    found = [scaled.min(), np.median(scaled), scaled.max()]
    yield from each(
        "{} scaled residual", ("least", "median", "largest"), found, [-3.954, 0.023, 5.179], absolute=5e-4
    )


def _sleepstudy_subjects(published: Path) -> Iterator[Number]:
    y, X, subject = _sleep(published)
    fit = mixed.fit(y, X, [(subject, X)])
    at = {code: i for i, code in enumerate(fit.groups[0].tolist())}
    expected = {
        308: (2.258566, 9.198972),
        309: (-40.398577, -8.619703),
        337: (34.890351, 8.628284),
        335: (-0.333696, -10.752159),
    }
    for code, modes in expected.items():
        names = (f"intercept of subject {code}", f"slope of subject {code}")
        yield from each("{}", names, fit.random[0][at[code]], modes, **MODE)
    of = ("intercept", "slope")
    yield from each("conditional SD of any {}", of, fit.random_se[0].max(axis=0), [12.070837, 2.304837], **SE)


def _sleepstudy_tests(published: Path) -> Iterator[Number]:
    y, X, subject = _sleep(published)
    fit = mixed.fit(y, X, [(subject, X)])
    for method in ("satterthwaite", "kenward-roger"):
        both = [fit.contrast(row, method=method) for row in np.eye(2)]
        of = [f"{term}, {method.title()}" for term in ("intercept", "slope")]
        yield from each("degrees of freedom of the {}", of, [c.df for c in both], [17, 17], **DF)
        yield from each("t of the {}", of, [c.statistic for c in both], [36.8383, 6.771485], **SE)
        yield from near({f"p of the {of[1]}": (both[1].p_value, 3.2638e-06)}, **P)


def _sleepstudy_leftover(published: Path) -> Iterator[Number]:
    y, X, subject = _sleep(published)
    fit = mixed.fit(y, X, [(subject, X)])
    left = diagnostics.leftover(
        y, X, subject, X, beta=fit.beta, beta_cov=fit.beta_cov, covariance=fit.covariances[0],
        own_variance=fit.sigma**2,
    )  # fmt: skip
    four, three = {"absolute": 1e-4}, {"absolute": 1e-3}
    scaled = left.conditional / fit.sigma
    expected = [5.179260, -3.953567, -3.842491]
    yield from each("residual of row {}, in SD", (57, 8, 60), scaled[[56, 7, 59]], expected, **four)
    yield from near({"Shapiro-Wilk W of them (scipy)": (scipy.stats.shapiro(scaled)[0], 0.901460)}, **four)
    expected = [-0.051835, -0.070967, -0.632486, 1.540712, 1.750754]
    yield from each("independent residual of row {}", range(1, 6), left.independent[:5], expected, **four)
    yield from near({"the largest of them, row 60": (abs(left.independent[59]), 4.560526)}, **four)
    yield from near({"sum of their squares": ((left.independent**2).sum(), 178)}, **three)
    at = {code: i for i, code in enumerate(np.unique(subject).tolist())}
    for code, whole in {332: 45.49983, 308: 30.85289, 370: 10.05047, 350: 9.63777}.items():
        yield from near({f"distance of subject {code}": (left.distance[at[code]], whole)}, **three)
    found = left.p_value[[at[332], at[308]]]
    yield from each("p of subject {}", (332, 308), found, [1.77e-6, 6.20e-4], relative=5e-3)
    ratio = left.effect / left.effect_sd
    of = ("intercept", "slope")
    for code, effects in {308: (0.107613, 1.735158), 309: (-1.924876, -1.625888)}.items():
        yield from each(f"{{}} of subject {code}, in its own SD", of, ratio[at[code]], effects, **three)
    found = left.effect_distance[[at[309], at[335]]]
    yield from each("distance of the effects of subject {}", (309, 335), found, [5.04980, 4.40233], **three)
    centiles = [*left.pit[:3], left.pit.min(), left.pit.max()]
    rows = ("row 1", "row 2", "row 3", "the lowest", "the highest")
    expected = [0.479330, 0.465278, 0.285535, 0.024983, 0.996749]
    yield from each("marginal centile of {}", rows, centiles, expected, absolute=1e-5)


def _sleepstudy_without(published: Path) -> Iterator[Number]:
    y, X, subject = _sleep(published)
    expected = {332: (250.649, 10.520, 475.32), 308: (251.829, 9.803, 559.18)}
    for out, values in expected.items():
        kept = subject != out
        fit = mixed.fit(y[kept], X[kept], [(subject[kept], X[kept])])
        found = [*fit.beta, fit.sigma**2]
        of = ("intercept", "slope", "residual variance")
        yield from each(f"{{}} without subject {out}", of, found, values, relative=1e-3)


def _sleepstudy_ml(published: Path) -> Iterator[Number]:
    y, X, subject = _sleep(published)
    fit = mixed.fit(y, X, [(subject, X)], method="ML")
    (intercept, both), (_, slope) = fit.covariances[0]
    yield from near(
        {
            "log-likelihood (ML)": (fit.loglik, -875.969672),
            "AIC": (fit.aic, 1763.9393),
            "BIC": (fit.bic, 1783.0971),
        },
        **LOGLIK,
    )
    yield from near(
        {
            "variance of intercepts": (intercept, 565.5153),
            "variance of slopes": (slope, 32.68220),
            "covariance of intercept and slope": (both, 11.05541),
            "residual variance": (fit.sigma**2, 654.9410),
        },
        **VARIANCE,
    )
    yield from each(
        "standard error of the {}", ("intercept", "slope"), fit.beta_se, [6.632276, 1.502237], **SE
    )


def _sleepstudy_chain(published: Path) -> Iterator[Number]:
    y, X, subject = _sleep(published)
    one = mixed.fit(y, X, [(subject, X[:, :1])], method="ML")
    two = mixed.fit(y, X, [(subject, X, "diagonal")], method="ML")
    three = mixed.fit(y, X, [(subject, X)], method="ML")
    which = ("intercepts alone", "independent slopes", "correlated slopes")
    fits = (one, two, three)
    found = [f.loglik for f in fits]
    yield from each("log-likelihood, {}", which, found, [-897.03932, -876.00163, -875.96967], **LOGLIK)
    yield from each("AIC, {}", which, [f.aic for f in fits], [1802.08, 1762.00, 1763.94], absolute=5e-3)
    slope, correlation = mixed.likelihood_ratio(one, two), mixed.likelihood_ratio(two, three)
    yield from near(
        {
            "chi-squared of the slopes": (slope.statistic, 42.0754),
            "chi-squared of the correlation": (correlation.statistic, 0.06391),
        },
        **CHI2,
    )
    # A variance lies on the edge of what is possible: half the p-value of chi-squared with 1 df (8.78e-11).
    yield from near(
        {"p of the slopes (half of that printed)": (slope.p_value, 8.78e-11 / 2)}, absolute=2.5e-14
    )
    yield from near({"p of the correlation": (correlation.p_value, 0.8004)}, **P)


def _sleepstudy_profile(published: Path) -> Iterator[Number]:
    y, X, subject = _sleep(published)
    limits = mixed.fit(y, X, [(subject, X)], method="ML").profile()
    expected = {
        "sd[0, 0]": ("SD of intercepts", 14.3817, 37.7160),
        "corr[0, 1, 0]": ("correlation", -0.4815, 0.6850),
        "sd[0, 1]": ("SD of slopes", 3.8012, 8.7534),
        "sigma": ("residual SD", 22.8983, 28.8580),
        "beta[0]": ("intercept", 237.6807, 265.1295),
        "beta[1]": ("slope", 7.3587, 13.5759),
    }
    for name, (words, low, high) in expected.items():
        yield from each(f"{words}, {{}}", ("lower", "upper"), limits[name], (low, high), absolute=0.02)


def _sleepstudy_intercept(published: Path) -> Iterator[Number]:
    y, X, subject = _sleep(published)
    levels = [(subject, X[:, :1])]
    fit, ml = mixed.fit(y, X, levels), mixed.fit(y, X, levels, method="ML")
    yield from near(
        {
            "log-likelihood (REML)": (fit.loglik, -893.232543),
            "log-likelihood (ML)": (ml.loglik, -897.039322),
        },
        **LOGLIK,
    )
    yield from near(
        {
            "variance of subjects": (fit.covariances[0][0, 0], 1378.1785),
            "residual variance": (fit.sigma**2, 960.4566),
            "variance of subjects (ML)": (ml.covariances[0][0, 0], 1296.8700),
            "residual variance (ML)": (ml.sigma**2, 954.5278),
        },
        **VARIANCE,
    )
    of = ("intercept", "slope")
    yield from each("standard error of the {}", of, fit.beta_se, [9.746716, 0.804221], **SE)
    yield from each("degrees of freedom of the {}", of, fit.beta_df, [22.810, 161], **DF)


def _distances(published: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return distances, ages, whether a girl, and the child."""
    data = pd.read_csv(published / "orthodont.csv")
    columns = data["distance"], data["age"], data["Sex"].eq("Female")
    distance, age, girl = (column.to_numpy(float) for column in columns)
    return distance, age, girl, data["Subject"].to_numpy()


def _orthodont(published: Path) -> Iterator[Number]:
    distance, age, girl, child = _distances(published)
    X = np.column_stack([np.ones(108), age, girl])
    fit = mixed.fit(distance, X, [(child, X[:, :1])])
    of = ("intercept", "slope of age", "female minus male")
    yield from near({"log-likelihood (REML)": (fit.loglik, -218.756254)}, **LOGLIK)
    found = fit.covariances[0][0, 0], fit.sigma**2
    yield from each("{} variance", ("child", "residual"), found, [3.266784, 2.049456], **VARIANCE)
    yield from each("{}", of, fit.beta, [17.706713, 0.660185, -2.321023], **FIXED)
    yield from each("{}, standard error", of, fit.beta_se, [0.833922, 0.061606, 0.761417], **SE)
    yield from each("{}, degrees of freedom", of, fit.beta_df, [99.352, 80, 25], **DF)
    kenward = [fit.contrast(row, method="kenward-roger").df for row in np.eye(3)]
    yield from each("{}, degrees of freedom by Kenward and Roger", of, kenward, [99.352, 80, 25], **DF)
    yield from near({"female minus male, p": (fit.contrast(np.array([0, 0, 1])).p_value, 0.0053750)}, **P)


def _orthodont_slopes(published: Path) -> Iterator[Number]:
    distance, age, girl, child = _distances(published)
    X = np.column_stack([np.ones(108), girl, age - 11, girl * (age - 11)])
    levels = [(child, X[:, [0, 2]])]
    fit, ml = mixed.fit(distance, X, levels), mixed.fit(distance, X, levels, method="ML")
    of = ("boys at 11", "girls less boys at 11", "slope of boys", "slope of girls less boys")
    yield from near(
        {
            "log-likelihood (REML)": (fit.loglik, -216.290831),
            "log-likelihood (ML)": (ml.loglik, -213.902975),
        },
        **LOGLIK,
    )
    sd = np.sqrt(np.diag(fit.covariances[0]))
    found = [*sd, fit.covariances[0][1, 0] / sd.prod(), fit.sigma]
    words = ("SD at 11", "SD of slopes", "correlation of the two", "residual SD")
    yield from each("{}", words, found, [1.830327, 0.180345, 0.206434, 1.310040], **VARIANCE)
    # Half a unit of the last digit is more than 1e-6 of the smallest.
    expected = [24.968750, -2.321023, 0.784375, -0.304830]
    yield from each("{}", of, fit.beta, expected, absolute=5e-7, relative=1e-6)
    yield from each("{}, standard error", of, fit.beta_se, [0.486001, 0.761417, 0.086000, 0.134735], **SE)
    yield from each("{}, degrees of freedom", of, fit.beta_df, [25] * 4, **DF)
    yield from near(
        {"slope of girls less boys, p": (fit.contrast(np.array([0, 0, 0, 1])).p_value, 0.032614)}, **P
    )
    yield from near({"slope of girls less boys, standard error (ML)": (ml.beta_se[3], 0.129649)}, **SE)
    without = mixed.fit(distance, X[:, [0, 2]], levels, method="ML")
    test = mixed.likelihood_ratio(without, ml)
    yield from near({"chi-squared of sex (2 df)": (test.statistic, 11.40565)}, **CHI2)
    yield from near({"p of sex": (test.p_value, 0.0033365)}, **P)


def _orthodont_girls(published: Path) -> Iterator[Number]:
    distance, age, girl, child = (values[_distances(published)[2] == 1] for values in _distances(published))
    X = np.column_stack([girl, age])
    one, two = mixed.fit(distance, X, [(child, X[:, :1])]), mixed.fit(distance, X, [(child, X)])
    which = ("intercepts alone", "intercepts and slopes")
    yield from each("log-likelihood, {}", which, [one.loglik, two.loglik], [-70.609162, -68.714352], **LOGLIK)
    found = [np.sqrt(one.covariances[0][0, 0]), one.sigma]
    yield from each("{} SD, intercepts alone", ("child", "residual"), found, [2.068470, 0.780033], **VARIANCE)
    sd = np.sqrt(np.diag(two.covariances[0]))
    found = [*sd, two.covariances[0][1, 0] / sd.prod(), two.sigma]
    words = ("SD of intercepts", "SD of slopes", "correlation of the two", "residual SD")
    yield from each("{}", words, found, [1.884186, 0.160928, -0.354493, 0.668275], **VARIANCE)
    modes = dict(zip(one.groups[0].tolist(), one.random[0][:, 0], strict=True))
    girls = ("F10", "F11", "F01")
    found = [modes[g] for g in girls]
    yield from each("deviation of girl {}", girls, found, [-4.005329, 3.599309, -1.229032], **MODE)
    statistic = mixed.likelihood_ratio(one, two).statistic
    yield from near({"chi-squared of the slopes": (statistic, 3.78962)}, **CHI2)


def _rail(published: Path) -> Iterator[Number]:
    data = pd.read_csv(published / "rail.csv")
    y, one, rail = data["travel"].to_numpy(float), np.ones((18, 1)), data["Rail"].to_numpy()
    fit, ml = mixed.fit(y, one, [(rail, one)]), mixed.fit(y, one, [(rail, one)], method="ML")
    yield from near(
        {"log-likelihood (REML)": (fit.loglik, -61.08850), "log-likelihood (ML)": (ml.loglik, -64.28002)},
        **LOGLIK,
    )
    yield from near(
        {
            "SD of rails": (np.sqrt(fit.covariances[0][0, 0]), 24.80547),
            "residual SD": (fit.sigma, 4.020779),
            "SD of rails (ML)": (np.sqrt(ml.covariances[0][0, 0]), 22.62435),
        },
        **VARIANCE,
    )
    # The closed form of a balanced layout: the mean square within rails.
    yield from near({"residual variance": (fit.sigma**2, 16.16667), "mean": (fit.beta[0], 66.5)}, **FIXED)
    yield from near(
        {
            "its standard error": (fit.beta_se[0], 10.17104),
            "its standard error (ML)": (ml.beta_se[0], 9.284844),
        },
        **SE,
    )
    yield from near({"its degrees of freedom": (fit.beta_df[0], 5)}, **DF)


def _dyestuff(published: Path) -> Iterator[Number]:
    data = pd.read_csv(published / "dyestuff.csv")
    y, one, batch = data["Yield"].to_numpy(float), np.ones((30, 1)), data["Batch"].to_numpy(str)
    fit, ml = mixed.fit(y, one, [(batch, one)]), mixed.fit(y, one, [(batch, one)], method="ML")
    yield from near(
        {"REML criterion": (-2 * fit.loglik, 319.6543), "ML deviance": (-2 * ml.loglik, 327.3271)}, **LOGLIK
    )
    yield from near(
        {
            "variance of batches": (fit.covariances[0][0, 0], 1764.050),
            "residual variance": (fit.sigma**2, 2451.250),
            "variance of batches (ML)": (ml.covariances[0][0, 0], 1388.333),
        },
        **VARIANCE,
    )
    yield from near({"mean": (fit.beta[0], 1527.5)}, **FIXED)
    yield from near(
        {
            "its standard error": (fit.beta_se[0], 19.38341),
            "its standard error (ML)": (ml.beta_se[0], 17.69455),
        },
        **SE,
    )
    expected = [-17.60685, 0.39126, 28.56223, -23.08454, 56.73319, -44.99529]
    yield from each("deviation of batch {}", fit.groups[0], fit.random[0][:, 0], expected, **MODE)


CASES = (
    Case("Sleep study", "Intercept and slope by subject, REML", f"{BATES}, section 5.2; {MORE}", _sleepstudy),
    Case(
        "Sleep study, subjects",
        "Conditional modes of single subjects",
        f"{BATES} (data); by lme4 1.1-31 in R",
        _sleepstudy_subjects,
    ),
    Case(
        "Sleep study, tests",
        "Degrees of freedom by two methods",
        f"{BATES} (data); by lmerTest 3.1-3 and pbkrtest 0.5.2 in R",
        _sleepstudy_tests,
    ),
    Case(
        "Sleep study, what is left over",
        "Residuals, whole subjects, effects in their own standard deviations",
        f"{BATES} (data); by lme4 1.1-31 in R",
        _sleepstudy_leftover,
    ),
    Case(
        "Sleep study, without a subject",
        "An odd subject may hardly move the mean and still carry much of the variance",
        f"{BATES} (data); by lme4 1.1-31 in R",
        _sleepstudy_without,
    ),
    Case(
        "Sleep study, maximum likelihood",
        "The same model by ML",
        f"{BATES} (data); by lme4 1.1-31 in R",
        _sleepstudy_ml,
    ),
    Case(
        "Sleep study, three models",
        "Does the subject change the slope? A chain of tests",
        f"{BATES}, section 5.2.4; {MORE}",
        _sleepstudy_chain,
    ),
    Case(
        "Sleep study, profile limits",
        "Limits where the deviance has risen",
        f"{BATES}, section 5.2.6; {MORE}",
        _sleepstudy_profile,
    ),
    Case(
        "Sleep study, intercepts alone",
        "A mean by subject, REML and ML",
        f"{BATES} (data); by lmerTest 3.1-3 in R",
        _sleepstudy_intercept,
    ),
    Case(
        "Orthodontic distances",
        "Growth with a difference between groups; degrees of freedom by two methods",
        f"{PINHEIRO}, ch. 4 (data); by lmerTest 3.1-3 in R",
        _orthodont,
    ),
    Case(
        "Orthodontic distances, slopes",
        "A slope by child and sex, REML and ML",
        f"{PINHEIRO}, p. 147; {MORE}",
        _orthodont_slopes,
    ),
    Case(
        "Orthodontic distances, girls",
        "Eleven girls: is a slope by child needed?",
        f"{PINHEIRO}, section 2.4; {MORE}",
        _orthodont_girls,
    ),
    Case("Rails", "One level, balanced", f"{PINHEIRO}, p. 8; {MORE}", _rail),
    Case("Dyestuff", "One level, balanced", f"{DAVIES}; by lme4 1.1-31 in R", _dyestuff),
)
