"""How much grew where sessions overlap, and what can be said about which session it came from?

Where a zone is planted again before the earlier session has matured, no reading belongs to one session. In
a region of the zone

    density = native + sum over sessions of planted_s * plateau_s / 100 * F_zone(m_s / half_month)

with m_s the months since session s. The plateau has a mean a zone, a patient's deviation and one deviation a
session in a region, all with one tied variance (wider by a known factor where the planted density is less
well known); native density has a mean a zone and an effect a region; log tempo a deviation a patient. Regions
planted once are in the fit: they say how fast hair emerges and how much sessions differ. Where `tempo` is
given (half month and steepness by zone, such as `regrowth.tempo` takes from an emergence fit) shape and tempo
are held there and not estimated.

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
from analytics.numerics.nonlinear import SHAPES, NonlinearFit, share
from analytics.records import Records
from analytics.results import LEVEL, Result
from analytics.yields.choices import USUAL, Choices
from analytics.yields.rows import by_visit, with_reason
from analytics.yields.split import JointRows, numbered, prepare, session_variance, tables

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
        One of `curves.SHAPES`.
    choices
        What the yield rests on.
    level
        Of the intervals, 0.5 to 0.999.
    rows
        Rows of `by_visit` made with the same choices, where the caller has them already.

    Returns
    -------
    Result
        By zone, overlap `all`: `yield, sessions together` (percent of all hairs planted there, at the last
        reading, mean over overlapping regions) and `split decided by the readings`. By overlapping region:
        `last session's share of the gain`. `extra["splits"]` holds, a region, the limits that planted hairs
        and months alone allow. Regions are numbered, not named; `rows()` names them. Where no zone was
        planted again before it was mature, or too little is counted for the model: one row without a
        number, whose flag says so.

    Raises
    ------
    ParameterError
        When an option is out of range, or a zone has no tempo.
    """
    if curve not in SHAPES or not 0.5 <= level <= 0.999:
        raise ParameterError(
            f"yields.joint(curve, level): out of range; use one of {', '.join(SHAPES)}, "
            "and a level of 0.5 to 0.999"
        )
    visits = by_visit(records, choices=choices) if rows is None else rows
    laid = prepare(visits, records, choices)
    if isinstance(laid, str):
        return _unanswered(visits, laid, _method(curve, tempo is not None, level))
    held = _held(tempo, laid.zones)
    settled = _settled(laid, measurement.error_model(records), curve, held)
    if isinstance(settled, str):
        return _unanswered(visits, settled, _method(curve, tempo is not None, level))
    fit, words = settled
    table, splits = tables(fit, laid, curve, _offsets(laid, held), level)
    used = numbered(with_reason(visits, "joint"), laid)
    return Result(
        table,
        used,
        _method(curve, tempo is not None, level),
        by=("zone", "overlap"),
        checks={**fit.checks, "session_spread_estimated": session_variance(fit) > 0},
        picture="splits",
        notes=(*words, *_notes(laid)),
        extra={"splits": splits},
    )


def _unanswered(visits: pd.DataFrame, why: str, method: str) -> Result:
    line = {"zone": "all", "overlap": "all", "term": "yield, sessions together", "estimate": np.nan}
    table = pd.DataFrame([{**line, "unit": "% of planted hairs", "n_patients": 0, "n_rows": 0, "flag": why}])
    used = with_reason(visits, "joint").assign(overlap="")
    return Result(table, used, method, by=("zone", "overlap"), picture="splits")


def density_curve(shape: str, n_sessions: int, x: np.ndarray, parameters: np.ndarray):
    """Return expected density and its slopes.

    Parameters
    ----------
    x
        Shape (n, 3 + 2 s): share of native hair kept, held log half month, held log steepness; then planted
        hairs/cm2 of each session, then months since each.
    parameters
        Shape (n, 4 + s): native density, plateau, log half month, log steepness, a deviation a session.
    """
    kept, held_half, held_steepness = x[:, :3].T
    planted, months = x[:, 3 : 3 + n_sessions] / 100, x[:, 3 + n_sessions :]
    half = np.exp(parameters[:, HALF] + held_half)[:, None]
    log_k = (parameters[:, STEEPNESS] + held_steepness)[:, None]
    emerged, by_time, by_k = share(shape, np.maximum(months, 0.0) / half, log_k)
    plateau = parameters[:, PLATEAU, None] + parameters[:, SESSIONS:]
    mean = parameters[:, NATIVE] * kept + (planted * plateau * emerged).sum(axis=1)
    slopes = [
        kept,
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
    return np.zeros((len(laid.y), 2)) if held is None else held[laid.zone]


def _settled(
    laid: JointRows, error: CountError, curve: str, held: np.ndarray | None
) -> tuple[NonlinearFit, tuple[str, ...]] | str:
    """Return the fit, all spreads first, then without a spread of tempo, and what was left out, in words.

    Where there is no fit, why not, in words.
    """
    if held is None and laid.n_regions < MIN_REGIONS:
        return (
            f"{laid.n_regions} region(s) are counted after a session, {MIN_REGIONS} are needed to estimate "
            "how fast hair emerges; give tempo, from an emergence fit or from elsewhere"
        )
    for tempo_varies in (True, False):
        try:
            fit = _fit(laid, error, curve, held, tempo_varies=tempo_varies)
        except FitError:
            continue
        if fit.converged:
            said = (
                ()
                if tempo_varies
                else ("the spread of tempo between patients is left out: it did not settle",)
            )
            return fit, said
    return (
        "the model of overlapping sessions does not settle; give tempo (from an emergence fit), or report "
        "the zone's density without a yield"
    )


def _fit(
    laid: JointRows, error: CountError, curve: str, held: np.ndarray | None, *, tempo_varies: bool
) -> NonlinearFit:
    n, s, zones = len(laid.y), laid.planted.shape[1], len(laid.zones)
    by_zone, nothing = np.eye(zones)[laid.zone], np.empty((n, 0))
    growth = [nothing, nothing] if held is not None else [by_zone, np.ones((n, 1))]
    native = np.array([laid.y[(laid.zone == k) & laid.is_first].mean() for k in range(zones)])
    native = np.maximum(np.nan_to_num(native, nan=float(laid.y.mean())), 5.0)
    start = [native, np.full(zones, START["plateau"])]
    start += [np.empty(0)] * 2 if held is not None else [np.full(zones, START["half"]), [START["steepness"]]]
    patient = {PLATEAU: "diagonal", **({HALF: "diagonal"} if tempo_varies else {})}
    region = {
        NATIVE: ("diagonal", native[laid.zone]),
        **{SESSIONS + j: ("identity", laid.spread[:, j]) for j in range(s)},
    }
    area, marked, changed = laid.counting

    def variance(expected: np.ndarray) -> np.ndarray:
        return measurement.count_variance(
            np.maximum(expected, 1.0 / area), area, marked=marked, reader_changed=changed, error=error
        )

    return nonlinear.fit(
        laid.y,
        np.column_stack([laid.kept, _offsets(laid, held), laid.planted, laid.months]),
        partial(density_curve, curve, s),
        [*start, *[np.empty(0)] * s],
        designs=[by_zone, by_zone, *growth, *[nothing] * s],
        levels=[(laid.patient, patient), (laid.region, region)],
        method="marginal",
        criterion="REML",
        known_variance=variance,
        longest_step=(*LONGEST_STEP[:4], *[LONGEST_STEP[4]] * s),
    )


def _method(curve: str, is_held: bool, level: float) -> str:
    growth = "held as given" if is_held else "estimated with all counted regions, one steepness for all zones"
    return (
        f"sessions added up in each region, {curve}, shape and tempo {growth}; native density by region, "
        "plateau by patient and by session in region (one tied variance), REML; decided = 1 - posterior "
        f"variance of (last session - earlier ones) / prior variance; {100 * level:g} % interval"
    )


def _notes(laid: JointRows) -> tuple[str, ...]:
    return (
        f"{laid.n_overlaps} region(s) were planted again before the earlier session was mature; no yield of "
        "a single session is given there",
        "the zone must be known to carry both sessions: an earlier session of unknown planted density "
        f"leaves its region out ({laid.n_unknown} region(s))",
    )
