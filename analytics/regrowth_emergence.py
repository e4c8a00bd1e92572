"""When and how much does planted hair emerge? The emergence model, fitted on density.

    density(m) = native(m) + planted * plateau_yield[zone] / 100 * F_zone(m / half_month[zone])

Counts before the session (month 0) are data, so that their error is not carried into every later reading. F
is one of `curves.SHAPES`, its steepness by zone. The plateau varies from patient to patient and from
placement to placement, and so does log tempo; native density has a mean a zone and an effect a region, its
spread in proportion to that mean. What becomes of native hair is fixed by the native_change choice
(`yields_native`), not estimated. Planted density is calibrated (`regrowth_rows`); the error left in it is a
spread of the placement's plateau, estimated apart for densities counted in the region and zone averages. A
reading's sampling variance comes from the density the model expects (`measurement.count_variance`), anew in
each pass.

Fitted by Lindstrom & Bates' alternation with REML (`numerics.nonlinear`). Errors of fixed effects are
robust (the sandwich over patients, `numerics.nonlinear_clusters`): the fitted shape is never quite the true
one.

Boundaries: a zone's own half month and steepness need MIN_FOR_TEMPO followed placements, else it shares
those of the zone with most; a plateau counts as reached by the data with MIN_PAST readings past the month
of 90 % of it.
"""

from dataclasses import asdict, dataclass
from functools import partial

import numpy as np

from analytics import measurement, regrowth_rows
from analytics.errors import FitError, ParameterError
from analytics.measurement import CountError
from analytics.numerics import curves, nonlinear, nonlinear_clusters
from analytics.records import Records
from analytics.records.dictionary import MATURITY_MONTH
from analytics.regrowth_rows import CaseMix, EmergenceRows

MIN_FOR_TEMPO = 8
MIN_PAST = 3
MIN_SOURCE = 15
MIN_PATIENTS_FOR_TEMPO = 12
REACHED = 0.9
OTHER_MATURITY_MONTH = 18.0
NATIVE, PLATEAU, HALF, STEEPNESS, SHED = range(5)


@dataclass(frozen=True, slots=True)
class Emergence:
    """A fitted emergence model: arrays and plain values only.

    `beta` (p,) with `beta_cov`, `beta_model_cov`: native density a zone (and the share carried from an
    earlier session), plateau a zone in percent of planted hairs, case mix in points, log half month and log
    steepness a tempo group, shed share. `tempo_of_zone` maps zones to tempo groups. `spread` (v,) are the
    variances in the order of `spread_names`, with `spread_cov`. One entry a zone: `n_patients,
    n_placements, n_rows, last_month` (the last supported), `maturity_month`, `reached` (readings past 90 %
    of the plateau).
    """

    curve: str
    zones: tuple[str, ...]
    beta: np.ndarray
    beta_cov: np.ndarray
    beta_model_cov: np.ndarray
    beta_names: tuple[str, ...]
    slices: tuple[tuple[int, int], ...]
    tempo_of_zone: tuple[int, ...]
    held_log_steepness: np.ndarray
    mix: tuple[CaseMix, ...]
    has_carried: bool
    has_shed: bool
    spread: np.ndarray
    spread_cov: np.ndarray
    spread_names: tuple[str, ...]
    native_scale: np.ndarray
    planted_cv: dict[str, float]
    count_error: CountError
    n_patients: np.ndarray
    n_placements: np.ndarray
    n_rows: np.ndarray
    last_month: np.ndarray
    maturity_month: np.ndarray
    reached: np.ndarray
    n_patients_all: int
    native_change: str
    annual_loss_pct: float
    from_month: float | None
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


@dataclass(frozen=True, slots=True)
class Choice:
    """What was chosen before the fit and travels with it."""

    native_change: str = "assumed"
    annual_loss_pct: float = 4.8
    from_month: float | None = None
    early_shedding: bool = False


_DEFAULT = Choice()


def fit_emergence(
    records: Records,
    *,
    curve: str = "log-logistic",
    native_change: str = "assumed",
    annual_loss_pct: float = 4.8,
    by: str = "zone",
    case_mix: tuple[str, ...] = (),
    early_shedding: bool = False,
    from_month: float | None = None,
    criterion: str = "REML",
) -> Emergence:
    """Fit the emergence model to a register.

    Parameters
    ----------
    curve
        One of `curves.SHAPES`.
    native_change, annual_loss_pct
        As in `yields.by_visit`.
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

    Raises
    ------
    FitError
        When too few placements are followed for any curve.
    ParameterError
        When a choice is unknown.
    """
    _check_shape(curve)
    choose = partial(
        regrowth_rows.select,
        records,
        native_change=native_change,
        annual_loss_pct=annual_loss_pct,
        case_mix=tuple(case_mix),
        by=by,
    )
    error = measurement.error_model(records)
    choice = Choice(native_change, annual_loss_pct, None, early_shedding)
    whole = fit_rows(choose(), error, curve=curve, criterion=criterion, choice=choice)
    if from_month is None:
        return whole
    held = dict(zip(whole.zones, log_steepness(whole), strict=True))
    late = Choice(native_change, annual_loss_pct, from_month, early_shedding)
    rows = choose(from_month=from_month)
    return fit_rows(rows, error, curve=curve, criterion=criterion, held=held, choice=late)


def _check_shape(curve: str) -> None:
    if curve not in curves.SHAPES:
        raise ParameterError(f"regrowth.fit_emergence(curve): unknown; use one of {', '.join(curves.SHAPES)}")


def log_steepness(fit: Emergence) -> np.ndarray:
    """Return the log steepness of every zone."""
    start, end = fit.slices[STEEPNESS]
    own = fit.beta[start:end] if end > start else np.zeros(max(fit.tempo_of_zone) + 1)
    return own[list(fit.tempo_of_zone)] + fit.held_log_steepness


def fit_rows(
    rows: EmergenceRows,
    error: CountError,
    *,
    curve: str = "log-logistic",
    criterion: str = "REML",
    held: dict[str, float] | None = None,
    choice: Choice = _DEFAULT,
) -> Emergence:
    """Fit the emergence model to rows that are laid out already (`regrowth_rows.prepare`)."""
    layout = _lay_out(rows, curve, choice.early_shedding, held)
    known_variance = partial(_expected_variance, layout.counting, error)
    found, dropped = _fit_or_simplify(layout, known_variance, criterion)
    cluster = _cluster_errors(layout, found)
    return _as_emergence(layout, found, cluster, error, dropped, choice)


@dataclass(frozen=True, slots=True)
class Likelihood:
    """What `regrowth_compare` needs of a fit."""

    loglik: float
    aic: float
    n_fixed: int
    known_variance: np.ndarray
    converged: bool


def likelihood(
    rows: EmergenceRows, *, error: CountError, curve: str, common: str = "", known_variance=None
) -> Likelihood:
    """Return the ML fit of a model in which all zones may share one plateau or one tempo (`common`)."""
    layout = _lay_out(rows, curve, False, None)
    shared = {"plateau": (PLATEAU,), "tempo": (HALF, STEEPNESS)}.get(common, ())
    for k in shared:
        n_own = len(rows.zones) if k == PLATEAU else layout.designs[k].shape[1]
        first = layout.start[k][:n_own]
        layout.designs[k] = np.hstack([np.ones((len(layout.y), 1)), layout.designs[k][:, n_own:]])
        layout.start[k] = np.append(first.mean(), layout.start[k][n_own:])
    rule = partial(_expected_variance, layout.counting, error) if known_variance is None else known_variance
    found, _ = _fit_or_simplify(layout, rule, "ML")
    return Likelihood(found.loglik, found.aic, len(found.beta), found.known_variance, found.converged)


@dataclass(frozen=True, slots=True)
class _Layout:
    rows: EmergenceRows
    curve_name: str
    x: np.ndarray
    y: np.ndarray
    zone: np.ndarray
    designs: list[np.ndarray]
    names: list[str]
    start: list[np.ndarray]
    tempo_of_zone: tuple[int, ...]
    held: np.ndarray
    patient: np.ndarray
    placement: np.ndarray
    region: np.ndarray
    sources: np.ndarray
    source_names: tuple[str, ...]
    native_z: np.ndarray
    native_scale: np.ndarray
    counting: tuple[np.ndarray, ...]
    has_carried: bool
    borrowed: dict[str, str]


def density_curve(shape: str, x, parameters):
    """Return expected density and its slopes; x: month, planted, kept, shed profile, held steepness."""
    kept, shed, held = x[:, 2:].T
    base = parameters[:, :4].copy()
    base[:, STEEPNESS] += held
    mean, slopes = curves.density(shape)(x[:, :3], base)
    native, share = parameters[:, NATIVE], parameters[:, SHED]
    lost = kept * shed
    slopes[:, NATIVE] -= lost * share
    return mean - native * lost * share, np.column_stack([slopes, -native * lost])


def _lay_out(rows: EmergenceRows, curve: str, early_shedding: bool, held) -> _Layout:
    frame = rows.frame
    zone = np.array([rows.zones.index(z) for z in frame["group"]])
    tempo_of_zone, borrowed = _tempo_groups(rows, zone)
    held_steepness = np.array([0.0 if held is None else held.get(z, 0.0) for z in rows.zones])
    x = np.column_stack(
        [frame[c].to_numpy(dtype=float) for c in ("month", "planted", "kept", "shed")]
        + [held_steepness[zone]]
    )
    # A baseline count up to six months early is month 0 of the curve.
    x[:, 0] = np.where(frame["is_baseline"].astype(bool), 0.0, np.maximum(x[:, 0], 0.0))
    y = frame["density"].to_numpy(dtype=float)
    by_zone = np.eye(len(rows.zones))[zone]
    n_tempo = max(tempo_of_zone) + 1
    by_tempo = np.eye(n_tempo)[np.array(tempo_of_zone)[zone]]
    carried = np.where(frame["is_later"], frame["planted_before"].fillna(0.0), 0.0).astype(float)
    has_carried = bool(np.any(carried > 0))
    mix = frame[[f"mix_{i}" for i in range(len(rows.mix))]].to_numpy(dtype=float)
    nothing = np.empty((len(y), 0))
    designs = [
        np.hstack([by_zone, carried[:, None]]) if has_carried else by_zone,
        np.hstack([by_zone, mix]),
        by_tempo,
        nothing if held is not None else by_tempo,
        np.ones((len(y), 1)) if early_shedding else nothing,
    ]
    start = _starts(rows, curve, x, y, zone, tempo_of_zone, designs, has_carried)
    source_names, sources = _sources(frame)
    native_scale = np.maximum(start[NATIVE][: len(rows.zones)], 5.0)
    return _Layout(
        rows=rows,
        curve_name=curve,
        x=x,
        y=y,
        zone=zone,
        designs=designs,
        names=_names(rows, n_tempo, tempo_of_zone, has_carried, held is not None, early_shedding),
        start=start,
        tempo_of_zone=tempo_of_zone,
        held=held_steepness,
        patient=_codes(frame["patient_id"]),
        placement=_codes(frame["placement_id"]),
        region=_codes(frame["placement_id"].astype(str) + "|" + frame["region_id"].astype(str)),
        sources=sources,
        source_names=source_names,
        native_z=native_scale[zone],
        native_scale=native_scale,
        counting=(
            frame["counted_area_cm2"].to_numpy(dtype=float),
            frame["both_marked"].to_numpy(dtype=bool),
            frame["reader_changed"].to_numpy(dtype=bool) & ~frame["is_baseline"].to_numpy(dtype=bool),
        ),
        has_carried=has_carried,
        borrowed=borrowed,
    )


def _codes(labels) -> np.ndarray:
    return np.unique(labels.astype(str).to_numpy(dtype=object).astype(str), return_inverse=True)[1]


def _tempo_groups(rows: EmergenceRows, zone: np.ndarray) -> tuple[tuple[int, ...], dict[str, str]]:
    """Return each zone's tempo group, and which zones borrow another's tempo for want of placements."""
    frame = rows.frame
    after = ~frame["is_baseline"].to_numpy(dtype=bool)
    followed = np.array(
        [
            frame["placement_id"].to_numpy()[after & (zone == k)].size
            and frame.loc[after & (zone == k), "placement_id"].nunique()
            for k in range(len(rows.zones))
        ]
    )
    own = followed >= min(MIN_FOR_TEMPO, int(followed.max()))
    largest = int(np.argmax(followed))
    index = {int(k): i for i, k in enumerate(np.flatnonzero(own))}
    groups = tuple(index[k] if own[k] else index[largest] for k in range(len(rows.zones)))
    borrowed = {rows.zones[k]: rows.zones[largest] for k in np.flatnonzero(~own)}
    return groups, borrowed


def _starts(rows, curve, x, y, zone, tempo_of_zone, designs, has_carried) -> list[np.ndarray]:
    by_zone = np.array(
        [
            curves.start(
                curve, x[zone == k, 0], y[zone == k], fixed=x[zone == k, 2], scale=x[zone == k, 1] / 100
            )
            for k in range(len(rows.zones))
        ]
    )
    first = [tempo_of_zone.index(g) for g in range(max(tempo_of_zone) + 1)]
    plateau = np.clip(by_zone[:, 1], 20.0, 150.0)
    return [
        np.append(by_zone[:, 0], [0.85] * has_carried),
        np.append(plateau, np.zeros(len(rows.mix))),
        by_zone[first, 2],
        by_zone[first, 3] if designs[STEEPNESS].shape[1] else np.empty(0),
        np.zeros(designs[SHED].shape[1]),
    ]


def _names(rows, n_tempo, tempo_of_zone, has_carried, is_held, early_shedding) -> list[str]:
    tempo = [rows.zones[tempo_of_zone.index(g)] for g in range(n_tempo)]
    return [
        *(f"native density: {z}" for z in rows.zones),
        *(["share of earlier planted hair standing"] * has_carried),
        *(f"plateau: {z}" for z in rows.zones),
        *(m.term for m in rows.mix),
        *(f"log half month: {z}" for z in tempo),
        *([] if is_held else [f"log steepness: {z}" for z in tempo]),
        *(["native hair shed"] * early_shedding),
    ]


def _sources(frame) -> tuple[tuple[str, ...], np.ndarray]:
    """Return which kinds of planted density have a spread of their own, and their columns."""
    of = frame["planted_source"].to_numpy(dtype=object)
    counts = frame.groupby("planted_source")["placement_id"].nunique()
    large = [s for s in regrowth_rows.SOURCES if counts.get(s, 0) >= MIN_SOURCE]
    if len(large) < 2:
        only = str(counts.idxmax())
        return (only,), np.ones((len(frame), 1))
    return tuple(large), np.column_stack([of == s for s in large]).astype(float)


def _expected_variance(counting, error: CountError, expected: np.ndarray) -> np.ndarray:
    area, marked, reader_changed = counting
    return measurement.count_variance(
        np.maximum(expected, 1.0 / area), area, marked=marked, reader_changed=reader_changed, error=error
    )


def _levels(layout: _Layout, simpler: int) -> list[tuple]:
    """Return the random effects, fewer of them at each step of simplification."""
    has_patients = layout.patient.max() + 1 <= 0.9 * (layout.placement.max() + 1)
    enough = layout.patient.max() + 1 >= MIN_PATIENTS_FOR_TEMPO
    patient: dict = {PLATEAU: "full", HALF: "full"} if enough and simpler < 1 else {PLATEAU: "diagonal"}
    placement: dict = {PLATEAU: ("diagonal", layout.sources)}
    if simpler < 2:
        placement[HALF] = "diagonal"
    levels: list[tuple] = [(layout.patient, patient)] if has_patients else []
    levels.append((layout.placement, placement))
    levels.append((layout.region, {NATIVE: ("diagonal", layout.native_z)}))
    return levels


def _fit_or_simplify(layout: _Layout, known_variance, criterion: str):
    problem: FitError | None = None
    for simpler in range(3):
        try:
            found = nonlinear.fit(
                layout.y,
                layout.x,
                partial(density_curve, layout.curve_name),
                layout.start,
                designs=layout.designs,
                levels=_levels(layout, simpler),
                method="marginal",
                known_variance=known_variance,
                criterion=criterion,
            )
        except FitError as stopped:
            problem = stopped
            continue
        if found.converged or simpler == 2:
            return found, simpler
    raise FitError(
        "regrowth.fit_emergence: the emergence model could not be fitted even without tempo spreads; "
        "use yields.average or regrowth.by_zone"
    ) from problem


def _cluster_errors(layout: _Layout, found) -> nonlinear_clusters.ClusterErrors:
    """Return robust covariances from the linearised model at the fit, patients independent."""
    blocks = [
        (b.codes, z, psi, b.structure)
        for b, z, psi in zip(found.model.blocks, found.working.Z, found.linear.covariances, strict=True)
    ]
    return nonlinear_clusters.errors(
        layout.y - found.working.mean,
        found.working.X,
        blocks,
        found.known_variance + found.sigma**2,
        groups=layout.patient,
    )


def _spreads(layout: _Layout, found) -> tuple[np.ndarray, tuple[str, ...]]:
    """Return the variance parameters by name, in the order of `nonlinear_clusters`."""
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
        for a, b in nonlinear_clusters.pairs(block.size, block.structure):
            names.append(f"{level_names[level]}: {columns[a]}" + (f" with {columns[b]}" if a != b else ""))
            values.append(psi[a, b])
    return np.array([*values, found.sigma**2]), (*names, "residual")


def _as_emergence(
    layout: _Layout, found, cluster, error: CountError, dropped: int, choice: Choice
) -> Emergence:
    spread, spread_names = _spreads(layout, found)
    zones = layout.rows.zones
    frame = layout.rows.frame
    after = ~frame["is_baseline"].to_numpy(dtype=bool)
    here = [(layout.zone == k) & after for k in range(len(zones))]
    maturity = [float(MATURITY_MONTH.get(z, OTHER_MATURITY_MONTH)) for z in zones]
    past = [_readings_past(layout, found, k, here[k]) for k in range(len(zones))]
    reached = np.array([n >= MIN_PAST for n in past])
    return Emergence(
        curve=layout.curve_name,
        zones=zones,
        beta=found.beta,
        beta_cov=cluster.robust_cov,
        beta_model_cov=found.beta_cov,
        beta_names=tuple(layout.names),
        slices=tuple((s.start, s.stop) for s in found.slices),
        tempo_of_zone=layout.tempo_of_zone,
        held_log_steepness=layout.held,
        mix=layout.rows.mix,
        has_carried=layout.has_carried,
        has_shed=bool(layout.designs[SHED].shape[1]),
        spread=spread,
        spread_cov=cluster.variance_robust_cov,
        spread_names=spread_names,
        native_scale=layout.native_scale,
        planted_cv={s: layout.rows.planted_cv[s] for s in layout.source_names},
        count_error=error,
        n_patients=np.array([len(np.unique(layout.patient[h])) for h in here]),
        n_placements=np.array([len(np.unique(layout.placement[h])) for h in here]),
        n_rows=np.array([int(h.sum()) for h in here]),
        last_month=np.array([_last_supported(layout.x[h, 0]) for h in here]),
        maturity_month=np.array(maturity),
        reached=reached,
        n_patients_all=int(layout.patient.max() + 1),
        native_change=choice.native_change,
        annual_loss_pct=choice.annual_loss_pct,
        from_month=choice.from_month,
        loglik=found.loglik,
        aic=found.aic,
        bic=found.bic,
        likelihood=found.likelihood,
        n_passes=found.n_iterations,
        checks=_checks(found, cluster, reached, dropped, layout),
        words=_words(layout, reached, dropped),
    )


def _readings_past(layout: _Layout, found, k: int, here: np.ndarray) -> int:
    """Return how many readings of a zone lie past the month of 90 % of its plateau."""
    tempo = layout.tempo_of_zone[k]
    steep = found.beta[found.slices[STEEPNESS]]
    log_k = (steep[tempo] if len(steep) else 0.0) + layout.held[k]
    log_month = (
        found.beta[found.slices[HALF]][tempo] + curves.log_time_of(layout.curve_name, REACHED, log_k)[0]
    )
    return int(np.sum(layout.x[here, 0] >= np.exp(log_month)))


def _last_supported(months: np.ndarray) -> float:
    """Return the month that MIN_PAST readings reach or pass."""
    return float(np.sort(months)[-min(MIN_PAST, len(months))])


def _checks(found, cluster, reached, dropped: int, layout: _Layout) -> dict[str, bool]:
    tempo_se = np.sqrt(np.diag(cluster.robust_cov))[found.slices[HALF]]
    return {
        **{k: bool(v) for k, v in found.checks.items()},
        "finite_se": bool(np.isfinite(cluster.robust_cov).all()),
        "plateau_reached": bool(reached.all()),
        "tempo_determined": bool(np.all(tempo_se < 0.25)),
        "tempo_spread_estimated": dropped == 0,
        "own_tempo_by_zone": not layout.borrowed,
        "plateau_plausible": bool(
            np.all(np.abs(found.beta[found.slices[PLATEAU]][: len(reached)] - 75) < 75)
        ),
    }


def _words(layout: _Layout, reached, dropped: int) -> tuple[str, ...]:
    said = [
        f"{zone}: too few followed placements for its own tempo; that of {other} is used"
        for zone, other in layout.borrowed.items()
    ]
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
