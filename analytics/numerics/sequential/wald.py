"""Has a rare harm become too frequent? Wald's sequential test, case by case, with its true errors.

After each case the log likelihood ratio of odds R times higher against unchanged is added,
log(R^y / (1 - p + R p)), p the risk of that case while all is well. At the upper bound
log((1 - beta) / alpha) the harm is called too frequent, at the lower one log(beta / (1 - alpha)) it is called
no more frequent than it may be, and between them the test goes on. With one risk for all the bounds are two
parallel lines in the plane of cases and events.

A test that goes on for ever after an acceptance hoards credit: a bad turn is found late. The resetting form
starts again at 0 whenever it accepts (Grigg, Farewell & Spiegelhalter 2003). Watched without an end every
chart alarms some day, so that beside alpha and beta stands the mean number of cases between false alarms: the
mean length of one test over its chance to reject, because every acceptance begins the same test anew.

Bounds are Wald's and conservative where events are few; `exact` computes what they give.

Sources: Wald 1947, Sequential Analysis (from memory); Spiegelhalter, Grigg, Kinsman & Treasure 2003, Int J
Qual Health Care 15:7-13 (risk-adjusted); Grigg, Farewell & Spiegelhalter 2003, Stat Methods Med Res
12:147-170.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from analytics.errors import ParameterError

ACCEPT, REJECT, GOES_ON = "no more frequent", "too frequent", "goes on"
STEPS_AT_MOST = 200_000
LEFT_AT_MOST = 1e-13  # probability still under way when the sum is stopped
ROUNDING = 1e-9  # a sum this near a bound has reached it


@dataclass(frozen=True, slots=True)
class Lines:
    """Accept and reject lines: events = slope x cases + intercept."""

    slope: float
    accept: float
    reject: float


@dataclass(frozen=True, slots=True)
class Errors:
    """Chance that one test rejects, its mean number of cases, and cases between rejections when it resets."""

    reject: float
    mean_cases: float
    run_length: float


@dataclass(frozen=True, slots=True)
class Walk:
    """The sum after each case, shape (n,), and the cases (0-based) at which the test accepted or rejected."""

    total: np.ndarray
    accepted: np.ndarray
    rejected: np.ndarray

    @property
    def state(self) -> str:
        """What the last case left: one of REJECT, ACCEPT, GOES_ON."""
        last = len(self.total) - 1
        if len(self.rejected) and self.rejected[-1] == last:
            return REJECT
        return ACCEPT if len(self.accepted) and self.accepted[-1] == last else GOES_ON


def bounds(alpha: float, beta: float) -> tuple[float, float]:
    """Return Wald's lower and upper bound of the log likelihood ratio.

    Parameters
    ----------
    alpha, beta
        Chance to reject where all is well, and to accept where the odds are R times higher; each above 0,
        together below 1.

    Returns
    -------
    tuple of float
        Below 0, and above 0.

    Raises
    ------
    ParameterError
        When alpha or beta is out of range.

    Source
    ------
    Wald 1947, Sequential Analysis (from memory).

    Examples
    --------
    >>> [round(b, 6) for b in bounds(0.1, 0.1)]
    [-2.197225, 2.197225]
    """
    if not (alpha > 0 and beta > 0 and alpha + beta < 1):
        raise ParameterError("sequential.bounds: expected alpha and beta above 0 and together below 1")
    return float(np.log(beta / (1 - alpha))), float(np.log((1 - beta) / alpha))


def added(event: ArrayLike, risk: ArrayLike, odds_ratio: float) -> np.ndarray:
    """Return what each case adds.

    Parameters
    ----------
    event, risk
        0 or 1, and the risk while all is well (0 to 1), shapes that broadcast.
    odds_ratio
        Of the harm that is to be found, above 1.

    Returns
    -------
    numpy.ndarray
        Log likelihood ratio of each case, of the shape they broadcast to.

    Examples
    --------
    >>> added([0, 1], [0.1, 0.1], 2.0).round(6).tolist()
    [-0.09531, 0.597837]
    """
    y, p = np.asarray(event, dtype=float), np.asarray(risk, dtype=float)
    return y * np.log(odds_ratio) - np.log1p(p * (odds_ratio - 1))


def lines(p0: float, p1: float, *, alpha: float, beta: float) -> Lines:
    """Return the accept and reject lines of a test of risk p0 against p1.

    Parameters
    ----------
    p0, p1
        Risk while all is well, and the one to be found; 0 < p0 < p1 < 1.
    alpha, beta
        As in `bounds`.

    Raises
    ------
    ParameterError
        When the risks are out of order.

    Examples
    --------
    >>> found = lines(0.1, 0.3, alpha=0.02, beta=0.03)
    >>> round(found.slope, 6), round(found.accept, 6), round(found.reject, 6)
    (0.186169, -2.582626, 2.875389)
    """
    if not 0 < p0 < p1 < 1:
        raise ParameterError("sequential.lines: expected 0 < p0 < p1 < 1")
    low, high = bounds(alpha, beta)
    event, none = np.log(p1 / p0), np.log((1 - p1) / (1 - p0))
    width = event - none
    return Lines(float(-none / width), float(low / width), float(high / width))


def walk(steps: ArrayLike, *, alpha: float, beta: float, resets: bool = True) -> Walk:
    """Return the running sum, and where it accepted and rejected.

    Parameters
    ----------
    steps
        What each case adds, in order, shape (n,).
    alpha, beta
        As in `bounds`.
    resets
        Start again at 0 after an acceptance (and always after a rejection); else the sum runs on, and the
        first crossing of either bound is noted.

    Examples
    --------
    >>> found = walk([2.0, 1.0, -4.0], alpha=0.1, beta=0.1)
    >>> found.rejected.tolist(), found.accepted.tolist()
    ([1], [2])
    """
    low, high = bounds(alpha, beta)
    total: list[float] = []
    accepted: list[int] = []
    rejected: list[int] = []
    level = 0.0
    for i, step in enumerate(np.asarray(steps, dtype=float)):
        level += step
        total.append(level)
        is_over = not resets and bool(accepted or rejected)
        if level >= high - ROUNDING and not is_over:
            rejected.append(i)
        elif level <= low + ROUNDING and not is_over:
            accepted.append(i)
        else:
            continue
        level = 0.0 if resets else level
    return Walk(np.array(total), np.array(accepted, dtype=int), np.array(rejected, dtype=int))


def exact(p: float, event: float, none: float, *, low: float, high: float) -> Errors:
    """Return what a test truly does at a risk: the distribution of events, case by case, until it is over.

    Parameters
    ----------
    p
        True risk of every case, between 0 and 1.
    event, none
        What a case with an event, and one without, adds.
    low, high
        Bounds, below and above 0.

    Raises
    ------
    ParameterError
        When the risk or a bound is out of range.

    Examples
    --------
    A fair walk between -1 and 1 is over after one step:

    >>> exact(0.5, 1.0, -1.0, low=-1.0, high=1.0)
    Errors(reject=0.5, mean_cases=1.0, run_length=2.0)
    """
    if not (0 < p < 1 and low < 0 < high and none < 0 < event):
        raise ParameterError("sequential.exact: expected a risk from 0 to 1 and bounds on either side of 0")
    fewest, most, lasts = _between(event, none, low, high)
    # Events only add up, so that while neither bound moves those of j more cases are binomial.
    kept = np.arange((most - np.maximum(fewest, 0)).max() + 1)
    more = scipy.stats.binom.pmf(kept, np.arange(lasts.max())[:, None], p)
    waits = np.cumsum(more, axis=0) - more
    mass = np.ones(1)  # by number of events among those still under way, from `first` on
    first, reject, cases, left = 0, 0.0, 0.0, 1.0
    for lower, upper, last in zip(fewest, most, lasts - 1, strict=True):
        cases += left
        mass = np.convolve(mass, (1 - p, p))
        room = max(upper - first, 0)
        reject += mass[room:].sum()
        mass, first = mass[max(lower - first, 0) : room], max(lower, first)
        if last and len(mass):
            waiting = np.convolve(mass, waits[last])[: upper - first]
            cases, reject = cases + waiting.sum(), reject + p * waiting[upper - first - 1 :].sum()
            mass = np.convolve(mass, more[last])[: upper - first]
        left = mass.sum()
        if left < LEFT_AT_MOST:
            break
    return Errors(float(reject), float(cases), float(cases / reject) if reject > 0 else np.inf)


def _between(event: float, none: float, low: float, high: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the fewest events that keep a test going and that end it above, and for how many cases."""
    case, width = np.arange(1, STEPS_AT_MOST), event - none
    fewest = np.floor((low + ROUNDING - case * none) / width).astype(int) + 1
    most = np.ceil((high - ROUNDING - case * none) / width).astype(int)
    at = np.flatnonzero(np.diff(fewest, prepend=fewest[0] - 1) | np.diff(most, prepend=most[0]))
    return fewest[at], most[at], np.diff(at, append=len(case))
