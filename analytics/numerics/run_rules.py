"""Is a series shifted although no point is outside its limits, and how often would its chart signal anyway?

The rules of Anhøj: among the points not on the centre line (the useful ones, n), an unusually long run on
one side, longer than round(log2(n) + 3), or unusually few crossings of the line, fewer than the 5 % point
of a binomial with n - 1 trials and probability 0.5. How often a stable series is flagged is computed
exactly, for a line known beforehand and for the series' own median.

The false-alarm rate of a whole chart (`of_chart`): stable series are drawn under the chart's own model (its
kind, its sizes, its centre and spread, its baseline), charted by the same code and judged by the same rules;
the share with a signal is the rate, with its simulation error. Rates differ much between kinds and with the
number of points, so a general figure would mislead.

Sources: Anhøj & Olesen 2014, PLoS One 9:e113825 (rules); Wentzel-Larsen & Anhøj 2019, PLoS One 14:e0223233
(joint distribution of longest run and crossings).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import scipy
from numpy.typing import ArrayLike

from analytics.errors import ParameterError
from analytics.numerics import control

MIN_USEFUL = 10  # below it the rules are not tabulated by their authors
MIN_VALUES = 30  # fewer single values do not show the shape they are drawn from: normal instead (our choice)
MANY = 30  # a mean of more values is as good as normal (our choice)
N_SERIES = 4000
SEED = 20260102


@dataclass(frozen=True, slots=True)
class Runs:
    """Longest run and crossings of each series, shape (...), with their limits and what they signal."""

    n_useful: np.ndarray
    longest: np.ndarray
    crossings: np.ndarray
    longest_limit: np.ndarray
    crossings_limit: np.ndarray
    long_run: np.ndarray
    few_crossings: np.ndarray

    @property
    def signal(self) -> np.ndarray:
        """Whether either rule signals."""
        return self.long_run | self.few_crossings


@dataclass(frozen=True, slots=True)
class Rates:
    """Share of stable series with a point outside, with a run signal, with either and its error.

    `stricter` is what `run_tests` was asked for.
    """

    outside: float
    runs: float
    either: float
    se: float
    stricter: int
    n_series: int
    seed: int


def limits(n_useful: ArrayLike) -> tuple[np.ndarray, np.ndarray]:
    """Return the longest run and the smallest number of crossings that a stable series is allowed.

    Parameters
    ----------
    n_useful
        Points not on the line, any shape.

    Returns
    -------
    tuple of arrays
        Longest run and smallest number of crossings, of the shape given.

    Source
    ------
    Anhøj & Olesen 2014, PLoS One 9:e113825.

    Examples
    --------
    >>> [int(limit) for limit in limits(24)]
    [8, 8]
    """
    n = np.asarray(n_useful)
    safe = np.maximum(n, 1)
    return np.round(np.log2(safe) + 3).astype(int), scipy.stats.binom.ppf(
        0.05, np.maximum(n - 1, 0), 0.5
    ).astype(int)


def run_tests(values: ArrayLike, centre: ArrayLike | None = None, *, stricter: int = 0) -> Runs:
    """Return longest run, crossings and signals of one or many series.

    Parameters
    ----------
    values
        Shape (..., n), in time order.
    centre
        The line, broadcast against `values`; the median of each series if not given.
    stricter
        Points by which a run must be longer, and crossings fewer, than the rules ask.

    Examples
    --------
    >>> found = run_tests([1, 1, 1, -1, -1, 1], centre=0)
    >>> int(found.longest), int(found.crossings)
    (3, 2)
    """
    x = np.asarray(values, dtype=float)
    line = np.median(x, axis=-1, keepdims=True) if centre is None else np.asarray(centre, dtype=float)
    side = np.sign(np.round(x - line, 12))
    longest = np.zeros(x.shape[:-1], dtype=int)
    current = np.zeros(x.shape[:-1], dtype=int)
    crossings = np.zeros(x.shape[:-1], dtype=int)
    last = np.zeros(x.shape[:-1])
    for i in range(x.shape[-1]):
        s = side[..., i]
        useful = s != 0
        same = s == last
        crossings += useful & ~same & (last != 0)
        current = np.where(useful, np.where(same, current + 1, 1), current)
        last = np.where(useful, s, last)
        longest = np.maximum(longest, current)
    n_useful = (side != 0).sum(axis=-1)
    run_limit, crossing_limit = limits(n_useful)
    run_limit, crossing_limit = run_limit + stricter, np.maximum(crossing_limit - stricter, 0)
    enough = n_useful >= MIN_USEFUL
    return Runs(
        n_useful,
        longest,
        crossings,
        run_limit,
        crossing_limit,
        enough & (longest > run_limit),
        enough & (crossings < crossing_limit),
    )


@lru_cache(maxsize=256)
def false_alarm_rate(n: int, *, own_median: bool = False) -> float:
    """Return how often the run rules flag a stable series of n useful points: a share, 0 to 1.

    Parameters
    ----------
    n
        Useful points; below MIN_USEFUL the rules do not signal.
    own_median
        The line is the median of the series itself, else it was known beforehand.

    Returns
    -------
    float
        Share of 0 to 1.

    Examples
    --------
    >>> round(100 * false_alarm_rate(24, own_median=True), 1)
    3.1
    """
    if n < MIN_USEFUL:
        return 0.0
    n -= n % 2 if own_median else 0
    run_limit, crossing_limit = limits(n)
    quiet = _no_longer_than(n, int(run_limit), own_median)[int(crossing_limit) :].sum()
    return float(1 - quiet)


def longest_run(values: ArrayLike, line: float) -> tuple[int, int, bool]:
    """Return first and last point of the longest run on one side of a line (the latest), and its side.

    Points on the line neither break a run nor add to it.

    Parameters
    ----------
    values
        Shape (n,), in time order.
    line
        In the unit of the values.

    Returns
    -------
    tuple
        Number of the first and of the last point, from 0, and whether the run lies above.

    Examples
    --------
    >>> longest_run([1.0, 3.0, 2.0, 3.0, 1.0], 2.0)
    (1, 3, True)
    """
    best, begun, last, side, length = (0, 0, False), 0, 0, None, 0
    most = 0
    for i, value in enumerate(np.asarray(values, dtype=float)):
        if value == line:
            continue
        above = bool(value > line)
        if above != side:
            begun, side, length = i, above, 0
        length, last = length + 1, i
        if length >= most:
            most, best = length, (begun, last, above)
    return best


def joint_distribution(n: int, *, own_median: bool = False) -> np.ndarray:
    """Return the probability of every pair (crossings, longest run) in a stable series of n useful points.

    Parameters
    ----------
    n
        Useful points; even where the line is the series' own median (half lie above by construction).
    own_median
        The line is the median of the series itself, else it was known beforehand.

    Returns
    -------
    numpy.ndarray
        Shape (n, n + 1): row c has c crossings, column k a longest run of k.

    Raises
    ------
    ParameterError
        When the line is the own median of an odd number of points.

    Source
    ------
    Wentzel-Larsen & Anhøj 2019, PLoS One 14:e0223233. Here by adding one point at a time to a table over
    (points above, crossings, current run, longest run).

    Examples
    --------
    >>> joint_distribution(2)[1, 1].item()
    0.5
    """
    if own_median and n % 2:
        raise ParameterError(
            "run_rules.joint_distribution(n): odd; around its own median a series has an even n"
        )
    table = np.zeros((n, n + 1))
    for longest in range(1, n + 1):
        table[:, longest] = _no_longer_than(n, longest, own_median)
    return np.diff(table, axis=1, prepend=0.0)


def _no_longer_than(n: int, longest: int, own_median: bool) -> np.ndarray:
    """Return the probability, by number of crossings, that no run exceeds `longest`."""
    above = n // 2 if own_median else 0
    # State: [side of the last point, points above (own median only), crossings, length of the current run].
    state = np.zeros((2, above + 1, n, longest + 1))
    state[0, 0, 0, 1] = 1.0
    state[1, min(1, above), 0, 1] = 1.0
    for _ in range(n - 1):
        new = np.zeros_like(state)
        new[..., 2:] = state[..., 1:-1]
        new[0, :, 1:, 1] += state[1, :, :-1].sum(axis=-1)
        new[1, :, 1:, 1] += state[0, :, :-1].sum(axis=-1)
        if own_median:
            new[1, 1:] = new[1, :-1].copy()
            new[1, 0] = 0.0
        state = new / 2
    ending = state[:, above].sum(axis=(0, 2)) / 2
    if own_median:
        ending /= scipy.stats.binom.pmf(above, n, 0.5)
    return ending


def of_chart(
    chart: control.Chart,
    sizes: ArrayLike | None = None,
    *,
    values: ArrayLike | None = None,
    judged: int | None = None,
    runs_at_most: float = 1.0,
    n_series: int = N_SERIES,
    seed: int = SEED,
) -> Rates:
    """Return the false-alarm rates of a chart by simulation of stable series like it.

    Each series sets its lines by its own baseline, as the chart did or an earlier chart whose lines it keeps:
    their error is part of the rate.

    Parameters
    ----------
    chart
        A chart from `control`, one series.
    sizes
        Sizes or exposures of its points, for p and u charts; units of each mean, for individuals.
    values
        For individuals: the single values that its means are made of, shape (m,). From MIN_VALUES on stable
        series are drawn from them, so that a long tail is part of the rate; else they are normal.
    judged
        The last points, among which a signal counts; all if not given.
    runs_at_most
        Share of stable series the run rules may flag: they are made stricter until they flag no more.
    n_series, seed
        Stable series to draw, and the seed.

    Examples
    --------
    >>> chart = control.individuals([10.0, 12.0, 10.0, 12.0, 11.0, 10.0, 12.0, 11.0])
    >>> rates = of_chart(chart, n_series=50)
    >>> type(rates).__name__
    'Rates'
    """
    rng = np.random.default_rng(seed)
    shape = (n_series, len(chart.value))
    n = None if sizes is None else np.broadcast_to(np.asarray(sizes, dtype=float), shape)
    drawn = _stable_series(chart, n, shape, rng, np.empty(0) if values is None else np.asarray(values, float))
    simulated = control.chart(chart.kind, drawn, n, n_baseline=chart.n_baseline)
    first = max(shape[1] - (judged or shape[1]), 0)
    outside = simulated.outside[:, first:].any(axis=-1)
    seen, line = simulated.value[:, first:], baseline_median(simulated)
    stricter, runs = 0, run_tests(seen, line).signal
    while runs.mean() > runs_at_most:
        stricter += 1
        runs = run_tests(seen, line, stricter=stricter).signal
    either = outside | runs
    rate = float(either.mean())
    se = float(np.sqrt(rate * (1 - rate) / n_series))
    return Rates(float(outside.mean()), float(runs.mean()), rate, se, stricter, n_series, seed)


def baseline_median(chart: control.Chart) -> np.ndarray:
    """Return the median of the baseline points, shape (..., 1): the line of the run rules.

    Parameters
    ----------
    chart
        Of `control`, one series or many.

    Returns
    -------
    numpy.ndarray
        Shape (..., 1), in the unit of the values.

    Examples
    --------
    >>> baseline_median(control.individuals([10.0, 12.0, 14.0])).tolist()
    [12.0]
    """
    return np.median(chart.value[..., : chart.n_baseline], axis=-1, keepdims=True)


def _stable_series(
    chart: control.Chart,
    sizes: np.ndarray | None,
    shape: tuple[int, int],
    rng: np.random.Generator,
    values: np.ndarray,
) -> np.ndarray:
    centre = float(np.ravel(chart.centre)[0])
    if chart.kind == "individuals":
        of_points = np.ones(shape[1]) if sizes is None else sizes[0]
        one = float(np.ravel(chart.spread)[0])
        if len(values) >= MIN_VALUES and (spread := float(values.std(ddof=1))) > 0:
            return _means_of((values - values.mean()) / spread, of_points, shape, rng) * one + centre
        return centre + one / np.sqrt(of_points) * rng.standard_normal(shape)
    if chart.kind == "g":
        mean = float(chart.value[: chart.n_baseline].mean())
        return rng.geometric(1 / (1 + mean), shape) - 1.0
    if chart.kind == "t":
        return rng.exponential(float(chart.value[: chart.n_baseline].mean()), shape)
    if sizes is None:
        raise ValueError("sizes are needed for p and u charts")
    extra = max(float(np.ravel(chart.spread)[0]) ** 2 - 1, 0.0)
    if chart.kind.startswith("p"):
        return rng.binomial(sizes.astype(int), _beta(centre, extra, sizes, rng)).astype(float)
    return rng.poisson(sizes * _gamma(centre, extra, sizes, rng)).astype(float)


def _means_of(
    values: np.ndarray, sizes: np.ndarray, shape: tuple[int, int], rng: np.random.Generator
) -> np.ndarray:
    """Draw means of as many of the values, of mean 0 and SD 1, as each point has units."""
    out = np.empty(shape)
    for i, n in enumerate(np.maximum(sizes.astype(int), 1).tolist()):
        if n > MANY:
            out[:, i] = rng.standard_normal(shape[0]) / np.sqrt(n)
        else:
            out[:, i] = values[rng.integers(0, len(values), (shape[0], n))].mean(axis=1)
    return out


def _beta(centre: float, extra: float, sizes: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Draw shares whose counts have (1 + extra) times the binomial variance."""
    if extra <= 0 or not 0 < centre < 1:
        return np.full(sizes.shape, centre)
    correlation = np.clip(extra / np.maximum(sizes - 1, 1), 1e-9, 0.99)
    scale = 1 / correlation - 1
    return rng.beta(centre * scale, (1 - centre) * scale)


def _gamma(centre: float, extra: float, sizes: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Draw rates whose counts have (1 + extra) times the Poisson variance."""
    if extra <= 0 or centre <= 0:
        return np.full(sizes.shape, centre)
    shape = centre * sizes / extra
    return rng.gamma(shape, centre / shape)
