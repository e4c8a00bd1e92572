"""Published examples of shares, rates, ratios, means and quantiles.

Ratios of two shares, the plain difference and its test come from statsmodels and quantiles from numpy: the
package has none of its own, and they are checked here as installed.
"""

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import scipy

from analytics.numerics import non_inferiority, proportions
from analytics.published.cases import Case, Number, each, near

SIX = {"absolute": 1e-6}
ENDS = ("lower", "upper")


def _shares(_: Path) -> Iterator[Number]:
    expected = {
        (81, 263, "wilson"): (0.255289, 0.366210),
        (81, 263, "wilson_cc"): (0.253509, 0.368176),
        (81, 263, "wald"): (0.252190, 0.363779),
        (81, 263, "clopper_pearson"): (0.252737, 0.367622),
        (81, 263, "mid_p"): (0.254402, 0.365773),
        (0, 20, "wilson"): (0.0, 0.161125),
        (1, 29, "wilson"): (0.006113, 0.171755),
        (0, 20, "wilson_cc"): (0.0, 0.200453),
        (1, 29, "wilson_cc"): (0.001803, 0.196282),
        (0, 20, "clopper_pearson"): (0.0, 0.168433),
        (1, 29, "clopper_pearson"): (0.000873, 0.177644),
        (0, 20, "mid_p"): (0.0, 0.139108),
        (1, 29, "mid_p"): (0.001725, 0.158537),
    }
    for (events, n, method), values in expected.items():
        found = proportions.proportion(events, n, method=method)
        words = f"{events} of {n}, {found.method}, {{}}"
        yield from each(words, ENDS, [found.low, found.high], values, **SIX)


def _prevalence(_: Path) -> Iterator[Number]:
    found = proportions.proportion(4, 200, method="clopper_pearson")
    values = [found.estimate, found.low, found.high]
    yield from each("4 of 200, {}", ("share", "lower", "upper"), values, [0.020, 0.005476, 0.050414], **SIX)


def _differences(_: Path) -> Iterator[Number]:
    expected = {
        (56, 70, 48, 80): (0.052431, 0.333873),
        (9, 10, 3, 10): (0.170523, 0.809018),
        (5, 56, 0, 29): (-0.038137, 0.192560),
        (0, 10, 0, 20): (-0.161125, 0.277533),
        (10, 10, 0, 20): (0.679086, 1.0),
    }
    for (a, n, b, m), values in expected.items():
        found = proportions.difference(a, n, b, m)
        yield from each(f"{a}/{n} - {b}/{m}, {{}}", ENDS, [found.low, found.high], values, **SIX)


def _rates(_: Path) -> Iterator[Number]:
    expected = {
        0: (0.0, 3.688879), 1: (0.025318, 5.571643), 2: (0.242209, 7.224688), 3: (0.618672, 8.767273),
        4: (1.089865, 10.241589), 5: (1.623486, 11.668332), 6: (2.201894, 13.059474),
        7: (2.814363, 14.422675), 8: (3.453832, 15.763189), 9: (4.115373, 17.084803),
        10: (4.795389, 18.390356), 20: (12.216520, 30.888378),
    }  # fmt: skip
    found = proportions.rate(list(expected))
    low, high = np.transpose(list(expected.values()))
    yield from each("{} events, lower", expected, found.low, low, **SIX)
    yield from each("{} events, upper", expected, found.high, high, **SIX)


def _no_event(_: Path) -> Iterator[Number]:
    # Upper 95 % limits: one-sided exact, and two-sided of Clopper and Pearson.
    expected = {
        14: (0.192636, 0.231636),
        20: (0.139108, 0.168433),
        100: (0.029513, 0.036217),
        300: (0.009936, 0.012221),
        533: (0.005605, 0.006897),
        2896: (0.001034, 0.001273),
    }
    one_sided, two_sided = np.transpose(list(expected.values()))
    for level, words, values in ((0.90, "one-sided", one_sided), (0.95, "two-sided", two_sided)):
        found = proportions.proportion(0, list(expected), method="clopper_pearson", level=level)
        yield from each(f"none of {{}}, upper limit, {words}", expected, found.high, values, **SIX)


def _ratios(_: Path) -> Iterator[Number]:
    from statsmodels.stats.contingency_tables import Table2x2
    from statsmodels.stats.proportion import confint_proportions_2indep

    a, n, b, m = 189, 11034, 104, 11037
    table = Table2x2(np.array([[a, n - a], [b, m - b]], dtype=float))
    of = ("", ", lower", ", upper")
    risk = [table.riskratio, *table.riskratio_confint()]
    yield from each("risk ratio{}", of, risk, [1.817802, 1.433031, 2.305884], **SIX)
    odds = [table.oddsratio, *table.oddsratio_confint()]
    yield from each("odds ratio{}", of, odds, [1.832054, 1.440042, 2.330780], **SIX)
    low, high = confint_proportions_2indep(a, n, b, m, method="wald", compare="diff")
    yield from each("difference{}", of, [a / n - b / m, low, high], [0.0077060, 0.0046878, 0.0107243], **SIX)


def _no_worse(_: Path) -> Iterator[Number]:
    expected = {
        (0.85, 0.85, 0.10, 0.90): (275.7481, 267.9393),
        (0.90, 0.90, 0.10, 0.80): (154.4333, 141.2798),
        (0.95, 0.95, 0.05, 0.90): (440.1619, 399.2821),
    }
    for (p1, p2, margin, chance), numbers in expected.items():
        of = f"{p1} against {p2}, margin {margin}, power {chance}: patients by the {{}} formula"
        ways = (non_inferiority.SCORE, non_inferiority.PLAIN)
        found = [non_inferiority.patients(p1, p2, margin, power=chance, how=way) for way in ways]
        yield from each(of, ways, found, numbers, absolute=1e-3)
    found_worse = non_inferiority.patients(0.85, 0.90, 0.10)
    yield from near({"truly 0.85 against 0.9, margin 0.1: patients": (found_worse, 701.0395)}, absolute=1e-3)
    under = non_inferiority.restricted(0.85, 0.85, -0.10)
    yield from each("restricted share, {}", ("compared", "reference"), under, [0.787381, 0.887381], **SIX)
    score = non_inferiority.test(400, 500, 410, 500, margin=0.05)
    found = [score.z, score.p_value, _plain(400, 410, 500, 0.05)]
    of = "400 against 410 of 500, margin 0.05: {}"
    yield from each(of, ("score z", "its p", "plain z"), found, [1.207938, 0.113536, 1.209520], **SIX)


def _exact_size(_: Path) -> Iterator[Number]:
    expected = {
        50: {0.80: (0.022860, 0.029739), 0.90: (0.336965, 0.402379)},
        142: {0.80: (0.025304, 0.028007), 0.90: (0.777889, 0.805793)},
    }
    for n, by_share in expected.items():
        rejects = [_rejects(n, z) for z in (_score, _plain)]
        for share, values in by_share.items():
            first = scipy.stats.binom.pmf(np.arange(n + 1), n, share)
            found = [float(first @ scipy.stats.binom.cdf(most, n, 0.90)) for most in rejects]
            of = f"{n} in each group, truly {share} against 0.9, margin 0.1: {{}} test rejects"
            yield from each(of, ("score", "plain"), found, values, absolute=1e-5)


def _score(x1: int, x2: int, n: int, margin: float) -> float:
    return non_inferiority.test(x1, n, x2, n, margin=margin).z


def _plain(x1: int, x2: int, n: int, margin: float) -> float:
    """Return z of the difference above -margin with the variance of the shares as observed (statsmodels)."""
    from statsmodels.stats.proportion import test_proportions_2indep

    counts = (np.float64(x1), n, np.float64(x2), n)
    with np.errstate(divide="ignore", invalid="ignore"):  # ratios, which are not asked for
        told = test_proportions_2indep(*counts, value=-margin, method="wald", compare="diff")
    return float(told.statistic)


def _rejects(n: int, z: Callable[[int, int, int, float], float]) -> np.ndarray:
    """Return, for each count of the compared group, the largest of the reference that still rejects."""
    most, j = np.empty(n + 1), -1
    for i in range(n + 1):
        while j < n and z(i, j + 1, n, 0.10) > scipy.stats.norm.isf(0.025):
            j += 1
        most[i] = j
    return most


def _e_value(_: Path) -> Iterator[Number]:
    value, limit = proportions.e_value(3.9, 1.8, 8.7)
    yield from near({"E-value": (value, 7.263034), "E-value of the limit": (limit, 3.0)}, **SIX)
    turned = proportions.e_value(1 / 3.9, 1 / 8.7, 1 / 1.8)
    yield from each(
        "{} of the ratio turned round", ("E-value", "E-value of the limit"), turned, [7.263034, 3.0], **SIX
    )


def _paired(_: Path) -> Iterator[Number]:
    before = [148, 142, 136, 134, 138, 140, 132, 144, 128, 170, 162, 150, 138, 154, 126, 116]
    after = [152, 152, 134, 148, 144, 136, 144, 150, 146, 174, 162, 162, 146, 156, 132, 126]
    found = proportions.mean(np.subtract(after, before))
    words = ("mean change", "its SE", "lower", "upper", "t")
    values = [found.estimate, found.se, found.low, found.high, found.estimate / found.se]
    yield from each("{}", words, values, [6.625, 1.491294, 3.446382, 9.803618, 4.442450], absolute=1e-5)


def _quantiles(_: Path) -> Iterator[Number]:
    wafer = [95.1772, 95.1567, 95.1937, 95.1959, 95.1442, 95.0610]
    wafer += [95.1591, 95.1195, 95.1065, 95.0925, 95.1990, 95.1682]
    kinds = ("weibull", "linear", "median_unbiased")
    found = [np.quantile(wafer, 0.9, method=kind) for kind in kinds]  # type: ignore[call-overload]
    words = ("type 6", "type 7", "type 8")
    yield from each("90th percentile, {}", words, found, [95.1981, 95.1957, 95.1972], absolute=5e-5)


CASES = (
    Case(
        "Shares",
        "Five intervals of one proportion",
        "Newcombe 1998, Stat Med 17:857, Table I; Altman et al. 2000, Statistics with Confidence, p. 47",
        _shares,
    ),
    Case(
        "Prevalence",
        "Exact interval of one proportion",
        "Documentation of R package epiR 2.0.57",
        _prevalence,
    ),
    Case(
        "Differences of shares",
        "Hybrid score interval",
        "Newcombe 1998, Stat Med 17:873, Table II, method 10",
        _differences,
    ),
    Case("Rare events", "Exact Poisson limits", "Garwood 1936, Biometrika 28:437", _rates),
    Case(
        "No event seen",
        "What none of n still allows",
        "Hanley & Lippman-Hand 1983, JAMA 249:1743 (question); closed form 1 - tail^(1/n)",
        _no_event,
    ),
    Case(
        "Ratios",
        "Ratios and difference of a two-by-two table (statsmodels)",
        "Agresti 2002, Categorical Data Analysis, Table 3.1; more digits by R package epiR 2.0.57",
        _ratios,
    ),
    Case(
        "No worse than another share",
        "Score test against a margin, patients needed, restricted shares; the plain test (statsmodels)",
        "Farrington & Manning 1990, Stat Med 9:1447 (method); by R packages rpact and gsDesign",
        _no_worse,
    ),
    Case(
        "No worse, how often it is said",
        "Size and power of the score and the plain test (statsmodels), one-sided 2.5 %",
        "Blackwelder 1982, Control Clin Trials 3:345 (plain test); exact, by a second program",
        _exact_size,
    ),
    Case(
        "E-value",
        "What an unmeasured cause would have to do",
        "VanderWeele & Ding 2017, Ann Intern Med 167:268",
        _e_value,
    ),
    Case(
        "Paired change",
        "Mean of differences, t interval",
        "Altman et al. 2000, Statistics with Confidence, p. 31",
        _paired,
    ),
    Case(
        "Percentiles",
        "One percentile by three definitions (numpy)",
        "NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.6.2",
        _quantiles,
    ),
)
