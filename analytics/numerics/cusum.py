"""Cumulative sums: the chart that finds small lasting shifts, and how long it runs before a false alarm.

`decision` is the tabular CUSUM of standardised values (reference value k, decision limit h, both in sigmas);
`run_length` its mean number of points to a signal, from the integral equation by Gauss-Legendre quadrature;
`siegmund` the closed approximation. The risk-adjusted chart stands in `risk_cusum`.

Sources: Brook & Evans 1972, Biometrika 59:539-549; Lucas & Crosier 1982, Technometrics 24:199-205 (head
start); Siegmund 1985, Sequential Analysis, p. 27 (h + 1.166).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats

from analytics.errors import ParameterError

NODES = 96
SIEGMUND_SHIFT = 1.166


@dataclass(frozen=True, slots=True)
class Decision:
    """Upper and lower sums of a tabular CUSUM, shape (n,), and the points (0-based) at which they signal."""

    upper: np.ndarray
    lower: np.ndarray
    signals: np.ndarray


def decision(z: ArrayLike, *, k: float = 0.5, h: float = 4.0, head_start: float = 0.0) -> Decision:
    """Return the tabular CUSUM of standardised values; both sums start again after a signal.

    Examples
    --------
    >>> decision([2.0, 2.0, 2.0], k=0.5, h=4.0).signals.tolist()
    [2]
    """
    values = np.asarray(z, dtype=float)
    upper, lower = np.zeros(len(values)), np.zeros(len(values))
    up = down = head_start
    signals = []
    for i, value in enumerate(values):
        up, down = max(0.0, up + value - k), max(0.0, down - value - k)
        upper[i], lower[i] = up, down
        if max(up, down) > h:
            signals.append(i)
            up = down = head_start
    return Decision(upper, lower, np.array(signals, dtype=int))


def run_length(
    *, k: float = 0.5, h: float = 4.0, shift: float = 0.0, head_start: float = 0.0, two_sided: bool = True
) -> float:
    """Return the mean number of points until the CUSUM of normal values signals.

    Parameters
    ----------
    k, h
        Reference value (0 or more) and decision limit (above 0), in sigmas.
    shift
        True mean, in sigmas.
    head_start
        Starting value of the sums, 0 to h.

    Examples
    --------
    >>> round(run_length(k=0.5, h=4.0), 1)
    167.7
    """
    if not (h > 0 and k >= 0 and 0 <= head_start < h):
        raise ParameterError(
            "cusum.run_length: expected h above 0, k 0 or more, head_start from 0 to below h"
        )
    up_zero, up_start = _one_sided(k, h, shift, head_start)
    if not two_sided:
        return up_start
    down_zero, down_start = _one_sided(k, h, -shift, head_start)
    both = up_start * down_zero + up_zero * down_start - up_zero * down_zero
    return float(both / (up_zero + down_zero))


def siegmund(*, k: float = 0.5, h: float = 4.0, shift: float = 0.0, two_sided: bool = True) -> float:
    """Return Siegmund's closed approximation of `run_length`.

    Examples
    --------
    >>> round(siegmund(k=0.5, h=4.0, shift=0.5, two_sided=False), 1)
    26.7
    """
    up = _siegmund_one_sided(shift - k, h + SIEGMUND_SHIFT)
    if not two_sided:
        return up
    return float(1 / (1 / up + 1 / _siegmund_one_sided(-shift - k, h + SIEGMUND_SHIFT)))


def _one_sided(k: float, h: float, shift: float, start: float) -> tuple[float, float]:
    """Solve L(s) = 1 + L(0) F(k - s - shift) + integral over (0, h) of L(y) f(y - s + k - shift)."""
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    y, w = h / 2 * (nodes + 1), h / 2 * weights
    at = np.concatenate([[0.0], y])
    kernel = np.empty((NODES + 1, NODES + 1))
    kernel[:, 0] = stats.norm.cdf(k - at - shift)
    kernel[:, 1:] = w * stats.norm.pdf(y[None, :] - at[:, None] + k - shift)
    solved = np.linalg.solve(np.eye(NODES + 1) - kernel, np.ones(NODES + 1))
    inside = solved[1:] * w * stats.norm.pdf(y - start + k - shift)
    return float(solved[0]), float(1 + solved[0] * stats.norm.cdf(k - start - shift) + inside.sum())


def _siegmund_one_sided(drift: float, b: float) -> float:
    if abs(drift) < 1e-9:
        return b**2
    return float((np.exp(-2 * drift * b) + 2 * drift * b - 1) / (2 * drift**2))
