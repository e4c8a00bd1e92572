"""When and how much does planted hair emerge? The emergence model, fitted on density.

    density(m) = native(m) + planted * plateau_yield[zone] / 100 * F_zone(m / half_month[zone])

Counts before the session (month 0) are data, so that their error is not carried into every later reading. F
is one of `curves.SHAPES`, its steepness by zone. The plateau varies from patient to patient and from
placement to placement, and so does log tempo; native density has a mean by zone and an effect by region, its
spread in proportion to that mean. What becomes of native hair is fixed by the native_change choice
(`yields.native`), not estimated. Planted density is calibrated (`regrowth.rows`); the error left in it is a
spread of the placement's plateau, estimated apart for densities counted in the region and zone averages. A
reading's sampling variance comes from the density the model expects (`measurement.count_variance`), anew in
each pass.

Fitted with the marginal mean and REML (`numerics.nonlinear`: Lindstrom and Bates' alternation pulls
plateau and half month down by one to two percent here). Errors of fixed effects are robust (the sandwich over
patients, `numerics.nonlinear.errors`): the fitted shape is never quite the true one.

The usual curve is a log-logistic with one more parameter, one for all zones: its tail, how late the last
hair comes (`curves`, Burr). A weak prior (`layout.TAIL_SD`) holds it where the data say little. Under a fixed
log-logistic plateaus were 2 points off where emergence came as a gamma, in a late wave or after a lag
(`tests/bench/worlds.py`).

Three errors are one and the same for all placements and do not shrink with their number: of the mean ratio of
region over zone, of the rate of native loss (`yields.native_rate`), and of what the clinic's readers together
read above or below the truth (`measurement.habit_cv`). Each moves the fixed effects by a known pattern, kept
in `shared` for one standard error of it, and stands in their covariance.

Boundaries: a zone's own half month and steepness need OWN_HALF and OWN_STEEPNESS followed placements
(`regrowth.layout`), else it shares those of the zone with most; a plateau counts as reached by the data where
MATURE_PATIENTS patients were counted at maturity or later and past the upper limit of the month of 90 % of
it. The last supported month is one that as many patients reach (in a small zone half of them, LEAST_PATIENTS
at least).
"""

from dataclasses import dataclass
from functools import partial

import numpy as np

from analytics import followup, measurement, yields
from analytics.dictionary import MATURITY_MONTH
from analytics.errors import ParameterError
from analytics.measurement import CountError
from analytics.numerics.nonlinear import SHAPES, TAILED, ClusterErrors, Shape, errors, log_time_of, pairs
from analytics.records import Records
from analytics.regrowth.layout import (
    HALF,
    NATIVE,
    PLATEAU,
    SHED,
    STEEPNESS,
    TAIL,
    HeldShape,
    Layout,
    Near,
    expected_variance,
    fit_or_simplify,
    habit_moves,
    kept_pattern,
    lay_out,
    practice_reader_cv,
    prior_precision,
    ratio_moves,
)
from analytics.regrowth.rows import CaseMix, EmergenceRows, select

# Patients counted at maturity by which a plateau counts as reached and a month as supported (our choice).
MATURE_PATIENTS, LEAST_PATIENTS = 10, 3
REACHED = 0.9
ONE_SIDED_95 = 1.645
# A log half month with a larger standard error is not determined.
TEMPO_SE = 0.25
OTHER_MATURITY_MONTH = 18.0
USUAL_CURVE = TAILED


@dataclass(frozen=True, slots=True)
class Emergence:
    """A fitted emergence model: arrays and plain values only.

    `beta` (p,) with `beta_cov`, `beta_model_cov`: native density by zone (and the share carried from an
    earlier session), plateau by zone in percent of planted hairs, case mix in points, log half month and log
    steepness by tempo group, shed share. `half_of_zone` and `steepness_of_zone` map zones to groups.
    `spread` (v,) are the variances in the order of `spread_names`, with `spread_cov`. One entry per zone:
    `n_patients, n_placements, n_rows, n_mature` (patients counted at maturity), `last_month` (the last
    supported), `maturity_month`, `reached` (the plateau, by the data). `planted_cv` and `reader_cv` are what
    errors of planted density and the habits of readers add to the plateau, as a share of it; `habit_cv` what
    all readers have in common. `shared` (p,) each: how far the fixed effects move with one standard error of
    what all placements share; `native` the loss of native hair they rest on. Per row of `regrowth.rows_for`:
    the density `expected`, and residuals made `independent` (n,).
    """

    curve: str
    zones: tuple[str, ...]
    beta: np.ndarray
    beta_cov: np.ndarray
    beta_model_cov: np.ndarray
    beta_names: tuple[str, ...]
    slices: tuple[tuple[int, int], ...]
    half_of_zone: tuple[int, ...]
    steepness_of_zone: tuple[int, ...]
    held_log_steepness: np.ndarray
    held_log_tail: float
    mix: tuple[CaseMix, ...]
    has_carried: bool
    has_shed: bool
    spread: np.ndarray
    spread_cov: np.ndarray
    spread_names: tuple[str, ...]
    native_scale: np.ndarray
    planted_cv: dict[str, float]
    reader_cv: float
    habit_cv: float
    shared: dict[str, np.ndarray]
    native: yields.UntreatedRate
    count_error: CountError
    n_patients: np.ndarray
    n_placements: np.ndarray
    n_rows: np.ndarray
    n_mature: np.ndarray
    last_month: np.ndarray
    maturity_month: np.ndarray
    reached: np.ndarray
    n_patients_all: int
    choices: yields.Choices
    from_month: float | None
    by: str
    loglik: float
    aic: float
    bic: float
    likelihood: str
    n_passes: int
    checks: dict[str, bool]
    words: tuple[str, ...]
    expected: np.ndarray
    independent: np.ndarray

    def shape_at(self, beta: np.ndarray) -> Shape:
        """Return the shape of the curve at fixed effects (..., p), as `curves.share` takes it."""
        if self.curve != TAILED:
            return self.curve
        start, end = self.slices[TAIL]
        return TAILED, np.asarray(beta[..., start:end].sum(axis=-1) + self.held_log_tail)

    @property
    def shape(self) -> Shape:
        """Return the shape of the fitted curve."""
        return self.shape_at(self.beta)

    def zone_index(self, zone: str) -> int:
        """Return where a zone stands, or say which there are."""
        if zone not in self.zones:
            raise ParameterError(f"regrowth(zone): not in this fit; it has {', '.join(self.zones)}")
        return self.zones.index(zone)


def fit_emergence(
    records: Records,
    *,
    curve: str = USUAL_CURVE,
    choices: yields.Choices = yields.USUAL,
    by: str = "zone",
    case_mix: tuple[str, ...] = (),
    early_shedding: bool = False,
    from_month: float | None = None,
    criterion: str = "REML",
    whole: Emergence | None = None,
    near: Emergence | None = None,
) -> Emergence:
    """Fit the emergence model to a register.

    Parameters
    ----------
    curve
        One of `curves.SHAPES`.
    by
        Column that plays the zone's part; `zone`.
    case_mix
        Columns of `yields.by_visit` or of patients that shift the plateau, in points.
    early_shedding
        Estimate a share of native hair shed by surgery (months 0 to 9).
    from_month
        Leave out readings after the session and before this month (a sensitivity line); steepness is then
        held at that of the fit to all readings.
    criterion
        `REML`, or `ML` to compare models.
    whole
        With `from_month`: the fit to all readings, made with the same choices, where the caller has it.
    near
        A similar fit, of another shape say, to begin from.

    Returns
    -------
    Emergence
        Coefficients (plateau in percent of planted hairs, log half month, log steepness by zone) with their
        robust covariance, spreads, named checks and what was simplified in words.

    Raises
    ------
    FitError
        When too few placements are followed for any curve.
    ParameterError
        When a choice is unknown.

    Examples
    --------
    >>> from analytics import simulate
    >>> fit = fit_emergence(simulate.as_records(simulate.register(20)[0]))
    >>> fit.zones
    ('hairline', 'frontal', 'midscalp', 'crown', 'temples')
    """
    _check_shape(curve)
    choose = partial(select, records, choices=choices, case_mix=tuple(case_mix), by=by)
    fit = partial(
        fit_rows,
        error=measurement.error_model(records),
        curve=curve,
        criterion=criterion,
        early_shedding=early_shedding,
    )
    if whole is None or from_month is None:
        whole = fit(choose(), near=near)
    if from_month is None:
        return whole
    tail = whole.shape[1] if isinstance(whole.shape, tuple) else 0.0
    held = HeldShape(dict(zip(whole.zones, log_steepness(whole), strict=True)), float(tail))
    return fit(choose(from_month=from_month), held=held, near=whole)


def _check_shape(curve: str) -> None:
    if curve not in SHAPES:
        raise ParameterError(f"regrowth.fit_emergence(curve): unknown; use one of {', '.join(SHAPES)}")


def log_steepness(fit: Emergence) -> np.ndarray:
    """Return the log steepness of every zone."""
    start, end = fit.slices[STEEPNESS]
    own = fit.beta[start:end] if end > start else np.zeros(max(fit.steepness_of_zone) + 1)
    return own[list(fit.steepness_of_zone)] + fit.held_log_steepness


def fit_rows(
    rows: EmergenceRows,
    error: CountError,
    *,
    curve: str = USUAL_CURVE,
    criterion: str = "REML",
    held: HeldShape | None = None,
    early_shedding: bool = False,
    near: Emergence | None = None,
) -> Emergence:
    """Fit the emergence model to rows that are laid out already (`regrowth.prepare`)."""
    layout, found, dropped = fit_or_simplify(
        lambda sharing: lay_out(rows, curve, early_shedding, held, sharing=sharing),
        lambda layout: partial(expected_variance, layout.counting, error),
        criterion,
        None if near is None else _near(near),
    )
    cluster = _cluster_errors(layout, found)
    return _as_emergence(layout, found, cluster, error, dropped)


def _near(fit: Emergence) -> Near:
    """Return the estimates of a fit by name."""
    beta = dict(zip(fit.beta_names, fit.beta.tolist(), strict=True))
    return Near(beta, dict(zip(fit.spread_names, fit.spread.tolist(), strict=True)), fit.curve)


def _cluster_errors(layout: Layout, found) -> ClusterErrors:
    """Return robust covariances from the linearised model at the fit, patients independent.

    One pattern: what one standard error of the rate of native loss adds to every row.
    """
    blocks = [
        (b.codes, z, psi, b.structure)
        for b, z, psi in zip(found.model.blocks, found.working.Z, found.linear.covariances, strict=True)
    ]
    return errors(
        layout.y - found.working.mean,
        found.working.X,
        blocks,
        found.known_variance + found.sigma**2,
        groups=layout.patient,
        precision=prior_precision(layout),
        patterns=kept_pattern(layout, found)[:, None],
    )


def _as_emergence(layout: Layout, found, cluster, error: CountError, dropped: int) -> Emergence:
    spread, spread_names = _spreads(layout, found)
    zones = layout.rows.zones
    frame = layout.rows.frame
    after = ~frame["is_baseline"].to_numpy(dtype=bool)
    here = [(layout.zone == k) & after for k in range(len(zones))]
    maturity = np.array([float(MATURITY_MONTH.get(z, OTHER_MATURITY_MONTH)) for z in zones])
    late = [_last_counts(layout, h) for h in here]
    nearly = [_month_nearly_all(layout, found, cluster.robust_cov, k) for k in range(len(zones))]
    from_month = np.maximum(maturity - followup.OPENS_EARLY, nearly)
    reached = np.array([np.sum(m >= f) >= MATURE_PATIENTS for m, f in zip(late, from_month, strict=True)])
    named = dict(zip(spread_names, spread, strict=True))
    reader_cv, habit_cv = practice_reader_cv(frame, error)
    shared = {
        "ratio of region over zone": ratio_moves(layout, found, named),
        "native loss": -cluster.moves[:, 0],
        "habit of all readers": habit_moves(layout, found, habit_cv),
    }
    together = sum(np.outer(m, m) for m in shared.values())
    return Emergence(
        curve=layout.curve_name,
        zones=zones,
        beta=found.beta,
        beta_cov=cluster.robust_cov + together,
        beta_model_cov=cluster.model_cov + together,
        beta_names=tuple(layout.names),
        slices=tuple((s.start, s.stop) for s in found.slices),
        half_of_zone=layout.half_of_zone,
        steepness_of_zone=layout.steepness_of_zone,
        held_log_steepness=layout.held,
        held_log_tail=layout.held_tail,
        mix=layout.rows.mix,
        has_carried=layout.has_carried,
        has_shed=bool(layout.designs[SHED].shape[1]),
        spread=spread,
        spread_cov=cluster.variance_robust_cov,
        spread_names=spread_names,
        native_scale=layout.native_scale,
        planted_cv={s: layout.rows.planted_cv[s] for s in layout.source_names},
        reader_cv=reader_cv,
        habit_cv=habit_cv,
        shared=shared,
        native=layout.rows.native,
        count_error=error,
        n_patients=np.array([len(np.unique(layout.patient[h])) for h in here]),
        n_placements=np.array([len(np.unique(layout.placement[h])) for h in here]),
        n_rows=np.array([int(h.sum()) for h in here]),
        n_mature=np.array(
            [int(np.sum(m >= f - followup.OPENS_EARLY)) for m, f in zip(late, maturity, strict=True)]
        ),
        last_month=np.array([_last_supported(m) for m in late]),
        maturity_month=maturity,
        reached=reached,
        n_patients_all=int(layout.patient.max() + 1),
        choices=layout.rows.choices,
        from_month=layout.rows.from_month,
        by=layout.rows.by,
        loglik=found.loglik,
        aic=found.aic,
        bic=found.bic,
        likelihood=found.likelihood,
        n_passes=found.n_iterations,
        checks=_named_checks(found, cluster, reached, dropped, layout),
        words=_in_words(layout, reached, dropped),
        expected=found.working.mean,
        independent=cluster.independent,
    )


def _spreads(layout: Layout, found) -> tuple[np.ndarray, tuple[str, ...]]:
    """Return the variance parameters by name, in the order of `numerics.nonlinear.robust`."""
    place = {NATIVE: "native", PLATEAU: "plateau", HALF: "log tempo"}
    values, names = [], []
    n_levels = len(set(found.model.level_of_block))
    level_names = ["patient", "placement", "region"][-n_levels:]
    for block, psi, level in zip(
        found.model.blocks, found.linear.covariances, found.model.level_of_block, strict=True
    ):
        columns = [place[k] for k, _ in block.columns]
        if level_names[level] == "placement":
            columns = [*(f"plateau ({s})" for s in layout.source_names), *columns[len(layout.source_names) :]]
        for a, b in pairs(block.size, block.structure):
            names.append(f"{level_names[level]}: {columns[a]}" + (f" with {columns[b]}" if a != b else ""))
            values.append(psi[a, b])
    return np.array([*values, found.sigma**2]), (*names, "residual")


def _month_nearly_all(layout: Layout, found, cov: np.ndarray, k: int) -> float:
    """Return the month of 90 % of a zone's plateau, its upper limit taken.

    The month itself would not do: where readings end early, the fitted plateau comes down to meet them.
    """
    half = found.slices[HALF].start + layout.half_of_zone[k]
    steep = found.slices[STEEPNESS].start + layout.steepness_of_zone[k]
    is_held = found.slices[STEEPNESS].stop == found.slices[STEEPNESS].start
    log_k = layout.held[k] + (0.0 if is_held else found.beta[steep])
    tail = float(found.beta[found.slices[TAIL]].sum()) + layout.held_tail
    shape = (TAILED, np.asarray(tail)) if layout.curve_name == TAILED else layout.curve_name
    since_half, slope = log_time_of(shape, REACHED, log_k)
    by = np.zeros(len(found.beta))
    by[half] = 1.0
    if not is_held:
        by[steep] = slope
    upper = found.beta[half] + since_half + ONE_SIDED_95 * np.sqrt(max(by @ cov @ by, 0.0))
    return float(np.exp(upper))


def _last_counts(layout: Layout, here: np.ndarray) -> np.ndarray:
    """Return the month of each patient's last count among some rows, earliest first."""
    last = np.zeros(int(layout.patient.max()) + 1)
    np.maximum.at(last, layout.patient[here], layout.x[here, 0])
    return np.sort(last[np.unique(layout.patient[here])])


def _last_supported(months: np.ndarray) -> float:
    """Return the month that MATURE_PATIENTS patients' last counts reach or pass; half of fewer than twice."""
    needed = min(MATURE_PATIENTS, max(LEAST_PATIENTS, len(months) // 2), len(months))
    return float(months[-needed])


def _named_checks(found, cluster, reached, dropped: int, layout: Layout) -> dict[str, bool]:
    """Return the named checks of a fit, true where all is well."""
    tempo_se = np.sqrt(np.clip(np.diag(cluster.robust_cov), 0.0, None))[found.slices[HALF]]
    return {
        **{k: bool(v) for k, v in found.checks.items()},
        "finite_se": bool(np.isfinite(cluster.robust_cov).all()),
        "plateau_reached": bool(reached.all()),
        "tempo_determined": bool(np.all(tempo_se < TEMPO_SE)),
        "tempo_spread_estimated": dropped == 0,
        "own_tempo_by_zone": not layout.shared,
        "plateau_plausible": bool(
            np.all(np.abs(found.beta[found.slices[PLATEAU]][: len(reached)] - 75) < 75)
        ),
    }


def _in_words(layout: Layout, reached, dropped: int) -> tuple[str, ...]:
    """Return in words what was shared, not reached or left out."""
    said = list(layout.shared)
    late = [z for z, ok in zip(layout.rows.zones, reached, strict=True) if not ok]
    if late:
        said.append(f"plateau not reached by the data in {', '.join(late)}")
    if dropped:
        what = "the patient spread of tempo" if dropped == 1 else "all spreads of tempo"
        said.append(f"{what} could not be estimated and is left out")
    return tuple(said)
