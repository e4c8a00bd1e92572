"""Many reweighted interval-censored curves at once, where there are few cells: for resampling.

The maximum of each resample is climbed by projected Newton steps (Bertsekas 1982, SIAM Journal on Control and
Optimization 20): cells at no mass whose slope is not upward are held, the rest take a Newton step, and what
falls under nothing is cut there. All resamples move together, so that the work is in a few matrix products. A
resample that has not reached its certificate is left to `TurnbullFit.reweighted`. (Citation from memory.)
"""

from dataclasses import dataclass

import numpy as np

from analytics.numerics.turnbull.cells import Cells
from analytics.numerics.turnbull.estimate import CERTIFIED_GAP, SAME_SHARE, SMALLEST_MASS, TurnbullFit

# Beyond these the single climb, which looks at few cells of many, is quicker.
MOST_CELLS = 30
MOST_ROWS = 400
MAX_STEPS = 40
HALVINGS = 12
TINY = 1e-150


@dataclass(frozen=True, slots=True)
class Batch:
    """Curves of several resamples on the cells of one fit.

    `mass` (b, cells); `weight` (b, distinct rows); `gap` (b,), the certificate.
    """

    mass: np.ndarray
    weight: np.ndarray
    gap: np.ndarray


def summaries(fit: TurnbullFit, weights: np.ndarray, months) -> tuple[np.ndarray, np.ndarray]:
    """Return the share with the event by months (b, m) and the month of half (b,) of reweighted curves.

    NaN for a resample that holds no row of the fit.

    Parameters
    ----------
    fit
        From `turnbull.fit`.
    weights
        Shape (b, rows), at least 0.
    months
        Shape (m,), where the share with the event is wanted (`interpolated`).

    Returns
    -------
    tuple of arrays
        Shares of 0 to 1, (b, m), and months, (b,).

    Examples
    --------
    >>> from analytics.numerics import turnbull
    >>> fit = turnbull.fit([0.0, 3.0], [3.0, 6.0])
    >>> shares, median = summaries(fit, np.array([[1.0, 1.0], [3.0, 1.0]]), np.array([3.0]))
    >>> shares.round(9).tolist(), median.round(9).tolist()
    ([[0.5], [0.75]], [3.0, 2.0])
    """
    months = np.asarray(months, dtype=float)
    shares, median = np.full((len(weights), months.size), np.nan), np.full(len(weights), np.nan)
    left = np.flatnonzero(weights.sum(axis=1) > 0)
    if _suits(fit) and left.size:
        batch = refit(fit, weights[left])
        done = batch.gap < CERTIFIED_GAP
        at, left = left[done], left[~done]
        shares[at], median[at] = _read(fit.cells, batch.weight[done], batch.mass[done], months)
    for b in left:
        curve = fit.reweighted(weights[b])
        shares[b], median[b] = 1.0 - curve.interpolated(months), curve.time_at(0.5)
    return shares, median


def _read(
    cells: Cells, weight: np.ndarray, mass: np.ndarray, months: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return shares by months and months of half of curves, mass spread evenly over its interval."""
    left, right, mass = _on_own_cells(cells, weight > 0, mass)
    width = np.where(right > left, right - left, 1.0)
    gone = [
        np.where(right > left, np.clip((month - left) / width, 0.0, 1.0), month >= right) for month in months
    ]
    shares = np.stack([np.clip((mass * part).sum(axis=1), 0.0, 1.0) for part in gone], axis=1)
    total = np.cumsum(mass, axis=1)
    half = np.argmax(total >= 0.5 - SAME_SHARE, axis=1)[:, None]
    low, high, own, reached = (np.take_along_axis(a, half, 1)[:, 0] for a in (left, right, mass, total))
    wide = np.where(np.isfinite(high), high - low, 0.0)
    median = low + wide * np.minimum((0.5 - reached + own) / own, 1.0)
    return shares, np.where(np.isfinite(high), median, np.inf)


def _on_own_cells(
    cells: Cells, held: np.ndarray, mass: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return begin, end and mass of the cells of those observations alone that a resample holds.

    All are (b, keys), one place for each key at which a cell may end, without mass where none does. A cell of
    all observations lies in one cell of those left, or holds no mass at their maximum (`estimate.describe`).
    """
    keys = np.arange(2 * cells.times.size + 2)
    begins, ends = ((held @ (at[:, None] == keys)) > 0 for at in (cells.begin, cells.end))
    latest = np.maximum.accumulate(np.where(begins, keys, -1), axis=1)
    previous = np.maximum.accumulate(np.where(ends, keys, -1), axis=1)
    previous = np.concatenate([np.full((len(held), 1), -1), previous[:, :-1]], axis=1)
    place = np.where(ends & (previous < latest), keys, keys.size)
    place = np.minimum.accumulate(place[:, ::-1], axis=1)[:, ::-1][:, cells.cell_end]
    at = np.minimum(place, keys.size - 1)
    inside = (place < keys.size) & (np.take_along_axis(latest, at, 1) <= cells.cell_begin)
    own, rows = np.zeros(latest.shape), np.arange(len(held))
    for c in range(cells.n_cells):
        own[rows, at[:, c]] += np.where(inside[:, c], mass[:, c], 0.0)
    own /= own.sum(axis=1, keepdims=True)
    own[own <= SMALLEST_MASS] = 0.0
    bounded = np.append(cells.times, np.inf)
    right = np.broadcast_to(bounded[keys // 2], own.shape)
    return bounded[np.maximum(latest, 0) // 2], right, own / own.sum(axis=1, keepdims=True)


def _suits(fit: TurnbullFit) -> bool:
    """Say whether a fit has so few cells and distinct rows that resamples are best climbed together."""
    cells = fit.cells
    return not cells.is_truncated and cells.n_cells <= MOST_CELLS and cells.begin.size <= MOST_ROWS


def refit(fit: TurnbullFit, weights: np.ndarray) -> Batch:
    """Return the curves of the fit's rows under several sets of weights.

    Parameters
    ----------
    fit
        From `turnbull.fit`, without truncation.
    weights
        Shape (b, rows), at least 0; every resample holds a row.

    Examples
    --------
    >>> from analytics.numerics import turnbull
    >>> fit = turnbull.fit([0.0, 3.0], [3.0, 6.0])
    >>> refit(fit, np.array([[1.0, 1.0], [3.0, 1.0]])).mass.round(9).tolist()
    [[0.5, 0.5], [0.75, 0.25]]
    """
    cells = fit.cells
    totals = np.zeros((cells.begin.size, weights.shape[0]))
    np.add.at(totals, cells.row, weights.T)
    weight = totals.T
    mass = np.tile(np.maximum(fit.cell_mass, 0.0), (weights.shape[0], 1))
    mass, gap = _climb(_covers(cells), weight, mass)
    return Batch(mass, weight, gap)


def _covers(cells) -> np.ndarray:
    """Return which cells each distinct row covers, as numbers."""
    at = np.arange(cells.n_cells)
    return ((cells.first[:, None] <= at) & (at <= cells.last[:, None])).astype(float)


def _climb(covers: np.ndarray, weight: np.ndarray, mass: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    total = weight.sum(axis=1, keepdims=True)
    pairs = (covers[:, :, None] * covers[:, None, :]).reshape(covers.shape[0], -1)
    gap, left = np.full(mass.shape[0], np.inf), np.arange(mass.shape[0])  # those without their certificate
    for _ in range(MAX_STEPS):
        probability = np.maximum(mass[left] @ covers.T, TINY)
        slope = (weight[left] / probability) @ covers - total[left]
        # The certificate is of masses that sum to 1: of heavier ones no slope rises anywhere.
        gap[left] = ((slope / total[left] + 1.0) * mass[left].sum(axis=1, keepdims=True)).max(axis=1) - 1.0
        is_open = gap[left] >= CERTIFIED_GAP
        left = left[is_open]
        if not left.size:
            break
        mass[left] = _step(
            covers, pairs, weight[left], total[left], mass[left], probability[is_open], slope[is_open]
        )
    return mass / mass.sum(axis=1, keepdims=True), gap


def _step(covers, pairs, weight, total, mass, probability, slope) -> np.ndarray:
    """Return the masses after one projected Newton step, each resample halved until it rises."""
    n, j = mass.shape
    bend = ((weight / probability**2) @ pairs).reshape(n, j, j)
    held = (mass <= 0) & (slope <= 0)
    free = ~held
    bend = bend * (free[:, :, None] & free[:, None, :])
    ridge = 1e-11 * np.trace(bend, axis1=1, axis2=2)[:, None]
    bend[:, np.arange(j), np.arange(j)] += np.where(held, 1.0, ridge)
    move = np.linalg.solve(bend, np.where(held, 0.0, slope)[..., None])[..., 0]
    value = _value(covers, weight, total, mass)
    best, done, length = mass, np.zeros(n, dtype=bool), 1.0
    for _ in range(HALVINGS):
        trial = np.maximum(mass + length * move, 0.0)
        rises = ~done & (_value(covers, weight, total, trial) > value)
        best = np.where(rises[:, None], trial, best)
        done |= rises
        if done.all():
            break
        length *= 0.5
    # Where no projected step rises, self-consistency does.
    steady = mass * (slope + total) / total
    return np.where(done[:, None], best, steady)


def _value(covers, weight, total, mass) -> np.ndarray:
    """Return the log-likelihood less the multiplier of the sum, for each resample."""
    probability = np.maximum(mass @ covers.T, TINY)
    return np.sum(np.where(weight > 0, weight * np.log(probability), 0.0), axis=1) - total[:, 0] * mass.sum(
        axis=1
    )
