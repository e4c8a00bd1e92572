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

Boundaries: a zone's own half month and steepness need OWN_HALF and OWN_STEEPNESS followed placements
(`regrowth.layout`), else it shares those of the zone with most; a plateau counts as reached by the data with
MIN_PAST readings past the upper limit of the month of 90 % of it.
"""

from dataclasses import asdict, dataclass
from functools import partial

import numpy as np

from analytics import measurement, yields
from analytics.dictionary import MATURITY_MONTH
from analytics.errors import ParameterError
from analytics.measurement import CountError
from analytics.numerics.nonlinear import SHAPES, ClusterErrors, errors, log_time_of, pairs
from analytics.records import Records
from analytics.regrowth.layout import (
    HALF,
    NATIVE,
    PLATEAU,
    SHED,
    STEEPNESS,
    Layout,
    Near,
    expected_variance,
    fit_or_simplify,
    lay_out,
)
from analytics.regrowth.rows import CaseMix, EmergenceRows, select

# Readings past the month of 90 % of a plateau by which it counts as reached.
MIN_PAST = 3
REACHED = 0.9
ONE_SIDED_95 = 1.645
# A log half month with a larger standard error is not determined.
TEMPO_SE = 0.25
OTHER_MATURITY_MONTH = 18.0


@dataclass(frozen=True, slots=True)
class Emergence:
    """A fitted emergence model: arrays and plain values only.

    `beta` (p,) with `beta_cov`, `beta_model_cov`: native density by zone (and the share carried from an
    earlier session), plateau by zone in percent of planted hairs, case mix in points, log half month and log
    steepness by tempo group, shed share. `half_of_zone` and `steepness_of_zone` map zones to groups.
    `spread` (v,) are the variances in the order of `spread_names`, with `spread_cov`. One entry per zone:
    `n_patients, n_placements, n_rows, last_month` (the last supported), `maturity_month`, `reached`
    (readings past 90 % of the plateau). `planted_cv` and `reader_cv` are what errors of planted density and
    the habits of readers add to the plateau, as a share of it.
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
    mix: tuple[CaseMix, ...]
    has_carried: bool
    has_shed: bool
    spread: np.ndarray
    spread_cov: np.ndarray
    spread_names: tuple[str, ...]
    native_scale: np.ndarray
    planted_cv: dict[str, float]
    reader_cv: float
    count_error: CountError
    n_patients: np.ndarray
    n_placements: np.ndarray
    n_rows: np.ndarray
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

    def zone_index(self, zone: str) -> int:
        """Return where a zone stands, or say which there are."""
        if zone not in self.zones:
            raise ParameterError(f"regrowth(zone): not in this fit; it has {', '.join(self.zones)}")
        return self.zones.index(zone)


def fit_emergence(
    records: Records,
    *,
    curve: str = "log-logistic",
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
    choices
        What the yields rest on.
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

    Raises
    ------
    FitError
        When too few placements are followed for any curve.
    ParameterError
        When a choice is unknown.
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
    held = dict(zip(whole.zones, log_steepness(whole), strict=True))
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
    curve: str = "log-logistic",
    criterion: str = "REML",
    held: dict[str, float] | None = None,
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
    """Return robust covariances from the linearised model at the fit, patients independent."""
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
    )


def _as_emergence(layout: Layout, found, cluster, error: CountError, dropped: int) -> Emergence:
    spread, spread_names = _spreads(layout, found)
    zones = layout.rows.zones
    frame = layout.rows.frame
    after = ~frame["is_baseline"].to_numpy(dtype=bool)
    here = [(layout.zone == k) & after for k in range(len(zones))]
    maturity = [float(MATURITY_MONTH.get(z, OTHER_MATURITY_MONTH)) for z in zones]
    past = [_readings_past(layout, found, cluster.robust_cov, k, here[k]) for k in range(len(zones))]
    reached = np.array([n >= MIN_PAST for n in past])
    ratio = _ratio_cov(layout, found, dict(zip(spread_names, spread, strict=True)))
    return Emergence(
        curve=layout.curve_name,
        zones=zones,
        beta=found.beta,
        beta_cov=cluster.robust_cov + ratio,
        beta_model_cov=found.beta_cov + ratio,
        beta_names=tuple(layout.names),
        slices=tuple((s.start, s.stop) for s in found.slices),
        half_of_zone=layout.half_of_zone,
        steepness_of_zone=layout.steepness_of_zone,
        held_log_steepness=layout.held,
        mix=layout.rows.mix,
        has_carried=layout.has_carried,
        has_shed=bool(layout.designs[SHED].shape[1]),
        spread=spread,
        spread_cov=cluster.variance_robust_cov,
        spread_names=spread_names,
        native_scale=layout.native_scale,
        planted_cv={s: layout.rows.planted_cv[s] for s in layout.source_names},
        reader_cv=_practice_reader_cv(frame, error),
        count_error=error,
        n_patients=np.array([len(np.unique(layout.patient[h])) for h in here]),
        n_placements=np.array([len(np.unique(layout.placement[h])) for h in here]),
        n_rows=np.array([int(h.sum()) for h in here]),
        last_month=np.array([_last_supported(layout.x[h, 0]) for h in here]),
        maturity_month=np.array(maturity),
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


def _ratio_cov(layout: Layout, found, named: dict[str, float]) -> np.ndarray:
    """Return what the error of the ratio of region over zone, shared by all placements, adds to the plateaus.

    A ratio one percent too high lowers every plateau that rests on zone averages alone by one percent, and
    others by the weight such placements have (inverse variance of a placement's plateau).
    """
    frame = layout.rows.frame
    if layout.rows.ratio_cv <= 0 or "leans" not in frame:
        return np.zeros((len(found.beta), len(found.beta)))
    between = named.get("patient: plateau", 0.0)
    by_source = np.array([named[f"placement: plateau ({s})"] for s in layout.source_names])
    weight = 1 / np.maximum(layout.sources @ by_source + between, 1.0)
    once = ~frame["placement_id"].duplicated().to_numpy()
    shift = np.zeros(len(found.beta))
    start = found.slices[PLATEAU].start
    for k in range(len(layout.rows.zones)):
        here = once & (layout.zone == k)
        lean = np.average(frame["leans"].to_numpy(dtype=float)[here], weights=weight[here])
        shift[start + k] = found.beta[start + k] * lean * layout.rows.ratio_cv
    return np.outer(shift, shift)


def _practice_reader_cv(frame, error: CountError) -> float:
    """Return the spread that readers' habits put between patients, as a share of a density.

    A patient is mostly read by one reader. Two patients share one with the sum of squared shares of the
    readers; the rest of the readers' variance stands between patients.
    """
    counted = frame.groupby(["patient_id", "reader_id"], sort=True).size().rename("n").reset_index()
    most = counted.sort_values(["patient_id", "n", "reader_id"], ascending=[True, False, True])
    main = most.drop_duplicates("patient_id").set_index("patient_id")["reader_id"]
    # Who says no reader counts as read by one of no name.
    main = main.reindex(frame["patient_id"].unique(), fill_value="")
    alike = float((main.value_counts(normalize=True) ** 2).sum())
    return error.between_reader_cv * float(np.sqrt(max(1.0 - alike, 0.0)))


def _readings_past(layout: Layout, found, cov: np.ndarray, k: int, here: np.ndarray) -> int:
    """Return how many readings of a zone lie past the month of 90 % of its plateau, its upper limit taken.

    The month itself would not do: where readings end early, the fitted plateau comes down to meet them.
    """
    half = found.slices[HALF].start + layout.half_of_zone[k]
    steep = found.slices[STEEPNESS].start + layout.steepness_of_zone[k]
    is_held = found.slices[STEEPNESS].stop == found.slices[STEEPNESS].start
    log_k = layout.held[k] + (0.0 if is_held else found.beta[steep])
    since_half, slope = log_time_of(layout.curve_name, REACHED, log_k)
    by = np.zeros(len(found.beta))
    by[half] = 1.0
    if not is_held:
        by[steep] = slope
    upper = found.beta[half] + since_half + ONE_SIDED_95 * np.sqrt(max(by @ cov @ by, 0.0))
    return int(np.sum(layout.x[here, 0] >= np.exp(upper)))


def _last_supported(months: np.ndarray) -> float:
    """Return the month that MIN_PAST readings reach or pass."""
    return float(np.sort(months)[-min(MIN_PAST, len(months))])


def _named_checks(found, cluster, reached, dropped: int, layout: Layout) -> dict[str, bool]:
    """Return the named checks of a fit, true where all is well."""
    tempo_se = np.sqrt(np.diag(cluster.robust_cov))[found.slices[HALF]]
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


def as_plain(fit: Emergence) -> dict:
    """Return the fit as a dict of arrays and plain values, to be written as npz or JSON."""
    return asdict(fit)


def from_plain(plain: dict) -> Emergence:
    """Return the fit that `as_plain` wrote, arrays and tuples made anew from lists where they were JSON."""
    made = {}
    for name, kind in Emergence.__annotations__.items():
        value = plain[name]
        if kind is np.ndarray:
            value = np.asarray(value)
        elif name == "mix":
            value = tuple(CaseMix(**m) if isinstance(m, dict) else m for m in value)
        elif name == "slices":
            value = tuple((int(a), int(b)) for a, b in value)
        elif name == "count_error" and isinstance(value, dict):
            value = CountError(**value)
        elif name == "choices" and isinstance(value, dict):
            value = yields.Choices(**value)
        elif isinstance(value, list):
            value = tuple(value)
        made[name] = value
    return Emergence(**made)
