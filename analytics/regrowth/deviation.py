"""How unusual are one placement's readings among the practice's own cases, all taken together?

Readings are weighed by how much they tell of the placement's true yield at its last one (best linear
prediction, with the patient's other placements in it). The share of the practice's cases whose readings,
weighed alike, lie lower is a sum over cells of the placement's own plateau and log tempo
(`regrowth.distribution`): given those, readings are normal about the curve, with what the other effects, the
practice's estimated curve and the counts add. The practice's cases are here those of its regular growth: held
against all of them, failures among them, no failure would be unusual. The share is uniform over such cases,
however many readings there are and wherever they lie on the curve.

The effects of a case are those of the emergence model: plateau, log tempo and reader's habit of the patient;
plateau, error of planted density and log tempo of each placement; native density of each region. The error
of planted density multiplies the placement's own growth.
"""

from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from analytics import measurement
from analytics.numerics.nonlinear import share
from analytics.regrowth import case_rows
from analytics.regrowth.case_rows import Laid, Places
from analytics.regrowth.distribution import CENTRES, PlateauDistribution
from analytics.regrowth.emergence import Emergence
from analytics.regrowth.layout import density_curve
from analytics.regrowth.quantities import parameters, true_plateau_variances

_MOST = 8.0
_LEAST_VARIANCE = 1e-12


def deviation(plateaus: PlateauDistribution, rows: pd.DataFrame, placement_id: str) -> tuple[float, float]:
    """Return how far a placement's readings lie from the practice's, and what such readings tell.

    Parameters
    ----------
    plateaus
        The practice's model: `regrowth.fit_plateaus`.
    rows
        Readings of one patient, as for `forecast`, at least one of the placement after its session.

    Returns
    -------
    float, float
        Deviation, standard normal over the practice's cases; share of the variance of true yield between
        cases at the last reading that such readings tell, 0 to 1.
    """
    fit = plateaus.fit
    known = case_rows.arrays(fit, rows)
    places = case_rows.places(fit, known, case_rows.arrays(fit, None))
    seen = case_rows.lay_out(fit, known, places)
    own = known["placement_id"] == placement_id
    j = places.placements.index(placement_id)
    last = int(np.flatnonzero(own)[np.argmax(seen.x[own, 0])])
    cells = plateaus.cells(fit.zones[places.zones[j]], only_regular=True)
    weight = cells.sum(axis=0) / cells.sum()
    at = _Nodes(*_given_tempo(fit, seen, prior_of(fit, places), places, (j, last), plateaus.tempos))
    apart, off = at.mean - weight @ at.mean, at.true - weight @ at.true
    whole = np.einsum("t,tij->ij", weight, at.spread) + np.einsum("t,ti,tj->ij", weight, apart, apart)
    with_yield = weight @ (at.emerged[:, None] * at.by_plateau * at.left[:, None] + apart * off[:, None])
    read = np.linalg.solve(whole, with_yield)
    between = float(weight @ (at.left * at.emerged**2 + off**2))
    told = float(read @ with_yield) / between if between > _LEAST_VARIANCE else 0.0  # 0: cases are all alike
    lower = _share_lower(at, read, seen.y, cells / cells.sum())
    return float(np.clip(ndtri(lower), -_MOST, _MOST)), min(max(told, 0.0), 1.0)


class _Nodes(NamedTuple):
    """By node of log tempo (T): what the readings are, given it, where plateaus are normal.

    `mean` (T, n) and `spread` (T, n, n) of the readings; `true`, the last true yield, and `emerged`, its
    share of the plateau (T,); `left` (T,), the variance of the own plateau; `by_plateau` (T, n), how the
    readings' means follow it; `own` (T,), the plateau of `mean`; `error` (T, n), what one SD of the own error
    of planted density adds to each reading.
    """

    mean: np.ndarray
    spread: np.ndarray
    true: np.ndarray
    emerged: np.ndarray
    left: np.ndarray
    by_plateau: np.ndarray
    own: np.ndarray
    error: np.ndarray


def _share_lower(at: _Nodes, read: np.ndarray, seen: np.ndarray, cells: np.ndarray) -> float:
    """Return the share of the practice's cases whose readings, weighed alike, lie lower."""
    slope, error = at.by_plateau @ read, at.error @ read
    rest = np.einsum("i,tij,j->t", read, at.spread, read) - slope**2 * at.left - error**2
    apart = CENTRES[:, None] - at.own
    variance = np.maximum(rest, 0.0) + (error * CENTRES[:, None] / np.maximum(at.own, 1.0)) ** 2
    if not np.all(variance > 0):
        return 0.5
    expected = at.mean @ read + slope * apart
    return float(np.sum(cells * ndtr((seen @ read - expected) / np.sqrt(variance))))


def _given_tempo(fit: Emergence, seen: Laid, prior, places: Places, which: tuple[int, int], tempos):
    """Return the parts of `_Nodes` for placement and last reading `which`."""
    j, last = which
    plateau, tempo = np.zeros(places.size), np.zeros(places.size)
    plateau[[0, places.own(j)]] = 1.0
    tempo[[1, places.own(j) + 2]] = 1.0
    with_tempo, spread = prior @ tempo, float(tempo @ prior @ tempo)
    slope = with_tempo / spread if spread > _LEAST_VARIANCE else np.zeros(places.size)
    left = prior - np.outer(slope, with_tempo)
    planted_sd = float(np.sqrt(prior[places.own(j) + 1, places.own(j) + 1]))
    nodes = [_at(fit, seen, slope * t, left, plateau, last, (places.own(j) + 1, planted_sd)) for t in tempos]
    return tuple(np.array(part) for part in zip(*nodes, strict=True))


def _at(fit: Emergence, seen: Laid, b, left, plateau, last: int, planted: tuple[int, float]):
    area, marked, changed = seen.variance_terms
    mean, by_effect, by_beta = evaluate(fit, seen, b)
    count = measurement.count_variance(
        np.maximum(mean, 1.0 / area), area, marked=marked, reader_changed=changed, error=fit.count_error
    )
    spread = by_effect @ left @ by_effect.T + by_beta @ fit.beta_cov @ by_beta.T
    spread[np.diag_indices_from(spread)] += float(fit.spread[-1]) + count
    log_half = seen.base[last, 2] + float(seen.effects[2][last] @ b)
    ratio = np.array([seen.x[last, 0] * np.exp(-log_half)])
    emerged = float(share(fit.shape, ratio, seen.base[last, 3] + seen.x[last, 4])[0][0])
    own = seen.base[last, 1] + float(plateau @ b)
    variance = float(plateau @ left @ plateau)
    by_plateau = by_effect @ (left @ plateau) / max(variance, _LEAST_VARIANCE)
    return (
        mean,
        spread,
        emerged * own,
        emerged,
        variance,
        by_plateau,
        own,
        by_effect[:, planted[0]] * planted[1],
    )


def prior_of(fit: Emergence, places: Places) -> np.ndarray:
    """Return the prior covariance of the case's effects: patient, then placements, then regions."""
    named = dict(zip(fit.spread_names, fit.spread, strict=True))
    patient, placement = (max(v, 0.0) for v in true_plateau_variances(fit, fit.beta, fit.spread))
    plateau = float(np.average(parameters(fit, fit.beta)[0], weights=fit.n_placements))
    tempo = named.get("patient: log tempo", 0.0)
    # Where the readers' share was larger than the estimate the covariance must still be one.
    most = 0.99 * float(np.sqrt(patient * tempo))
    covariance = float(np.clip(named.get("patient: log tempo with plateau", 0.0), -most, most))
    prior = np.zeros((places.size, places.size))
    prior[0, 0], prior[1, 1], prior[2, 2] = patient, tempo, (plateau * fit.reader_cv) ** 2
    prior[0, 1] = prior[1, 0] = covariance
    for j, source in enumerate(places.sources):
        at = places.own(j)
        cv = fit.planted_cv.get(source, max(fit.planted_cv.values()))
        prior[at, at] = placement
        prior[at + 1, at + 1] = (plateau * cv) ** 2
        prior[at + 2, at + 2] = named.get("placement: log tempo", 0.0)
    for r in range(len(places.regions)):
        prior[places.native(r), places.native(r)] = named["region: native"]
    return prior


def evaluate(fit: Emergence, laid: Laid, b: np.ndarray):
    """Return curve, slopes in the effects and slopes in beta."""
    values = laid.base.copy()
    for k in range(3):
        values[:, k] += laid.effects[k] @ b
    mean, slopes = density_curve(fit.curve, laid.x, values)
    by_effect = sum(slopes[:, k : k + 1] * laid.effects[k] for k in range(3))
    by_beta = np.hstack([slopes[:, k : k + 1] * d for k, d in enumerate(laid.fixed)])
    return mean, by_effect, by_beta
