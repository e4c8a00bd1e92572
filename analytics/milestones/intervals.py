"""Between which two visits did a placement reach its milestone?

A milestone (q percent of planted hairs) is never seen happening. For each placement: (last reading below,
first reading at or above], never reached: (last reading, infinity). Month 0 is below by definition: the gain
is 0 there. Counts of one placement and month are averaged. What ends the watch is the reading itself, a
second session in the zone (its baseline is the first session's last reading), the start of medical therapy
where asked for, or the last visit.

Three rules say what counts as a reading at or above: `first` (the reading's value), `twice` (it and the next
one), `confirmed` (its lower limit). They answer different questions: `confirmed` is late by design and serves
as an alarm, never as an estimate.

Visits scatter about their planned months. With `planned_months` a reading belongs to the nearest planned
visit, so that "by month 12" means "at the visit of month 12 or before". That is how such shares are read in a
clinic, and it keeps their resampled intervals honest: at scattered exact months the estimate between two
visits settles so slowly that resampling does not cover it (cube-root rate, Groeneboom and Wellner 1992; from
memory).
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics import yields
from analytics.errors import ParameterError
from analytics.records import Records
from analytics.results import LEVEL, limits

RULES = ("first", "twice", "confirmed")
# Planned visits, months; common practice, no source. The clinic's own schedule comes first where it is given.
PLANNED_MONTHS = (1.0, 3.0, 6.0, 9.0, 12.0, 15.0, 18.0, 24.0, 30.0, 36.0, 48.0, 60.0)
NO_READING = "no reading after the session"
ENDS = ("reached", "second session in the zone", "start of medical therapy", "last visit")
PLACES = [
    "patient_id",
    "session_id",
    "placement_id",
    "zone",
    "session_number",
    "surgeon_id",
    "team_id",
    "method",
]


@dataclass(frozen=True, slots=True)
class Question:
    """What is asked of readings: milestone, rule, level of `confirmed`, planned visits, end at therapy."""

    percent: float = 50.0
    rule: str = "first"
    level: float = 0.95
    planned_months: tuple[float, ...] | None = PLANNED_MONTHS
    end_at_therapy: bool = False


def check(question: Question) -> None:
    """Refuse a question that has no answer, in words."""
    where = "milestones.time_to"
    if not 0 < question.percent <= 150:
        raise ParameterError(
            f"{where}(percent): 1 value out of range; expected above 0 to 150; 25, 50, 80 are usual"
        )
    if question.rule not in RULES:
        raise ParameterError(f"{where}(rule): 1 unknown value; use one of {', '.join(RULES)}; correct it")
    if not 0 < question.level < 1:
        raise ParameterError(
            f"{where}(level): 1 value out of range; expected above 0 and under 1; 0.95 is usual"
        )
    planned = question.planned_months
    if planned is not None and (not planned or min(planned) <= 0 or list(planned) != sorted(set(planned))):
        raise ParameterError(
            f"{where}(planned_months): not rising above 0; give planned visits in order, or None for exact "
            "months"
        )


def intervals(
    records: Records,
    *,
    percent: float = 50.0,
    rule: str = "first",
    planned_months: tuple[float, ...] | None = PLANNED_MONTHS,
    end_at_therapy: bool = False,
    choices: yields.Choices = yields.USUAL,
    level: float = LEVEL,
) -> pd.DataFrame:
    """Return one row per placement: between which months it reached a milestone, or why it is left out.

    Parameters
    ----------
    percent
        The milestone, percent of planted hairs, above 0 to 150.
    rule
        `first` reading at or above, `twice` (it and the next), `confirmed` (lower limit above; an alarm
        rule).
    planned_months
        Planned visits to which readings belong (the nearest), or None for exact months.
    end_at_therapy
        End the watch where a course of medical therapy starts after the session.
    level
        Of the lower limit of `confirmed`.

    Returns
    -------
    pandas.DataFrame
        patient_id, session_id, placement_id, zone, session_number, surgeon_id, team_id, method, left, right
        (months; infinite: never seen to reach), n_readings, last_month, ended_by, reason (empty where used).

    Raises
    ------
    ParameterError
        When an option is unknown or out of range.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> spans = intervals(clinic, percent=50)  # reached in (left, right]
    >>> known = spans[spans["reason"].fillna("").eq("")]
    >>> bool((known["left"] < known["right"]).all())
    True
    """
    question = Question(percent, rule, level, planned_months, end_at_therapy)
    check(question)
    rows = yields.by_visit(records, choices=choices)
    return placements_of(rows, records, question)


def placements_of(rows: pd.DataFrame, records: Records, question: Question) -> pd.DataFrame:
    """Return the placements of rows of `yields.by_visit` with their intervals."""
    seen = readings(rows, records, end_at_therapy=question.end_at_therapy)
    return of_placements(rows, seen, question)


def readings(rows: pd.DataFrame, records: Records, *, end_at_therapy: bool = False) -> pd.DataFrame:
    """Return one row per placement and month that serves milestones: month, yield_pct, yield_pct_se.

    Parameters
    ----------
    rows
        From `yields.by_visit`.
    records
        The register, for courses of therapy.
    end_at_therapy
        Leave out readings from the first start of medical therapy after the session on; `therapy_ended` says
        where.
    """
    seen = rows[
        rows["for_milestone"] & ~rows["is_baseline"] & rows["yield_pct"].notna() & rows["month"].gt(0)
    ]
    keys = ["placement_id", "month"]
    out = (
        seen.assign(squares=seen["yield_pct_se"] ** 2)
        .groupby(keys, as_index=False)
        .agg(
            register_month=("register_month", "first"),
            patient_id=("patient_id", "first"),
            yield_pct=("yield_pct", "mean"),
            squares=("squares", "sum"),
            n_counts=("yield_pct", "size"),
        )
    )
    out["yield_pct_se"] = np.sqrt(out.pop("squares")) / out["n_counts"]
    out["therapy_ended"] = False
    if end_at_therapy and len(records.therapies):
        out = _until_therapy(out, records)
    return out.sort_values(keys, ignore_index=True)


def _until_therapy(seen: pd.DataFrame, records: Records) -> pd.DataFrame:
    """Cut each placement's readings at the first course that starts after its session."""
    courses = records.therapies[["patient_id", "start_register_month"]].dropna()
    pairs = seen[["placement_id", "patient_id", "month", "register_month"]].merge(
        courses, on="patient_id", how="inner", validate="many_to_many"
    )
    pairs = pairs[pairs["start_register_month"] > pairs["register_month"] - pairs["month"]]
    first = pairs.groupby("placement_id")["start_register_month"].min()
    start = seen["placement_id"].map(first).astype(float).fillna(np.inf)
    out = seen.assign(therapy_ended=seen["placement_id"].isin(first.index))
    return out[seen["register_month"].to_numpy(dtype=float) < start.to_numpy()]


def of_placements(rows: pd.DataFrame, seen: pd.DataFrame, question: Question) -> pd.DataFrame:
    """Return one row per placement: left, right (months), how the watch ended, why it is left out if it is.

    Parameters
    ----------
    rows
        From `yields.by_visit`: every placement that was ever counted is in the answer.
    seen
        From `readings`.
    question
        What is asked.
    """
    places = _places(rows)
    table = places.merge(_spans(seen, question), on="placement_id", how="left", validate="one_to_one")
    table["reason"] = _reasons(table, rows)
    left_out = table["reason"].ne("")
    table.loc[left_out, ["left", "right"]] = np.nan
    last = np.where(table["again"], ENDS[1], np.where(table["therapy_ended"].eq(True), ENDS[2], ENDS[3]))
    table["ended_by"] = np.where(left_out, "", np.where(np.isfinite(table["right"]), ENDS[0], last))
    if question.planned_months is not None:
        left, right = at_planned_visits(table["left"], table["right"], question.planned_months)
        table = table.assign(left=left, right=right)
    return table.drop(columns=["again", "therapy_ended"])


def _places(rows: pd.DataFrame) -> pd.DataFrame:
    """Return each placement once, with whether the zone was planted again."""
    named = rows.dropna(subset=["placement_id"])
    again = set(named.loc[named["reads_as"].eq("earlier session"), "placement_id"])
    places = named.drop_duplicates("placement_id")[PLACES].reset_index(drop=True)
    return places.assign(again=places["placement_id"].isin(again))


def _spans(seen: pd.DataFrame, question: Question) -> pd.DataFrame:
    """Return left and right of each placement from its readings in order of month."""
    placement = seen["placement_id"].to_numpy()
    month = seen["month"].to_numpy(dtype=float)
    starts = np.flatnonzero(np.r_[len(seen) > 0, placement[1:] != placement[:-1]][: len(seen)])
    left, right = spans(month, hits(seen, question), starts)
    stops = np.r_[starts[1:], len(seen)].astype(int)
    return pd.DataFrame(
        {
            "placement_id": placement[starts],
            "left": left,
            "right": right,
            "n_readings": stops - starts,
            "last_month": month[stops[: starts.size] - 1],
            "therapy_ended": seen["therapy_ended"].to_numpy(dtype=bool)[starts],
        }
    )


def spans(month: np.ndarray, hit: np.ndarray, starts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return (last month below, first month at or above] of each run of readings.

    Parameters
    ----------
    month, hit
        Shape (n,): months in order within a run, and whether the reading counts as at or above.
    starts
        Where each run begins.

    Examples
    --------
    Two placements: below at 3 and reached at 6; below at 3 and 9 and never seen to reach.

    >>> months, reached = np.array([3.0, 6.0, 3.0, 9.0]), np.array([False, True, False, False])
    >>> [side.tolist() for side in spans(months, reached, np.array([0, 2]))]
    [[3.0, 9.0], [6.0, inf]]
    """
    n = month.size
    if n == 0:
        return np.empty(0), np.empty(0)
    stops = np.r_[starts[1:], n]
    first = np.minimum.reduceat(np.where(hit, np.arange(n), n), starts)
    reached = first < stops
    before = np.where(reached, first, stops) - 1
    left = np.where(before >= starts, month[np.maximum(before, 0)], 0.0)
    return left, np.where(reached, month[np.minimum(first, n - 1)], np.inf)


def hits(seen: pd.DataFrame, question: Question) -> np.ndarray:
    """Return which readings count as at or above the milestone under the rule."""
    value = seen["yield_pct"].to_numpy(dtype=float)
    if question.rule == "confirmed":
        lower, _ = limits(value, seen["yield_pct_se"], level=question.level)
        return lower > question.percent
    above = value >= question.percent
    if question.rule == "first" or not len(seen):
        return above
    same = np.r_[seen["placement_id"].to_numpy()[1:] == seen["placement_id"].to_numpy()[:-1], False]
    return above & same & np.r_[above[1:], False]


def _reasons(table: pd.DataFrame, rows: pd.DataFrame) -> pd.Series:
    """Return why a placement has no interval: the commonest reason of its counts, or that none came later."""
    after = rows[~rows["is_baseline"] & rows["month"].gt(0)]
    refused = after.loc[after["why_not_milestone"].ne(""), ["placement_id", "why_not_milestone"]]
    commonest = refused.value_counts().reset_index().drop_duplicates("placement_id").set_index("placement_id")
    why = commonest["why_not_milestone"].map(yields.REASONS)
    missing = table["left"].isna()
    found = table["placement_id"].map(why).fillna(NO_READING)
    return found.where(missing, "")


def at_planned_visits(left, right, planned_months) -> tuple[np.ndarray, np.ndarray]:
    """Move both ends to the nearest planned visit.

    Two readings of one planned visit, below then above, belong to the span from the visit before.

    Parameters
    ----------
    left, right
        Shape (n,), months; NaN where there is no interval, right infinite where never reached.
    planned_months
        Rising, above 0.

    Examples
    --------
    >>> moved = at_planned_visits([0.0, 5.8, 12.2], [3.3, 6.1, np.inf], (3.0, 6.0, 9.0, 12.0))
    >>> [side.tolist() for side in moved]
    [[0.0, 3.0, 12.0], [3.0, 6.0, inf]]
    """
    left, right = np.asarray(left, dtype=float), np.asarray(right, dtype=float)
    grid = np.concatenate([[0.0], np.asarray(planned_months, dtype=float)])
    middles = (grid[1:] + grid[:-1]) / 2.0
    known, bounded = ~np.isnan(left), np.isfinite(right)
    at_left = np.searchsorted(middles, np.where(known, left, 0.0), side="right")
    at_right = np.maximum(np.searchsorted(middles, np.where(bounded, right, 0.0), side="right"), 1)
    at_left = np.where(bounded, np.minimum(at_left, at_right - 1), at_left)
    return np.where(known, grid[at_left], np.nan), np.where(known & bounded, grid[at_right], right)
