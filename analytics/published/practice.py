"""Published examples of a practice's own numbers: shares, charts, funnels, agreement, many tests at once."""

from pathlib import Path

import numpy as np
import pandas as pd

from analytics.numerics import agreement, control, cusum, funnel, means, power, proportions
from analytics.numerics import cusum as risk_cusum
from analytics.published.cases import Case

BLAND_ALTMAN = "Bland & Altman 1986, Lancet i:307-310"
HANDBOOK = "NIST/SEMATECH e-Handbook of Statistical Methods"


def _shares(_: Path) -> dict[str, float]:
    wilson = proportions.proportion(81, 263)
    none = proportions.proportion(0, 20)
    exact = proportions.proportion(4, 200, method="clopper_pearson")
    return {
        "81 of 263, lower": float(wilson.low),
        "81 of 263, upper": float(wilson.high),
        "0 of 20, upper": float(none.high),
        "4 of 200, lower (exact)": float(exact.low),
        "4 of 200, upper (exact)": float(exact.high),
    }


def _differences(_: Path) -> dict[str, float]:
    first, second = proportions.difference(56, 70, 48, 80), proportions.difference(5, 56, 0, 29)
    return {
        "56/70 - 48/80, lower": float(first.low),
        "56/70 - 48/80, upper": float(first.high),
        "5/56 - 0/29, lower": float(second.low),
        "5/56 - 0/29, upper": float(second.high),
    }


def _rates(_: Path) -> dict[str, float]:
    found = proportions.rate([0, 3, 10])
    return {
        "0 events, upper": found.high[0],
        "3 events, lower": found.low[1],
        "3 events, upper": found.high[1],
        "10 events, lower": found.low[2],
        "10 events, upper": found.high[2],
    }


def _ratios(_: Path) -> dict[str, float]:
    table = (189, 11034, 104, 11037)
    risk, odds = proportions.risk_ratio(*table), proportions.odds_ratio(*table)
    return {
        "risk ratio": float(risk.estimate),
        "its lower limit": float(risk.low),
        "its upper limit": float(risk.high),
        "odds ratio": float(odds.estimate),
    }


def _e_value(_: Path) -> dict[str, float]:
    value, limit = proportions.e_value(3.9, 1.8, 8.7)
    return {"E-value": float(value), "E-value of the limit": float(limit)}


def _paired(_: Path) -> dict[str, float]:
    before = [148, 142, 136, 134, 138, 140, 132, 144, 128, 170, 162, 150, 138, 154, 126, 116]
    after = [152, 152, 134, 148, 144, 136, 144, 150, 146, 174, 162, 162, 146, 156, 132, 126]
    found = means.paired(before, after)
    return {"mean change": found.estimate, "its SE": found.se, "lower": found.low, "upper": found.high}


def _adjusted(_: Path) -> dict[str, float]:
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240]
    p += [0.4262, 0.5719, 0.6528, 0.7590, 1.0]
    found, holm = power.adjust(p, "benjamini-hochberg"), power.adjust(p, "holm")
    return {
        "rejected at 0.05 (Benjamini-Hochberg)": float((found <= 0.05).sum()),
        "4th p, adjusted": found[3],
        "5th p, adjusted": found[4],
        "4th p, Holm": holm[3],
    }


def _agreement(published: Path) -> dict[str, float]:
    data = pd.read_csv(published / "bland_altman_1986_pefr.csv")
    found = agreement.limits(data["wright1"] - data["mini1"], multiplier=2.0)
    both = data[["wright1", "wright2"]].to_numpy()
    within = agreement.within(both.ravel(), np.repeat(data["subject"], 2))
    return {
        "mean difference": found.bias,
        "SD of differences": found.sd,
        "lower limit": found.low,
        "upper limit": found.high,
        "within-subject SD (Wright)": within.sd,
    }


def _raters(_: Path) -> dict[str, float]:
    judges = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    names = ("ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,k)", "ICC(2,k)", "ICC(3,k)")
    return dict(zip(names, agreement.icc(judges).estimate, strict=True))


def _hospitals(published: Path) -> dict[str, float]:
    data = pd.read_csv(published / "surgical12.csv")
    z, target = funnel.proportion_z(data["r"], data["n"])
    return {
        "target": float(target),
        "z of the first hospital": z[0],
        "z of the eighth": z[7],
        "overdispersion": float(funnel.dispersion(z, winsorised=0.0).phi),
    }


def _trials(published: Path) -> dict[str, float]:
    data = pd.read_csv(published / "bcg.csv")
    a, b, c, d = (data[k].to_numpy(float) for k in ("tpos", "tneg", "cpos", "cneg"))
    effect = np.log(a / (a + b)) - np.log(c / (c + d))
    se = np.sqrt(1 / a - 1 / (a + b) + 1 / c - 1 / (c + d))
    found = funnel.shrink(effect, se)
    return {"variance between trials": found.tau2, "mean log risk ratio": found.centre}


def _flow_rate(published: Path) -> dict[str, float]:
    chart = control.individuals(pd.read_csv(published / "nist_flowrate_imr.csv")["x"])
    return {"centre": chart.centre[0], "upper limit": chart.high[0], "lower limit": chart.low[0]}


def _moving_average(published: Path) -> dict[str, float]:
    data = pd.read_csv(published / "nist_ewma.csv")
    chart = control.ewma(data["x"], weight=0.3, target=50.0, sigma=2.0539)
    gap = float(np.abs(chart.value - data["ewma_printed"]).max())
    return {
        "upper limit": chart.high[0],
        "lower limit": chart.low[0],
        "largest gap to the printed series": gap,
    }


def _run_lengths(_: Path) -> dict[str, float]:
    two_sided = {f"shift {s:g}": cusum.run_length(k=0.5, h=4, shift=s) for s in (0.0, 0.5, 1.0, 2.0)}
    return {**two_sided, "one-sided, h = 3": cusum.run_length(k=0.5, h=3, two_sided=False)}


def _risk_adjusted(_: Path) -> dict[str, float]:
    good, bad = risk_cusum.weights([0, 1], [0.1, 0.1], 2.0)
    return {"a good outcome adds": good, "a bad outcome adds": bad}


CASES = (
    Case(
        "Shares",
        "Wilson and exact intervals of one proportion",
        "Newcombe 1998, Stat Med 17:857, Table I; documentation of R package epiR",
        _shares,
        {
            "81 of 263, lower": 0.255289,
            "81 of 263, upper": 0.366210,
            "0 of 20, upper": 0.161125,
            "4 of 200, lower (exact)": 0.005476,
            "4 of 200, upper (exact)": 0.050414,
        },
        absolute=1e-6,
    ),
    Case(
        "Differences of shares",
        "Hybrid score interval",
        "Newcombe 1998, Stat Med 17:873, Table II, method 10",
        _differences,
        {
            "56/70 - 48/80, lower": 0.052431,
            "56/70 - 48/80, upper": 0.333873,
            "5/56 - 0/29, lower": -0.038137,
            "5/56 - 0/29, upper": 0.192560,
        },
        absolute=1e-6,
    ),
    Case(
        "Rare events",
        "Exact Poisson limits",
        "Garwood 1936, Biometrika 28:437",
        _rates,
        {
            "0 events, upper": 3.688879,
            "3 events, lower": 0.618672,
            "3 events, upper": 8.767273,
            "10 events, lower": 4.795389,
            "10 events, upper": 18.390356,
        },
        absolute=1e-6,
    ),
    Case(
        "Ratios",
        "Risk and odds ratio of a two-by-two table",
        "Agresti 2002, Categorical Data Analysis, Table 3.1",
        _ratios,
        {
            "risk ratio": 1.817802,
            "its lower limit": 1.433031,
            "its upper limit": 2.305884,
            "odds ratio": 1.832054,
        },
        absolute=1e-6,
    ),
    Case(
        "E-value",
        "What an unmeasured cause would have to do",
        "VanderWeele & Ding 2017, Ann Intern Med 167:268",
        _e_value,
        {"E-value": 7.263034, "E-value of the limit": 3.0},
        absolute=1e-6,
    ),
    Case(
        "Paired change",
        "Mean of differences, t interval",
        "Altman et al. 2000, Statistics with Confidence, p. 31",
        _paired,
        {"mean change": 6.625, "its SE": 1.491294, "lower": 3.446382, "upper": 9.803618},
        absolute=1e-5,
    ),
    Case(
        "Many tests",
        "Adjusted p-values of 15 tests",
        "Benjamini & Hochberg 1995, J R Stat Soc B 57:289, section 4.1",
        _adjusted,
        {
            "rejected at 0.05 (Benjamini-Hochberg)": 4.0,
            "4th p, adjusted": 0.035625,
            "5th p, adjusted": 0.0603,
            "4th p, Holm": 0.114,
        },
        absolute=1e-6,
    ),
    Case(
        "Agreement of two meters",
        "Limits of agreement and repeatability",
        BLAND_ALTMAN,
        _agreement,
        {
            "mean difference": -2.117647,
            "SD of differences": 38.765130,
            "lower limit": -79.648,
            "upper limit": 75.413,
            "within-subject SD (Wright)": 15.30667,
        },
        absolute=5e-4,
    ),
    Case(
        "Agreement of raters",
        "Six intraclass correlations",
        "Shrout & Fleiss 1979, Psychol Bull 86:420, Table 4; more digits by R package psych 2.2.9",
        _raters,
        {
            "ICC(1,1)": 0.165742,
            "ICC(2,1)": 0.289764,
            "ICC(3,1)": 0.714841,
            "ICC(1,k)": 0.442797,
            "ICC(2,k)": 0.620051,
            "ICC(3,k)": 0.909316,
        },
        absolute=1e-5,
    ),
    Case(
        "Twelve hospitals",
        "Funnel scores and overdispersion",
        "Spiegelhalter 2005, Stat Med 24:1185 (method); BUGS examples (data)",
        _hospitals,
        {
            "target": 0.0739161,
            "z of the first hospital": -1.936838,
            "z of the eighth": 3.938165,
            "overdispersion": 3.212970,
        },
        absolute=1e-5,
    ),
    Case(
        "Thirteen vaccine trials",
        "Variance between units by moments",
        "Colditz et al. 1994, JAMA 271:698 (data); by metafor 3.8-1 in R",
        _trials,
        {"variance between trials": 0.3087603, "mean log risk ratio": -0.7141172},
        absolute=1e-5,
    ),
    Case(
        "Chart of single values",
        "Centre and limits from moving ranges",
        f"{HANDBOOK}, 6.3.2.2",
        _flow_rate,
        {"centre": 50.81, "upper limit": 55.8041, "lower limit": 45.8159},
        absolute=1e-4,
    ),
    Case(
        "Moving average chart",
        "Exponentially weighted; the handbook rounds a root in its limits",
        f"{HANDBOOK}, 6.3.2.4",
        _moving_average,
        {"upper limit": 52.5884, "lower limit": 47.4116, "largest gap to the printed series": 0.0},
        absolute=5.1e-3,
    ),
    Case(
        "CUSUM run lengths",
        "Cases until a signal",
        "Lucas & Crosier 1982, Technometrics 24:199, Table 1; Brook & Evans 1972; more digits by R package "
        "spc 0.6.7",
        _run_lengths,
        {
            "shift 0": 167.6838,
            "shift 0.5": 26.6302,
            "shift 1": 8.3831,
            "shift 2": 3.3428,
            "one-sided, h = 3": 117.5957,
        },
        relative=1e-3,
    ),
    Case(
        "Risk-adjusted CUSUM",
        "What one case adds",
        "Steiner, Cook, Farewell & Treasure 2000, Biostatistics 1:441",
        _risk_adjusted,
        {"a good outcome adds": -0.0953102, "a bad outcome adds": 0.5978370},
        absolute=1e-6,
    ),
)
