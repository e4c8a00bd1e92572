"""What a sheet leaves open, as lines of the proposal: dates, rows that contradict, codes left blank."""

import datetime
import json
from collections import Counter
from itertools import pairwise

import numpy as np
import pandas as pd

from analytics.mapping import find, habits, values
from analytics.mapping.plan import QUESTION
from analytics.mapping.propose import Guess
from analytics.mapping.sources import EMPTY, Sheet

Guessed = list[tuple[Sheet, find.FoundTable, list[Guess]]]  # tables of the file, a guess for each column


def texts_of(guessed: Guessed, *, of: str = "") -> Counter[str]:
    """Return the texts of all mapped columns, or of those with a target that ends so, with how often each."""
    out: Counter[str] = Counter()
    for sheet, table, guesses in guessed:
        for at, one in zip(table.headers, guesses, strict=True):
            if not one.plan.is_set_aside and any(t.endswith(of) for t in one.plan.to):
                out.update(
                    {c: n for c, n in counted_cells(sheet, table, at).items() if isinstance(c, str) and c}
                )
    return out


def counted_cells(sheet: Sheet, table: find.FoundTable, at: int) -> Counter:
    """Return the cells of a column, each with how often it stands there."""
    return Counter(cells_in(sheet, table, at))


def n_errors(guessed: Guessed) -> int:
    """Return how many cells of mapped columns hold the error of a formula."""
    n = 0
    for sheet, table, guesses in guessed:
        for at, one in zip(table.headers, guesses, strict=True):
            if not one.plan.is_set_aside:
                n += sum(
                    k
                    for c, k in counted_cells(sheet, table, at).items()
                    if isinstance(c, str) and c in values.FORMULA_ERRORS
                )
    return n


def date_columns(guessed: Guessed) -> list[tuple[Sheet, find.FoundTable, int]]:
    """Return every column of dates: its sheet, its table, and where it stands there."""
    return [
        (sheet, table, at)
        for sheet, table, guesses in guessed
        for at, one in zip(table.headers, guesses, strict=True)
        if any(t.endswith("date") for t in one.plan.to)
    ]


def cells_in(sheet: Sheet, table: find.FoundTable, at: int) -> np.ndarray:
    """Return the cells of a column of data, without totals between rows."""
    rows = np.arange(table.first_row, table.last_row + 1)
    rows = rows[~np.isin(rows, table.aside)]
    return sheet.cells[rows, at]


def footnotes(guessed: Guessed) -> list[str]:
    """Return the texts that stand beneath the tables, cell by cell."""
    out: list[str] = []
    for sheet, table, _ in guessed:
        out += [c for c in sheet.cells[table.last_row + 1 :].ravel() if isinstance(c, str) and c]
    return out


def joining(guessed: Guessed) -> str:
    """Return when rows speak of one operation, and when the register begins."""
    days_by_patient = _operation_days(guessed)
    near = sum(_has_near(days) for days in days_by_patient.values())
    same, why = ("day", "day, month, or within N days; one date is one operation")
    if near:
        same, why = (
            QUESTION,
            f"{near} patients have operation dates under 31 days apart: day, month, within N days",
        )
    return (
        "[joining]\n"
        + line_of(
            "register_begins",
            habits.first_month(d for days in days_by_patient.values() for d in days),
            "the month that is register month 1 (or an earlier one)",
        )
        + "\n"
        + line_of("same_operation", same, why)
        + "\n"
        + _contradiction(guessed)
        + "\n"
        + line_of("undated_counts", "stop", 'a count without its date: stop, or "planned month"')
        + "\n"
        + _blank_codes(guessed)
    )


def _contradiction(guessed: Guessed) -> str:
    """Return what becomes of facts of a patient that rows state differently: a question where any do."""
    said = []
    for sheet, table, guesses in guessed:
        places = list(zip(table.headers, guesses, strict=True))
        who = next((at for at, g in places if "patients.patient_id" in g.plan.to), None)
        if who is None:
            continue
        for at, one in places:
            if at != who and one.plan.to[0].startswith("patients."):
                pairs = pd.DataFrame({"who": cells_in(sheet, table, who), "fact": cells_in(sheet, table, at)})
                pairs = pairs[pairs["who"].ne("") & pairs["fact"].ne("")].astype(str).drop_duplicates()
                n = int(pairs["who"].value_counts().gt(1).sum())
                said += [f"column {one.plan.letter} differs between rows of {n} patients"] if n else []
    why = 'where rows of one patient disagree: stop, or "leave out" to set those cells aside'
    return line_of("contradiction", QUESTION if said else "stop", "; ".join([*said, why]))


def _blank_codes(guessed: Guessed) -> str:
    """Return the question what a row without a code is, where rows of data have none."""
    n = 0
    for sheet, table, guesses in guessed:
        for at, one in zip(table.headers, guesses, strict=True):
            if "patients.patient_id" in one.plan.to:
                cells = cells_in(sheet, table, at)
                rows = np.arange(table.first_row, table.last_row + 1)
                rows = rows[~np.isin(rows, table.aside)]
                inside = {
                    r
                    for first, left, last, right in sheet.merged
                    if left <= at <= right
                    for r in range(first, last + 1)
                }
                full = (sheet.fate[rows] != EMPTY).any(axis=1)
                n += sum(
                    c == "" and f and int(r) not in inside for c, f, r in zip(cells, full, rows, strict=True)
                )
    why = f'{n} rows have no code: "as above" if a code stands once for the rows below it, else stop'
    return line_of("blank_codes", QUESTION, why) + "\n" if n else ""


def _operation_days(guessed: Guessed) -> dict[object, set[datetime.date]]:
    """Return the days of operations by patient; none while the order of day and month is a question."""
    order = habits.date_order(texts_of(guessed, of="date"))[0]
    days_by_patient: dict[object, set[datetime.date]] = {}
    if order == QUESTION:
        return days_by_patient
    reading = values.Reading(date_order=order, short_years="2000")
    for sheet, table, guesses in guessed:
        places = list(zip(table.headers, guesses, strict=True))
        who = next((at for at, g in places if "patients.patient_id" in g.plan.to), None)
        for at in [at for at, g in places if "sessions.date" in g.plan.to and who is not None]:
            pairs = dict.fromkeys(
                zip(cells_in(sheet, table, who or 0), cells_in(sheet, table, at), strict=True)
            )
            days = {cell: values.date(cell, reading) for cell in {c for _, c in pairs} if cell != ""}
            for patient, cell in pairs:
                day = days.get(cell)
                if isinstance(day, datetime.date) and patient != "":
                    days_by_patient.setdefault(patient, set()).add(day)
    return days_by_patient


def _has_near(days: set[datetime.date]) -> bool:
    ordered = sorted(days)
    return any((b - a).days < 31 for a, b in pairwise(ordered))


def line_of(name: str, value: object, remark: str) -> str:
    """Return one line of TOML: a JSON text, number or list is one of TOML too."""
    bare = (
        name if name.replace("_", "").isalnum() and name.isascii() else json.dumps(name, ensure_ascii=False)
    )
    text = json.dumps(value, ensure_ascii=False)
    return f"{bare} = {text}" + (f"  # {remark}" if remark else "")
