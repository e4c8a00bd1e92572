"""Published examples of times: known only to lie between two visits, right-censored, and as time ratios."""

from pathlib import Path

import numpy as np
import pandas as pd

from analytics.numerics import scores, survival, time_ratios, turnbull
from analytics.numerics import survival as hazards
from analytics.published.cases import Case

COSMESIS = "Finkelstein & Wolfe 1985, Biometrics 41:933 (data)"
LEUKAEMIA = "Freireich et al. 1963; Gehan 1965 (data); by survival 3.5-3 in R"


def _cosmesis(published: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    data = pd.read_csv(published / "breast_cosmesis.csv")
    return data["left"].to_numpy(float), data["right"].to_numpy(float), data["group"].to_numpy()


def _masses(group: str, published: Path) -> dict[str, float]:
    left, right, groups = _cosmesis(published)
    fit = turnbull.fit(left[groups == group], right[groups == group])
    named = {
        f"({low:g}, {high:g}]": mass for low, high, mass in zip(fit.left, fit.right, fit.mass, strict=True)
    }
    return {**named, "log-likelihood": fit.loglik}


def _radiotherapy(published: Path) -> dict[str, float]:
    return _masses("RT", published)


def _both_therapies(published: Path) -> dict[str, float]:
    return _masses("RCT", published)


def _pooled(published: Path) -> dict[str, float]:
    left, right, _ = _cosmesis(published)
    fit = turnbull.fit(left, right)
    months = (12.0, 20.0, 40.0)
    lower, _ = fit.survival(months)
    named = {f"share past month {m:g}": value for m, value in zip(months, lower, strict=True)}
    return {**named, "log-likelihood": fit.loglik}


def _two_samples(published: Path) -> dict[str, float]:
    left, right, group = _cosmesis(published)
    test = scores.permutation_test(scores.interval_scores(left, right, kind="sun"), group)
    at = list(test.groups).index("RCT")
    return {"sum of scores": test.sums[at], "z": test.z[at], "p": test.p_value}


def _time_ratio(family: str, published: Path) -> dict[str, float]:
    left, right, group = _cosmesis(published)
    fit = time_ratios.fit(left, right, np.column_stack([np.ones(len(left)), group == "RCT"]), family=family)
    return {
        "log-likelihood": fit.loglik,
        "intercept": fit.beta[0],
        "group": fit.beta[1],
        "standard error of the group": np.sqrt(fit.cov[1, 1]),
        "scale": fit.scale,
    }


def _weibull(published: Path) -> dict[str, float]:
    return _time_ratio("weibull", published)


def _log_normal(published: Path) -> dict[str, float]:
    return _time_ratio("log-normal", published)


def _log_logistic(published: Path) -> dict[str, float]:
    return _time_ratio("log-logistic", published)


def _leukaemia(published: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    data = pd.read_csv(published / "gehan_6mp.csv")
    return data["time"].to_numpy(float), data["cens"].to_numpy() == 1, data["treat"].to_numpy()


def _kaplan_meier(published: Path) -> dict[str, float]:
    time, event, treat = _leukaemia(published)
    arm = treat == "6-MP"
    fit = survival.kaplan_meier(time[arm], event[arm])
    restricted = survival.restricted_mean(fit, 20)
    at_10 = int(np.flatnonzero(fit.time == 10.0)[0])
    return {
        "share in remission at week 10": fit.survival[at_10],
        "its standard error": fit.se[at_10],
        "median": fit.median,
        "restricted mean to week 20": restricted.estimate,
        "standard error of the restricted mean": restricted.se,
    }


def _log_rank(published: Path) -> dict[str, float]:
    time, event, treat = _leukaemia(published)
    return {
        "log-rank": survival.log_rank(time, event, treat).statistic,
        "Gehan": survival.log_rank(time, event, treat, weights="gehan").statistic,
    }


def _cox(published: Path) -> dict[str, float]:
    time, event, treat = _leukaemia(published)
    fit = hazards.cox(time, event, treat == "control", ties="efron")
    return {"log hazard ratio": fit.beta[0], "its standard error": fit.se[0], "log-likelihood": fit.loglik}


CASES = (
    Case(
        "Turnbull, radiotherapy",
        "46 interval-censored times: where the probability lies",
        f"{COSMESIS}; Fay & Shaw 2010, J Stat Softw 36(2); more digits by npsurv 0.5-0 in R",
        _radiotherapy,
        {
            "(4, 5]": 0.0463468,
            "(6, 7]": 0.0333634,
            "(7, 8]": 0.0886674,
            "(11, 12]": 0.0707529,
            "(24, 25]": 0.0926458,
            "(33, 34]": 0.0817858,
            "(38, 40]": 0.1208798,
            "(46, 48]": 0.4655581,
            "log-likelihood": -58.060022,
        },
        absolute=1e-5,
    ),
    Case(
        "Turnbull, both therapies",
        "48 interval-censored times: where the probability lies",
        f"{COSMESIS}; Fay & Shaw 2010, J Stat Softw 36(2); more digits by npsurv 0.5-0 in R",
        _both_therapies,
        {
            "(4, 5]": 0.0432826,
            "(5, 8]": 0.0432826,
            "(11, 12]": 0.0692056,
            "(16, 17]": 0.1453977,
            "(18, 19]": 0.1410949,
            "(19, 20]": 0.1157459,
            "(24, 25]": 0.0998653,
            "(30, 31]": 0.0708814,
            "(35, 36]": 0.1608311,
            "(44, 48]": 0.0552064,
            "(48, 60]": 0.0552064,
            "log-likelihood": -65.636965,
        },
        absolute=1e-5,
    ),
    Case(
        "Turnbull, pooled",
        "94 interval-censored times: share not yet there",
        f"{COSMESIS}; by npsurv 0.5-0 in R",
        _pooled,
        {
            "share past month 12": 0.7973735,
            "share past month 20": 0.5711988,
            "share past month 40": 0.3039072,
            "log-likelihood": -136.963804,
        },
        absolute=1e-5,
    ),
    Case(
        "Two samples of intervals",
        "Permutation test with Sun's scores",
        f"{COSMESIS}; Fay & Shaw 2010, J Stat Softw 36(2), section 5",
        _two_samples,
        {"sum of scores": 9.141846, "z": 2.668387, "p": 0.0076216},
        absolute=1e-4,
    ),
    Case(
        "Time ratio, Weibull",
        "Interval-censored time-ratio model",
        f"{COSMESIS}; Lindsey & Ryan 1998, Stat Med 17:219; by survreg of survival 3.5-3 in R",
        _weibull,
        {
            "log-likelihood": -143.320827,
            "intercept": 3.899276,
            "group": -0.567551,
            "standard error of the group": 0.175730,
            "scale": 0.619340,
        },
        relative=1e-4,
    ),
    Case(
        "Time ratio, log-normal",
        "Interval-censored time-ratio model",
        f"{COSMESIS}; by survreg of survival 3.5-3 in R",
        _log_normal,
        {
            "log-likelihood": -146.622332,
            "intercept": 3.547875,
            "group": -0.421000,
            "standard error of the group": 0.203190,
            "scale": 0.882141,
        },
        relative=1e-4,
    ),
    Case(
        "Time ratio, log-logistic",
        "Interval-censored time-ratio model",
        f"{COSMESIS}; by survreg of survival 3.5-3 in R",
        _log_logistic,
        {
            "log-likelihood": -145.585062,
            "intercept": 3.609245,
            "group": -0.487307,
            "standard error of the group": 0.195127,
            "scale": 0.499622,
        },
        relative=1e-4,
    ),
    Case(
        "Kaplan-Meier",
        "Right-censored remission, Greenwood errors, restricted mean",
        f"{LEUKAEMIA}; restricted mean by Klein & Moeschberger 2003, eq. 4.5.2",
        _kaplan_meier,
        {
            "share in remission at week 10": 0.752941,
            "its standard error": 0.096350,
            "median": 23.0,
            "restricted mean to week 20": 16.116527,
            "standard error of the restricted mean": 1.251560,
        },
        absolute=1e-5,
    ),
    Case(
        "Log-rank tests",
        "Two groups of right-censored times",
        LEUKAEMIA,
        _log_rank,
        {"log-rank": 16.792941, "Gehan": 13.457852},
        absolute=1e-5,
    ),
    Case(
        "Hazard ratio",
        "Cox regression, Efron's ties",
        LEUKAEMIA,
        _cox,
        {"log hazard ratio": 1.572125, "its standard error": 0.412397, "log-likelihood": -85.008425},
        absolute=1e-5,
    ),
)
