"""How often would the chart on the page signal if nothing had changed?

Stable series are drawn under the chart's own model (its kind, its sizes, its centre and spread, its
baseline), charted by the same code and judged by the same rules; the share with a signal is the false-alarm
rate of that chart, with its simulation error. Rates differ much between kinds and with the number of points,
so a general figure would mislead.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from analytics.numerics import control, runrules

N_SERIES = 4000
SEED = 20260102


@dataclass(frozen=True, slots=True)
class Rates:
    """Share of stable series with a point outside, with a run signal, with either and its error."""

    outside: float
    runs: float
    either: float
    se: float
    n_series: int
    seed: int


def of_chart(
    chart: control.Chart, sizes: ArrayLike | None = None, *, n_series: int = N_SERIES, seed: int = SEED
) -> Rates:
    """Return the false-alarm rates of a chart by simulation of stable series like it.

    Parameters
    ----------
    chart
        A chart from `control`, one series.
    sizes
        Sizes or exposures of its points, for p and u charts.
    """
    rng = np.random.default_rng(seed)
    shape = (n_series, len(chart.value))
    n = None if sizes is None else np.broadcast_to(np.asarray(sizes, dtype=float), shape)
    drawn = _stable_series(chart, n, shape, rng)
    simulated = control.chart(chart.kind, drawn, n, n_baseline=chart.n_baseline)
    outside = simulated.outside.any(axis=-1)
    runs = runrules.runs(simulated.value, baseline_median(simulated)).signal
    either = outside | runs
    rate = float(either.mean())
    se = float(np.sqrt(rate * (1 - rate) / n_series))
    return Rates(float(outside.mean()), float(runs.mean()), rate, se, n_series, seed)


def baseline_median(chart: control.Chart) -> np.ndarray:
    """Return the median of the baseline points, shape (..., 1): the line of the run rules."""
    return np.median(chart.value[..., : chart.n_baseline], axis=-1, keepdims=True)


def _stable_series(
    chart: control.Chart, sizes: np.ndarray | None, shape: tuple[int, int], rng: np.random.Generator
) -> np.ndarray:
    centre = float(np.ravel(chart.centre)[0])
    if chart.kind == "individuals":
        return centre + (np.ravel(chart.high)[0] - centre) / 3 * rng.standard_normal(shape)
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


def _beta(centre: float, extra: float, sizes: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Shares whose counts have (1 + extra) times the binomial variance."""
    if extra <= 0 or not 0 < centre < 1:
        return np.full(sizes.shape, centre)
    correlation = np.clip(extra / np.maximum(sizes - 1, 1), 1e-9, 0.99)
    scale = 1 / correlation - 1
    return rng.beta(centre * scale, (1 - centre) * scale)


def _gamma(centre: float, extra: float, sizes: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Rates whose counts have (1 + extra) times the Poisson variance."""
    if extra <= 0 or centre <= 0:
        return np.full(sizes.shape, centre)
    shape = centre * sizes / extra
    return rng.gamma(shape, centre / shape)
