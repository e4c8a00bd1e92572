"""Published and recomputed examples of sequential tests of a rare harm, and of none in n."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from analytics.numerics import proportions, sequential
from analytics.published.cases import Case, Number, each, near

FIVE = {"absolute": 1e-5}
EXACT = {"absolute": 1e-4}
SIX = {"absolute": 1e-6}


def _wald(_: Path) -> Iterator[Number]:
    yield from _one_test(
        (0.1, 0.3, 0.02, 0.03),
        (0.186169, -2.582626, 2.875389),
        {0.1: (0.013692, 29.9018), 0.3: (0.972576, 26.6022), 0.186169: (0.456540, 55.8112)},
    )
    yield from _first_acceptance((0.1, 0.3, 0.02, 0.03), 14)


def _handbook(_: Path) -> Iterator[Number]:
    yield from _one_test(
        (0.01, 0.10, 0.05, 0.10),
        (0.039747, -0.938862, 1.205379),
        {0.01: (0.022047, 30.2127), 0.10: (0.900421, 22.3692)},
    )
    yield from _first_acceptance((0.01, 0.10, 0.05, 0.10), 24)


def _one_test(test: tuple, lines: tuple, exact: dict[float, tuple[float, float]]) -> Iterator[Number]:
    p0, p1, alpha, beta = test
    found = sequential.lines(p0, p1, alpha=alpha, beta=beta)
    names = ("slope", "accept line", "reject line")
    yield from each("{}", names, (found.slope, found.accept, found.reject), lines, **FIVE)
    low, high = sequential.bounds(alpha, beta)
    event, none = np.log(p1 / p0), np.log((1 - p1) / (1 - p0))
    for p, (reject, cases) in exact.items():
        errors = sequential.exact(p, event, none, low=low, high=high)
        chance = {f"chance to reject at {p:g}": (errors.reject, reject)}
        yield from near(chance, **EXACT)
        yield from near({f"cases needed at {p:g}": (errors.mean_cases, cases)}, **EXACT)


def _first_acceptance(test: tuple, cases: int) -> list[Number]:
    p0, p1, alpha, beta = test
    none = np.log((1 - p1) / (1 - p0))
    walk = sequential.walk(np.full(cases + 5, none), alpha=alpha, beta=beta)
    return near({"cases without an event until it accepts": (walk.accepted[0] + 1, cases)})


def _bounds(_: Path) -> Iterator[Number]:
    expected = {0.1: 2.197225, 0.05: 2.944439, 0.01: 4.595120, 0.001: 6.906755, 0.0001: 9.210240}
    found = {f"both errors {a:g}": (sequential.bounds(a, a)[1], e) for a, e in expected.items()}
    yield from near(found, **SIX)


def _risk_adjusted(_: Path) -> Iterator[Number]:
    risk = [0.1, 0.05, 0.1, 0.2, 0.05, 0.1, 0.1, 0.05, 0.05, 0.3, 0.1, 0.05]
    event = [1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 1]
    path = np.cumsum(sequential.added(event, risk, 2.0))
    expected = [
        0.597837, 0.549047, 1.146884, 0.964562, 1.608919, 1.513609,
        1.418299, 2.062656, 2.707013, 2.444649, 2.349339, 2.993696,
    ]  # fmt: skip
    yield from each("sum after case {}", range(1, 13), path, expected, **SIX)


def _resetting(_: Path) -> Iterator[Number]:
    risk = [0.05] * 30 + [0.1] * 10 + [0.1, 0.05, 0.2, 0.1, 0.05, 0.1]
    event = [0] * 40 + [1, 1, 0, 1, 1, 1]
    steps = sequential.added(event, risk, 2.0)
    resets = sequential.walk(steps, alpha=0.1, beta=0.1)
    plain = sequential.walk(steps, alpha=0.1, beta=0.1, resets=False)
    yield from near(
        {
            "accepts at case": (resets.accepted[0] + 1, 38),
            "alarms at case": (resets.rejected[0] + 1, 46),
            "without a new start accepts at case": (plain.accepted[0] + 1, 38),
            "alarms without a new start": (len(plain.rejected), 0),
        }
    )
    expected = [0.407217, 1.051574, 0.869252, 1.467089, 2.111446, 2.709283]
    yield from each("sum after case {}", range(41, 47), resets.total[40:], expected, **SIX)
    yield from near({"sum at the end without a new start": (plain.total[-1], 0.483097)}, **SIX)


def _run_length(_: Path) -> Iterator[Number]:
    expected = {2: (224.6234, 32.8900, 14.3395), 3: (801.0332, 52.8633, 20.8199)}
    for bound, lengths in expected.items():
        for p, length in zip((0.1, 0.2, 0.3), lengths, strict=True):
            found = sequential.exact(p, 6 / 7, -1 / 7, low=-bound, high=bound).run_length
            yield from near({f"bounds {bound}, risk {p:g}": (found, length)}, relative=1e-4)


def _none_of_n(_: Path) -> Iterator[Number]:
    # The one-sided 95 % limit is the two-sided one at 90 %.
    expected = {
        14: (0.192636, 0.231636), 20: (0.139108, 0.168433), 100: (0.029513, 0.036217),
        300: (0.009936, 0.012221), 533: (0.005605, 0.006897), 2896: (0.001034, 0.001273),
    }  # fmt: skip
    for n, limits in expected.items():
        for level, limit in zip((0.90, 0.95), limits, strict=True):
            found = proportions.proportion(0, n, method="clopper_pearson", level=level).high.item()
            yield from near({f"none in {n}, level {level:g}": (found, limit)}, **SIX)


CASES = (
    Case(
        "Sequential test",
        "Accept and reject lines; true errors and mean number of cases",
        "Wald 1947, Sequential Analysis (lines, from memory); exact by a second program",
        _wald,
    ),
    Case(
        "Sequential test of a rare fault",
        "Lines as printed; Wald's bounds are conservative where events are few",
        "NIST/SEMATECH e-Handbook of Statistical Methods, 6.2.6 (lines); exact by a second program",
        _handbook,
    ),
    Case(
        "Bounds of a sequential test",
        "Of equal errors",
        "Spiegelhalter, Grigg, Kinsman & Treasure 2003, Int J Qual Health Care 15:7",
        _bounds,
    ),
    Case(
        "Risk-adjusted sequential test",
        "Sum after each case",
        "Spiegelhalter, Grigg, Kinsman & Treasure 2003 (formula); summed by a second program",
        _risk_adjusted,
    ),
    Case(
        "Resetting sequential test",
        "Credit hoarded by a test that runs on after it accepted",
        "Grigg, Farewell & Spiegelhalter 2003, Stat Methods Med Res 12:147 (method); by a second program",
        _resetting,
    ),
    Case(
        "Resetting sequential test, run lengths",
        "Mean number of cases between alarms",
        "Grigg, Farewell & Spiegelhalter 2003 (method); exact Markov chain by a second program",
        _run_length,
    ),
    Case(
        "None in n",
        "Exact upper limits, one-sided and two-sided",
        "Hanley & Lippman-Hand 1983, JAMA 249:1743 (question); by R",
        _none_of_n,
    ),
)
