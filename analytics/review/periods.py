"""Planned visits and what became of each: seen in window, seen outside, missed, withdrawn, not yet due.

A visit is due when its window has closed by the end of the quarter; nobody is counted as missed before. An
attendance counts for every session of its patient, on that session's clock. One that lies in no window of a
session belongs to the planned visit whose window is nearest (seen outside), so that an attendance at month
3 never stands in for month 1.

Which quarter does a thing belong to, and what was known when that quarter ended?

Time is register months, 1 the first; quarter 1 holds months 1 to 3. A reading at month m after a session of
register month s lies in register month round(s + m): the session is taken at the middle of its month. A
review sees only what had happened by the end of its quarter, so that an old review can be made again and
gives the old numbers.
"""

from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.errors import ParameterError
from analytics.records import Records
from analytics.review.criteria import Criteria, PlannedVisit

MONTHS = 3
SHORT_MONTH = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def quarter_of(register_month):
    """Return the quarter of a register month.

    Examples
    --------
    >>> [int(quarter_of(m)) for m in (1, 3, 4, 36)]
    [1, 1, 2, 12]
    """
    return (np.asarray(register_month, dtype=float) - 1) // MONTHS + 1


def last_month(quarter: int) -> int:
    """Return the last register month of a quarter.

    Examples
    --------
    >>> last_month(1), last_month(12)
    (3, 36)
    """
    return MONTHS * quarter


def reading_month(session_month, month):
    """Return the register month of a reading, `month` months after a session of that register month.

    Examples
    --------
    >>> [int(reading_month(1, m)) for m in (0.0, 11.9, 12.6)]
    [1, 13, 14]
    """
    return np.floor(np.asarray(session_month, dtype=float) + np.asarray(month, dtype=float) + 0.5)


def label(quarter: int, register_begins: str = "") -> str:
    """Return a quarter's name, with its months where the clinic says when month 1 was.

    Parameters
    ----------
    quarter
        1 or more.
    register_begins
        Year and month of register month 1 as 2023-07; empty where the clinic keeps it.

    Examples
    --------
    >>> label(12), label(12, "2023-07")
    ('quarter 12', 'quarter 12 (Apr to Jun 2026)')
    """
    if not register_begins:
        return f"quarter {quarter}"
    year, _, month = register_begins.partition("-")
    if not (year.isdigit() and month.isdigit() and 1 <= int(month) <= 12):
        raise ParameterError("review, register_begins: expected a year and a month as 2023-07, or nothing")
    first = int(year) * 12 + int(month) - 1 + MONTHS * (quarter - 1)
    last = first + MONTHS - 1
    begins = SHORT_MONTH[first % 12] + (f" {first // 12}" if first // 12 != last // 12 else "")
    return f"quarter {quarter} ({begins} to {SHORT_MONTH[last % 12]} {last // 12})"


def latest(records: Records) -> int:
    """Return the last quarter that holds a session."""
    return int(quarter_of(records.sessions["register_month"].max()))


def check(quarter: int, records: Records) -> None:
    """Refuse a quarter the register does not reach.

    Raises
    ------
    ParameterError
        When the quarter is below 1 or past the register's last session.
    """
    last = latest(records)
    if not 1 <= quarter <= last:
        raise ParameterError(
            f"review, quarter: outside the register; its sessions lie in quarters 1 to {last}, use one"
        )


def as_at(records: Records, quarter: int) -> Records:
    """Return the records as they stood at the end of a quarter; nothing later is seen.

    Therapies that start later go, and a stop that lies later is not yet known.
    """
    end = last_month(quarter)
    sessions = records.sessions[records.sessions["register_month"] <= end]
    known = set(sessions["session_id"])

    def until_now(frame: pd.DataFrame) -> pd.DataFrame:
        rows = frame[frame["session_id"].isin(known)]
        return rows[timed(rows, sessions) <= end].reset_index(drop=True)

    therapies = records.therapies[records.therapies["start_register_month"] <= end].copy()
    stop = therapies["stop_register_month"]
    therapies["stop_register_month"] = stop.where(stop <= end)
    return replace(
        records,
        sessions=sessions.reset_index(drop=True),
        patients=records.patients[
            records.patients["patient_id"].isin(set(sessions["patient_id"]))
        ].reset_index(drop=True),
        placements=records.placements[records.placements["session_id"].isin(known)].reset_index(drop=True),
        measurements=until_now(records.measurements),
        visits=until_now(records.visits),
        events=until_now(records.events),
        ratings=until_now(records.ratings),
        therapies=therapies.reset_index(drop=True),
    )


def timed(rows: pd.DataFrame, sessions: pd.DataFrame) -> pd.Series:
    """Return the register month of each row that carries session_id and month."""
    month_of = sessions.set_index("session_id")["register_month"]
    started = rows["session_id"].map(month_of).to_numpy(dtype=float)
    return pd.Series(reading_month(started, rows["month"]), index=rows.index)


SEEN, OUTSIDE, MISSED, WITHDRAWN, NOT_YET = (
    "seen in window",
    "seen outside",
    "missed",
    "withdrawn",
    "not yet due",
)
STATUSES = (SEEN, OUTSIDE, MISSED, WITHDRAWN, NOT_YET)
COUNTED_AS_DUE = (SEEN, OUTSIDE, MISSED)
AT_THE_SESSION = 0.25  # months: an earlier attendance belongs to the operation itself
COLUMNS = ["patient_id", "session_id", "surgeon_id", "zone", "visit", "due_month", "quarter", "status"]


def sessions_due(known: Records, criteria: Criteria, *, quarter: int) -> pd.DataFrame:
    """Return one row a session and planned visit, with its status at the end of the quarter.

    Returns
    -------
    pandas.DataFrame
        COLUMNS (zone is `all`) and `month_seen`, the first attendance in the window on the session's clock.
    """
    sessions = _started(known).assign(zone="all", unit=lambda s: s["session_id"])
    attended = _on_every_clock(sessions, _attendances(known, sessions), ["patient_id"])
    return _statuses(sessions, attended, known, criteria.schedule, quarter)


def counts_due(known: Records, criteria: Criteria, *, quarter: int) -> pd.DataFrame:
    """Return one row a placement and planned visit at which hairs are counted, seen meaning counted."""
    sessions = _started(known)
    wanted = ["session_id", "surgeon_id", "register_month", "started"]
    placed = known.placements.merge(sessions[wanted], on="session_id", validate="many_to_one")
    placed = placed.assign(unit=placed["placement_id"])
    counts = known.measurements[known.measurements["region_kind"].eq("planted")]
    counted = counts.merge(sessions[["session_id", "started"]], on="session_id", validate="many_to_one")
    counted = counted.assign(at=counted["started"] + counted["month"])[["patient_id", "zone", "at"]]
    attended = _on_every_clock(placed, counted, ["patient_id", "zone"])
    planned = tuple(v for v in criteria.schedule if v.counted)
    return _statuses(placed, attended, known, planned, quarter)


def person_time(known: Records, criteria: Criteria, *, quarter: int) -> pd.DataFrame:
    """Return months observed and months possible of each session, up to the last planned visit.

    Source
    ------
    Clark, Altman & De Stavola 2002, Lancet 359:1309-10.
    """
    sessions = _started(known).assign(unit=lambda s: s["session_id"])
    attended = _on_every_clock(sessions, _attendances(known, sessions), ["patient_id"])
    last_visit = max(v.month for v in criteria.schedule)
    possible = last_month(quarter) + 0.5 - sessions["register_month"].astype(float)
    possible = possible.clip(0, last_visit)
    last = sessions["unit"].map(attended.groupby("unit")["clock"].max()).fillna(0.0)
    observed = np.minimum(last, possible)
    return sessions[["patient_id", "session_id"]].assign(observed=observed, possible=possible)


def _started(known: Records) -> pd.DataFrame:
    """Return the sessions with `started`, months from the patient's first session."""
    return known.sessions.assign(started=known.sessions["patient_month"].astype(float))


def _attendances(known: Records, sessions: pd.DataFrame) -> pd.DataFrame:
    visits = known.visits.merge(sessions[["session_id", "started"]], on="session_id", validate="many_to_one")
    return visits.assign(at=visits["started"] + visits["month"])[["patient_id", "at"]]


def _on_every_clock(units: pd.DataFrame, attended: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """Return every attendance on the clock of every unit it can count for, after the operation."""
    pairs = units[["unit", "started", *keys]].merge(attended, on=keys, validate="many_to_many")
    pairs["clock"] = pairs["at"] - pairs["started"]
    return pairs[pairs["clock"] > AT_THE_SESSION].sort_values("clock")[["unit", "clock"]]


def _statuses(
    units: pd.DataFrame,
    attended: pd.DataFrame,
    known: Records,
    schedule: tuple[PlannedVisit, ...],
    quarter: int,
) -> pd.DataFrame:
    rows = pd.concat([_planned(units, known, visit) for visit in schedule], ignore_index=True)
    pairs = rows[["unit", "visit", "opens", "closes"]].merge(attended, on="unit", validate="many_to_many")
    beyond = np.maximum(pairs["opens"] - pairs["clock"], pairs["clock"] - pairs["closes"])
    pairs = pairs.assign(distance=np.maximum(beyond, 0.0))
    inside = pairs[pairs["distance"] == 0]
    astray = pairs[pairs.groupby(["unit", "clock"])["distance"].transform("min") > 0]
    astray = astray[astray["distance"] == astray.groupby(["unit", "clock"])["distance"].transform("min")]
    key = ["unit", "visit"]
    first = inside.groupby(key)["clock"].first().rename("month_seen")
    stray = astray.groupby(key)["clock"].first().rename("month_outside")
    rows = rows.join(first, on=key).join(stray, on=key)
    rows["due_month"] = np.floor(rows["register_month"] + rows["closes"] + 0.5)
    rows["quarter"] = quarter_of(rows["due_month"]).astype(int)
    rows["ended"] = _withdrawn_at(known, units, rows)
    rows["status"] = _status(rows, last_month(quarter))
    return rows[[*COLUMNS, "month_seen"]]


def _planned(units: pd.DataFrame, known: Records, visit: PlannedVisit) -> pd.DataFrame:
    if "placement_id" in units:
        theirs = units[units["zone"].isin(visit.zones)]
    else:
        planted = known.placements.loc[known.placements["zone"].isin(visit.zones), "session_id"]
        theirs = units[units["session_id"].isin(set(planted))]
    return theirs.assign(visit=visit.month, opens=visit.opens, closes=visit.closes)


def _withdrawn_at(known: Records, units: pd.DataFrame, rows: pd.DataFrame) -> pd.Series:
    """Return the month, on each row's clock, at which its patient ended follow-up."""
    ended = known.visits[known.visits["withdrawn"].fillna(False).astype(bool)]
    started = known.sessions.set_index("session_id")["patient_month"].astype(float)
    at = (ended["session_id"].map(started) + ended["month"]).groupby(ended["patient_id"]).min()
    return rows["patient_id"].map(at) - rows["started"]


def _status(rows: pd.DataFrame, end: int) -> np.ndarray:
    due = rows["due_month"] <= end
    seen = rows["month_seen"].notna()
    ended = rows["ended"].notna() & (rows["ended"] < rows["closes"]) & ~seen
    return np.select(
        [~due, seen, ended, rows["month_outside"].notna()], [NOT_YET, SEEN, WITHDRAWN, OUTSIDE], MISSED
    )
