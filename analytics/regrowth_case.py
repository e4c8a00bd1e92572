"""What does the model expect of one case, given its readings? Conditional predictions, no refit.

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
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics import measurement, regrowth_rows
from analytics.numerics import curves
from analytics.regrowth_emergence import Emergence
from analytics.regrowth_layout import NATIVE, PLATEAU, density_curve
from analytics.regrowth_quantities import parameters, true_plateau_variances

# Effects of the patient: true plateau, log tempo, and what the reader's habit adds to the plateau.
_OF_PATIENT = 3
_STEPS = 60
_TOLERANCE = 1e-9


@dataclass(frozen=True, slots=True)
class CasePrediction:
    """Predictions of a case and what they rest on.

    `path`: one row a placement, region and month asked for, columns `placement_id, zone, region_id, month,
    density, density_var, parameter_var, between_patient_var, within_patient_var, count_var, yield_pct,
    yield_var`. `effects`: one row a placement: `plateau, log_tempo` (deviations, patient and placement
    together), their prior and posterior variances and covariance, `plateau_pct` (posterior mean of the true
    plateau).
    """

    path: pd.DataFrame
    effects: pd.DataFrame
    converged: bool


def predict_case(
    fit: Emergence,
    rows: pd.DataFrame,
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
        Rows of one patient from `regrowth_rows.select(...).frame` or `regrowth_rows.prepare` (baselines
        included); may be empty where `targets` is given.
    months
        Months after the session, 0 or more.
    targets
        What to predict, one row a placement and region: `placement_id, region_id, group` (zone), `planted`
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
    wanted = _targets(rows) if targets is None else targets
    places = _places(fit, rows, wanted)
    seen = _lay_out(fit, rows, places)
    prior = _prior(fit, places)
    b, covariance, gain, slopes_beta, converged = _mode(fit, seen, prior, places)
    ahead = _ahead(fit, rows, wanted, np.atleast_1d(np.asarray(months, dtype=float)), places)
    path = _predicted(fit, ahead, b, covariance, gain, slopes_beta, places)
    expected = np.maximum(path["density"].to_numpy(), 1.0 / counted_area_cm2)
    count = measurement.count_variance(
        expected, counted_area_cm2, marked=marked, reader_changed=reader_changed, error=fit.count_error
    )
    count = count + float(fit.spread[-1])
    path = path.assign(count_var=count, density_var=lambda p: p["density_var"] + count)
    return CasePrediction(path, _effects(fit, b, covariance, prior, places), converged)


@dataclass(frozen=True, slots=True)
class _Places:
    """Numbers of this case's placements and regions, and where their effects stand."""

    placements: list[str]
    zones: list[int]
    sources: list[str]
    mixes: np.ndarray
    regions: list[str]

    @property
    def size(self) -> int:
        return _OF_PATIENT + 3 * len(self.placements) + len(self.regions)

    def own(self, j: int) -> int:
        return _OF_PATIENT + 3 * j

    def native(self, r: int) -> int:
        return _OF_PATIENT + 3 * len(self.placements) + r


def _region_key(frame: pd.DataFrame) -> pd.Series:
    return frame["placement_id"].astype(str) + "|" + frame["region_id"].astype(str)


def _targets(rows: pd.DataFrame) -> pd.DataFrame:
    return rows.drop_duplicates(["placement_id", "region_id"])


def _places(fit: Emergence, rows: pd.DataFrame, wanted: pd.DataFrame) -> _Places:
    both = pd.concat([rows, wanted], ignore_index=True)
    once = both.drop_duplicates("placement_id")
    mixes = [f"mix_{i}" for i in range(len(fit.mix))]
    return _Places(
        placements=[str(p) for p in once["placement_id"]],
        zones=[fit.zone_index(str(z)) for z in once["group"]],
        sources=[str(s) for s in once["planted_source"]],
        mixes=once.reindex(columns=mixes, fill_value=0.0).to_numpy(dtype=float),
        regions=list(dict.fromkeys(_region_key(both))),
    )


def _prior(fit: Emergence, places: _Places) -> np.ndarray:
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


@dataclass(frozen=True, slots=True)
class _Laid:
    """Rows of a case in arrays: curve input, fixed part of the parameters, designs of both effects."""

    y: np.ndarray
    x: np.ndarray
    base: np.ndarray
    fixed: list[np.ndarray]
    effects: list[np.ndarray]
    variance_terms: tuple[np.ndarray, np.ndarray, np.ndarray]
    labels: pd.DataFrame


def _lay_out(fit: Emergence, rows: pd.DataFrame, places: _Places) -> _Laid:
    j = np.array([places.placements.index(str(p)) for p in rows["placement_id"]], dtype=int)
    r = np.array([places.regions.index(k) for k in _region_key(rows)], dtype=int)
    zone = np.array(places.zones, dtype=int)[j]
    n = len(rows)
    is_baseline = rows["is_baseline"].to_numpy(dtype=bool)
    month = np.where(is_baseline, 0.0, np.maximum(rows["month"].to_numpy(dtype=float), 0.0))
    held = fit.held_log_steepness[zone]
    x = np.column_stack([month, *(rows[c].to_numpy(dtype=float) for c in ("planted", "kept", "shed")), held])
    carried = np.where(rows["is_later"].to_numpy(dtype=bool), rows["planted_before"].fillna(0.0), 0.0)
    fixed = _fixed_designs(fit, zone, carried.astype(float), places.mixes[j])
    effects = [np.zeros((n, places.size)) for _ in range(3)]
    at = np.arange(n)
    effects[0][at, places.native(0) + r] = fit.native_scale[zone]
    first = _OF_PATIENT + 3 * j
    effects[1][at, 0] = effects[1][at, 2] = 1.0
    effects[1][at, first] = effects[1][at, first + 1] = 1.0
    effects[2][at, 1] = effects[2][at, first + 2] = 1.0
    base = np.column_stack([d @ fit.beta[a:b] for d, (a, b) in zip(fixed, fit.slices, strict=True)])
    counting = (
        rows["counted_area_cm2"].to_numpy(dtype=float),
        rows["both_marked"].to_numpy(dtype=bool),
        rows["reader_changed"].to_numpy(dtype=bool) & ~is_baseline,
    )
    labels = pd.DataFrame(
        {
            "placement_id": rows["placement_id"].to_numpy(),
            "zone": [fit.zones[k] for k in zone],
            "region_id": rows["region_id"].to_numpy(),
            "month": month,
        }
    )
    return _Laid(rows["density"].to_numpy(dtype=float), x, base, fixed, effects, counting, labels)


def _fixed_designs(fit: Emergence, zone, carried, mix) -> list[np.ndarray]:
    by_zone = np.eye(len(fit.zones))[zone]
    half, steep = (
        np.eye(max(groups) + 1)[np.array(groups)[zone]]
        for groups in (fit.half_of_zone, fit.steepness_of_zone)
    )
    (s0, s1) = fit.slices[3]
    return [
        np.hstack([by_zone, carried[:, None]]) if fit.has_carried else by_zone,
        np.hstack([by_zone, mix]),
        half,
        steep if s1 > s0 else np.empty((len(zone), 0)),
        np.ones((len(zone), 1)) if fit.has_shed else np.empty((len(zone), 0)),
    ]


def _evaluate(fit: Emergence, laid: _Laid, b: np.ndarray):
    """Return curve, slopes in the effects and slopes in beta."""
    values = laid.base.copy()
    for k in range(3):
        values[:, k] += laid.effects[k] @ b
    mean, slopes = density_curve(fit.curve, laid.x, values)
    by_effect = sum(slopes[:, k : k + 1] * laid.effects[k] for k in range(3))
    by_beta = np.hstack([slopes[:, k : k + 1] * d for k, d in enumerate(laid.fixed)])
    return mean, by_effect, by_beta


def _mode(fit: Emergence, seen: _Laid, prior: np.ndarray, places: _Places):
    """Return modes, their covariance, the gain matrix and the seen rows' slopes in beta."""
    root = _root(prior)
    u = np.zeros(places.size)
    if not len(seen.y):
        return u, prior, np.zeros((places.size, 0)), np.zeros((0, len(fit.beta))), True
    area, marked, changed = seen.variance_terms
    residual_var = float(fit.spread[-1])
    converged = False
    for _ in range(_STEPS):
        mean, by_effect, by_beta = _evaluate(fit, seen, root @ u)
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
    mean, by_effect, by_beta = _evaluate(fit, seen, root @ u)
    J = by_effect @ root
    inside = np.linalg.inv(np.eye(len(u)) + J.T @ (J / variance[:, None]))
    covariance = root @ inside @ root.T
    gain = covariance @ by_effect.T / variance
    return root @ u, covariance, gain, by_beta, converged


def _take(fit: Emergence, seen: _Laid, root, u, step, variance) -> tuple[np.ndarray, bool]:
    def loss_of(tried):
        mean = _evaluate(fit, seen, root @ tried)[0]
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


def _ahead(
    fit: Emergence, rows: pd.DataFrame, wanted: pd.DataFrame, months: np.ndarray, places: _Places
) -> _Laid:
    """Lay out the rows to predict: every target at every month."""
    repeated = wanted.loc[wanted.index.repeat(len(months))].reset_index(drop=True)
    month = np.tile(months, len(wanted))
    kept = np.concatenate([_kept_ahead(fit, rows, one, months) for one in _region_key(wanted)])
    share = (
        np.repeat(wanted["native_share"].to_numpy(dtype=float), len(months))
        if "native_share" in wanted
        else 1.0
    )
    kept = 1 - share * (1 - kept)
    filled = {"is_later": False, "planted_before": 0.0, "counted_area_cm2": 1.0, "both_marked": False}
    missing = {c: v for c, v in filled.items() if c not in repeated}
    repeated = repeated.assign(
        **missing,
        month=month,
        kept=kept,
        shed=np.interp(month, regrowth_rows.SHED_MONTHS, regrowth_rows.SHED_SHARES),
        density=np.nan,
        is_baseline=False,
        reader_changed=False,
    )
    return _lay_out(fit, repeated, places)


def _kept_ahead(fit: Emergence, rows: pd.DataFrame, region: str, months: np.ndarray) -> np.ndarray:
    """Return native hair still standing: along the readings' own path, then at the untreated rate."""
    own = rows[_region_key(rows).eq(region)] if len(rows) else rows
    known = (
        own[~own["is_baseline"].astype(bool)].drop_duplicates("month").sort_values("month")
        if len(own)
        else own
    )
    rate = 0.0 if fit.native_change == "none" else -np.log1p(-fit.annual_loss_pct / 100) / 12
    at = np.concatenate([[0.0], known["month"].to_numpy(dtype=float)]) if len(known) else np.zeros(1)
    log_kept = (
        np.concatenate([[0.0], np.log(known["kept"].to_numpy(dtype=float))]) if len(known) else np.zeros(1)
    )
    inside = np.interp(months, at, log_kept)
    return np.exp(inside - rate * np.maximum(months - at[-1], 0.0))


def _predicted(
    fit: Emergence, ahead: _Laid, b, covariance, gain, seen_by_beta, places: _Places
) -> pd.DataFrame:
    mean, by_effect, by_beta = _evaluate(fit, ahead, b)
    total = by_beta - by_effect @ gain @ seen_by_beta
    parameter = np.einsum("ip,pq,iq->i", total, fit.beta_cov, total)
    random = np.einsum("ip,pq,iq->i", by_effect, covariance, by_effect)
    own = by_effect.copy()
    own[:, _OF_PATIENT:] = 0.0
    between = np.minimum(np.einsum("ip,pq,iq->i", own, covariance, own), random)
    truth, truth_var = _true_yield(fit, ahead, b, covariance, gain, seen_by_beta, places)
    return ahead.labels.assign(
        density=mean,
        density_var=parameter + random,
        parameter_var=parameter,
        between_patient_var=between,
        within_patient_var=random - between,
        yield_pct=truth,
        yield_var=truth_var,
    )


def _true_yield(fit: Emergence, ahead: _Laid, b, covariance, gain, seen_by_beta, places: _Places):
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


def _effects(fit: Emergence, b, covariance, prior, places: _Places) -> pd.DataFrame:
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
