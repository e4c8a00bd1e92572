"""What a terminal asks for an entry, and how an entry is read back; the answers become rows in `entry`."""

import sys
from collections.abc import Callable, Mapping, Sequence

import pandas as pd

from analytics import entry
from analytics.dictionary import TABLES, Column, must_be
from analytics.errors import ParameterError

OF_VISIT = ("mode", "photographs_standard", "complications_asked", "withdrawn")
Say = Callable[[str], None]


def line(question: str, usual: str = "") -> str:
    """Return one typed line, or what is usual where nothing was typed."""
    sys.stdout.write(f"{question}{f' [{usual}]' if usual else ''}: ")
    sys.stdout.flush()
    typed = sys.stdin.readline()
    if not typed:
        raise ParameterError("add: the answers ended before the entry was whole; nothing was written")
    return typed.strip() or usual


def yes(question: str) -> bool:
    """Ask for yes or no; nothing typed is no."""
    return line(f"{question} yes or no", "no").casefold() in ("y", "yes")


def number(text: str, what: str) -> float:
    """Return a typed number.

    Raises
    ------
    ParameterError
        When it is none.
    """
    try:
        return float(text)
    except ValueError:
        raise ParameterError(f"{what}: write a number with a decimal point, without a unit") from None


def place(case: entry.Case, named: str) -> entry.Place:
    """Return the place of a case by its zone or region.

    Raises
    ------
    ParameterError
        When no session planted there, or several regions of the zone are counted.
    """
    found = [p for p in case.places if named in (p.zone, p.region_id)]
    exact = [p for p in found if p.region_id == named]
    if len(found) == 1 or len(exact) == 1:
        return exact[0] if exact else found[0]
    known = ", ".join(dict.fromkeys(p.region_id for p in case.places)) or "none"
    raise ParameterError(f"add: '{named}' is not one place of this person; places counted: {known}")


def parted(cells: Mapping[str, str]) -> tuple[dict[str, str], dict[str, str]]:
    """Return cells of the counts and cells of the visit.

    Raises
    ------
    ParameterError
        When a column is in neither table.
    """
    known = {c.name for c in TABLES["measurements"].asked()}
    unknown = [c for c in cells if c not in known and c not in OF_VISIT]
    if unknown:
        raise ParameterError(f"--set: there is no column {', '.join(unknown)} of a count or a visit")
    of_visit = {c: v for c, v in cells.items() if c in OF_VISIT}
    return {c: v for c, v in cells.items() if c not in OF_VISIT}, of_visit


def follow_up(case: entry.Case, cells: Mapping[str, str], say: Say) -> tuple[entry.Change, ...]:
    """Ask for the month and the counts of a follow-up."""
    if not case.places:
        raise ParameterError("add: no session of this person planted a zone; enter one with --session")
    month = _month(say)
    say("Hairs counted, by place; Enter where none was counted.")
    counts = []
    for at in case.places:
        before = f", last {at.last['density_hairs_cm2']}/cm2 at month {at.last['month']}" if at.last else ""
        typed = line(f"  {_named(at)}{before}")
        if typed:
            size = number(line("    field in cm2", at.remembered["roi_area_cm2"]) or "0", "field")
            counts.append(entry.Count(at, number(typed, "hairs"), size))
    of_counts, of_visit = parted(cells)
    of_counts = {"reader_id": line("Counted by", case.places[0].remembered["reader_id"]), **of_counts}
    return entry.follow_up(case, month, counts, cells=of_counts, visit=of_visit)


def _month(say: Say) -> float:
    typed = line("Months since the latest session, or the date of the visit (2026-03-30)")
    if typed.count("-") == 2 and len(typed) >= 8:
        say("Neither date is stored.")
        return entry.months_since(typed, line("Date of the latest session"))
    return number(typed, "months")


def session(case: entry.Case, say: Say) -> tuple[entry.Change, ...]:
    """Ask for a new session, its planted zones and, for a new person, who it is."""
    patient = _cells("patients", ("patient_id",), say) if case.is_new else None
    last = case.tables["sessions"].iloc[-1].to_dict() if case.sessions else {}
    own = ("session_id", "patient_id", "session_number")
    kept = {c: last.get(c, "") for c in ("method", "surgeon_id", "team_id", "harvested_by", "donor_source")}
    cells = _cells("sessions", own, say, usual=kept)
    zones = []
    while True:
        zone = line("Zone planted (Enter ends)")
        if not zone:
            break
        more = _cells("placements", ("placement_id", "session_id", "zone"), say)
        zones.append({"zone": zone, **more})
    return entry.session(case, cells, zones, patient=patient)


def correction(case: entry.Case, table: str, say: Say) -> tuple[entry.Change, ...]:
    """Ask which row of a table is wrong and what the cells are."""
    if table not in TABLES:
        raise ParameterError(f"--correct: there is no table {table}; use one of {', '.join(TABLES)}")
    rows = case.tables[table]
    for i, row in enumerate(rows.to_dict("records"), start=1):
        say(f"  {i}  " + ", ".join(f"{c} {v}" for c, v in row.items() if v))
    chosen = number(line("Number of the row"), "row")
    if chosen not in range(1, len(rows) + 1):
        raise ParameterError(f"add: there is no row {chosen:g}; give one of 1 to {len(rows)}")
    was = rows.iloc[int(chosen) - 1].to_dict()
    name = line("Column")
    return entry.correction(case, table, was, {name: line("Is now", was.get(name, ""))})


def _cells(
    table: str, given: Sequence[str], say: Say, *, usual: Mapping[str, str] | None = None
) -> dict[str, str]:
    """Ask for the cells of a row that are not given: optional ones together, by name."""
    asked = [c for c in TABLES[table].asked() if c.name not in given]
    say(f"{TABLES[table].row.capitalize()}: Enter where nothing is known.")
    out = {c.name: _one(c, (usual or {}).get(c.name, "")) for c in asked if not c.optional or _is_size(c)}
    more = [c.name for c in asked if c.name not in out]
    while more and (name := line(f"Another column ({', '.join(more)}; Enter ends)")):
        if name not in more:
            say(f"  there is no {name} here")
            continue
        out[name] = _one(TABLES[table].column(name), "")
        more.remove(name)
    return out


def _is_size(column: Column) -> bool:
    return column.name.startswith("grafts_") and column.name[-1].isdigit()


def _one(column: Column, usual: str) -> str:
    words = (
        f" ({', '.join(column.allowed)})" if column.allowed else f" in {column.unit}" if column.unit else ""
    )
    while True:
        typed = line(f"  {column.name}, {column.meaning}{words}", usual)
        if not column.allowed or typed in (*column.allowed, ""):
            return typed
        sys.stdout.write(f"    {must_be(column)}\n")


def _named(at: entry.Place) -> str:
    where = at.zone if at.region_id == at.zone else f"{at.zone}, region {at.region_id}"
    fields = at.remembered["n_fields"]
    return where if fields in ("", "1") else f"{where}, on {fields} fields together"


def read_back(changes: Sequence[entry.Change], case: entry.Case) -> list[str]:
    """Return what would be written, as lines to read."""
    return [_said(change, case) for change in changes]


def _said(change: entry.Change, case: entry.Case) -> str:
    row = change.becomes or {}
    if change.was is not None:
        apart = [c for c in row if row[c] != change.was.get(c, "")]
        told = ", ".join(f"{c} {change.was.get(c) or 'empty'} becomes {row[c] or 'empty'}" for c in apart)
        return f"{change.table}: {told}"
    if change.table == "measurements":
        return _count_said(row, case)
    told = ", ".join(f"{c} {v}" for c, v in row.items() if v and c != "patient_id")
    return f"{TABLES[change.table].row}: {told}"


def _count_said(row: Mapping[str, str], case: entry.Case) -> str:
    """Return a count with what it was last time and at the beginning."""
    there = case.tables["measurements"]
    same = there[there["zone"].eq(row["zone"]) & there["session_id"].eq(row["session_id"])]
    month = pd.to_numeric(same["month"], errors="coerce")
    before = same[month < float(row["month"])]
    last = {} if before.empty else before.loc[month[before.index].idxmax()].to_dict()
    beside = f", was {last['density_hairs_cm2']} at month {last['month']}" if last else ""
    area = f"{row['n_fields']} x {row.get('roi_area_cm2', '?')} cm2"
    by = f"; counted by {row['reader_id']}" if row.get("reader_id") else ""
    return (
        f"{row['zone']}, month {row['month']} after session {row['session_id']}: "
        f"{row['density_hairs_cm2']} hairs/cm2 on {area}{beside}{by}"
    )
