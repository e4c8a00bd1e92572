"""What do the readings of a zone carry: single counts, a raw mean, a mean at maturity, a curve?

Each zone stands on a rung of a ladder, chosen by what was counted in it and by nothing else:

1. `single counts`: fewer than LEAST_MEAN patients read from month 6 on. Their counts stand alone.
2. `raw mean`: the latest reading of each placement from month 6 on, averaged over a patient's placements, and
   the mean over patients, from LEAST_FOR_INTERVAL with Student's t. It speaks of the months it was read at,
   not of maturity.
3. `mean at maturity`: LEAST_FOLLOWED patients followed, LEAST_DIRECT of them read at maturity:
   `yields.average`.
4. `course assumed`: LEAST_FOLLOWED patients followed, fewer read at maturity. Each reading is divided by the
   share of the final gain that an *assumed* course has reached by its month; the means of patients are joined
   by random effects (REML, limits after Hartung and Knapp, never narrower than the readings' own errors), and
   brought to the month of maturity. Half month, steepness and the spread of tempo are held; how little they
   are known is in the limits: the whole is computed for DRAWS courses drawn from COURSE, and the spread of
   the answers added (Rubin 1987, Multiple Imputation, section 3.3).
5. `growth model`: FOR_MODEL patients read at maturity: the page's emergence model (`with_model`).

The assumed course is a choice of ours: no counted study of emergence by zone was found. It is drawn beside
counts on rung 1 and never mixed with them.

Conventions: a patient counts as followed with a reading at month 3 or later; readings at which the assumed
course has not reached LEAST_SHARE of the final gain are left out of rung 4, where a small error of the course
would be a large one of the yield. Sampling variances are a zone's mean, not a reading's own: weights from
observed counts favour low readings.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy import special

from analytics import yields
from analytics.dictionary import MATURITY_MONTH, ZONES
from analytics.errors import FitError
from analytics.numerics import meta
from analytics.records import Records
from analytics.results import (
    LEAST_FOR_INTERVAL,
    LEVEL,
    OF_ONE,
    Curve,
    Result,
    first,
    limits,
    line,
    only,
    why_not,
)

LEAST_MEAN, LEAST_FOLLOWED, LEAST_DIRECT, FOR_MODEL = 3, 10, 5, 10  # patients of a zone; choices of ours
RUNGS = {
    1: "single counts",
    2: "raw mean",
    3: "mean at maturity",
    4: "course assumed",
    5: "growth model",
}
FOLLOWED_FROM_MONTH = 3.0
LEAST_SHARE = 0.3
DRAWS = 100
SEED = 1
AT_MATURITY = "yield_at_maturity"
UNIT = "% of planted hairs"
ASSUMED = "assumed, no counted study"
ASSUMED_PLATEAU_PCT = 85.0  # the height at which the assumed course is drawn


@dataclass(frozen=True, slots=True)
class Course:
    """An assumed course: half month, steepness, SD of log tempo between placements; SDs of their logs.

    All of it assumed: no counted study of emergence by zone was found.
    """

    half_month: float
    steepness: float = 4.0
    tempo_sd: float = 0.15
    half_log_sd: float = 0.12
    steepness_log_sd: float = 0.2


COURSE = {
    "hairline": Course(5.5),
    "frontal": Course(5.5),
    "temples": Course(5.5),
    "midscalp": Course(6.0),
    "crown": Course(7.5),
    "other": Course(7.0),
}


def ladder(records: Records, *, choices: yields.Choices = yields.USUAL, level: float = LEVEL) -> Curve:
    """Return what is known of each planted zone, on the rung that its readings carry.

    Returns
    -------
    Curve
        By zone: the number of its rung (`yield`), or of each single count; `path` is the assumed course.
        `extra["rungs"]`: zone, rung, name, n_planted, n_followed, n_read (from month 6), n_mature (patients).
        `extra["points"]`: the single readings of zones on rung 1, with their counting error.

    Raises
    ------
    FitError
        When nothing was planted.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> sorted(ladder(clinic).table()["zone"].unique())
    ['crown', 'frontal', 'hairline', 'midscalp', 'temples']
    """
    rows = yields.by_visit(records, choices=choices)
    readings = _readings(rows)
    mature = yields.one_reading(rows)
    rungs = _rungs(records, readings, mature)
    if rungs.empty:
        raise FitError("early.ladder: nothing was planted yet; enter a session and its placements")
    lines, points = [], []
    for zone, rung in zip(rungs["zone"], rungs["rung"], strict=True):
        own = readings[readings["zone"].eq(zone)]
        lines += _lines(own, mature[mature["zone"].eq(zone)], zone, int(rung), records, rows, choices, level)
        points += [own[own["month"] > 0]] if rung == 1 else []
    seen = pd.concat(points) if points else readings.iloc[:0]
    points_drawn = pd.DataFrame(
        {"zone": seen["zone"], "patient_id": seen["patient_id"], "x": seen["month"], "y": seen["yield_pct"]}
    ).assign(se=seen["yield_pct_se"])
    zones = [z for z, r in zip(rungs["zone"], rungs["rung"], strict=True) if r == 1] or list(rungs["zone"])
    return Curve(
        pd.DataFrame(lines),
        yields.with_reason(rows, "curve"),
        _method(level),
        ("zone",),
        picture="ladder",
        notes=_notes(rungs),
        extra={"rungs": rungs, "points": points_drawn.reset_index(drop=True)},
        path=pd.concat([assumed(zone) for zone in zones], ignore_index=True),
    )


def with_model(found: Result, emergence: Result) -> Result:
    """Return the ladder with the growth model's number for the zones that stand on its rung.

    Without a model, or where it has no number for a zone, the ladder's own number stays. Where every zone
    stands on the model's rung, its own table is returned.

    Parameters
    ----------
    found
        Of `ladder`.
    emergence
        Of `regrowth.emergence`.

    Returns
    -------
    Result
        The table of the ladder, numbers of zones on the model's rung taken from the model.

    Examples
    --------
    Without a model the ladder stays as it is:

    >>> from analytics import simulate
    >>> from analytics.results import Gap, unanswered
    >>> found = ladder(simulate.as_records(simulate.register(40)[0]))
    >>> with_model(found, unanswered(Gap("Too few for a curve."))) is found
    True
    """
    if why_not(found):
        return first(only(emergence, term=AT_MATURITY, picture="intervals"), found)
    if why_not(emergence):
        return found
    rungs = found.extra["rungs"]
    table = emergence.table()
    own = table[table["term"].eq(AT_MATURITY) & table["estimate"].notna()].set_index("zone")
    if rungs["rung"].eq(5).all() and set(rungs["zone"]) <= set(own.index):
        return only(emergence, term=AT_MATURITY, picture="intervals")
    zones = [z for z, r in zip(rungs["zone"], rungs["rung"], strict=True) if r == 5 and z in own.index]
    estimates = found.estimates.copy()
    for zone in zones:
        at = estimates.index[estimates["zone"].eq(zone)]
        for column in ("estimate", "se", "ci_low", "ci_high"):
            estimates.loc[at, column] = float(own.loc[zone, column])
        estimates.loc[at, "flag"] = RUNGS[5]
    return replace(found, estimates=estimates)


def assumed(zone: str) -> pd.DataFrame:
    """Return the assumed course of a zone by month, as lines of a curve: labelled, and from no record."""
    course = COURSE[zone]
    month = np.arange(0.0, MATURITY_MONTH[zone] + 6.5, 0.5)
    share = reached(month, course)
    return pd.DataFrame(
        {"zone": zone, "term": ASSUMED, "x": month, "estimate": ASSUMED_PLATEAU_PCT * share, "unit": UNIT}
    )


def reached(month, course: Course) -> np.ndarray:
    """Return the share of the final gain that the mean of placements has reached by month.

    A log-logistic course, averaged over the spread of tempo (Gauss and Hermite, 15 nodes).

    >>> float(np.round(reached(6.0, Course(6.0)), 2))
    0.5
    """
    node, weight = np.polynomial.hermite_e.hermegauss(15)
    log_time = np.log(np.maximum(np.asarray(month, dtype=float), 1e-9)) - np.log(course.half_month)
    at = course.steepness * (log_time[..., None] - course.tempo_sd * node)
    return special.expit(at) @ (weight / weight.sum())


def _spread_of_tempo(month: np.ndarray, course: Course) -> np.ndarray:
    """Return the variance between placements of the share reached, by month."""
    node, weight = np.polynomial.hermite_e.hermegauss(15)
    weight = weight / weight.sum()
    log_time = np.log(month) - np.log(course.half_month)
    share = special.expit(course.steepness * (log_time[:, None] - course.tempo_sd * node))
    return share**2 @ weight - (share @ weight) ** 2


def _readings(rows: pd.DataFrame) -> pd.DataFrame:
    kept = rows[rows["for_curve"] & ~rows["is_baseline"].astype(bool) & rows["yield_pct"].notna()]
    return kept[kept["month"] > 0].sort_values(["placement_id", "month"])


def _rungs(records: Records, readings: pd.DataFrame, mature: pd.DataFrame) -> pd.DataFrame:
    """Return one row a planted zone: how many patients carry what, and the rung that follows."""
    planted = records.placements.groupby("zone")["patient_id"].nunique()

    def patients(rows: pd.DataFrame) -> pd.Series:
        return rows.groupby("zone")["patient_id"].nunique()

    zones = [zone for zone in ZONES if zone in planted.index]
    counted = {
        "n_planted": planted,
        "n_followed": patients(readings[readings["month"] >= FOLLOWED_FROM_MONTH]),
        "n_read": patients(readings[readings["quantity"].eq("yield")]),
        "n_mature": patients(mature),
    }
    frame = pd.DataFrame(
        {"zone": zones, **{k: v.reindex(zones).fillna(0).astype(int).to_numpy() for k, v in counted.items()}}
    )
    rung = [_rung(row.n_followed, row.n_read, row.n_mature) for row in frame.itertuples()]
    return frame.assign(rung=rung, name=[RUNGS[r] for r in rung])


def _rung(n_followed: int, n_read: int, n_mature: int) -> int:
    if n_mature >= FOR_MODEL:
        return 5
    if n_followed >= LEAST_FOLLOWED and n_read >= LEAST_DIRECT:
        return 3 if n_mature >= LEAST_DIRECT else 4
    return 2 if n_read >= LEAST_MEAN else 1


def _lines(
    own: pd.DataFrame,
    mature: pd.DataFrame,
    zone: str,
    rung: int,
    records: Records,
    rows: pd.DataFrame,
    choices: yields.Choices,
    level: float,
) -> list[dict]:
    if rung == 1:
        return list(_single(own, zone, level))
    if rung == 2:
        return [_raw_mean(own, zone, level)]
    if rung == 4:
        return [course_assumed(own, zone, level=level)]
    found = yields.average(records, choices=choices, rows=rows[rows["zone"].eq(zone)], level=level)
    row = found.table().iloc[0]
    return [
        line(
            AT_MATURITY,
            float(row["estimate"]),
            UNIT,
            by={"zone": zone},
            x=float(MATURITY_MONTH[zone]),
            se=float(row["se"]),
            ci=(float(row["ci_low"]), float(row["ci_high"])),
            level=level,
            n_patients=int(row["n_patients"]),
            n_rows=int(row["n_rows"]),
            flag=RUNGS[3],
        )
    ]


def _single(own: pd.DataFrame, zone: str, level: float) -> Iterator[dict]:
    """Give the last reading of each placement with its own counting error; a zone never read has none."""
    last = own.groupby("placement_id", as_index=False).tail(1)
    for row in last.itertuples():
        is_gain = row.month < yields.YIELD_FROM_MONTH
        flag = f"{RUNGS[1]}: one count against its baseline{', gain and not yet yield' if is_gain else ''}"
        yield line(
            "gain" if is_gain else "yield", float(row.yield_pct), UNIT, by={"zone": zone}, x=float(row.month),
            se=float(row.yield_pct_se), ci=limits(row.yield_pct, row.yield_pct_se, level=level), level=level,
            n_rows=1, flag=flag, **OF_ONE,
        )  # fmt: skip
    if last.empty:
        flag = "planted, and no usable count against a baseline yet"
        yield line("yield", np.nan, UNIT, by={"zone": zone}, level=level, n_patients=0, flag=flag)


def _raw_mean(own: pd.DataFrame, zone: str, level: float) -> dict:
    """Return the mean over patients of their latest readings from month 6 on, with Student's t."""
    last = own[own["quantity"].eq("yield")].groupby("placement_id", as_index=False).tail(1)
    of_patient = last.groupby("patient_id")["yield_pct"].mean().to_numpy(dtype=float)
    n = len(of_patient)
    # Never narrower than counting error alone: three counts may agree by chance.
    counting = float(np.mean(last["yield_pct_se"].to_numpy(dtype=float) ** 2))
    se = float(np.sqrt(max(np.var(of_patient, ddof=1), counting) / n))
    first, latest = last["month"].min(), last["month"].max()
    months = f"month {first:g}" if first == latest else f"months {first:g} to {latest:g}"
    return line(
        "yield", float(of_patient.mean()), UNIT, by={"zone": zone}, x=float(last["month"].median()), se=se,
        ci=limits(float(of_patient.mean()), se, level=level, df=n - 1), level=level, df=n - 1, n_patients=n,
        n_rows=len(last), flag=f"{RUNGS[2]} of the latest counts, {months}; not a mean at maturity",
    )  # fmt: skip


def course_assumed(own: pd.DataFrame, zone: str, *, level: float = LEVEL) -> dict:
    """Return the yield at maturity of a zone from readings of any month, the course being assumed.

    Parameters
    ----------
    own
        Readings of one zone after the session: patient_id, month, yield_pct, yield_pct_se.
    zone
        Its name, which gives the course and the month of maturity.
    """
    rng = np.random.default_rng(SEED)
    course = COURSE[zone]
    found = [_under(own, zone, drawn) for drawn in (course, *_drawn(course, rng))]
    own_answer = next((f for f in found if f is not None), None)
    if own_answer is None:
        flag = f"{RUNGS[4]}: no reading late enough to be brought to maturity"
        return line(AT_MATURITY, np.nan, UNIT, by={"zone": zone}, level=level, flag=flag)
    estimates = np.array([f[0] for f in found if f is not None])
    within = float(np.mean([f[1] ** 2 for f in found if f is not None]))
    between = float(np.var(estimates, ddof=1)) * (1 + 1 / len(estimates))
    n = own_answer[2]
    total = within + between
    df = (n - 1) * (total / within) ** 2 if within > 0 else float(n - 1)
    se = float(np.sqrt(total))
    return line(
        AT_MATURITY, float(own_answer[0]), UNIT, by={"zone": zone}, x=float(MATURITY_MONTH[zone]), se=se,
        ci=limits(own_answer[0], se, level=level, df=df), level=level, df=df, n_patients=n,
        n_rows=own_answer[3], flag=f"{RUNGS[4]}, brought to month {MATURITY_MONTH[zone]}",
    )  # fmt: skip


def _drawn(course: Course, rng: np.random.Generator) -> Iterator[Course]:
    for half, steep in rng.standard_normal((DRAWS, 2)):
        yield replace(
            course,
            half_month=course.half_month * float(np.exp(course.half_log_sd * half)),
            steepness=course.steepness * float(np.exp(course.steepness_log_sd * steep)),
        )


def _under(own: pd.DataFrame, zone: str, course: Course) -> tuple[float, float, int, int] | None:
    """Return mean at maturity, its standard error, patients and readings under one course."""
    month = own["month"].to_numpy(dtype=float)
    share = reached(month, course)
    late = share >= LEAST_SHARE
    if len(set(own["patient_id"].to_numpy()[late])) < LEAST_MEAN:
        return None
    share, month, used = share[late], month[late], own[late]
    y = used["yield_pct"].to_numpy(dtype=float)
    counting = float(np.mean(used["yield_pct_se"].to_numpy(dtype=float) ** 2))
    level = float(np.sum(y * share) / np.sum(share**2))
    variance = counting + level**2 * _spread_of_tempo(month, course)
    weight = share**2 / variance
    frame = pd.DataFrame({"patient": used["patient_id"].to_numpy(), "w": weight, "wy": y * share / variance})
    summed = frame.groupby("patient")[["w", "wy"]].sum()
    plateau, error = (summed["wy"] / summed["w"]).to_numpy(), (1 / summed["w"]).to_numpy()
    fit = meta.random_effects(plateau, error, hartung_knapp=True, least_scale=1.0)
    at_maturity = float(reached(float(MATURITY_MONTH[zone]), course))
    return float(fit.beta[0]) * at_maturity, float(fit.se[0]) * at_maturity, len(summed), len(used)


def _method(level: float) -> str:
    return (
        "by zone, what its readings carry: single counts; raw mean of the latest counts over patients, from "
        f"{LEAST_FOR_INTERVAL} with Student's t; mean at maturity (from {LEAST_FOLLOWED} followed); "
        "readings brought to maturity by an assumed course, random effects over patients with Hartung and "
        f"Knapp's limits, {DRAWS} courses drawn, seed {SEED}; growth model from {FOR_MODEL} at maturity; "
        f"level {level:g}"
    )


def _notes(rungs: pd.DataFrame) -> tuple[str, ...]:
    said = [f"No interval over patients is printed where fewer than {LEAST_FOR_INTERVAL} were read"]
    if rungs["rung"].isin((1, 4)).any():
        said.append(f"The course is {ASSUMED}: half of the gain by month 5.5 in front, 7.5 in the crown")
    return tuple(said)
