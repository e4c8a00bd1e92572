"""What could not be read, and what could it change?

**Failed photographs.** The unit is an attendance as one reader saw it: the regions counted on one day stand
on the same photographs and fail together, so that a region is no unit of its own. An attendance failed if any
of its counts was taken under non-standard conditions (light, wet hair, dye, distance); a count that does not
say is taken as standard, as everywhere in the workbook. Limits are Wilson's, one attendance per patient and
visit as a rule (Wilson 1927, J Am Stat Assoc 22:209).

**Never read.** A mean of readings speaks of those who were read. Which placements were due, and what became
of each, stands in `followup.states`: of windows of maturity that have closed a share was *counted*. Beside
the model's mean stands the *direct* one, of the readings at maturity alone (each placement once, limits of t
with the error clustered by patient, Bell & McCaffrey 2002: not the model's Satterthwaite, no
Kenward-Roger).

*Bounds* of the mean of all due, and of those who withdrew and so are due no longer, hold whatever became of
those not counted: at worst none of their planted hairs grew, at best all (Manski 1989, J Hum Resour
24:343-60; Horowitz & Manski 2000, J Am Stat Assoc 95:77-84):

    share counted * mean of the counted + (1 - share counted) * 0, or * 100.

Chance comes on top: bounds are no interval. A *scenario* asks less: those not counted stand `points` away
from the others; then the mean of all is

    mean of those read + (1 - share counted) * points.

How far they stand no register can tell. The share is taken as known; the interval of a scenario is that of
the mean of those read.
"""

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from analytics import followup
from analytics.errors import ParameterError
from analytics.measurement import CountError
from analytics.numerics import bounds, proportions, regression
from analytics.records import Records, with_columns
from analytics.results import LEAST_FOR_INTERVAL, LEVEL, NO_INTERVAL, Result, line
from analytics.yields.choices import USUAL, Choices
from analytics.yields.means import average, one_reading
from analytics.yields.rows import by_visit

# Months by which readings are tabulated, each to the nearest; common practice, no source.
VISITS = (0.0, 1.0, 3.0, 6.0, 9.0, 12.0, 15.0, 18.0, 24.0)
GROUPS = ("visit", "reader_id", "device_class")
NOT_SAID = "not recorded"


def photograph_failures(
    records: Records, *, by: Sequence[str] = ("reader_id", "visit"), level: float = LEVEL
) -> Result:
    """Return the share of attendances whose photographs failed, with Wilson limits.

    Parameters
    ----------
    by
        Any of `visit` (month since the session, nearest of VISITS), `reader_id`, `device_class`.

    Returns
    -------
    Result
        Term `photographs failed`, percent of attendances, with its numerator and denominator.
        `extra["counts"]` is the same as a page shows it. `rows()` has one row per attendance with its first
        `condition_reason`.

    Raises
    ------
    ParameterError
        When a group is unknown or the level out of range.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> photograph_failures(clinic).table()["unit"].unique().tolist()
    ['% of attendances']
    """
    if not by or not set(by) <= set(GROUPS) or not 0.5 <= level <= 0.999:
        raise ParameterError(
            f"yields.photograph_failures(by, level): out of range; use any of {', '.join(GROUPS)}, and a "
            "level of 0.5 to 0.999"
        )
    attended = attendances(records)
    counts = (
        attended.groupby(list(by), sort=True)
        .agg(
            numerator=("failed", "sum"), denominator=("failed", "size"), n_patients=("patient_id", "nunique")
        )
        .reset_index()
    )
    share = proportions.proportion(counts["numerator"], counts["denominator"], level=level)
    estimate, low, high = (100 * np.asarray(v, dtype=float) for v in (share.estimate, share.low, share.high))
    told = counts["n_patients"] >= LEAST_FOR_INTERVAL
    shares = counts[[*by, "numerator", "denominator", "n_patients"]].assign(
        term="photographs failed",
        estimate=estimate,
        ci_low=np.where(told, low, np.nan),
        ci_high=np.where(told, high, np.nan),
        level=level,
        unit="% of attendances",
        basis="share",
        n_rows=counts["denominator"],
        flag=np.where(told, "", NO_INTERVAL),
    )
    shown = counts.drop(columns="n_patients").assign(share_pct=estimate, ci_low=low, ci_high=high)
    method = (
        "share of attendances, as one reader saw them, with any count under non-standard conditions; "
        f"Wilson limits, {100 * level:g} %"
    )
    return Result(shares, attended.assign(reason=""), method, by=tuple(by), extra={"counts": shown})


def attendances(records: Records) -> pd.DataFrame:
    """Return one row per attendance, as one reader saw it: failed, its visit, condition_reason, room.

    Returns
    -------
    pandas.DataFrame
        One row per patient, session, month, reader and device: `failed` (bool, any count not under standard
        conditions), `visit` (the planned month nearest, of VISITS), `condition_reason` (the first), `room`.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> seen = attendances(clinic)
    >>> set(seen["visit"]) <= set(VISITS), seen["failed"].dtype
    (True, dtype('bool'))
    """
    counts = records.measurements
    counts = counts[counts["zone"].ne("donor")]
    months = counts["month"].to_numpy(dtype=float)
    nearest = np.abs(months[:, None] - np.array(VISITS)).argmin(axis=1)
    rows = counts.assign(
        failed=~counts["standard_conditions"].fillna(True).astype(bool),
        visit=np.array(VISITS)[nearest],
        reader_id=counts["reader_id"].fillna(NOT_SAID),
        device_class=counts["device_class"].fillna(NOT_SAID),
        room=counts["room"].fillna(NOT_SAID),
        why=counts["condition_reason"].replace("", pd.NA),
    )
    key = ["patient_id", "session_id", "month", "reader_id", "device_class"]
    return rows.groupby(key, as_index=False, sort=False).agg(
        failed=("failed", "max"),
        visit=("visit", "first"),
        condition_reason=("why", "first"),
        room=("room", "first"),
    )


def counted_at_maturity(
    records: Records,
    *,
    by: Sequence[str] = ("zone",),
    level: float = LEVEL,
    choices: Choices = USUAL,
    rows: pd.DataFrame | None = None,
) -> Result:
    """Return how many of the placements due were counted at maturity, their direct mean, and its bounds.

    Parameters
    ----------
    by
        Columns of placements or sessions: `zone`, `surgeon_id`, `method`.
    choices, rows
        As in `yields.average`.

    Returns
    -------
    Result
        Terms by group: `counted of due` (share of closed windows, Wilson); `direct mean` (of all readings at
        maturity, in windows still open too); `mean of all due or withdrawn, if none of the others grew` and
        `..., if all of them grew`. `extra["states"]` has the number of every state of the closed windows
        (`n_...`), those still open counted as `n_due_window_open`.

    Raises
    ------
    ParameterError
        When a grouping column is unknown, or the level out of range.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> counted_at_maturity(clinic).table()["unit"].unique().tolist()
    ['%', '% of planted hairs']
    """
    if not 0.5 <= level <= 0.999:
        raise ParameterError("yields.counted_at_maturity(level): out of range; expected 0.5 to 0.999")
    visits = by_visit(records, choices=choices) if rows is None else rows
    became = _states(records, visits, list(by))
    read = one_reading(visits)
    read = read.assign(value=read["yield_pct"] / read["planted_ratio"])[["placement_id", "value"]]
    became = became.merge(read, on="placement_id", how="left", validate="one_to_one")
    lines = []
    for names, those in became.groupby(list(by), sort=True):
        lines += _lines_of_group(those, dict(zip(by, names, strict=True)), level)
    return Result(
        pd.DataFrame(lines),
        became.assign(reason=became["state"].where(became["value"].isna(), "")),
        "placements counted of those whose window of maturity has closed, Wilson "
        f"{100 * level:g} % interval; direct mean of the readings at maturity, error clustered by patient, t "
        "(Bell & McCaffrey 2002); bounds: those due and not counted at 0 and at 100 % (Manski 1989)",
        by=tuple(by),
        extra={"states": _numbers_of_states(became, list(by))},
        notes=(
            "A window of maturity opens one month before the zone's month of maturity and closes six after.",
        ),
    )


def _lines_of_group(those: pd.DataFrame, group: dict, level: float) -> list[dict]:
    """Return the lines of one group: share counted, direct mean, bounds."""
    closed = those[those["is_closed"] & those["state"].ne(followup.SHARED)]
    due = closed[closed["state"].ne(followup.WITHDRAWN)]
    n, n_due = int(due["state"].eq(followup.COUNTED).sum()), len(due)
    share = proportions.proportion(n, n_due, level=level)
    counted = line(
        "counted of due", 100 * float(share.estimate), "%", by=group,
        ci=(100 * float(share.low), 100 * float(share.high)), level=level, basis="share", numerator=n,
        denominator=n_due, n_patients=due["patient_id"].nunique(), n_rows=n_due,
        flag="" if n_due else "none due yet",
    )  # fmt: skip
    return [counted, _direct_mean(those, group, level), *_bounds(closed, group)]


def _direct_mean(those: pd.DataFrame, group: dict, level: float) -> dict:
    read = those[those["value"].notna()]
    n_patients = int(read["patient_id"].nunique())
    about: dict[str, Any] = {"by": group, "level": level, "n_patients": n_patients, "n_rows": len(read)}
    unit = "% of planted hairs"
    if n_patients < 2:
        flag = f"{'none' if read.empty else 'one patient'} counted at maturity yet"
        only = float(read["value"].mean()) if len(read) else np.nan
        return line("direct mean", only, unit, basis="model", flag=flag, **about)
    fit = regression.values(
        read["value"].to_numpy(dtype=float), np.ones((len(read), 1)), read["patient_id"].to_numpy()
    )
    mean = regression.contrast(fit, [1.0], level=level)
    return line(
        "direct mean", mean.estimate, unit, se=mean.se, ci=(mean.low, mean.high), basis="model", df=mean.df,
        **about,
    )  # fmt: skip


def _bounds(closed: pd.DataFrame, group: dict) -> list[dict]:
    """Return the mean of all due at its worst and at its best; those who withdrew were due once."""
    n, mean = int(closed["value"].notna().sum()), float(closed["value"].mean())
    low, high = bounds.mean(mean, n, len(closed)) if len(closed) else (np.nan, np.nan)
    about: dict[str, Any] = {
        "by": group,
        "basis": "counts",
        "numerator": len(closed) - n,
        "denominator": len(closed),
    }
    about |= {"n_patients": closed["patient_id"].nunique(), "n_rows": len(closed)}
    flag = "" if len(closed) else "none due yet"
    return [
        line(f"mean of all due or withdrawn, if {grew}", value, "% of planted hairs", flag=flag, **about)
        for grew, value in (("none of the others grew", low), ("all of them grew", high))
    ]


def _states(records: Records, visits: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Return what became of every placement at maturity, with the grouping columns."""
    became = followup.states(records, visits)
    return with_columns(became, records, by, of=("placements", "sessions"), where="yields(by)")


def _numbers_of_states(became: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Return the number of every state by group; a window still open stands under that, whatever is in it."""
    wide = became.groupby(by, sort=True)["shown"].value_counts().unstack(fill_value=0)
    wide = wide.reindex(columns=list(followup.STATES), fill_value=0)
    return (
        wide.rename(columns={s: followup.n_of(s) for s in followup.STATES})
        .rename_axis(columns=None)
        .reset_index()
    )


def if_not_read(
    records: Records,
    *,
    points: float,
    by: Sequence[str] = ("zone",),
    level: float = LEVEL,
    choices: Choices = USUAL,
    rows: pd.DataFrame | None = None,
    count_error: CountError | None = None,
) -> Result:
    """Return mean yield at maturity of all due, were those not counted some points away: a scenario.

    Parameters
    ----------
    points
        How far the mean of those never read lies from that of those read, -100 to 100 points of yield.
    by
        Columns of placements or sessions: `zone`, `surgeon_id`, `method`.
    level, choices, rows, count_error
        As in `yields.average`.

    Returns
    -------
    Result
        As `yields.average`; `extra["due"]` has, for each group, placements whose window has closed
        (`denominator`) and counted of these (`numerator`).

    Raises
    ------
    ParameterError
        When points are out of range, or a grouping column is unknown.
    FitError
        When no reading is usable.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> if_not_read(clinic, points=10).by
    ('zone',)
    """
    if not -100 <= points <= 100:
        raise ParameterError("yields.if_not_read(points): out of range; expected -100 to 100 points of yield")
    visits = by_visit(records, choices=choices) if rows is None else rows
    read = average(records, by=by, level=level, rows=visits, count_error=count_error)
    due = _due(records, visits, list(by))
    table = read.estimates.merge(due, on=list(by), how="left", validate="one_to_one")
    away = points * (1 - table["numerator"] / table["denominator"])
    moved = {c: table[c] + away for c in ("estimate", "ci_low", "ci_high")}
    unclosed = table["denominator"].isna()
    return replace(
        read,
        estimates=table.assign(
            **moved, flag=table["flag"].mask(unclosed, "none due yet: no window of maturity has closed")
        ).drop(columns=["numerator", "denominator"]),
        method=f"{read.method}; a scenario: those due and not counted taken to stand {points:+g} points away",
        extra={"due": due},
    )


def _due(records: Records, visits: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Return how many windows of maturity have closed in each group, and in how many was counted."""
    became = _states(records, visits, by)
    closed = became[became["is_closed"] & became["state"].isin(followup.DUE_STATES)]
    closed = closed.assign(counted=closed["state"].eq(followup.COUNTED))
    return closed.groupby(by, as_index=False).agg(
        numerator=("counted", "sum"), denominator=("counted", "size")
    )
