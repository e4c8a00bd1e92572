"""Who was due at a planned visit, and what became of it?

Seen in window, seen outside, missed, withdrawn, or not yet due. A visit is due when its window has closed by
the end of the quarter; nobody is counted as missed before. An attendance counts for every session of its
patient, on that session's clock. One that lies in no window of a session belongs to the planned visit whose
window is nearest (seen outside), so that an attendance at month 3 never stands in for month 1.
"""

import numpy as np
import pandas as pd

from analytics.records import Records
from analytics.review.declared import PlannedVisit
from analytics.review.periods import View, last_month, quarter_of

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


def sessions_due(view: View) -> pd.DataFrame:
    """Return one row per session and planned visit, with its status at the end of the quarter.

    Returns
    -------
    pandas.DataFrame
        COLUMNS (zone is `all`) and `month_seen`, the first attendance in the window on the session's clock.
    """
    sessions = _started(view.records).assign(zone="all", unit=lambda s: s["session_id"])
    attended = _on_every_clock(sessions, _attendances(view.records, sessions), ["patient_id"])
    return _statuses(sessions, attended, view, view.schedule)


def counts_due(view: View) -> pd.DataFrame:
    """Return one row per placement and planned visit at which hairs are counted, seen meaning counted."""
    sessions = _started(view.records)
    wanted = ["session_id", "surgeon_id", "register_month", "started"]
    placed = view.records.placements.merge(sessions[wanted], on="session_id", validate="many_to_one")
    placed = placed.assign(unit=placed["placement_id"])
    measured = view.records.measurements
    counts = measured[measured["region_kind"].eq("planted")]
    counted = counts.merge(sessions[["session_id", "started"]], on="session_id", validate="many_to_one")
    counted = counted.assign(at=counted["started"] + counted["month"])[["patient_id", "zone", "at"]]
    attended = _on_every_clock(placed, counted, ["patient_id", "zone"])
    planned = tuple(v for v in view.schedule if v.counted)
    return _statuses(placed, attended, view, planned)


def person_time(view: View) -> pd.DataFrame:
    """Return months observed and months possible of each session, up to the last planned visit.

    Source
    ------
    Clark, Altman & De Stavola 2002, Lancet 359:1309-10.
    """
    sessions = _started(view.records).assign(unit=lambda s: s["session_id"])
    attended = _on_every_clock(sessions, _attendances(view.records, sessions), ["patient_id"])
    last_visit = max(v.month for v in view.schedule)
    possible = last_month(view.quarter) + 0.5 - sessions["register_month"].astype(float)
    possible = possible.clip(0, last_visit)
    last = sessions["unit"].map(attended.groupby("unit")["clock"].max()).fillna(0.0)
    observed = np.minimum(last, possible)
    return sessions[["patient_id", "session_id"]].assign(observed=observed, possible=possible)


def _started(records: Records) -> pd.DataFrame:
    """Return the sessions with `started`, months from the patient's first session."""
    return records.sessions.assign(started=records.sessions["patient_month"].astype(float))


def _attendances(records: Records, sessions: pd.DataFrame) -> pd.DataFrame:
    visits = records.visits.merge(
        sessions[["session_id", "started"]], on="session_id", validate="many_to_one"
    )
    return visits.assign(at=visits["started"] + visits["month"])[["patient_id", "at"]]


def _on_every_clock(units: pd.DataFrame, attended: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """Return every attendance on the clock of every unit it can count for, after the operation."""
    pairs = units[["unit", "started", *keys]].merge(attended, on=keys, validate="many_to_many")
    pairs["clock"] = pairs["at"] - pairs["started"]
    return pairs[pairs["clock"] > AT_THE_SESSION].sort_values("clock")[["unit", "clock"]]


def _statuses(
    units: pd.DataFrame, attended: pd.DataFrame, view: View, planned: tuple[PlannedVisit, ...]
) -> pd.DataFrame:
    """Return one row per unit and planned visit, with when it was seen and its status."""
    rows = pd.concat([_planned(units, view.records, visit) for visit in planned], ignore_index=True)
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
    rows["ended"] = _withdrawn_at(view.records, rows)
    rows["status"] = _status(rows, last_month(view.quarter))
    return rows[[*COLUMNS, "month_seen"]]


def _planned(units: pd.DataFrame, records: Records, visit: PlannedVisit) -> pd.DataFrame:
    """Return the units a planned visit is for, with its window."""
    if "placement_id" in units:
        theirs = units[units["zone"].isin(visit.zones)]
    else:
        planted = records.placements.loc[records.placements["zone"].isin(visit.zones), "session_id"]
        theirs = units[units["session_id"].isin(set(planted))]
    return theirs.assign(visit=visit.month, opens=visit.opens, closes=visit.closes)


def _withdrawn_at(records: Records, rows: pd.DataFrame) -> pd.Series:
    """Return the month, on each row's clock, at which its patient ended follow-up."""
    ended = records.visits[records.visits["withdrawn"].fillna(False).astype(bool)]
    started = records.sessions.set_index("session_id")["patient_month"].astype(float)
    at = (ended["session_id"].map(started) + ended["month"]).groupby(ended["patient_id"]).min()
    return rows["patient_id"].map(at) - rows["started"]


def _status(rows: pd.DataFrame, end: int) -> np.ndarray:
    due = rows["due_month"] <= end
    seen = rows["month_seen"].notna()
    ended = rows["ended"].notna() & (rows["ended"] < rows["closes"]) & ~seen
    return np.select(
        [~due, seen, ended, rows["month_outside"].notna()], [NOT_YET, SEEN, WITHDRAWN, OUTSIDE], MISSED
    )
