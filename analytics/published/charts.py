"""Published examples of a practice's charts: funnels, control charts, run rules, run lengths.

The moving average chart comes from pandas and the run length of plain limits from scipy: the package has
neither of its own.
"""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import scipy

from analytics.numerics import control, cusum, funnel, meta, run_rules
from analytics.published.cases import Case, Number, each, near

HANDBOOK = "NIST/SEMATECH e-Handbook of Statistical Methods"
QICHARTS = "limits by R package qicharts2"
SIX = {"absolute": 1e-6}
# R package spc 0.6.7; tables print three or four digits.
RUN_LENGTH = {"relative": 1e-3}
# Software that rounds 3 / 1.128 to 2.66 draws single values this many sigmas wide.
ROUNDED_WIDTH = 2.66 * control.D2
CENTRE_AND_LIMITS = ("centre", "lower limit", "upper limit")


def _hospitals(published: Path) -> Iterator[Number]:
    data = pd.read_csv(published / "surgical12.csv")
    z, target = funnel.proportion_z(data["r"], data["n"])
    expected = [
        -1.936838,
        2.218219,
        -0.278905,
        -1.862962,
        -1.998786,
        -0.406118,
        -0.609374,
        3.938165,
        -0.345523,
        0.322157,
        2.407336,
        -0.525730,
    ]
    five = {"absolute": 1e-5}
    yield from near({"target": (target, 0.0739161)}, absolute=1e-7)
    yield from each("z of hospital {}", range(1, 13), z, expected, **five)
    phi = funnel.dispersion(z, winsorised=0.0).phi
    yield from near(
        {"overdispersion": (phi, 3.212970), "overdispersion, over k - 1": (phi * 12 / 11, 3.505058)}, **five
    )
    se = np.sqrt(target * (1 - target) / 100)
    for level, limits in ((0.95, (0.022637, 0.125196)), (0.998, (-0.006935, 0.154767))):
        found = funnel.normal_limits(se, target, level=level)
        yield from each(
            f"{{}} limit at 100 cases, {100 * level:g} %", ("lower", "upper"), found, limits, **SIX
        )


def _hospitals_without_one(published: Path) -> Iterator[Number]:
    data = pd.read_csv(published / "surgical12.csv")
    five = {"absolute": 1e-5}
    # Each of two hospitals against the others alone.
    for name, r, n, centre, score in (
        ("8th", 31, 215, 0.0681031, 4.428320),
        ("11th", 29, 256, 0.0699765, 2.716013),
    ):
        others = (data["r"].sum() - r) / (data["n"].sum() - n)
        z, _ = funnel.proportion_z([r], [n], others)
        yield from near({f"centre without the {name}": (others, centre)}, absolute=1e-7)
        yield from near({f"z of the {name} against the others": (z[0], score)}, **five)
    # Left out one by one beyond three standard errors: the 8th alone.
    centre, used = funnel.robust_centre(data["r"], data["n"])
    yield from near({"centre without extremes": (centre, 0.0681031)}, absolute=1e-7)
    yield from near({"hospitals left out": ((~used).sum(), 1)})
    z, _ = funnel.proportion_z(data["r"][used], data["n"][used], centre)
    phi = funnel.dispersion(z, winsorised=0.0).phi
    yield from near({"overdispersion of those kept": (phi, 2.133984)}, **SIX)
    # About the median of the rates, with one tenth at either end drawn in.
    median = float(np.median(data["r"] / data["n"]))
    z, _ = funnel.proportion_z(data["r"], data["n"], median)
    expected = [
        -1.836372,
        2.661340,
        0.012226,
        -1.156579,
        -1.687335,
        -0.034744,
        -0.298673,
        4.531472,
        0.039494,
        0.611882,
        2.966239,
        -0.021265,
    ]
    yield from near({"median of the rates": (median, 0.0669468)}, absolute=1e-7)
    yield from each("z of hospital {} about the median", range(1, 13), z, expected, **five)
    yield from near({"overdispersion, winsorised": (funnel.dispersion(z).phi, 2.622186)}, **five)


def _hospitals_at_random(published: Path) -> Iterator[Number]:
    data = pd.read_csv(published / "surgical12.csv")
    target = data["r"].sum() / data["n"].sum()
    rate, se = data["r"] / data["n"], np.sqrt(target * (1 - target) / data["n"])
    found = meta.random_effects(rate, se**2, method="DL")
    yield from near({"variance between hospitals": (found.tau2, 0.000777630)}, absolute=1e-9)
    yield from near({"centre": (float(found.beta[0]), 0.0763587)}, absolute=1e-7)
    z = (rate - found.beta[0]) / np.sqrt(se**2 + found.tau2)
    expected = [
        -1.615512,
        1.285306,
        -0.248272,
        -0.666453,
        -1.158051,
        -0.298851,
        -0.441503,
        2.048788,
        -0.262104,
        0.158788,
        1.142166,
        -0.311549,
    ]
    yield from each("z of hospital {}", range(1, 13), z, expected, absolute=1e-5)


def _flow_rate(published: Path) -> Iterator[Number]:
    chart = control.individuals(pd.read_csv(published / "nist_flowrate_imr.csv")["x"])
    found = [chart.centre[0], chart.low[0], chart.high[0]]
    yield from each("{}", CENTRE_AND_LIMITS, found, [50.81, 45.8159, 55.8041], absolute=1e-4)
    mean_range = (chart.high[0] - chart.centre[0]) / 3 * control.D2
    yield from near({"mean moving range": (mean_range, 1.8778)}, absolute=1e-4)
    yield from near({"points outside": (chart.outside.sum(), 0)})


def _moving_average(published: Path) -> Iterator[Number]:
    data = pd.read_csv(published / "nist_ewma.csv")
    start, weight, sigma = 50.0, 0.3, 2.0539
    smooth = pd.concat([pd.Series([start]), data["x"]]).ewm(alpha=weight, adjust=False).mean().to_numpy()[1:]
    yield from each(
        "average {}", range(1, len(smooth) + 1), smooth, data["ewma_printed"], absolute=5e-3 + 1e-12
    )
    half = 3 * sigma * np.sqrt(weight / (2 - weight))
    # The handbook rounds sqrt(0.3 / 1.7) to 0.4201 and prints 52.5884 and 47.4115.
    yield from each(
        "{} limit", ("lower", "upper"), [start - half, start + half], [47.4115, 52.5884], absolute=1e-4
    )


def _attendances(published: Path) -> Iterator[Number]:
    data = pd.read_csv(published / "attendances_in_time.csv")
    nine = {"absolute": 1e-9}
    plain = control.p(data["in_time"], data["attendances"])
    prime = control.p_prime(data["in_time"], data["attendances"])
    frozen = control.p_prime(data["in_time"], data["attendances"], n_baseline=10)
    yield from near({"centre": (plain.centre[0], 0.952899711344)}, **nine)
    weeks = ("lower limit, week 1", "upper limit, week 1", "lower limit, week 20", "upper limit, week 20")
    found = [plain.low[0], plain.high[0], plain.low[19], plain.high[19]]
    expected = [0.951699564646, 0.954099858042, 0.951685030668, 0.954114392020]
    yield from each("{}", weeks, found, expected, **nine)
    found = [prime.low[0], prime.high[0], prime.low[19], prime.high[19]]
    expected = [0.940129644178, 0.965669778511, 0.939974996523, 0.965824426165]
    yield from each("{}, widened", weeks, found, expected, **nine)
    found = [frozen.centre[15], frozen.low[0], frozen.high[0], frozen.low[10], frozen.high[10]]
    words = (
        "centre",
        "lower limit, week 1",
        "upper limit, week 1",
        "lower limit, week 11",
        "upper limit, week 11",
    )
    expected = [0.951059643833, 0.938664691389, 0.963454596277, 0.938646419489, 0.963472868176]
    yield from each("{}, widened, from weeks 1 to 10", words, found, expected, **nine)
    yield from near({"sigma of the standardised weeks": (prime.spread[0], 10.640422)}, **SIX)
    z = np.abs(prime.value - prime.centre) / ((prime.high - prime.centre) / 3)
    yield from near({"furthest week, in widened sigmas": (z.max(), 2.093465)}, **SIX)
    outside = plain.outside.sum(), prime.outside.sum()
    yield from near({"weeks outside": (outside[0], 16), "weeks outside, widened": (outside[1], 0)})
    single = control.individuals(data["in_time"] / data["attendances"], width=ROUNDED_WIDTH)
    found = [single.centre[0], single.low[0], single.high[0]]
    expected = [0.952970, 0.940123, 0.965817]
    yield from each("{}, as single values", CENTRE_AND_LIMITS, found, expected, **SIX)


def _infections(published: Path) -> Iterator[Number]:
    data = pd.read_csv(published / "infections_by_month.csv")
    chart = control.u(data["infections"], data["risk_days"])
    found = [chart.centre[0], chart.low[0], chart.high[0], chart.high[35]]
    words = ("centre", "lower limit, month 1", "upper limit, month 1", "upper limit, month 36")
    expected = [0.00103802310379, 0.00024267399952, 0.00183337220806, 0.00184966831768]
    yield from each("{}", words, found, expected, relative=1e-8)


def _between_deaths(published: Path) -> Iterator[Number]:
    data = pd.read_csv(published / "between_deaths.csv")
    cases = control.g(data["operations_between"], exact=False)
    frozen = control.g(data["operations_between"], n_baseline=33, exact=False)
    found = [cases.centre[0], cases.low[0], cases.high[0]]
    yield from each("operations between, {}", CENTRE_AND_LIMITS, found, [24, 0, 128.174910232], relative=1e-9)
    upper = "operations between, upper limit from the first 33"
    yield from near({upper: (frozen.high[0], 132.155359492)}, relative=1e-9)
    days = control.t(data["days_between"])
    found = [days.centre[0], days.high[0]]
    yield from each(
        "days between, {}", ("centre", "upper limit"), found, [11.205060797, 106.041831425], relative=1e-9
    )


def _screened(_: Path) -> Iterator[Number]:
    values = [1, 2, 1, 2, 10, 1, 2, 1, 2, 1, 2, 1, 2, 1, 2, 1, 2, 1]
    plain = control.individuals(values, width=ROUNDED_WIDTH)
    screened = control.individuals(values, width=ROUNDED_WIDTH, screened=True)
    found = [plain.centre[0], plain.low[0], plain.high[0]]
    yield from each("{}, all ranges", CENTRE_AND_LIMITS, found, [1.944444, -3.062614, 6.951503], **SIX)
    found = [screened.low[0], screened.high[0]]
    yield from each(
        "{} limit, large ranges left out", ("lower", "upper"), found, [-0.715556, 4.604444], **SIX
    )


def _run_rules(_: Path) -> Iterator[Number]:
    longest = {10: 6, 12: 7, 20: 7, 24: 8, 60: 9}
    fewest = {10: 2, 12: 3, 20: 6, 24: 8, 60: 23}
    runs, crossings = run_rules.limits(list(longest))
    yield from each("longest run allowed, {} points", longest, runs, longest.values())
    yield from each("fewest crossings allowed, {} points", fewest, crossings, fewest.values())


def _run_rates(_: Path) -> Iterator[Number]:
    expected = {
        12: (7, 3, 0.023437, 0.032715, 0.042969),
        24: (8, 8, 0.033070, 0.046570, 0.066240),
        36: (8, 13, 0.055845, 0.044766, 0.085219),
    }
    for n, (run, crossings, long, few, either) in expected.items():
        table = run_rules.joint_distribution(n)
        found = [table[:, run + 1 :].sum(), table[:crossings].sum(), run_rules.false_alarm_rate(n)]
        words = (f"a run over {run}", f"fewer than {crossings} crossings", "either")
        yield from each(f"{n} points: {{}}", words, found, [long, few, either], **SIX)


def _runs_jointly(_: Path) -> Iterator[Number]:
    known = run_rules.joint_distribution(14) * 8192
    at = ((6, 5), (7, 3), (8, 3))
    found = [known[c, k] for c, k in at]
    yield from each("known line, of 8192, (crossings, longest run) {}", at, found, [392, 756, 756], **SIX)
    own = run_rules.joint_distribution(14, own_median=True) * 1716
    found = [own[5, 4], own[7, 3]]
    yield from each(
        "own median, of 1716, (crossings, longest run) {}", ((5, 4), (7, 3)), found, [108, 240], **SIX
    )


def _run_lengths(_: Path) -> Iterator[Number]:
    expected = {
        (0, 0): 167.6838,
        (0.5, 0): 26.6302,
        (1, 0): 8.3831,
        (2, 0): 3.3428,
        (0, 2): 148.6957,
        (1, 2): 5.2869,
    }
    for (shift, head), length in expected.items():
        found = cusum.run_length(k=0.5, h=4, shift=shift, head_start=head)
        words = f"shift {shift:g}" + (", head start" if head else "")
        yield from near({words: (found, length)}, **RUN_LENGTH)


def _run_lengths_one_sided(_: Path) -> Iterator[Number]:
    expected = {
        (0.5, 3, 0): 117.5957,
        (0.5, 3, 1.5): 3.7491,
        (0.5, 3, -0.5): 1962.79,
        (0, 10, 0): 124.6616,
        (0, 10, 0.5): 20.3718,
    }
    for (k, h, shift), length in expected.items():
        found = cusum.run_length(k=k, h=h, shift=shift, two_sided=False)
        yield from near({f"k = {k:g}, h = {h:g}, shift {shift:g}": (found, length)}, **RUN_LENGTH)


def _run_length_by_chain(_: Path) -> Iterator[Number]:
    # The chain behind the limits of the review: a standard normal less 0.5, in steps of a hundredth.
    edge = np.linspace(-6, 6, 1201)
    middle = (edge[1:] + edge[:-1]) / 2
    steps = cusum.Increments(middle - 0.5, np.diff(scipy.stats.norm.cdf(edge)))
    # Half a per cent: the normal is cut into steps.
    yield from near({"k = 0.5, h = 3": (cusum.risk_run_length(steps, 3.0), 117.5957)}, relative=5e-3)


def _plain_limits(_: Path) -> Iterator[Number]:
    found = [1 / (scipy.stats.norm.sf(3 - shift) + scipy.stats.norm.cdf(-3 - shift)) for shift in (0, 1)]
    yield from each(
        "points until one is outside, shift {}", (0, 1), found, [370.3983, 43.8947], absolute=1e-4
    )


def _risk_adjusted(_: Path) -> Iterator[Number]:
    expected = {
        (0.1, 2.0): (-0.0953102, 0.5978370),
        (0.05, 2.0): (-0.0487902, 0.6443570),
        (0.1, 0.5): (0.0512933, -0.6418539),
    }
    for (risk, odds), values in expected.items():
        found = cusum.weights([0, 1], [risk, risk], odds)
        words = f"risk {risk:g}, odds times {odds:g}: a {{}} outcome adds"
        yield from each(words, ("good", "bad"), found, values, **SIX)


def _credit(_: Path) -> Iterator[Number]:
    # Forty good outcomes, then six of which five are bad: the sum holds no credit.
    risk = np.repeat([0.05, 0.1, 0.05, 0.2, 0.1, 0.05, 0.1], [30, 11, 1, 1, 1, 1, 1])
    outcome = np.repeat([0, 1, 1, 0, 1, 1, 1], [40, 1, 1, 1, 1, 1, 1])
    path = cusum.path(cusum.weights(outcome, risk, 2.0), 100.0)
    yield from near({"the sum after 46 cases": (path.total[-1], 2.899903)}, **SIX)


SURGERY = "BUGS examples (data)"
CASES = (
    Case(
        "Twelve hospitals",
        "Funnel scores, overdispersion, limits",
        f"Spiegelhalter 2005, Stat Med 24:1185 (method); {SURGERY}",
        _hospitals,
    ),
    Case(
        "Twelve hospitals, without the extreme",
        "Scores against the others and about the median",
        f"Spiegelhalter 2005, Stat Med 24:1185 (method); {SURGERY}; by R and scipy",
        _hospitals_without_one,
    ),
    Case(
        "Twelve hospitals, as a sample",
        "Variance between units in the scores",
        f"DerSimonian & Laird 1986, Control Clin Trials 7:177 (method); {SURGERY}; by R and scipy",
        _hospitals_at_random,
    ),
    Case(
        "Chart of single values", "Centre and limits from moving ranges", f"{HANDBOOK}, 6.3.2.2", _flow_rate
    ),
    Case(
        "Chart of single values, screened",
        "Large moving ranges left out once",
        "Nelson 1982, J Qual Technol 14:172 (method, from memory); documents of R package qicharts2",
        _screened,
    ),
    Case(
        "Moving average chart",
        "Exponentially weighted (pandas); the handbook rounds a root in its limits",
        f"{HANDBOOK}, 6.3.2.4",
        _moving_average,
    ),
    Case(
        "Attendances in time",
        "Proportions: binomial limits, widened limits, a frozen baseline",
        f"Mohammed et al. 2013, BMJ Qual Saf 22:362 (data); {QICHARTS}",
        _attendances,
    ),
    Case(
        "Infections by month",
        "Rates: Poisson limits",
        f"Danish public infection statistics 2012-2015 (data); {QICHARTS}",
        _infections,
    ),
    Case(
        "Between deaths",
        "Rare events: operations and days between",
        f"Steiner, Cook, Farewell & Treasure 2000, Biostatistics 1:441 (data); {QICHARTS}",
        _between_deaths,
    ),
    Case(
        "Run rules",
        "Longest run and fewest crossings allowed",
        "Anhøj & Olesen 2014, PLoS One 9:e113825, Table 1",
        _run_rules,
    ),
    Case(
        "Run rules, false alarms",
        "How often a stable series breaks a rule, exactly",
        "Anhøj & Olesen 2014, PLoS One 9:e113825 (rules); exact by enumeration in R",
        _run_rates,
    ),
    Case(
        "Run rules, jointly",
        "Longest run and crossings of 14 points",
        "Wentzel-Larsen & Anhøj 2019, PLoS One 14:e0223233; documents of R package crossrun",
        _runs_jointly,
    ),
    Case(
        "CUSUM run lengths",
        "Points until a signal, two-sided",
        "Lucas & Crosier 1982, Technometrics 24:199, Table 1; more digits by R package spc 0.6.7",
        _run_lengths,
    ),
    Case(
        "CUSUM run lengths, one-sided",
        "Points until a signal, one-sided",
        "Brook & Evans 1972, Biometrika 59:539; Waldmann 1986; Vance 1986; computed by R package spc 0.6.7",
        _run_lengths_one_sided,
    ),
    Case(
        "CUSUM run length by a chain",
        "The same by the method behind the review's limits",
        "Brook & Evans 1972, Biometrika 59:539; more digits by R package spc 0.6.7",
        _run_length_by_chain,
    ),
    Case(
        "Three-sigma limits",
        "Points until one is outside (scipy)",
        "Standard values, e.g. Montgomery, Introduction to Statistical Quality Control",
        _plain_limits,
    ),
    Case(
        "Risk-adjusted CUSUM",
        "What one case adds",
        "Steiner, Cook, Farewell & Treasure 2000, Biostatistics 1:441",
        _risk_adjusted,
    ),
    Case(
        "Risk-adjusted CUSUM, no credit",
        "A sum that starts again at 0 after good outcomes",
        "Steiner, Cook, Farewell & Treasure 2000, Biostatistics 1:441 (formula); summed by hand",
        _credit,
    ),
)
