"""What could not be read: photographs that failed, and patients who never came back?

**Failed photographs.** The unit is an attendance as one reader saw it: the regions counted on one day stand
on the same photographs and fail together, so that a region is no unit of its own. An attendance failed if any
of its counts was taken under non-standard conditions (light, wet hair, dye, distance); a count that does not
say is taken as standard, as everywhere in the workbook. Limits are Wilson's, one attendance per patient and
visit as a rule (Wilson 1927, J Am Stat Assoc 22:209).

**Never read.** A mean of readings speaks of those who were read. Of the placements that were *due* (their
window of maturity has closed, and no further session planted the zone first) a share was read; if those never
read stand `points` away from the others, the mean of all is

    mean of those read + (1 - share read) * points.

How far they stand no register can tell: the line says what each answer would mean (a tipping point). The
share is taken as known; the interval is that of the mean of those read.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics import dictionary
from analytics.errors import ParameterError
from analytics.measurement import CountError
from analytics.numerics import proportions
from analytics.records import Records
from analytics.results import LEVEL, Result
from analytics.yields import link
from analytics.yields.choices import USUAL, Choices
from analytics.yields.link import planted_error
from analytics.yields.means import FEW, MIN_PATIENTS, WINDOW_CLOSES_MONTHS_LATE, average, one_reading
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
    level
        Of the intervals, 0.5 to 0.999.

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
    """
    if not by or not set(by) <= set(GROUPS) or not 0.5 <= level <= 0.999:
        raise ParameterError(
            f"yields.photograph_failures(by, level): out of range; use any of {', '.join(GROUPS)}, and a "
            "level of 0.5 to 0.999"
        )
    attended = _attendances(records)
    counts = (
        attended.groupby(list(by), sort=True)
        .agg(
            numerator=("failed", "sum"), denominator=("failed", "size"), n_patients=("patient_id", "nunique")
        )
        .reset_index()
    )
    share = proportions.proportion(counts["numerator"], counts["denominator"], level=level)
    estimate, low, high = (100 * np.asarray(v, dtype=float) for v in (share.estimate, share.low, share.high))
    shares = counts[[*by, "numerator", "denominator", "n_patients"]].assign(
        term="photographs failed",
        estimate=estimate,
        ci_low=low,
        ci_high=high,
        level=level,
        unit="% of attendances",
        basis="share",
        n_rows=counts["denominator"],
        flag=np.where(counts["n_patients"] < MIN_PATIENTS, FEW, ""),
    )
    shown = counts.drop(columns="n_patients").assign(share_pct=estimate, ci_low=low, ci_high=high)
    method = (
        "share of attendances, as one reader saw them, with any count under non-standard conditions; "
        f"Wilson limits, {100 * level:g} %"
    )
    return Result(shares, attended.assign(reason=""), method, by=tuple(by), extra={"counts": shown})


def _attendances(records: Records) -> pd.DataFrame:
    """Return one row per attendance, as one reader saw it: whether it failed, its visit, the reason."""
    counts = records.measurements
    counts = counts[counts["zone"].ne("donor")]
    months = counts["month"].to_numpy(dtype=float)
    nearest = np.abs(months[:, None] - np.array(VISITS)).argmin(axis=1)
    rows = counts.assign(
        failed=~counts["standard_conditions"].fillna(True).astype(bool),
        visit=np.array(VISITS)[nearest],
        reader_id=counts["reader_id"].fillna(NOT_SAID),
        device_class=counts["device_class"].fillna(NOT_SAID),
        why=counts["condition_reason"].replace("", pd.NA),
    )
    key = ["patient_id", "session_id", "month", "reader_id", "device_class"]
    return rows.groupby(key, as_index=False, sort=False).agg(
        failed=("failed", "max"), visit=("visit", "first"), condition_reason=("why", "first")
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
    """Return mean yield at maturity of all placements due, if those never read stand some points away.

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
        As `yields.average`; `extra["due"]` has, for each group, placements due (`denominator`) and read
        (`numerator`).

    Raises
    ------
    ParameterError
        When points are out of range, or a grouping column is unknown.
    FitError
        When no reading is usable.
    """
    if not -100 <= points <= 100:
        raise ParameterError("yields.if_not_read(points): out of range; expected -100 to 100 points of yield")
    visits = by_visit(records, choices=choices) if rows is None else rows
    read = average(records, by=by, level=level, rows=visits, count_error=count_error)
    due = _due(records, set(one_reading(visits)["placement_id"]), list(by))
    table = read.estimates.merge(due, on=list(by), how="left", validate="one_to_one")
    away = points * (1 - table["numerator"] / table["denominator"])
    moved = {c: table[c] + away for c in ("estimate", "ci_low", "ci_high")}
    return replace(
        read,
        estimates=table.assign(**moved).drop(columns=["numerator", "denominator"]),
        method=f"{read.method}; those due and never read taken to stand {points:+g} points away",
        extra={"due": due},
    )


def _due(records: Records, read: set[str], by: list[str]) -> pd.DataFrame:
    """Return how many placements of each group were due, and how many of these were read."""
    placed = link.placed(records, planted_error(records))
    sessions = records.sessions.drop(columns=[c for c in records.sessions.columns if c in placed.columns])
    keyed = sessions.assign(session_id=records.sessions["session_id"])
    placed = placed.merge(keyed, on="session_id", validate="many_to_one")
    unknown = [c for c in by if c not in placed.columns]
    if unknown:
        raise ParameterError(
            f"yields.if_not_read(by): unknown column {', '.join(unknown)}; use one of placements or sessions"
        )
    maturity = placed["zone"].map(dictionary.MATURITY_MONTH).to_numpy(dtype=float)
    closed = placed["session_month"] + maturity + WINDOW_CLOSES_MONTHS_LATE <= _last_month(records)
    pairs = link.on_the_same_ground(placed)
    early = pairs["patient_month"] - pairs["patient_month_before"] < pairs["zone"].map(
        dictionary.MATURITY_MONTH
    )
    shared = set(pairs.loc[early, "placement_id"]) | set(pairs.loc[early, "placement_id_before"])
    was_read = placed["placement_id"].isin(read)
    due = placed[was_read | (closed & ~placed["placement_id"].isin(shared))].assign(read=was_read)
    return due.groupby(by, as_index=False).agg(numerator=("read", "sum"), denominator=("read", "size"))


def _last_month(records: Records) -> float:
    """Return the last register month that the records know of."""
    operated = records.sessions.set_index("session_id")["register_month"].astype(float)
    counted = records.measurements["session_id"].map(operated) + records.measurements["month"]
    return float(np.nanmax([operated.max(), counted.max()]))
