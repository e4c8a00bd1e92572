"""How much grew where sessions overlap, and what can be said about which session it came from?

Where a zone is planted again before the earlier session has matured, no reading belongs to one session. In
a region of the zone

    density = native + sum over sessions of planted_s * plateau_s / 100 * F_zone(m_s / half_month)

with m_s the months since session s. The plateau has a mean for each zone, a deviation for each patient and
one for each session in a region, all with one tied variance (wider by a known factor where the planted
density is less well known: its size beside that of a session counted in the region is set by the two errors
and by PLACEMENT_SD); native density has a mean for each zone and an effect for each region; log tempo a
deviation for each patient. Where `tempo` is given (half month and steepness by zone, such as `regrowth.tempo`
takes from an emergence fit) shape and tempo are held there and not estimated.

Only zones in which some region was planted again before it was mature are laid out; there, regions planted
once are in the fit beside the others: they say how fast hair emerges and how much sessions differ. Planted
densities from a zone average are multiplied by the clinic's mean ratio of region over zone. Repeated counts
of one attendance are averaged, the error of one kept.

Readings rarely decide the split between sessions: both curves rise together. What they decide is printed,

    decided = 1 - posterior variance of the contrast / prior variance of the contrast

for the contrast (last session's deviation - mean of the earlier ones'), variance components taken as known.
0 % means that the split shown is the planted hairs and the months alone; 100 % that readings fix it. No
yield of a single session is ever given from an overlap.

Source: a conditional variance set against the marginal one is the reliability of a predicted random effect
(Searle, Casella & McCulloch 1992, Variance Components, chapter 7, from memory).
"""

from collections.abc import Mapping
from functools import partial

import numpy as np
import pandas as pd

from analytics import measurement
from analytics.errors import FitError, ParameterError
from analytics.measurement import CountError
from analytics.numerics import nonlinear
from analytics.numerics.nonlinear import SHAPES, TAILED, NonlinearFit, share
from analytics.records import Records
from analytics.results import LEVEL, Result, line
from analytics.yields import link
from analytics.yields.choices import USUAL, Choices
from analytics.yields.link import planted_error
from analytics.yields.native import path
from analytics.yields.rows import by_visit, native_rate, with_reason
from analytics.yields.split import JointRows, session_variance, tables

NO_OVERLAP = (
    "no region was planted again before its earlier session was mature and counted since; every reading "
    "belongs to one session and stands in its own yield"
)
NO_DENSITY = "every region planted again carries a session whose planted density is not known"
REGION = ["patient_id", "zone", "region_id"]
# Points of plateau between placements of a patient, and a plateau, to weigh the errors of planted densities
# against each other (assumed; the size of the whole is estimated).
PLACEMENT_SD = 6.0
USUAL_PLATEAU_PCT = 85.0
NATIVE, PLATEAU, HALF, STEEPNESS, SESSIONS = range(5)
MIN_REGIONS = 15
START = {"half": np.log(6.5), "steepness": np.log(4.0), "plateau": 80.0}
# No pass moves a parameter of any row further (hairs/cm2, points, log months, log, points).
LONGEST_STEP = (50.0, 30.0, 0.3, 0.4, 30.0)


def joint(
    records: Records,
    *,
    tempo: Mapping[str, tuple[float, float]] | None = None,
    curve: str = "log-logistic",
    choices: Choices = USUAL,
    level: float = LEVEL,
    rows: pd.DataFrame | None = None,
) -> Result:
    """Return what overlapping sessions grew together, how the gain splits, and how firmly.

    Parameters
    ----------
    tempo
        Zone -> (half month, steepness), both above 0, held; estimated here if not given.
    curve
        One of `curves.SHAPES`; the tailed one has its tail held at 1, which is the log-logistic: a few
        overlapping regions cannot tell a tail, and how a gain splits hardly hangs on it.
    rows
        Rows of `by_visit` made with the same choices, where the caller has them already.

    Returns
    -------
    Result
        By zone, overlap `all`: `yield, sessions together` (percent of all hairs planted there, mean over
        overlapping regions, at the month x when the last session is mature; the flag says how many were
        counted by then) and `split decided by the readings`. By overlapping region:
        `last session's share of the gain`. `extra["splits"]` holds, for each region, the limits that
        planted hairs and months alone allow. Regions are numbered, not named; `rows()` names them. Where no
        zone was planted again before it was mature, or too little is counted for the model: one row without
        a number, whose flag says so.

    Raises
    ------
    ParameterError
        When an option is out of range, or a zone has no tempo.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> joint(clinic).table()["unit"].unique().tolist()
    ['% of planted hairs', '% of prior variance', '% of the gain']
    """
    if curve not in SHAPES or not 0.5 <= level <= 0.999:
        raise ParameterError(
            f"yields.joint(curve, level): out of range; use one of {', '.join(SHAPES)}, "
            "and a level of 0.5 to 0.999"
        )
    curve = "log-logistic" if curve == TAILED else curve
    visits = by_visit(records, choices=choices) if rows is None else rows
    method = _method(curve, tempo is not None, level)
    laid = _laid_out(visits, records, choices)
    if isinstance(laid, str):
        return _unanswered(visits, laid, method)
    held = _held(tempo, laid.zones)
    settled = _settled(laid, measurement.error_model(records), curve, held)
    if isinstance(settled, str):
        return _unanswered(visits, settled, method)
    fit, words = settled
    error = planted_error(records)
    ratio_cv = error.zone_ratio_se / error.zone_ratio
    table, splits = tables(fit, laid, curve, _offsets(laid, held), level, ratio_cv=ratio_cv)
    return Result(
        table,
        _numbered(with_reason(visits, "joint"), laid),
        method,
        by=("zone", "overlap"),
        checks={**fit.checks, "session_spread_estimated": session_variance(fit) > 0},
        picture="splits",
        notes=(*words, *_notes(laid)),
        extra={"splits": splits},
    )


def _unanswered(visits: pd.DataFrame, why: str, method: str) -> Result:
    """Return one row without a number, whose flag says why there is none."""
    row = line(
        "yield, sessions together",
        np.nan,
        "% of planted hairs",
        by={"zone": "all", "overlap": "all"},
        basis="model",
        n_patients=0,
        n_rows=0,
        flag=why,
    )
    used = with_reason(visits, "joint").assign(overlap="")
    return Result(pd.DataFrame([row]), used, method, by=("zone", "overlap"), picture="splits")


def _settled(
    laid: JointRows, error: CountError, curve: str, held: np.ndarray | None
) -> tuple[NonlinearFit, tuple[str, ...]] | str:
    """Return the fit, all spreads first, then without a spread of tempo, and what was left out, in words.

    Where there is no fit, why not, in words.
    """
    if held is None and laid.n_regions < MIN_REGIONS:
        return (
            f"regions counted after a session: {laid.n_regions}, of {MIN_REGIONS} that are needed to tell "
            "how fast hair emerges; give tempo, from an emergence fit or from elsewhere"
        )
    for tempo_varies in (True, False):
        try:
            fit = _fit(laid, error, curve, held, tempo_varies=tempo_varies)
        except FitError:
            continue
        if fit.converged:
            simpler = ("the spread of tempo between patients is left out: it did not settle",)
            return fit, () if tempo_varies else simpler
    return (
        "the model of overlapping sessions does not settle; give tempo (from an emergence fit), or report "
        "the zone's density without a yield"
    )


def _fit(
    laid: JointRows, error: CountError, curve: str, held: np.ndarray | None, *, tempo_varies: bool
) -> NonlinearFit:
    """Fit the model of the module's words; with `held` half month and steepness by zone are not estimated."""
    n_rows, n_sessions = laid.planted.shape
    n_zones = len(laid.zones)
    by_zone, nothing = np.eye(n_zones)[laid.zone], np.empty((n_rows, 0))
    native = _native_start(laid)
    growth = [by_zone, np.ones((n_rows, 1))]
    growth_start = [np.full(n_zones, START["half"]), np.array([START["steepness"]])]
    if held is not None:
        growth, growth_start = [nothing, nothing], [np.empty(0), np.empty(0)]
    patient = {PLATEAU: "diagonal", **({HALF: "diagonal"} if tempo_varies else {})}
    region = {
        NATIVE: ("diagonal", native[laid.zone]),
        **{SESSIONS + j: ("identity", laid.spread[:, j]) for j in range(n_sessions)},
    }
    area, marked, changed = laid.counting

    def variance(expected: np.ndarray) -> np.ndarray:
        return measurement.count_variance(
            np.maximum(expected, 1.0 / area), area, marked=marked, reader_changed=changed, error=error
        )

    return nonlinear.fit(
        laid.y,
        np.column_stack([laid.native_left, _offsets(laid, held), laid.planted, laid.months]),
        partial(density_curve, curve, n_sessions),
        [native, np.full(n_zones, START["plateau"]), *growth_start, *[np.empty(0)] * n_sessions],
        designs=[by_zone, by_zone, *growth, *[nothing] * n_sessions],
        levels=[(laid.patient, patient), (laid.region, region)],
        method="marginal",
        criterion="REML",
        known_variance=variance,
        longest_step=(*LONGEST_STEP[:4], *[LONGEST_STEP[4]] * n_sessions),
    )


def _native_start(laid: JointRows) -> np.ndarray:
    """Return a start for native density of each zone, hairs/cm2: the mean count before any planting."""
    first = [laid.y[(laid.zone == k) & laid.is_first] for k in range(len(laid.zones))]
    means = np.array([y.mean() if len(y) else np.nan for y in first])
    return np.maximum(np.nan_to_num(means, nan=float(laid.y.mean())), 5.0)


def density_curve(shape: str, n_sessions: int, x: np.ndarray, parameters: np.ndarray):
    """Return expected density and its slopes.

    Parameters
    ----------
    x
        Shape (n, 3 + 2 s): share of native hair kept, held log half month, held log steepness; then planted
        hairs/cm2 of each session, then months since each.
    parameters
        Shape (n, 4 + s): native density, plateau, log half month, log steepness, deviations of sessions.
    """
    native_left, held_half, held_steepness = x[:, :3].T
    planted, months = x[:, 3 : 3 + n_sessions] / 100, x[:, 3 + n_sessions :]
    half = np.exp(parameters[:, HALF] + held_half)[:, None]
    log_k = (parameters[:, STEEPNESS] + held_steepness)[:, None]
    emerged, by_time, by_k = share(shape, np.maximum(months, 0.0) / half, log_k)
    plateau = parameters[:, PLATEAU, None] + parameters[:, SESSIONS:]
    mean = parameters[:, NATIVE] * native_left + (planted * plateau * emerged).sum(axis=1)
    slopes = [
        native_left,
        (planted * emerged).sum(axis=1),
        -(planted * plateau * by_time).sum(axis=1),
        (planted * plateau * by_k).sum(axis=1),
    ]
    return mean, np.column_stack([*slopes, planted * emerged])


def _held(tempo: Mapping[str, tuple[float, float]] | None, zones: tuple[str, ...]) -> np.ndarray | None:
    """Return log half month and log steepness by zone, (zones, 2), where they are given."""
    if tempo is None:
        return None
    missing = [z for z in zones if z not in tempo or min(tempo[z]) <= 0]
    if missing:
        raise ParameterError(
            f"yields.joint(tempo): no half month and steepness above 0 for {', '.join(missing)}; "
            "give both for every zone with an overlap, or leave tempo out"
        )
    return np.log([tempo[z] for z in zones])


def _offsets(laid: JointRows, held: np.ndarray | None) -> np.ndarray:
    """Return held log half month and log steepness of every row, (n, 2); 0 where they are estimated."""
    return np.zeros((len(laid.y), 2)) if held is None else held[laid.zone]


def _laid_out(visits: pd.DataFrame, records: Records, choices: Choices) -> JointRows | str:
    """Return the rows of the joint view in arrays; where no region may be in it, why not, in words."""
    usable = visits[visits["for_joint"] & visits["density"].notna() & visits["reads_as"].eq("own session")]
    usable = usable[usable["zone"].isin(_zones_with_overlap(usable))]
    if usable.empty:
        return NO_OVERLAP
    rows = _averaged(usable)
    plantings = _plantings(rows, records)
    rows, (planted, months, spread), n_unknown = _side_by_side(rows, plantings)
    if rows.empty:
        return f"{NO_DENSITY}: {n_unknown} region(s)"
    now = rows["register_month"].to_numpy(dtype=float)
    span = (rows["first_at"].to_numpy(dtype=float), now)
    native_left = path(rows, records, span, choices, native_rate(records, choices)).factor
    zones = tuple(sorted(rows["zone"].unique()))
    region = rows.groupby(REGION, sort=False).ngroup().to_numpy()
    overlaps = _overlaps(rows, region, months)
    if overlaps.empty:
        return f"{NO_DENSITY}: {n_unknown} region(s)"
    return JointRows(
        y=rows["density"].to_numpy(dtype=float),
        native_left=native_left,
        planted=planted,
        months=months,
        spread=spread,
        zone=rows["zone"].map({z: k for k, z in enumerate(zones)}).to_numpy(dtype=int),
        patient=pd.factorize(rows["patient_id"])[0],
        region=region,
        is_first=np.max(months, axis=1) <= 0,
        counting=(
            rows["counted_area_cm2"].to_numpy(dtype=float),
            rows["both_marked"].to_numpy(dtype=bool),
            (rows["reader_changed"] & ~rows["is_baseline"]).to_numpy(dtype=bool),
        ),
        zones=zones,
        n_regions=len(np.unique(region[(months > 0).any(axis=1)])),
        n_unknown=n_unknown,
        overlaps=overlaps,
    )


def _zones_with_overlap(rows: pd.DataFrame) -> set[str]:
    since = rows["is_overlap"] & rows["month"].gt(0)
    return set(rows.loc[since, "zone"])


def _averaged(rows: pd.DataFrame) -> pd.DataFrame:
    """Return one row per region and attendance, repeated counts averaged, in order of the register."""
    key = ["placement_id", "region_id", "month"]
    mean = rows.groupby(key, sort=False)["density"].transform("mean")
    rows = rows.assign(density=mean)[~rows.duplicated(key)]
    return rows.sort_values([*REGION, "register_month", "month"]).reset_index(drop=True)


def _plantings(rows: pd.DataFrame, records: Records) -> pd.DataFrame:
    """Return, for each counted placement, every session that had planted its ground, its own too."""
    error = planted_error(records)
    placed = link.placed(records, error)
    placed["planted_hairs_cm2"] *= placed["planted_ratio"]
    placed["spread"] = np.hypot(PLACEMENT_SD, USUAL_PLATEAU_PCT * placed["planted_cv"]) / np.hypot(
        PLACEMENT_SD, USUAL_PLATEAU_PCT * error.region_cv
    )
    pairs = link.on_the_same_ground(placed)
    of_session = ["session_id", "patient_month", "session_month", "planted_hairs_cm2", "spread"]
    own = placed.rename(columns={c: f"{c}_before" for c in of_session})
    pairs = pairs.merge(
        placed[["placement_id", "spread"]].add_suffix("_before"),
        on="placement_id_before",
        validate="many_to_one",
    )
    columns = ["placement_id", *(f"{c}_before" for c in of_session)]
    both = pd.concat([pairs[columns], own[columns]])
    both = both[both["placement_id"].isin(rows["placement_id"])]
    sessions = link.sessions_before(
        both,
        planted_in=("patient_month_before", "first"),
        planted_at=("session_month_before", "first"),
        spread=("spread_before", "max"),
    )
    sessions = sessions.sort_values(["placement_id", "planted_in", "session_id_before"])
    return sessions.assign(slot=sessions.groupby("placement_id").cumcount())


def _side_by_side(
    rows: pd.DataFrame, plantings: pd.DataFrame
) -> tuple[pd.DataFrame, tuple[np.ndarray, np.ndarray, np.ndarray], int]:
    """Return rows whose sessions are all known; planted density, months since and spread of each, (n, s)."""
    wide = plantings.pivot(index="placement_id", columns="slot", values=["planted", "planted_in", "spread"])
    known = plantings["planted"].notna().groupby(plantings["placement_id"]).all()
    is_known = rows["placement_id"].map(known).to_numpy(dtype=bool)
    n_unknown = len(rows.loc[~is_known, REGION].drop_duplicates())
    rows = rows[is_known].reset_index(drop=True)
    mine = wide.loc[rows["placement_id"]]
    planted = mine["planted"].fillna(0.0).to_numpy(dtype=float)
    planted_in = mine["planted_in"].to_numpy(dtype=float)
    time = (rows["patient_month"] + rows["month"]).to_numpy(dtype=float)
    months = np.nan_to_num(time[:, None] - planted_in, nan=0.0)
    is_own = np.isclose(planted_in, rows["patient_month"].to_numpy(dtype=float)[:, None])
    months = np.where(
        is_own & rows["is_baseline"].to_numpy(dtype=bool)[:, None], 0.0, np.maximum(months, 0.0)
    )
    first = plantings[plantings["slot"].eq(0)].set_index("placement_id")["planted_at"]
    spread = mine["spread"].fillna(1.0).to_numpy(dtype=float)
    return rows.assign(first_at=rows["placement_id"].map(first)), (planted, months, spread), n_unknown


def _overlaps(rows: pd.DataFrame, region: np.ndarray, months: np.ndarray) -> pd.DataFrame:
    """Return one row per region that carries overlapping sessions: its last count and its number."""
    last = months[np.arange(len(rows)), np.maximum((months > 0).sum(axis=1) - 1, 0)]
    since = rows["is_overlap"] & ~rows["is_baseline"] & (last > 0)
    frame = rows.assign(code=region, row=np.arange(len(rows)))[since.to_numpy()]
    last_counts = frame.groupby("code", as_index=False).last()
    number = last_counts.groupby("zone").cumcount() + 1
    return last_counts[["code", "row", *REGION]].assign(overlap="overlap " + number.astype(str))


def _numbered(used: pd.DataFrame, laid: JointRows) -> pd.DataFrame:
    """Return the rows of `by_visit` with the number of the overlap each belongs to, empty where to none."""
    names = laid.overlaps[[*REGION, "overlap"]]
    marked = used.merge(names, on=REGION, how="left", validate="many_to_one")
    return marked.assign(overlap=marked["overlap"].fillna(""))


def _method(curve: str, is_held: bool, level: float) -> str:
    growth = "held as given" if is_held else "estimated with all counted regions, one steepness for all zones"
    return (
        f"sessions added up in each region, {curve}, shape and tempo {growth}; native density by region, "
        "plateau by patient and by session in region (one tied variance), REML; decided = 1 - posterior "
        f"variance of (last session - earlier ones) / prior variance; {100 * level:g} % interval"
    )


def _notes(laid: JointRows) -> tuple[str, ...]:
    return (
        f"regions planted again before the earlier session was mature: {laid.n_overlaps}; no yield of a "
        "single session is given there",
        "the zone must be known to carry both sessions: an earlier session of unknown planted density "
        f"leaves its region out (regions: {laid.n_unknown})",
    )
