"""The rows of a follow-up, of a new session, of a correction: what is typed, as cells of the dictionary.

What can be computed is: the density from hairs and field, the months from two dates, the number of a session,
the sums of grafts. Dates and chart numbers go no further than these functions.
"""

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from analytics import mapping
from analytics.dictionary import TABLES
from analytics.entry.case import Case, Place
from analytics.entry.changes import Change, Row
from analytics.errors import ParameterError


@dataclass(frozen=True, slots=True)
class Count:
    """Hairs counted at a place: `hairs` over `fields` fields of `field_cm2` each; 0 takes the last ones."""

    place: Place
    hairs: float
    field_cm2: float = 0.0
    fields: int = 0

    @property
    def area_cm2(self) -> float:
        """Return the counted area.

        Raises
        ------
        ParameterError
            When neither this count nor an earlier one says how large a field is.
        """
        one = self.field_cm2 or _number(self.place.remembered.get("roi_area_cm2", ""))
        n = self.fields or int(_number(self.place.remembered.get("n_fields", "")) or 1)
        if not one or one <= 0:
            raise ParameterError(f"{self.place.zone}: the area of a field is not known; type it in cm2")
        return one * n

    @property
    def density(self) -> float:
        """Return hairs per cm2."""
        return self.hairs / self.area_cm2


def months_since(visit: str, session: str) -> float:
    """Return the months between two typed dates (ISO 8601), to one decimal; neither is kept.

    Parameters
    ----------
    visit
        Day of the visit, as 2026-03-30.
    session
        Day of the session.

    Returns
    -------
    float
        Months; below 0 before the session.

    Raises
    ------
    ParameterError
        When one is no such date.

    Examples
    --------
    >>> months_since("2026-03-30", "2024-09-29")
    18.0
    """
    try:
        end, start = datetime.date.fromisoformat(visit), datetime.date.fromisoformat(session)
    except ValueError:
        raise ParameterError("date: type year, month, day, such as 2026-03-30; no date is kept") from None
    return mapping.months_between(start, end)


def follow_up(
    case: Case,
    month: float,
    counts: Sequence[Count],
    *,
    cells: Mapping[str, str] | None = None,
    visit: Mapping[str, str] | None = None,
    events: Sequence[Mapping[str, str]] = (),
) -> tuple[Change, ...]:
    """Return the rows of a follow-up: one per count, the visit, and what complications were told.

    Parameters
    ----------
    case
        Of `case_of`.
    month
        Months since the person's latest session, to one decimal; -6 to 0 is a baseline.
    counts
        What was counted; none where the person was seen without a count.
    cells
        Cells of `measurements` that differ from what is remembered (reader_id, hair_length, and so on).
    visit
        Cells of `visits` (mode, photographs_standard, complications_asked, withdrawn).
    events
        Cells of `events` (kind, severity, temporary), each begun at this visit.

    Returns
    -------
    tuple
        Changes to be looked at (`look`) and written (`record`).

    Raises
    ------
    ParameterError
        When the person has no session, or there is nothing to enter.

    Examples
    --------
    As `regrowth add` and notebook 09 make them; nothing is written by it.
    """
    if not case.sessions:
        raise ParameterError("entry: this person has no session in the register; enter the session first")
    rows = [Change("measurements", None, _measured(case, month, count, cells or {})) for count in counts]
    if case.keeps_visits:
        rows += _visit(case, month, visit or {})
    elif visit and not counts:
        raise ParameterError(
            "entry: the register keeps no table of visits, so that a visit without a count cannot be "
            "entered; add the table visits (regrowth template shows it)"
        )
    rows += [
        Change("events", None, {"session_id": case.sessions[-1], "month": text_of(month), **event})
        for event in events
    ]
    if not rows:
        raise ParameterError("entry: there is nothing to enter; type at least one count")
    return tuple(rows)


def _measured(case: Case, month: float, count: Count, cells: Mapping[str, str]) -> Row:
    place = count.place
    kept = {**place.remembered, **{c: text for c, text in cells.items() if text}}
    if count.field_cm2:
        kept["roi_area_cm2"] = text_of(count.field_cm2, decimals=4)
    if count.fields:
        kept["n_fields"] = str(count.fields)
    row = {
        "patient_id": case.patient_id,
        "zone": place.zone,
        "region_id": place.region_id,
        "region_kind": place.region_kind,
        "session_id": place.session_id,
        "month": text_of(month + place.months_more),
        "density_hairs_cm2": text_of(count.density, decimals=2),
        "n_fields": "1",
        "roi_marked": "False",
        "standard_conditions": "True",
        **_filled(kept),
    }
    row["count_number"] = str(1 + _standing(case, row))
    return row


def _filled(cells: Mapping[str, str]) -> dict[str, str]:
    return {c: text for c, text in cells.items() if text}


def _standing(case: Case, row: Row) -> int:
    """Return how many counts of this place and month are there already."""
    there = case.tables["measurements"]
    same = pd.Series(True, index=there.index)
    for column in ("zone", "session_id"):
        same &= there[column].eq(row[column])
    same &= there["region_id"].where(there["region_id"].ne(""), there["zone"]).eq(row["region_id"])
    same &= pd.to_numeric(there["month"], errors="coerce").eq(float(row["month"]))
    return int(same.sum())


def _visit(case: Case, month: float, cells: Mapping[str, str]) -> list[Change]:
    """Return the visit, unless it stands there already."""
    row = {"patient_id": case.patient_id, "session_id": case.sessions[-1], "month": text_of(month)}
    there = case.tables["visits"]
    same = there["session_id"].eq(row["session_id"])
    same &= pd.to_numeric(there["month"], errors="coerce").eq(float(row["month"]))
    if same.any():
        return []
    usual = {"mode": "clinic", "complications_asked": "False", "withdrawn": "False"}
    return [Change("visits", None, {**row, **usual, **_filled(cells)})]


def session(
    case: Case,
    cells: Mapping[str, str],
    placements: Sequence[Mapping[str, str]],
    *,
    patient: Mapping[str, str] | None = None,
    baselines: Sequence[Count] = (),
) -> tuple[Change, ...]:
    """Return the rows of a new session with its planted zones, of a new person, and of baseline counts.

    Parameters
    ----------
    case
        Of `case_of`; a person whom the register does not know is entered too.
    cells
        Cells of `sessions`; session_id, session_number and, from the register months, patient_month are
        given by the program.
    placements
        Cells of `placements`, one per planted zone; placement_id is given by the program.
    patient
        Cells of `patients`, for a new person.
    baselines
        Counts on the day, month 0.

    Returns
    -------
    tuple
        Changes, one per new row.

    Raises
    ------
    ParameterError
        When no zone was planted.

    Examples
    --------
    As `regrowth add --session` and notebook 09 make them; nothing is written by it.
    """
    if not placements:
        raise ParameterError("entry: a session plants at least one zone; type its area and grafts")
    number = len(case.sessions) + 1
    session_id = _free_id(f"{case.patient_id}-{number}", case.sessions)
    rows = []
    if case.is_new:
        rows.append(Change("patients", None, {"patient_id": case.patient_id, **_filled(patient or {})}))
    own = {"session_id": session_id, "patient_id": case.patient_id, "session_number": str(number)}
    rows.append(Change("sessions", None, {**_filled(cells), **own}))
    taken = set(case.tables["placements"]["placement_id"])
    for zone in placements:
        side = zone.get("site", "")
        name = f"{session_id}-{zone.get('zone', '')}{'-' + side if side not in ('', 'whole') else ''}"
        placement_id = _free_id(name, taken)
        taken.add(placement_id)
        rows.append(
            Change(
                "placements",
                None,
                {"placement_id": placement_id, "session_id": session_id, **_filled(zone)},
            )
        )
    for count in baselines:
        row = dict(_measured(case, 0.0, count, {}))
        row |= {"session_id": session_id, "month": "0"}
        rows.append(Change("measurements", None, row))
    return tuple(rows)


def _free_id(name: str, taken) -> str:
    """Return a code that nothing has yet.

    >>> _free_id("0001-2", ["0001-2"])
    '0001-2b'
    """
    endings = ["", *"bcdfghjk"]
    return next(name + e for e in endings if name + e not in taken)


def correction(case: Case, table: str, was: Row, cells: Mapping[str, str]) -> tuple[Change, ...]:
    """Return the change of some cells of one row; the row stays in its place.

    Parameters
    ----------
    case
        Of `case_of`.
    table
        Name of the table.
    was
        The row as it stands, text by column.
    cells
        What becomes of which cells.

    Returns
    -------
    tuple
        One change; the row stays in its place.

    Raises
    ------
    ParameterError
        When the table or a column is unknown, or nothing would change.

    Examples
    --------
    >>> from analytics.entry.case import Case
    >>> case, was = Case("P1", {}, (), (), True), {"session_id": "P1-1", "method": "FUE"}
    >>> correction(case, "sessions", was, {"method": "FUT"})[0].becomes["method"]
    'FUT'
    """
    if table not in TABLES:
        raise ParameterError(f"correction: there is no such table; use one of {', '.join(TABLES)}")
    unknown = [c for c in cells if c not in {column.name for column in TABLES[table].asked()}]
    if unknown:
        raise ParameterError(f"correction: {table} has no column {', '.join(unknown)}")
    new = {**was, **cells}
    if new == dict(was):
        raise ParameterError("correction: the row is as it was; type what is to change")
    return (Change(table, dict(was), new),)


def text_of(number: float, *, decimals: int = 1) -> str:
    """Return a number as a cell: a decimal point, no more decimals than needed.

    Parameters
    ----------
    number
        Any.
    decimals
        At most so many.

    Returns
    -------
    str
        A cell.

    Examples
    --------
    >>> text_of(18.04), text_of(47.0), text_of(66.666667, decimals=2)
    ('18', '47', '66.67')
    """
    return f"{round(number, decimals) + 0.0:.{decimals}f}".rstrip("0").rstrip(".")


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return 0.0
