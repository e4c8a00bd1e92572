"""How unusual are one placement's readings among the practice's own cases, all taken together?

Readings are weighed by how much they tell of the placement's true yield at its last one (best linear
prediction, with the patient's other placements in it). The share of the practice's cases whose readings,
weighed alike, lie lower is a sum over nodes of the placement's log tempo: given that, readings are normal
about the curve, with what the other effects, the practice's estimated curve and the counts add. The share is
uniform over cases that belong to the practice, however many readings there are and wherever they lie on the
curve; a posterior mode over its standard error is not, because yield bends in tempo.
"""

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from analytics import measurement
from analytics import regrowth_case_rows as case_rows
from analytics.numerics import curves
from analytics.regrowth_case import evaluate, prior_of
from analytics.regrowth_case_rows import Laid, Places
from analytics.regrowth_emergence import Emergence

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(11)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
_MOST = 8.0


def deviation(fit: Emergence, rows: pd.DataFrame, placement_id: str) -> tuple[float, float]:
    """Return how far a placement's readings lie from the practice's mean, and what such readings tell.

    Parameters
    ----------
    rows
        Readings of one patient, as for `predict_case`, at least one of the placement after its session.

    Returns
    -------
    float, float
        Deviation, standard normal over the practice's cases; share of the variance of true yield between
        cases at the last reading that such readings tell, 0 to 1.
    """
    known = case_rows.arrays(fit, rows)
    places = case_rows.places(fit, known, case_rows.arrays(fit, None))
    seen = case_rows.lay_out(fit, known, places)
    prior = prior_of(fit, places)
    own = known["placement_id"] == placement_id
    last = int(np.flatnonzero(own)[np.argmax(seen.x[own, 0])])
    means, spreads, yields, shared, left = _given_tempo(fit, seen, prior, places, placement_id, last)
    centre, middle = _WEIGHTS @ means, float(_WEIGHTS @ yields)
    apart, off = means - centre, yields - middle
    whole = np.einsum("t,tij->ij", _WEIGHTS, spreads) + np.einsum("t,ti,tj->ij", _WEIGHTS, apart, apart)
    with_yield = _WEIGHTS @ (shared + apart * off[:, None])
    weights = np.linalg.solve(whole, with_yield)
    told = float(weights @ with_yield) / float(_WEIGHTS @ (left + off**2))
    sd = np.sqrt(np.einsum("i,tij,j->t", weights, spreads, weights))
    if not np.all(sd > 0):
        return 0.0, 0.0
    lower = float(_WEIGHTS @ ndtr(((seen.y - means) @ weights) / sd))
    return float(np.clip(ndtri(lower), -_MOST, _MOST)), min(max(told, 0.0), 1.0)


def _given_tempo(fit: Emergence, seen: Laid, prior, places: Places, placement_id: str, last: int):
    """Return, by node of log tempo, means and covariances of readings and of the last true yield."""
    j = places.placements.index(placement_id)
    plateau, tempo = np.zeros(places.size), np.zeros(places.size)
    plateau[[0, places.own(j)]] = 1.0
    tempo[[1, places.own(j) + 2]] = 1.0
    with_tempo, spread = prior @ tempo, float(tempo @ prior @ tempo)
    slope = with_tempo / spread if spread > 1e-12 else np.zeros(places.size)
    left = prior - np.outer(slope, with_tempo)
    nodes = [_at(fit, seen, slope * np.sqrt(max(spread, 0.0)) * node, left, plateau, last) for node in _NODES]
    return tuple(np.array(part) for part in zip(*nodes, strict=True))


def _at(fit: Emergence, seen: Laid, b: np.ndarray, left: np.ndarray, plateau: np.ndarray, last: int):
    area, marked, changed = seen.variance_terms
    mean, by_effect, by_beta = evaluate(fit, seen, b)
    count = measurement.count_variance(
        np.maximum(mean, 1.0 / area), area, marked=marked, reader_changed=changed, error=fit.count_error
    )
    spread = by_effect @ left @ by_effect.T + by_beta @ fit.beta_cov @ by_beta.T
    spread[np.diag_indices_from(spread)] += float(fit.spread[-1]) + count
    log_half = seen.base[last, 2] + float(seen.effects[2][last] @ b)
    ratio = np.array([seen.x[last, 0] * np.exp(-log_half)])
    emerged = float(curves.share(fit.curve, ratio, seen.base[last, 3] + seen.x[last, 4])[0][0])
    in_yield = emerged * plateau
    true = emerged * (seen.base[last, 1] + float(plateau @ b))
    return mean, spread, true, by_effect @ (left @ in_yield), float(in_yield @ left @ in_yield)
