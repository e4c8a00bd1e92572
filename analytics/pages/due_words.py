"""Who is due, in words: one line per patient, on the screen and on the sheet that the clinic keeps."""

import pandas as pd

from analytics import course, numbers
from analytics.dictionary import ZONES
from analytics.files import begins
from analytics.results import Result

Start = tuple[int, int]
HEADINGS = ("code", "due for", "state", "from", "to", "last counted at month", "also")
HEADS = {course.OVERDUE: "Overdue", course.OPEN: "Window open this month", course.SOON: "Opens soon"}


def per_patient(result: Result) -> pd.DataFrame:
    """Return one row per patient of `course.due`: `due_for` and `also` in words, state, window, last count.

    The window is the one that closes first of what is due in the patient's most pressing state.
    """
    listed = result.extra["listed"]
    rows = []
    for code, own in listed.groupby("patient_id", sort=False):
        first = own.iloc[0]
        pressing = own["state"].eq(first["state"])
        rows.append(
            {
                "patient_id": code,
                "due_for": what(own[pressing]),
                "state": first["state"],
                "opens_in": int(own.loc[pressing, "opens_in"].min()),
                "closes_in": int(own.loc[pressing, "closes_in"].min()),
                "last": own["last"].max(),
                "also": what(own[~pressing]),
                "visit": f"session {first['session_number']}, month {first['visit']:g}",
            }
        )
    columns = ["patient_id", "due_for", "state", "opens_in", "closes_in", "last", "also", "visit"]
    return pd.DataFrame(rows, columns=columns)


def what(rows: pd.DataFrame) -> str:
    """Return what is due in words.

    Examples
    --------
    >>> rows = pd.DataFrame({"session_number": [1, 1, 2], "zone": ["frontal", "hairline", "crown"],
    ...                      "visit": [12.0, 12.0, 3.0], "counted": True})
    >>> what(rows)
    'hairline and frontal, month 12 (session 1); crown, month 3 (session 2)'
    """
    several = rows["session_number"].nunique() > 1
    parts = []
    for (session, visit, counted), own in rows.groupby(["session_number", "visit", "counted"], sort=True):
        zones = numbers.listed(sorted(own["zone"], key=ZONES.index)) if counted else "a visit without counts"
        parts.append(f"{zones}, month {visit:g}{f' (session {session})' if several else ''}")
    return "; ".join(parts)


def sheet(result: Result, start: Start) -> list[list[object]]:
    """Return the due sheet with real months, its headings first; for the clinic alone."""
    rows: list[list[object]] = [list(HEADINGS)]
    for row in per_patient(result).itertuples():
        months = [said(m, start) for m in (row.opens_in, row.closes_in)]
        last = None if pd.isna(row.last) else float(row.last)
        rows.append([row.patient_id, row.due_for, row.state, *months, last, row.also])
    return rows


def lines(result: Result, start: Start) -> list[str]:
    """Return the due list for the screen, most pressing first, under a heading for each state."""
    table, out = per_patient(result), []
    for state, head in HEADS.items():
        own = table[table["state"].eq(state)]
        out.append(f"{head}: {len(own)}")
        for row in own.itertuples():
            until = said(row.closes_in, start)
            window = (
                f"closed {until}" if state == course.OVERDUE else f"{said(row.opens_in, start)} to {until}"
            )
            out.append(
                f"  {row.patient_id}  {row.due_for} ({window}){f'; also {row.also}' if row.also else ''}"
            )
    hidden = result.table().iloc[-1]
    if hidden["estimate"]:
        out.append(f"Not listed, {hidden['term'].removesuffix(', not listed')}: {hidden['estimate']:.0f}")
    return out


def said(month: int, start: Start) -> str:
    """Return a register month as the clinic's calendar has it.

    >>> said(38, (2021, 1))
    'Feb 2024'
    """
    return begins.first_day(month, start).strftime("%b %Y")
