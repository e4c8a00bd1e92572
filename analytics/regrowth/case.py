"""What does the model expect of one case, given its readings, and how unusual are they? No refit.

The case's random effects (plateau and log tempo of patient and placement, native density of region) are set
to their modes given its readings, found by Gauss-Newton on the density curve; their joint covariance, and
how the modes move with the fixed effects, carry over to any month. A predicted density has four variances:

* `parameter`: the clinic's own curve is estimated;
* `between_patient`: what is not yet known of this patient (and of the habits of the patient's reader);
* `within_patient`: what is not yet known of this placement and region, the error of its planted density
  included;
* `count`: what the count itself will add (for the counted area asked for), residual spread included.

The yield predicted is the *true* one (percent of planted hairs, without the errors of planted density and
reader).

How unusual: a placement's readings are weighed by how much they tell of its true yield at the last one (best
linear prediction, with the patient's other placements in it). The share of the practice's cases whose
readings, weighed alike, lie lower is a sum over nodes of the placement's log tempo: given that, readings are
normal about the curve, with what the other effects, the practice's estimated curve and the counts add. The
share is uniform over cases that belong to the practice, however many readings there are and wherever they lie
on the curve; a posterior mode over its standard error is not, because yield bends in tempo.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtr, ndtri

from analytics import measurement
from analytics.numerics.nonlinear import curves, share
from analytics.regrowth import case_rows
from analytics.regrowth.case_rows import OF_PATIENT, Laid, Places
from analytics.regrowth.emergence import Emergence
from analytics.regrowth.layout import NATIVE, PLATEAU, density_curve
from analytics.regrowth.quantities import parameters, true_plateau_variances

_STEPS = 60
_TOLERANCE = 1e-9
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(11)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
# Standard deviations beyond which a deviation is not told apart.
_MOST = 8.0


@dataclass(frozen=True, slots=True)
class CasePrediction:
    """Predictions of a case and what they rest on.

    `path`: one row per placement, region and month asked for, columns `placement_id, zone, region_id, month,
    kept` (share of the baseline density still standing), `density, density_var, parameter_var,
    between_patient_var, within_patient_var, count_var, yield_pct, yield_var`. `effects`: one row per
    placement: `plateau, log_tempo` (deviations, patient and placement together), their prior and posterior
    variances and covariance, `plateau_pct` (posterior mean of the true plateau).
    """

    path: pd.DataFrame
    effects: pd.DataFrame
    converged: bool


def predict_case(
    fit: Emergence,
    rows: pd.DataFrame | None,
    months,
    *,
    targets: pd.DataFrame | None = None,
    counted_area_cm2: float = 1.0,
    marked: bool = False,
    reader_changed: bool = False,
) -> CasePrediction:
    """Predict density and true yield of one patient's placements, given the readings in `rows`.

    Parameters
    ----------
    rows
        Readings of one patient, rows of `regrowth.rows_for(...).frame` or `regrowth.prepare(...).frame`
        (baselines included); None where there are none and `targets` is given.
    months
        Months after the session, 0 or more.
    targets
        What to predict, one row per placement and region: `placement_id, region_id, group` (zone), `planted`
        (calibrated, hairs/cm2), `planted_source`, `mix_i` where the fit has case mix, `native_share` where
        some of the baseline is hair planted before, which does not thin. The placements of `rows` if not
        given.
    counted_area_cm2, marked, reader_changed
        How the predicted count will be made.

    Raises
    ------
    ParameterError
        When a zone is not in the fit.
    """
    known = case_rows.arrays(fit, rows)
    wanted = case_rows.arrays(fit, targets)
    if targets is None:
        wanted = case_rows.pick(known, case_rows.first_of(known, "region"))
    places = case_rows.places(fit, known, wanted)
    seen = case_rows.lay_out(fit, known, places)
    prior = prior_of(fit, places)
    b, covariance, gain, slopes_beta, converged = _mode(fit, seen, prior, places)
    later = case_rows.ahead(fit, known, wanted, np.atleast_1d(np.asarray(months, dtype=float)))
    laid = case_rows.lay_out(fit, later, places)
    path = _predicted(fit, laid, b, covariance, gain, slopes_beta, places)
    expected = np.maximum(path["density"], 1.0 / counted_area_cm2)
    count = measurement.count_variance(
        expected, counted_area_cm2, marked=marked, reader_changed=reader_changed, error=fit.count_error
    )
    count = count + float(fit.spread[-1])
    path = {**path, "count_var": count, "density_var": path["density_var"] + count}
    return CasePrediction(pd.DataFrame(path), _effects(fit, b, covariance, prior, places), converged)


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


def _mode(fit: Emergence, seen: Laid, prior: np.ndarray, places: Places):
    """Return modes, their covariance, the gain matrix and the seen rows' slopes in beta."""
    root = _root(prior)
    u = np.zeros(places.size)
    if not len(seen.y):
        return u, prior, np.zeros((places.size, 0)), np.zeros((0, len(fit.beta))), True
    area, marked, changed = seen.variance_terms
    residual_var = float(fit.spread[-1])
    converged = False
    for _ in range(_STEPS):
        mean, by_effect, by_beta = evaluate(fit, seen, root @ u)
        # The variance a count has at the density this case is thought to have.
        variance = residual_var + measurement.count_variance(
            np.maximum(mean, 1.0 / area), area, marked=marked, reader_changed=changed, error=fit.count_error
        )
        J = by_effect @ root
        curvature = np.eye(len(u)) + J.T @ (J / variance[:, None])
        step = np.linalg.solve(curvature, J.T @ ((seen.y - mean) / variance) - u)
        u, converged = _take(fit, seen, root, u, step, variance)
        if converged:
            break
    mean, by_effect, by_beta = evaluate(fit, seen, root @ u)
    J = by_effect @ root
    inside = np.linalg.inv(np.eye(len(u)) + J.T @ (J / variance[:, None]))
    covariance = root @ inside @ root.T
    gain = covariance @ by_effect.T / variance
    return root @ u, covariance, gain, by_beta, converged


def _take(fit: Emergence, seen: Laid, root, u, step, variance) -> tuple[np.ndarray, bool]:
    def loss_of(tried):
        mean = evaluate(fit, seen, root @ tried)[0]
        return float(np.sum((seen.y - mean) ** 2 / variance) + tried @ tried)

    before, share = loss_of(u), 1.0
    for _ in range(12):
        if loss_of(u + share * step) <= before * (1 + 1e-12) + 1e-12:
            break
        share /= 2
    return u + share * step, bool(np.max(np.abs(share * step)) < _TOLERANCE**0.5)


def _root(prior: np.ndarray) -> np.ndarray:
    values, vectors = np.linalg.eigh(prior)
    return vectors * np.sqrt(np.maximum(values, 0.0))


def _predicted(
    fit: Emergence, ahead: Laid, b, covariance, gain, seen_by_beta, places: Places
) -> dict[str, np.ndarray]:
    mean, by_effect, by_beta = evaluate(fit, ahead, b)
    total = by_beta - by_effect @ gain @ seen_by_beta
    parameter = np.einsum("ip,pq,iq->i", total, fit.beta_cov, total)
    random = np.einsum("ip,pq,iq->i", by_effect, covariance, by_effect)
    own = by_effect.copy()
    own[:, OF_PATIENT:] = 0.0
    between = np.minimum(np.einsum("ip,pq,iq->i", own, covariance, own), random)
    truth, truth_var = _true_yield(fit, ahead, b, covariance, gain, seen_by_beta, places)
    return {
        **ahead.labels,
        "density": mean,
        "density_var": parameter + random,
        "parameter_var": parameter,
        "between_patient_var": between,
        "within_patient_var": random - between,
        "yield_pct": truth,
        "yield_var": truth_var,
    }


def _true_yield(fit: Emergence, ahead: Laid, b, covariance, gain, seen_by_beta, places: Places):
    """Return true yield: plateau without the error of planted density, times the share emerged."""
    plateau_design = ahead.effects[1].copy()
    plateau_design[:, 2] = 0.0
    for j in range(len(places.placements)):
        plateau_design[:, places.own(j) + 1] = 0.0
    plateau = ahead.base[:, 1] + plateau_design @ b
    log_half = ahead.base[:, 2] + ahead.effects[2] @ b
    log_k = ahead.base[:, 3] + ahead.x[:, 4]
    emerged, by_time, by_steep = curves.share(fit.curve, ahead.x[:, 0] * np.exp(-log_half), log_k)
    by_effect = emerged[:, None] * plateau_design - (plateau * by_time)[:, None] * ahead.effects[2]
    zero = [np.zeros_like(d) for d in ahead.fixed]
    parts = [
        zero[NATIVE],
        emerged[:, None] * ahead.fixed[PLATEAU],
        -(plateau * by_time)[:, None] * ahead.fixed[2],
        (plateau * by_steep)[:, None] * ahead.fixed[3],
        zero[4],
    ]
    total = np.hstack(parts) - by_effect @ gain @ seen_by_beta
    variance = np.einsum("ip,pq,iq->i", total, fit.beta_cov, total)
    return plateau * emerged, variance + np.einsum("ip,pq,iq->i", by_effect, covariance, by_effect)


def _effects(fit: Emergence, b, covariance, prior, places: Places) -> pd.DataFrame:
    rows = []
    plateau = parameters(fit, fit.beta)[0]
    start = fit.slices[PLATEAU][0] + len(fit.zones)
    for j, (name, zone) in enumerate(zip(places.placements, places.zones, strict=True)):
        pick = np.zeros((2, places.size))
        pick[0, [0, places.own(j)]] = 1.0
        pick[1, [1, places.own(j) + 2]] = 1.0
        posterior, before = pick @ covariance @ pick.T, pick @ prior @ pick.T
        shift = float(places.mixes[j] @ fit.beta[start : start + len(fit.mix)])
        rows.append(
            {
                "placement_id": name,
                "zone": fit.zones[zone],
                "plateau": float(pick[0] @ b),
                "log_tempo": float(pick[1] @ b),
                "plateau_var": posterior[0, 0],
                "log_tempo_var": posterior[1, 1],
                "plateau_log_tempo_cov": posterior[0, 1],
                "prior_plateau_var": before[0, 0],
                "prior_log_tempo_var": before[1, 1],
                "prior_cov": before[0, 1],
                "plateau_pct": float(plateau[zone] + shift + pick[0] @ b),
            }
        )
    return pd.DataFrame(rows)


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
    emerged = float(share(fit.curve, ratio, seen.base[last, 3] + seen.x[last, 4])[0][0])
    in_yield = emerged * plateau
    true = emerged * (seen.base[last, 1] + float(plateau @ b))
    return mean, spread, true, by_effect @ (left @ in_yield), float(in_yield @ left @ in_yield)
