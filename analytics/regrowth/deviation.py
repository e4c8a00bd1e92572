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


def deviations(plateaus: PlateauDistribution, rows: pd.DataFrame) -> pd.DataFrame:
    """Return how far placements' readings lie from the practice's, and what such readings tell.

    Cases that were read alike (the same zones, months, densities planted, ways of counting) are weighed once.

    Parameters
    ----------
    plateaus
        The practice's model: `regrowth.fit_plateaus`.
    rows
        Rows of one patient or of many, as for `posterior`, with all of a patient's rows.

    Returns
    -------
    pandas.DataFrame
        By placement_id, those with a reading after the session: `z`, the deviation, standard normal over the
        practice's cases; `told`, the share of the variance of true yield between cases at the last reading
        that such readings tell, 0 to 1.

    Examples
    --------
    Shown by `course.call_back`, which lists them: it needs a fitted practice.
    """
    known = case_rows.arrays(plateaus.fit, rows)
    weighed: dict[bytes, _Weighed] = {}
    found: dict[str, tuple[float, float]] = {}
    for at in case_rows.positions(rows["patient_id"].to_numpy()):
        own = case_rows.pick(known, at)
        places = case_rows.places(plateaus.fit, own)
        seen = case_rows.lay_out(plateaus.fit, own, places)
        alike = _read_as(seen, places)
        for j, name in enumerate(places.placements):
            is_own = own["placement_id"] == name
            if seen.x[is_own, 0].max() > 0:
                key = b"%d|%s" % (j, alike)
                if key not in weighed:
                    last = int(np.flatnonzero(is_own)[np.argmax(seen.x[is_own, 0])])
                    weighed[key] = _weighed(plateaus, seen, places, (j, last))
                found[name] = (weighed[key].deviation(seen.y), weighed[key].told)
    index = pd.Index(list(found), name="placement_id", dtype=object)
    return pd.DataFrame(list(found.values()), index=index, columns=["z", "told"], dtype=float)


def _read_as(seen: Laid, places: Places) -> bytes:
    """Return all that is known of a case but its counts."""
    arrays = (seen.x, seen.base, *seen.fixed, *seen.effects, *seen.variance_terms)
    return repr((places.zones, places.sources)).encode() + b"".join(a.tobytes() for a in arrays)


class _Weighed(NamedTuple):
    """How the readings of cases read alike are weighed, and what they then say.

    `read` (n,) weights of the readings; `expected` (A, T) and `sd` (A, T) of their weighed sum by cell of the
    practice's regular growth, whose probability is `cells` (A, T); `told` as in `deviations`.
    """

    read: np.ndarray
    expected: np.ndarray
    sd: np.ndarray
    cells: np.ndarray
    told: float

    def deviation(self, counts: np.ndarray) -> float:
        """Return the deviation of one case's counts (n,), by the share of the practice's that lie lower."""
        lower = 0.5
        if np.all(self.sd > 0):
            lower = float(np.sum(self.cells * ndtr((counts @ self.read - self.expected) / self.sd)))
        return float(np.clip(ndtri(lower), -_MOST, _MOST))


def _weighed(plateaus: PlateauDistribution, seen: Laid, places: Places, which: tuple[int, int]) -> _Weighed:
    """Return the weights of a case's readings for placement and last reading `which`."""
    fit = plateaus.fit
    cells = plateaus.cells(fit.zones[places.zones[which[0]]], only_regular=True)
    cells = cells / cells.sum()
    weight = cells.sum(axis=0)
    at = _given_tempo(fit, seen, places, which, plateaus.tempos)
    apart, off = at.mean - weight @ at.mean, at.true - weight @ at.true
    whole = np.tensordot(weight, at.spread, axes=1) + (apart.T * weight) @ apart
    with_yield = weight @ (at.emerged[:, None] * at.by_plateau * at.left + apart * off[:, None])
    read = np.linalg.solve(whole, with_yield)
    between = float(weight @ (at.left * at.emerged**2 + off**2))
    told = float(read @ with_yield) / between if between > _LEAST_VARIANCE else 0.0  # 0: cases are all alike
    slope, error = at.by_plateau @ read, at.error @ read
    rest = at.spread @ read @ read - slope**2 * at.left - error**2
    variance = np.maximum(rest, 0.0) + (error * CENTRES[:, None] / np.maximum(at.own, 1.0)) ** 2
    expected = at.mean @ read + slope * (CENTRES[:, None] - at.own)
    return _Weighed(read, expected, np.sqrt(variance), cells, min(max(told, 0.0), 1.0))


class _Nodes(NamedTuple):
    """By node of log tempo (T): what the readings are, given it, where plateaus are normal.

    `mean` (T, n) and `spread` (T, n, n) of the readings; `true`, the last true yield, and `emerged`, its
    share of the plateau (T,); `left`, the variance of the own plateau; `by_plateau` (T, n), how the
    readings' means follow it; `own` (T,), the plateau of `mean`; `error` (T, n), what one SD of the own error
    of planted density adds to each reading.
    """

    mean: np.ndarray
    spread: np.ndarray
    true: np.ndarray
    emerged: np.ndarray
    left: float
    by_plateau: np.ndarray
    own: np.ndarray
    error: np.ndarray


def _given_tempo(fit: Emergence, seen: Laid, places: Places, which: tuple[int, int], tempos) -> _Nodes:
    """Return what the readings are at each node of log tempo, for placement and last reading `which`."""
    j, last = which
    prior = prior_of(fit, places)
    plateau, tempo = np.zeros(places.size), np.zeros(places.size)
    plateau[[0, places.own(j)]] = 1.0
    tempo[[1, places.own(j) + 2]] = 1.0
    with_tempo, spread = prior @ tempo, float(tempo @ prior @ tempo)
    slope = with_tempo / spread if spread > _LEAST_VARIANCE else np.zeros(places.size)
    left = prior - np.outer(slope, with_tempo)
    b = np.outer(tempos, slope)
    mean, by_effect, by_beta = evaluate(fit, seen, b)
    area, marked, changed = seen.variance_terms
    count = measurement.count_variance(
        np.maximum(mean, 1.0 / area), area, marked=marked, reader_changed=changed, error=fit.count_error
    )
    error = by_effect @ left @ np.swapaxes(by_effect, 1, 2)
    error += by_beta @ fit.beta_cov @ np.swapaxes(by_beta, 1, 2)
    diagonal = np.arange(len(seen.y))
    error[:, diagonal, diagonal] += float(fit.spread[-1]) + count
    ratio = seen.x[last, 0] * np.exp(-(seen.base[last, 2] + b @ seen.effects[2][last]))
    emerged = share(fit.shape, ratio, seen.base[last, 3] + seen.x[last, 4])[0]
    own = seen.base[last, 1] + b @ plateau
    variance = float(plateau @ left @ plateau)
    by_plateau = by_effect @ (left @ plateau) / max(variance, _LEAST_VARIANCE)
    at = places.own(j) + 1
    planted = by_effect[:, :, at] * float(np.sqrt(prior[at, at]))
    return _Nodes(mean, error, emerged * own, emerged, variance, by_plateau, own, planted)


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


def evaluate(fit: Emergence, laid: Laid, b: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return curve (T, n) at effects b (T, q), and its slopes in them (T, n, q) and in beta (T, n, p)."""
    values = np.tile(laid.base, (len(b), 1, 1))
    for k in range(3):
        values[:, :, k] += b @ laid.effects[k].T
    flat = values.reshape(-1, values.shape[2])
    mean, slopes = density_curve(fit.curve, np.tile(laid.x, (len(b), 1)), flat)
    slopes = slopes.reshape(*values.shape[:2], -1)
    by_effect = sum(slopes[:, :, k, None] * laid.effects[k] for k in range(3))
    by_beta = np.concatenate([slopes[:, :, k, None] * d for k, d in enumerate(laid.fixed)], axis=2)
    return mean.reshape(values.shape[:2]), by_effect, by_beta
