"""Who is due this month, who soon, and who is overdue?

Everything is measured from the register month of today, which the caller gives: a register that nobody fills
in any more still has patients overdue. Windows are those of the clinic's own schedule, on the clock of the
session: a session is taken at the middle of its month, so that a window opens in register month
round(session + opens) and closes in round(session + closes).

 * *open*: the window is open in that month, and nothing usable was counted since it opened.
 * *opens soon*: it opens within the months ahead that are asked for.
 * *overdue*: it has closed, nothing usable was counted since it opened, and no later window is open. A count
   made late clears it. After a year it is no longer listed (our limit, no source) but counted.

A zone that was planted again is due by its latest session alone; a patient who ended follow-up is not due. A
planned visit at which nothing is counted is cleared by any attendance, and not asked after where the register
has no table of visits.
"""

from typing import Any, Protocol

import numpy as np
import pandas as pd

from analytics import followup, yields
from analytics.errors import ParameterError
from analytics.records import Records
from analytics.results import Result, line

OVERDUE, OPEN, SOON = "overdue", "open", "opens soon"
STATES = (OVERDUE, OPEN, SOON)
AHEAD_MONTHS = 2
LONGEST_OVERDUE_MONTHS = 12
LISTED = [
    "patient_id",
    "session_number",
    "zone",
    "visit",
    "counted",
    "state",
    "opens_in",
    "closes_in",
    "last",
]
_UNIT = ["patient_id", "session_id", "zone"]


class Planned(Protocol):
    """A planned visit, as the clinic's schedule declares it."""

    month: float
    zones: tuple
    counted: bool

    @property
    def opens(self) -> float:
        """Month at which the window opens."""

    @property
    def closes(self) -> float:
        """Month at which the window closes."""


def due(records: Records, schedule: tuple[Planned, ...], *, month: int, ahead: int = AHEAD_MONTHS) -> Result:
    """Return who is due in a register month, or soon, or overdue.

    Parameters
    ----------
    schedule
        The clinic's planned visits (`review.read(...).schedule`).
    month
        Register month of today.
    ahead
        How many months ahead a window may open to be listed, 0 to 12.

    Returns
    -------
    Result
        `estimates`: how many patients are overdue, open and soon, each counted once. `extra["listed"]`: one
        row per patient and planned visit of a zone, most pressing first: `state`, the register months in
        which the window opens and closes, and `last`, the month of the last count since the session.
        `extra["patients"]`: one row per patient with the most pressing state.

    Raises
    ------
    ParameterError
        When the month lies before the register's first session, or `ahead` is out of range.

    Examples
    --------
    The states counted, looked at in register month 12:

    >>> from types import SimpleNamespace
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> visit = SimpleNamespace(month=12.0, zones=("crown",), counted=True, opens=11.0, closes=14.0)
    >>> due(clinic, (visit,), month=12).table()["term"].tolist()
    ['overdue', 'open', 'opens soon', 'overdue for more than 12 months, not listed']
    """
    first = int(records.sessions["register_month"].min())
    if month < first:
        raise ParameterError(
            f"course.due(month): before the first session, which is in register month {first}; the month in "
            "which the register began must be wrong"
        )
    if not 0 <= ahead <= 12:
        raise ParameterError("course.due(ahead): out of range; expected 0 to 12 months")
    rows = _windows(records, schedule, month)
    rows = rows.assign(state=_states(rows, month, ahead))
    is_long_ago = rows["state"].eq(OVERDUE) & (month - rows["closes_in"]).gt(LONGEST_OVERDUE_MONTHS)
    listed = _one_visit_each(rows[rows["state"].ne("") & ~is_long_ago])
    patients = listed.drop_duplicates("patient_id")
    counts = {state: int(patients["state"].eq(state).sum()) for state in STATES}
    lost = set(rows.loc[is_long_ago, "patient_id"]) - set(listed["patient_id"])
    counts[f"overdue for more than {LONGEST_OVERDUE_MONTHS} months, not listed"] = len(lost)
    estimates = pd.DataFrame([line(t, float(n), "count", basis="count") for t, n in counts.items()])
    method = (
        f"windows of the clinic's own schedule, held against register month {month}; the {ahead} months "
        "after it count as soon"
    )
    used = rows.assign(reason=np.where(rows["state"].eq(""), "nothing due", ""))
    return Result(estimates, used, method, extra={"listed": listed[LISTED], "patients": patients[LISTED]})


def next_visits(records: Records, schedule: tuple[Planned, ...], *, patient_id: str) -> pd.DataFrame:
    """Return the planned visits of one patient that are still to come, or overdue, as the records stand.

    Parameters
    ----------
    schedule
        Of `course.Planned`, as the criteria declare them.

    Returns
    -------
    pandas.DataFrame
        As `extra["listed"]` of `due`, but every visit to come, soonest first. Measured from the last month
        the records know of, so that a report stays the same whenever it is made.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> visit = SimpleNamespace(month=12.0, zones=("crown",), counted=True, opens=11.0, closes=14.0)
    >>> next_visits(clinic, (visit,), patient_id="nobody").empty
    True
    """
    month = followup.register_end(records)
    rows = _windows(records, schedule, month)
    rows = rows[rows["patient_id"].eq(patient_id)]
    horizon = int(max(v.month for v in schedule)) + 12
    rows = rows.assign(state=_states(rows, month, horizon))
    ahead = rows[rows["state"].isin([OPEN, SOON])]
    once = _one_visit_each(rows[rows["state"].eq(OVERDUE)])
    is_covered = once["zone"].isin(set(ahead["zone"])) if len(once) else pd.Series(dtype=bool)
    late = once[~is_covered & (month - once["closes_in"]).le(LONGEST_OVERDUE_MONTHS)] if len(once) else once
    found = pd.concat([late, ahead], ignore_index=True)
    return found.sort_values(["opens_in", "session_number", "zone"], ignore_index=True)[LISTED]


def _windows(records: Records, schedule: tuple[Planned, ...], month: int) -> pd.DataFrame:
    """Return one row per unit (zone of a session, or session) and planned visit, with its window."""
    sessions = records.sessions[records.sessions["register_month"].le(month)]
    gone = records.visits.loc[records.visits["withdrawn"].fillna(False).astype(bool), "patient_id"]
    sessions = sessions[~sessions["patient_id"].isin(set(gone))]
    keyed = sessions[["session_id", "session_number", "register_month"]]
    placed = records.placements.drop_duplicates(_UNIT)[_UNIT]
    placed = placed.merge(keyed, on="session_id", validate="many_to_one")
    latest = placed.groupby(["patient_id", "zone"])["register_month"].transform("max")
    placed = placed.assign(is_latest=placed["register_month"].eq(latest))
    parts = [_planned(placed, visit) for visit in schedule]
    rows = pd.concat(parts, ignore_index=True)
    if not _has_visits(records):
        rows = rows[rows["counted"]]
    rows = rows.assign(last=_last(records, rows))
    for end in ("opens", "closes"):
        rows[f"{end}_in"] = followup.reading_month(rows["register_month"], rows[end]).astype(int)
    return rows.reset_index(drop=True)


def _planned(placed: pd.DataFrame, visit: Planned) -> pd.DataFrame:
    """Return the units that a planned visit is for."""
    theirs = placed[placed["zone"].isin(visit.zones)]
    if visit.counted:
        theirs = theirs[theirs["is_latest"]]
    else:
        theirs = theirs.drop_duplicates("session_id").assign(zone="")
    return theirs.assign(visit=visit.month, opens=visit.opens, closes=visit.closes, counted=visit.counted)


def _has_visits(records: Records) -> bool:
    """Tell whether the register has a table of visits; one made from its counts says how of none."""
    said = records.visits[["mode", "complications_asked", "withdrawn"]]
    return bool(said.notna().to_numpy().any())


def _last(records: Records, rows: pd.DataFrame) -> pd.Series:
    """Return the month of the last count of each unit that clears; of the last attendance for visits without.

    A count clears where it is usable, or where another could not mend what is wrong with it (no baseline).
    """
    counts = yields.by_visit(records)
    clears = ~counts["is_baseline"] & ~counts["why_not_curve"].isin(yields.MENDABLE)
    counted = counts[clears].groupby(["session_id", "zone"])["month"].max().rename("last_count")
    started = records.sessions.set_index("session_id")["patient_month"].astype(float)
    seen = records.visits.assign(at=records.visits["session_id"].map(started) + records.visits["month"])
    attended = seen.groupby("patient_id")["at"].max()
    by_visit = rows["patient_id"].map(attended) - rows["session_id"].map(started)
    by_count = rows.join(counted, on=["session_id", "zone"])["last_count"]
    return by_count.where(rows["counted"], by_visit)


def _states(rows: pd.DataFrame, month: int, ahead: int) -> np.ndarray:
    waiting = ~rows["last"].ge(rows["opens"])
    is_open = waiting & rows["opens_in"].le(month) & rows["closes_in"].ge(month)
    soon = waiting & rows["opens_in"].gt(month) & rows["opens_in"].le(month + ahead)
    missed = waiting & rows["closes_in"].lt(month)
    return np.select([is_open, soon, missed], [OPEN, SOON, OVERDUE], "")


def _one_visit_each(rows: pd.DataFrame) -> pd.DataFrame:
    """Return one visit per unit: the open one that closes first, else the latest missed, else the next.

    A visit without counts that was missed is not asked after once the zones of that session are due.
    """
    asked_of = rows.loc[rows["counted"] & rows["state"].ne(SOON), "session_id"]
    rows = rows[rows["counted"] | rows["state"].ne(OVERDUE) | ~rows["session_id"].isin(set(asked_of))]
    kind: dict[str, Any] = {OPEN: 0, OVERDUE: 1, SOON: 2}
    near = rows["closes_in"].where(rows["state"].ne(OVERDUE), -rows["closes_in"])
    ranked = rows.assign(kind=rows["state"].map(kind), near=near).sort_values(["kind", "near"], kind="stable")
    once = ranked.drop_duplicates([*_UNIT, "counted"])
    pressing = once["state"].map({state: i for i, state in enumerate(STATES)})
    return once.assign(pressing=pressing).sort_values(
        ["pressing", "closes_in", "patient_id", "session_number", "visit", "zone"], ignore_index=True
    )
