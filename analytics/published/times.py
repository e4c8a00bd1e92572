"""Published examples of times: known only to lie between two visits, right-censored, and as time ratios.

Kaplan-Meier curves, log-rank tests and Cox regression are not this package's own: lifelines and statsmodels
are there for who wants them, and are checked here as installed. Defaults differ between packages, so each
interval names its scale.
"""

from collections.abc import Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import scipy

from analytics.numerics import scores, time_ratios, turnbull
from analytics.published.cases import Case, Number, each, near

COSMESIS = "Finkelstein & Wolfe 1985, Biometrics 41:933 (data)"
LEUKAEMIA = "Freireich et al. 1963; Gehan 1965 (data); by survival 3.5-3 in R"
MASS = {"absolute": 1e-5}
CURVE, TEST = {"absolute": 1e-6}, {"absolute": 1e-5}


def _cosmesis(published: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    data = pd.read_csv(published / "breast_cosmesis.csv")
    return data["left"].to_numpy(float), data["right"].to_numpy(float), data["group"].to_numpy()


def _masses(
    group: str, expected: dict[tuple[int, int], float], loglik: float, published: Path
) -> Iterator[Number]:
    left, right, groups = _cosmesis(published)
    fit = turnbull.fit(left[groups == group], right[groups == group])
    found = dict(zip(zip(fit.left, fit.right, strict=True), fit.mass, strict=True))
    yield from near(
        {f"({a}, {b}]": (found.get((a, b), np.nan), mass) for (a, b), mass in expected.items()}, **MASS
    )
    yield from near({"intervals with mass": (len(found), len(expected))})
    yield from near({"log-likelihood": (fit.loglik, loglik)}, **MASS)


_radiotherapy = partial(
    _masses,
    "RT",
    {
        (4, 5): 0.0463468, (6, 7): 0.0333634, (7, 8): 0.0886674, (11, 12): 0.0707529, (24, 25): 0.0926458,
        (33, 34): 0.0817858, (38, 40): 0.1208798, (46, 48): 0.4655581,
    },
    -58.060022,
)  # fmt: skip
_both_therapies = partial(
    _masses,
    "RCT",
    {
        (4, 5): 0.0432826, (5, 8): 0.0432826, (11, 12): 0.0692056, (16, 17): 0.1453977, (18, 19): 0.1410949,
        (19, 20): 0.1157459, (24, 25): 0.0998653, (30, 31): 0.0708814, (35, 36): 0.1608311,
        (44, 48): 0.0552064, (48, 60): 0.0552064,
    },
    -65.636965,
)  # fmt: skip


def _pooled(published: Path) -> Iterator[Number]:
    left, right, _ = _cosmesis(published)
    fit = turnbull.fit(left, right)
    months = (12, 20, 40)
    lower, _ = fit.survival(months)
    yield from each("share past month {}", months, lower, [0.7973735, 0.5711988, 0.3039072], **MASS)
    yield from near({"log-likelihood": (fit.loglik, -136.963804)}, **MASS)


def _two_samples(published: Path) -> Iterator[Number]:
    left, right, group = _cosmesis(published)
    expected = {
        "sun": ("Sun", 9.141846, 2.668387, 0.0076216),
        "finkelstein": ("Finkelstein", 9.944182, 2.683896, 0.007277),
        "wilcoxon": ("proportional odds", 5.656724, 2.167151, 0.030223),
    }
    for kind, (words, *values) in expected.items():
        test = scores.permutation_test(scores.interval_scores(left, right, kind=kind), group)
        at = list(test.groups).index("RCT")
        found = [test.sums[at], test.z[at], test.p_value]
        yield from each(f"{words}, {{}}", ("sum of scores", "z", "p"), found, values, absolute=1e-4)


def _time_ratio(
    family: str,
    loglik: float,
    beta: tuple[float, float],
    se: tuple[float, float],
    scale: float,
    medians: tuple[float, float] | None,
    published: Path,
) -> Iterator[Number]:
    left, right, group = _cosmesis(published)
    fit = time_ratios.fit(left, right, np.column_stack([np.ones(len(left)), group == "RCT"]), family=family)
    yield from near({"log-likelihood": (fit.loglik, loglik)}, absolute=1e-4)
    of = ("intercept", "group")
    yield from each("{}", of, fit.beta, beta, relative=1e-4)
    yield from each("standard error of the {}", of, np.sqrt(np.diag(fit.cov))[:2], se, relative=1e-4)
    if family != "exponential":
        yield from near({"scale": (fit.scale, scale)}, relative=1e-4)
    for median, arm, words in zip(
        medians or (), (0.0, 1.0), ("radiotherapy", "both therapies"), strict=False
    ):

        def half_left(month: float, arm: float = arm) -> float:
            return float(fit.survival([month], [[1.0, arm]])[0, 0]) - 0.5

        yield from near(
            {f"median of {words}": (scipy.optimize.brentq(half_left, 1.0, 200.0), median)}, relative=1e-4
        )


_weibull = partial(
    _time_ratio,
    "weibull",
    -143.320827,
    (3.899276, -0.567551),
    (0.140530, 0.175730),
    0.619340,
    (39.3415, 22.3032),
)
_log_normal = partial(
    _time_ratio,
    "log-normal",
    -146.622332,
    (3.547875, -0.421000),
    (0.154168, 0.203190),
    0.882141,
    (34.7394, 22.8026),
)
_log_logistic = partial(
    _time_ratio,
    "log-logistic",
    -145.585062,
    (3.609245, -0.487307),
    (0.151080, 0.195127),
    0.499622,
    (36.9382, 22.6903),
)
_exponential = partial(
    _time_ratio, "exponential", -149.866356, (4.118560, -0.741581), (0.218397, 0.276889), 1.0, None
)


def _weibull_arms(published: Path) -> Iterator[Number]:
    left, right, group = _cosmesis(published)
    one = np.ones((len(left), 1))
    both = time_ratios.fit(left, right, np.column_stack([one, group == "RCT"]), family="weibull")
    null = time_ratios.fit(left, right, one, family="weibull")
    yield from near({"standard error of the log scale": (np.sqrt(both.cov[2, 2]), 0.119892)}, relative=1e-4)
    yield from near(
        {
            "log-likelihood without the group": (null.loglik, -148.792431),
            "twice the gain by the group": (2 * (both.loglik - null.loglik), 10.9432),
        },
        absolute=1e-4,
    )
    expected = {"RT": (-64.731471, 4.052013, 0.891573), "RCT": (-75.715068, 3.333720, 0.492553)}
    for arm, (loglik, place, scale) in expected.items():
        own = group == arm
        fit = time_ratios.fit(left[own], right[own], one[own], family="weibull")
        yield from near({f"{arm} alone, log-likelihood": (fit.loglik, loglik)}, absolute=1e-4)
        found = [fit.beta[0], fit.scale]
        yield from each(f"{arm} alone, {{}}", ("intercept", "scale"), found, [place, scale], relative=1e-4)


def _leukaemia(published: Path) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return weeks, whether the remission ended, treatment, pair."""
    data = pd.read_csv(published / "gehan_6mp.csv")
    return (
        data["time"].to_numpy(float),
        data["cens"].to_numpy() == 1,
        data["treat"].to_numpy(),
        data["pair"].to_numpy(),
    )


def _time_ratio_right_censored(published: Path) -> Iterator[Number]:
    time, ended, treat, _ = _leukaemia(published)
    design = np.column_stack([np.ones(len(time)), treat == "control"])
    expected = {
        "weibull": ("Weibull", -106.579492, 3.515687, -1.267335, 0.732194),
        "log-normal": ("log-normal", -106.704622, 3.171968, -1.346847, 0.923869),
        "log-logistic": ("log-logistic", -107.661417, 3.158154, -1.265463, 0.546553),
    }
    for family, (words, loglik, *values) in expected.items():
        fit = time_ratios.fit(time, np.where(ended, time, np.inf), design, family=family)
        yield from near({f"{words}, log-likelihood": (fit.loglik, loglik)}, absolute=1e-5)
        found = [*fit.beta, fit.scale]
        yield from each(f"{words}, {{}}", ("intercept", "group", "scale"), found, values, absolute=1e-4)
        if family == "weibull":
            se = np.sqrt(np.diag(fit.cov))[:2]
            of = ("intercept", "group")
            yield from each("Weibull, standard error of the {}", of, se, [0.251781, 0.310640], absolute=1e-4)


def _kaplan_meier(published: Path) -> Iterator[Number]:
    from statsmodels.duration.survfunc import SurvfuncRight

    time, ended, treat, _ = _leukaemia(published)
    arm = treat == "6-MP"
    curve = SurvfuncRight(time[arm], ended[arm].astype(int))
    weeks = (6, 7, 10, 13, 16, 22, 23)
    shares = [0.857143, 0.806723, 0.752941, 0.690196, 0.627451, 0.537815, 0.448179]
    errors = [0.076360, 0.086935, 0.096350, 0.106815, 0.114054, 0.128234, 0.134592]
    at = np.searchsorted(curve.surv_times, weeks)
    yield from each("share in remission at week {}", weeks, curve.surv_prob[at], shares, **CURVE)
    yield from each("its standard error, week {}", weeks, curve.surv_prob_se[at], errors, **CURVE)
    control = SurvfuncRight(time[~arm], ended[~arm].astype(int))
    yield from near({"median": (curve.quantile(0.5), 23), "median, control": (control.quantile(0.5), 8)})
    at_12 = control.surv_prob[np.searchsorted(control.surv_times, 12)]
    yield from near({"share in remission at week 12, control": (at_12, 0.190476)}, **CURVE)
    # The interval-censored estimate, given exact and right-censored times, is the same curve.
    own = turnbull.fit(time[arm], np.where(ended[arm], time[arm], np.inf))
    found = own.survival(weeks)[0]
    yield from each("share at week {}, as intervals", weeks, found, shares, **CURVE)


def _kaplan_meier_limits(published: Path) -> Iterator[Number]:
    from lifelines import KaplanMeierFitter
    from statsmodels.duration.survfunc import SurvfuncRight

    time, ended, treat, _ = _leukaemia(published)
    arm = treat == "6-MP"
    curve = SurvfuncRight(time[arm], ended[arm].astype(int))
    at = int(np.searchsorted(curve.surv_times, 10))
    share, se, z = curve.surv_prob[at], curve.surv_prob_se[at], scipy.stats.norm.ppf(0.975)
    ends = ("lower", "upper")
    yield from each(
        "week 10, plain, {}", ends, [share - z * se, share + z * se], [0.564099, 0.941783], **CURVE
    )
    on_log = share * np.exp(np.array([-z, z]) * se / share)
    yield from each("week 10, on the log scale, {}", ends, on_log, [0.585919, 0.967575], **CURVE)
    fitter = KaplanMeierFitter().fit(time[arm], ended[arm])
    low, high = fitter.confidence_interval_.loc[10.0]
    yield from each("week 10, on the log-log scale, {}", ends, [low, high], [0.503200, 0.889362], **CURVE)
    for method, words, first in (("log", "log", 16), ("cloglog", "log-log", 13)):
        found = curve.quantile_ci(0.5, method=method)
        yield from each(f"median, on the {words} scale, {{}}", ends, found, [first, np.inf])


def _restricted_means(published: Path) -> Iterator[Number]:
    from statsmodels.duration.survfunc import SurvfuncRight

    time, ended, treat, _ = _leukaemia(published)
    expected = {
        ("6-MP", 20): (16.116527, 1.251560),
        ("6-MP", 23): (17.909244, 1.553190),
        ("control", 20): (8.428571, 1.268083),
        ("control", 23): (8.666667, 1.377390),
    }
    for (arm, tau), values in expected.items():
        own = treat == arm
        fit = turnbull.fit(time[own], np.where(ended[own], time[own], np.inf))
        curve = SurvfuncRight(time[own], ended[own].astype(int))
        # Greenwood's form: at each end of a remission, the area still to come squared, times d / (n (n - d)).
        before = (curve.surv_times < tau) & (curve.n_events > 0) & (curve.n_risk > curve.n_events)
        n, d = curve.n_risk[before], curve.n_events[before]
        whole = fit.restricted_mean(float(tau))
        area = np.array([whole - fit.restricted_mean(float(t)) for t in curve.surv_times[before]])
        found = [whole, np.sqrt((area**2 * d / (n * (n - d))).sum())]
        yield from each(f"{arm} to week {tau}, {{}}", ("mean", "standard error"), found, values, **TEST)


def _log_rank(published: Path) -> Iterator[Number]:
    from lifelines.statistics import logrank_test
    from statsmodels.duration.survfunc import survdiff

    time, ended, treat, pair = _leukaemia(published)
    plain, p = survdiff(time, ended.astype(int), treat)
    kinds: dict[str, dict] = {"Gehan": {"weight_type": "gb"}, "Tarone and Ware": {"weight_type": "tw"}}
    kinds |= {
        "Fleming and Harrington": {"weight_type": "fh", "fh_p": 1},
        "stratified by pair": {"strata": pair},
    }
    expected = [13.457852, 15.123575, 14.457151, 10.714286]
    found = [survdiff(time, ended.astype(int), treat, **more)[0] for more in kinds.values()]
    yield from near({"log-rank": (plain, 16.792941)}, **TEST)
    yield from near({"p of the log-rank": (p, 4.169e-05)}, absolute=5e-9)
    yield from each("{}", kinds, found, expected, **TEST)
    control = treat == "control"
    peto = logrank_test(time[~control], time[control], ended[~control], ended[control], weightings="peto")
    yield from near({"Peto and Prentice": (peto.test_statistic, 14.084140)}, **TEST)


def _cox(published: Path) -> Iterator[Number]:
    from statsmodels.duration.hazard_regression import PHReg

    time, ended, treat, _ = _leukaemia(published)
    control = (treat == "control").astype(float)[:, None]
    words = ("log hazard ratio", "its standard error", "log-likelihood")
    expected = {"breslow": (1.509191, 0.409564, -86.379622), "efron": (1.572125, 0.412397, -85.008425)}
    for ties, values in expected.items():
        fit = PHReg(time, control, status=ended.astype(int), ties=ties).fit(disp=0)
        yield from each(f"{{}}, {ties.title()}", words, [fit.params[0], fit.bse[0], fit.llf], values, **TEST)
    ends = ("lower", "upper")
    yield from each("limit, Efron, {}", ends, fit.conf_int()[0], [0.763842, 2.380408], **TEST)
    model = _risk_sets(time, ended, control)
    exact = model.fit(disp=0, method="newton")
    found = [exact.params[0], exact.bse[0], exact.llf]
    yield from each("{}, exact", words, found, [1.628244, 0.433131, -74.543101], **TEST)
    # The score test of the exact likelihood is the log-rank test.
    none = np.zeros(1)
    score = model.score(none)[0] ** 2 / -np.ravel(model.hessian(none))[0]
    yield from near({"score test, exact": (score, 16.792941)}, **TEST)


def _risk_sets(time: np.ndarray, ended: np.ndarray, design: np.ndarray):
    """Return the conditional logistic model of each risk set: Cox regression with exact ties."""
    from statsmodels.discrete.conditional_models import ConditionalLogit

    at = np.unique(time[ended])
    rows = [np.flatnonzero(time >= t) for t in at]
    outcome = np.concatenate([(time[r] == t) & ended[r] for t, r in zip(at, rows, strict=True)])
    sets = np.repeat(np.arange(len(at)), [len(r) for r in rows])
    return ConditionalLogit(outcome.astype(int), design[np.concatenate(rows)], groups=sets)


def _six_rows(_: Path) -> Iterator[Number]:
    from statsmodels.duration.hazard_regression import PHReg

    time, status = np.array([1.0, 1, 6, 6, 8, 9]), np.array([1, 0, 1, 1, 0, 1])
    design = np.array([1.0, 1, 1, 0, 0, 0])[:, None]
    expected = {
        "breslow": (np.log((3 + np.sqrt(33)) / 2), -4.564348, -3.824750),
        "efron": (1.676857, -4.276666, -3.358975),
    }
    words = ("log hazard ratio", "log-likelihood at 0", "log-likelihood")
    for ties, values in expected.items():
        model = PHReg(time, design, status=status, ties=ties)
        fit = model.fit(disp=0, method="newton")
        found = [fit.params[0], model.loglike(np.zeros(1)), fit.llf]
        yield from each(f"{{}}, {ties.title()}", words, found, values, **CURVE)
        if ties == "breslow":
            information = -np.ravel(model.hessian(fit.params))[0]
            yield from near({"information, Breslow": (information, 0.634168)}, **CURVE)


TURNBULL = f"{COSMESIS}; Fay & Shaw 2010, J Stat Softw 36(2); more digits by npsurv 0.5-0 in R"
SURVREG = f"{COSMESIS}; by survreg of survival 3.5-3 in R"
WEIBULL = f"{COSMESIS}; Lindsey & Ryan 1998, Stat Med 17:219; by survreg of survival 3.5-3 in R"
INTERVALS = "Interval-censored time-ratio model"
CASES = (
    Case(
        "Turnbull, radiotherapy",
        "46 interval-censored times: where the probability lies",
        TURNBULL,
        _radiotherapy,
    ),
    Case(
        "Turnbull, both therapies",
        "48 interval-censored times: where the probability lies",
        TURNBULL,
        _both_therapies,
    ),
    Case(
        "Turnbull, pooled",
        "94 interval-censored times: share not yet there",
        f"{COSMESIS}; by npsurv 0.5-0 in R",
        _pooled,
    ),
    Case(
        "Two samples of intervals",
        "Permutation tests with three kinds of scores",
        f"{COSMESIS}; Fay & Shaw 2010, J Stat Softw 36(2), section 5 (Sun); the others by their formulas",
        _two_samples,
    ),
    Case("Time ratio, Weibull", INTERVALS, WEIBULL, _weibull),
    Case("Time ratio, Weibull, by arm", INTERVALS, WEIBULL, _weibull_arms),
    Case("Time ratio, log-normal", INTERVALS, SURVREG, _log_normal),
    Case("Time ratio, log-logistic", INTERVALS, SURVREG, _log_logistic),
    Case("Time ratio, exponential", INTERVALS, SURVREG, _exponential),
    Case(
        "Time ratio, right-censored",
        "Exact and right-censored remissions, three families",
        f"{LEUKAEMIA} (survreg)",
        _time_ratio_right_censored,
    ),
    Case(
        "Kaplan-Meier",
        "Right-censored remission, Greenwood's errors (statsmodels; own curve as intervals)",
        LEUKAEMIA,
        _kaplan_meier,
    ),
    Case("Kaplan-Meier, limits", "Limits by scale (statsmodels, lifelines)", LEUKAEMIA, _kaplan_meier_limits),
    Case(
        "Restricted means",
        "Area under the curve to a week, with its error",
        f"{LEUKAEMIA}; Klein & Moeschberger 2003, eq. 4.5.2",
        _restricted_means,
    ),
    Case(
        "Log-rank tests", "Two groups of right-censored times (statsmodels, lifelines)", LEUKAEMIA, _log_rank
    ),
    Case("Hazard ratio", "Cox regression by the treatment of ties (statsmodels)", LEUKAEMIA, _cox),
    Case(
        "Hazard ratio, six rows",
        "Cox regression solved by hand (statsmodels)",
        'Therneau, vignette "validation" of the R package survival; Efron\'s value from its product',
        _six_rows,
    ),
)
