"""Published examples of studies: many tests, sample sizes, pooling, imputation, clustered answers."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from analytics.numerics import imputation, meta, power, regression
from analytics.published.cases import Case, Number, each, near

SIX = {"absolute": 1e-6}
PRINTED, COMPUTED = {"absolute": 1e-3}, {"absolute": 1e-5}
ENDS = ("lower", "upper")


def _adjusted(_: Path) -> Iterator[Number]:
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240]
    p += [0.4262, 0.5719, 0.6528, 0.7590, 1.0]
    by_rate, holm, bonferroni = (power.adjust(p, how) for how in ("benjamini-hochberg", "holm", "bonferroni"))
    expected = [
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
        1.0,
    ]
    yield from each("p {}, Benjamini-Hochberg", range(1, 16), by_rate, expected, **SIX)
    expected = [0.0015, 0.0056, 0.0247, 0.114, 0.2211, 0.278, 0.278, 0.278, 0.3213, *[1.0] * 6]
    yield from each("p {}, Holm", range(1, 16), holm, expected, **SIX)
    yield from near(
        {
            "rejected at 0.05, Benjamini-Hochberg": ((by_rate <= 0.05).sum(), 4),
            "rejected at 0.05, Bonferroni": ((bonferroni <= 0.05).sum(), 3),
        }
    )


def _sample_sizes(_: Path) -> Iterator[Number]:
    differences = (0.2, 0.5, 0.8)
    found = [power.t_test_n(d) for d in differences]
    yield from each("difference {}, power 80 %", differences, found, [393.406, 63.7656, 25.5246], **PRINTED)
    found = [power.t_test_n(d, normal=True) for d in differences]
    words = "difference {}, power 80 %, spread known"
    yield from each(words, differences, found, [392.444, 62.7910, 24.5277], **PRINTED)
    found = [power.t_test_n(d, power=0.9) for d in differences]
    yield from each("difference {}, power 90 %", differences, found, [526.333, 85.0313, 33.8255], **PRINTED)
    yield from near({"pairs, difference 0.5": (power.t_test_n(0.5, design="pairs"), 33.3671)}, **PRINTED)
    yield from near(
        {"power of 20 per group, difference 0.5": (power.t_test_power(0.5, 20), 0.337939)}, **COMPUTED
    )


def _cohens_exercises(_: Path) -> Iterator[Number]:
    one = power.t_test_power(0.2, 60, alpha=0.10, design="one group")
    pairs = power.t_test_power(0.559017, 40, design="pairs")
    yield from near(
        {
            "p. 40: 30 per group, difference 2/2.8": (power.t_test_power(2 / 2.8, 30), 0.776489),
            "p. 47: one group of 60, difference 0.2": (one, 0.455582),
            "p. 50: 40 pairs, difference 0.559": (pairs, 0.931525),
        },
        **COMPUTED,
    )
    n = power.t_test_n(0.3, power=0.75, sides=1)
    yield from near({"p. 59: one-sided, difference 0.3": (n, 120.2232)}, **PRINTED)


def _non_inferiority(_: Path) -> Iterator[Number]:
    expected = {
        0.05: 8407, 0.10: 2103, 0.15: 935, 0.20: 527, 0.25: 338, 0.30: 235, 0.35: 173, 0.40: 133, 0.45: 105,
        0.50: 86, 0.60: 60, 0.70: 44, 0.80: 34, 0.90: 27, 1.0: 23,
    }  # fmt: skip
    found = [np.ceil(power.t_test_n(m, power=0.9, alpha=0.025, sides=1)) for m in expected]
    yield from each("margin {} SD, power 90 %", expected, found, expected.values())
    expected = {0.25: 253, 0.5: 64, 0.75: 29, 1.0: 17}
    found = [np.ceil(power.t_test_n(m, alpha=0.025, sides=1)) for m in expected]
    yield from each("margin {} SD, power 80 %", expected, found, expected.values())
    sizes = {
        "margin 0.5 SD, one-sided 5 %": (power.t_test_n(0.5, sides=1), 50.1508),
        "the same, spread known": (power.t_test_n(0.5, sides=1, normal=True), 49.4605),
        "margin 5 of SD 8, power 90 %": (power.t_test_n(5 / 8, power=0.9, alpha=0.025, sides=1), 54.776),
        "the same, truly 1 worse": (power.t_test_n(4 / 8, power=0.9, alpha=0.025, sides=1), 85.031),
        "the same, truly 1 worse, spread known": (
            power.t_test_n(4 / 8, power=0.9, alpha=0.025, sides=1, normal=True),
            84.0594,
        ),
        "margin 5 of SD 8, power 80 %": (power.t_test_n(5 / 8, alpha=0.025, sides=1), 41.169),
    }
    yield from near(sizes, **PRINTED)


def _trials(published: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return log risk ratios of 13 trials, their variances and latitudes."""
    data = pd.read_csv(published / "bcg.csv")
    a, b, c, d = (data[column].to_numpy(float) for column in ("tpos", "tneg", "cpos", "cneg"))
    effect = np.log(a / (a + b)) - np.log(c / (c + d))
    return effect, 1 / a - 1 / (a + b) + 1 / c - 1 / (c + d), data["ablat"].to_numpy(float)


def _vaccine(published: Path) -> Iterator[Number]:
    y, v, _ = _trials(published)
    four, half = {"absolute": 1e-4}, {"absolute": 5e-5}
    fit = meta.random_effects(y, v, prediction="normal")
    yield from near(
        {
            "mean log risk ratio": (fit.beta[0], -0.7145323),
            "its standard error": (fit.se[0], 0.1797815),
            "variance between trials": (fit.tau2, 0.3132433),
            "its standard error, of the variance": (fit.tau2_se, 0.1664),
            "Q": (fit.q, 152.2330),
        },
        **four,
    )
    yield from near({"degrees of freedom of Q": (fit.q_df, 12)})
    yield from near({"share of variance between trials, %": (fit.i2, 92.22)}, absolute=5e-3)
    ratio = np.exp([fit.beta[0], fit.ci_low[0], fit.ci_high[0]])
    yield from each("risk ratio{}", ("", ", lower", ", upper"), ratio, [0.4894, 0.3441, 0.6962], **half)
    yield from each("prediction, {}", ENDS, np.exp(fit.prediction), [0.1546, 1.5490], **half)
    yield from each(
        "variance between trials, {}", ENDS, [fit.tau2_low, fit.tau2_high], [0.1197, 1.1115], **half
    )
    knapp = meta.random_effects(y, v, hartung_knapp=True)
    found = [knapp.se[0], knapp.ci_low[0], knapp.ci_high[0]]
    words = ("standard error", "lower", "upper")
    yield from each("Hartung-Knapp, {}", words, found, [0.1808, -1.1084, -0.3206], **half)


def _vaccine_estimators(published: Path) -> Iterator[Number]:
    y, v, _ = _trials(published)
    five, four = {"absolute": 1e-5}, {"absolute": 1e-4}
    fit, common = (meta.random_effects(y, v, method=method) for method in ("DL", "common"))
    yield from near(
        {
            "mean, by moments": (fit.beta[0], -0.7141172),
            "its standard error, by moments": (fit.se[0], 0.1787421),
            "variance between trials, by moments": (fit.tau2, 0.3087603),
            "common effect": (common.beta[0], -0.4302852),
            "its standard error": (common.se[0], 0.0404988),
        },
        **five,
    )
    ahead = np.exp(meta.random_effects(y, v, method="DL", prediction="t").prediction)
    yield from each("risk ratio of a new trial, by moments, {}", ENDS, ahead, [0.135493, 1.769335], **five)
    yield from near({"share of variance between trials, by moments, %": (fit.i2, 92.1173)}, **four)
    expected = {"ML": 0.2800281, "HE": 0.3285639, "SJ": 0.3455157}
    found = [meta.random_effects(y, v, method=method).tau2 for method in expected]
    yield from each("variance between trials, {}", expected, found, expected.values(), **four)
    # Iterated to its root; metafor's own Paule-Mandel value (0.3180937) stops earlier.
    mandel = meta.random_effects(y, v, method="PM").tau2
    yield from near({"variance between trials, Paule-Mandel": (mandel, 0.3180685)}, **five)


def _vaccine_latitude(published: Path) -> Iterator[Number]:
    y, v, latitude = _trials(published)
    fit = meta.random_effects(y, v, X=np.column_stack([np.ones(13), latitude]))
    three = {"absolute": 1e-3}
    of = ("intercept", "latitude")
    yield from each("{}", of, fit.beta, [0.2515, -0.0291], **three)
    yield from each("{}, standard error", of, fit.se, [0.2491, 0.0072], **three)
    explained = 100 * (1 - fit.tau2 / meta.random_effects(y, v).tau2)
    yield from near(
        {
            "variance left between trials": (fit.tau2, 0.0764),
            "test of latitude": (fit.moderator_test, 16.358232),
            "share explained, %": (explained, 75.627),
        },
        **three,
    )


def _vaccine_strata(published: Path) -> Iterator[Number]:
    from statsmodels.stats.contingency_tables import StratifiedTable

    data = pd.read_csv(published / "bcg.csv")
    tables = data[["tpos", "tneg", "cpos", "cneg"]].to_numpy(float).reshape(-1, 2, 2)
    ratio = StratifiedTable(list(tables)).riskratio_pooled
    found = [np.log(ratio), ratio]
    yield from each("{}", ("log risk ratio", "risk ratio"), found, [-0.4537, 0.6353], absolute=1e-4)


def _few_trials(_: Path) -> Iterator[Number]:
    from statsmodels.stats.contingency_tables import Table2x2

    counts = [
        (14, 61, 15, 20),
        (16, 28, 19, 28),
        (3, 18, 8, 12),
        (9, 54, 29, 54),
        (4, 36, 11, 36),
        (0, 50, 3, 34),
    ]
    tables = [
        Table2x2(np.array([[a, n - a], [b, m - b]], dtype=float) + 0.5 * (a == 0)) for a, n, b, m in counts
    ]
    y, v = np.array([t.log_oddsratio for t in tables]), np.array([t.log_oddsratio_se**2 for t in tables])
    expected = [-2.309703, -0.459532, -2.302585, -1.757858, -1.258461, -2.417896]
    yield from each("trial {}, log odds ratio", range(1, 7), y, expected, **SIX)
    expected = [0.359372, 0.309576, 0.775, 0.207816, 0.412159, 2.337262]
    yield from each("trial {}, its variance", range(1, 7), v, expected, **SIX)
    fit, knapp = meta.random_effects(y, v), meta.random_effects(y, v, hartung_knapp=True)
    moments = meta.random_effects(y, v, method="DL")
    yield from near(
        {
            "mean log odds ratio": (fit.beta[0], -1.591513),
            "its standard error": (fit.se[0], 0.334088),
            "variance between trials": (fit.tau2, 0.218114),
            "lower limit": (fit.ci_low[0], -2.246314),
            "upper limit": (fit.ci_high[0], -0.936712),
            "standard error, Hartung-Knapp": (knapp.se[0], 0.311215),
            "lower limit, Hartung-Knapp": (knapp.ci_low[0], -2.391516),
            "upper limit, Hartung-Knapp": (knapp.ci_high[0], -0.791510),
            "Q": (fit.q, 6.910892),
            "mean, by moments": (moments.beta[0], -1.585287),
            "its standard error, by moments": (moments.se[0], 0.317451),
            "variance between trials, by moments": (moments.tau2, 0.163445),
        },
        **COMPUTED,
    )
    ahead = meta.random_effects(y, v, prediction="t").prediction
    yield from each("prediction, {}", ENDS, ahead, [-3.185804, 0.002778], **COMPUTED)
    yield from _half_normal(y, v)


def _half_normal(y: np.ndarray, v: np.ndarray) -> Iterator[Number]:
    """Yield what six trials say with a half-normal prior of their spread; shortest intervals, as printed."""
    fit = meta.few(y, v, scale=0.5, prior_sd=4.0)
    yield from near(
        {
            "spread, half-normal 0.5: median": (fit.tau_median, 0.344502),
            "its mean": (fit.tau_mean, 0.381056),
            "its SD": (fit.tau_sd, 0.259367),
            "its upper limit": (fit.tau_shortest(0.95)[1], 0.860720),
            "mean, half-normal 0.5: median": (fit.mean.quantile(0.5), -1.5735),
            "mean, half-normal 0.5": (fit.mean.mean, -1.57643),
            "its SD, half-normal 0.5": (fit.mean.sd, 0.32937),
            "new trial, median": (fit.new.quantile(0.5), -1.5702),
            "new trial, SD": (fit.new.sd, 0.5665),
        },
        **PRINTED,
    )
    found = [*fit.mean.shortest(0.95), *fit.mean.interval(0.95), *fit.new.shortest(0.95)]
    words = [f"{what}, {end}" for what in ("mean, shortest", "mean, central", "new trial") for end in ENDS]
    yield from each("{}", words, found, [-2.2307, -0.9266, -2.2379, -0.9335, -2.7644, -0.4089], **PRINTED)
    flat = meta.few(y, v, scale=1.0)
    found = [flat.mean.mean, flat.mean.sd, *flat.new.shortest(0.95)]
    words = ["mean", "SD", *(f"new trial, {end}" for end in ENDS)]
    yield from each("half-normal 1: {}", words, found, [-1.602277, 0.391841, -3.2529, 0.0032], **PRINTED)


def _eight_schools(_: Path) -> Iterator[Number]:
    y = [28.39, 7.94, -2.75, 6.82, -0.64, 0.63, 18.01, 12.16]
    v = np.square([14.9, 10.2, 16.3, 11.0, 9.4, 11.4, 10.4, 17.6])
    fit, knapp = meta.random_effects(y, v), meta.random_effects(y, v, hartung_knapp=True)
    held = meta.random_effects(y, v, hartung_knapp=True, least_scale=1.0)
    yield from near({"variance between schools": (fit.tau2, 0.0)})
    found = [fit.beta[0], fit.se[0], fit.q, fit.ci_low[0], fit.ci_high[0]]
    words = ("mean", "its standard error", "Q", "lower limit", "upper limit")
    expected = [7.870546, 4.165578, 4.563261, -0.2938, 16.0349]
    yield from each("{}", words[:3], found[:3], expected[:3], **COMPUTED)
    yield from each("{}", words[3:], found[3:], expected[3:], absolute=5e-5)
    yield from near({"standard error, Hartung-Knapp": (knapp.se[0], 3.363287)}, **COMPUTED)
    found = [knapp.ci_low[0], knapp.ci_high[0]]
    yield from each("{} limit, Hartung-Knapp", ENDS, found, [-0.0824, 15.8235], absolute=5e-5)
    yield from near({"standard error, not below the plain one": (held.se[0], 4.165578)}, **COMPUTED)
    found = [held.ci_low[0], held.ci_high[0]]
    yield from each("{} limit, not below the plain one", ENDS, found, [-1.9795, 17.7206], absolute=5e-5)


def _rubin(published: Path) -> Iterator[Number]:
    data = pd.read_csv(published / "mi_carlin2003_estimates.csv")
    expected = {
        "(Intercept)": (-2.25974358, 0.26830731, 2740.917, 3.8),
        "wave": (0.24055250, 0.06587423, 303.588, 11.5),
        "sex": (0.64905222, 0.34919264, 43384.6, 1.0),
        "wave:sex": (-0.03725422, 0.08609199, 852.872, 6.8),
    }
    for term, (estimate, se, df, share) in expected.items():
        own = data[data["term"].eq(term)]
        pooled = imputation.rubin(own["estimate"], own["se"] ** 2)
        found = [pooled.estimate, pooled.se]
        yield from each(f"{term}{{}}", ("", ", standard error"), found, [estimate, se], **SIX)
        # Printed with seven digits or fewer.
        yield from near({f"{term}, degrees of freedom": (pooled.df, df)}, relative=2e-6)
        yield from near(
            {f"{term}, variance due to what is missing, %": (100 * pooled.missing_share, share)},
            absolute=0.05,
        )
        if term == "wave":
            yield from each("wave, {}", ENDS, pooled.limits(), [0.110925, 0.370180], **SIX)


def _barnard_rubin(_: Path) -> Iterator[Number]:
    q = [27.496, 26.532, 26.560, 26.980, 26.520]
    u = [0.741449333, 0.782624, 0.552933333, 0.663766667, 0.692833333]
    # 25 patients and one parameter: 24 degrees of freedom were nothing missing.
    pooled = imputation.rubin(q, u, complete_df=24)
    yield from near(
        {
            "estimate": (pooled.estimate, 26.8176),
            "variance within": (pooled.within, 0.686721333),
            "variance between": (pooled.between, 0.1807728),
            "total variance": (pooled.total, 0.903648693),
            "degrees of freedom": (pooled.df, 13.582925),
            "relative increase of variance": (pooled.increase, 0.315888),
            "missing information": (pooled.missing_information, 0.331711),
        },
        **SIX,
    )


def _firms(published: Path) -> Iterator[Number]:
    data = pd.read_csv(published / "petersen.csv")
    X = np.column_stack([np.ones(len(data)), data["x"]])
    beta, by_firm = regression.least_squares(data["y"], X, data["firm"])
    yield from each("{}", ("intercept", "slope"), beta, [0.0296797, 1.0348334], **SIX)
    _, by_year = regression.least_squares(data["y"], X, data["year"])
    _, both = regression.least_squares(data["y"], X, data["firm"], data["year"])
    _, bare = regression.least_squares(data["y"], X, data["firm"], small_sample=False)
    words = ("by firm", "by year", "by both", "by firm, without the factor for few")
    found = [np.sqrt(cov[1, 1]) for cov in (by_firm, by_year, both, bare)]
    yield from each(
        "standard error of the slope {}", words, found, [0.050596, 0.033389, 0.053558, 0.050540], **SIX
    )


def _wheeze(published: Path) -> Iterator[Number]:
    data = pd.read_csv(published / "ohio.csv")
    X = np.column_stack([np.ones(len(data)), data["age"], data["smoke"], data["age"] * data["smoke"]])
    fit = regression.logistic(data["resp"], X, data["id"], covariance="robust")
    of = ("intercept", "age", "mother smokes", "age and smoking")
    yield from each("{}", of, fit.beta, [-1.900495, -0.141236, 0.313826, 0.070832], **COMPUTED)
    se = np.sqrt(np.diag(fit.cov))
    yield from each("{}, standard error", of, se, [0.119087, 0.058201, 0.187842, 0.088279], **COMPUTED)
    # geepack divides the products of pairs by other counts than statsmodels does: alike to 2e-4 only.
    yield from near({"correlation of two answers of a child": (fit.correlation, 0.3545)}, absolute=2e-4)


COLDITZ = "Colditz et al. 1994, JAMA 271:698 (data)"
METAFOR = f"{COLDITZ}; Viechtbauer 2010, J Stat Softw 36(3); more digits by metafor 3.8-1 in R"
CASES = (
    Case(
        "Many tests",
        "Adjusted p-values of 15 tests",
        "Benjamini & Hochberg 1995, J R Stat Soc B 57:289, section 4.1; by p.adjust in R",
        _adjusted,
    ),
    Case(
        "Patients needed",
        "Two groups, and pairs",
        "Cohen 1992, Psychol Bull 112:155, Table 2; more digits by R package pwr 1.3-0",
        _sample_sizes,
    ),
    Case(
        "Power, exercises",
        "Two groups, one group, pairs, one side",
        "Cohen 1988, Statistical Power Analysis, pp. 40, 47, 50, 59; by R package pwr 1.3-0",
        _cohens_exercises,
    ),
    Case(
        "Patients needed, non-inferiority",
        "Means, by margin",
        "Julious 2004, Stat Med 23:1921; Chow, Shao & Wang 2008, example 3.2.4; more digits by rpact in R",
        _non_inferiority,
    ),
    Case("Thirteen vaccine trials", "Random effects by REML, prediction, Hartung-Knapp", METAFOR, _vaccine),
    Case(
        "Thirteen vaccine trials, estimators",
        "Variance between trials by six methods; common effect",
        METAFOR,
        _vaccine_estimators,
    ),
    Case("Thirteen vaccine trials, latitude", "Regression of trials on latitude", METAFOR, _vaccine_latitude),
    Case(
        "Thirteen vaccine trials, strata",
        "Mantel-Haenszel risk ratio (statsmodels)",
        METAFOR,
        _vaccine_strata,
    ),
    Case(
        "Six small trials",
        "Log odds ratios, one with no event; random effects, and with a prior of their spread",
        "Crins et al. 2014 (data); Röver 2020, J Stat Softw 93(6); by metafor 3.8-1 in R",
        _few_trials,
    ),
    Case(
        "Eight schools",
        "No variance between: Hartung-Knapp must not make the interval shorter",
        "Rubin 1981 (data); by metafor 3.8-1 in R",
        _eight_schools,
    ),
    Case(
        "Missing values, pooled",
        "Five completed data sets",
        "Carlin et al. 2003, Stata J 3:226 (data); by R package mitools 2.4",
        _rubin,
    ),
    Case(
        "Missing values, few patients",
        "Degrees of freedom of a small study",
        "Barnard & Rubin 1999, Biometrika 86:948; by R package mice 3.15.0 (pool.scalar)",
        _barnard_rubin,
    ),
    Case(
        "Firms by year",
        "Errors clustered one way and two",
        "Petersen 2009, Rev Financ Stud 22:435; more digits by R package sandwich 3.0-2",
        _firms,
    ),
    Case(
        "Wheezing children",
        "Repeated yes or no, equally correlated",
        "Fitzmaurice & Laird 1993, Biometrika 80:141 (data); by R package geepack 1.3.9",
        _wheeze,
    ),
)
