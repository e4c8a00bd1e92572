"""Sheets that are alike (one tab a patient, one a year), and rows that a mapping forgets."""

from dataclasses import replace

import numpy as np

from analytics.errors import ParameterError, Problem
from analytics.mapping import find
from analytics.mapping.plan import EVERY_SHEET, Aside, Plan, TablePlan
from analytics.mapping.sources import EMPTY, OPEN, Book, Sheet, column_number
from analytics.mapping.values import FAULTS, key

FEWEST_TABS = 4  # so many sheets with one heading are written as one table of the mapping
TOTAL = "a total or a remark between rows"


def headings(table: find.FoundTable) -> tuple:
    """Return what makes sheets alike: the place and words of their headings."""
    words = tuple(
        (at, key(own), key(above)) for at, (own, above) in sorted(table.headers.items()) if own or above
    )
    return table.header_rows, words


def for_every_sheet(book: Book, plan: Plan) -> Plan:
    """Return a plan whose table of every sheet is written out, one for each sheet with these headings.

    Raises
    ------
    ParameterError
        When a visible sheet has other headings and is not set aside.
    """
    whole = [t for t in plan.tables if t.sheet == EVERY_SHEET]
    if not whole:
        return plan
    named = {t.sheet for t in plan.tables} | {a.sheet for a in plan.aside}
    tables, asides = [t for t in plan.tables if t.sheet != EVERY_SHEET], list(plan.aside)
    other = []
    for number, sheet in enumerate(book.sheets, 1):
        if sheet.is_hidden or sheet.name in named or not (sheet.fate != EMPTY).any():
            continue
        fitting = [(t, f) for t in whole for f in find.tables(sheet) if _fits(sheet, t, f)]
        if not fitting:
            other.append(str(number))
        for table, found in fitting[:1]:
            tables.append(
                replace(table, sheet=sheet.name, first_row=found.first_row + 1, last_row=found.last_row + 1)
            )
            rows = tuple(r + 1 for r in found.aside)
            asides += [Aside(sheet.name, rows, TOTAL)] if rows else []
    if other:
        raise ParameterError(
            f"mapping: the table of every sheet does not fit {len(other)} sheets (by place in the file: "
            f"{', '.join(other[:5])}); headings differ; mend them, or name the sheets under [[set_aside]]"
        )
    return replace(plan, tables=tuple(tables), aside=tuple(asides))


def _fits(sheet: Sheet, table: TablePlan, found: find.FoundTable) -> bool:
    """Tell whether a sheet has the headings of a table of every sheet, in their rows and columns."""
    if tuple(r + 1 for r in found.header_rows) != table.header_rows:
        return False
    wanted = {column_number(c.letter): c.header for c in table.columns if c.letter.isalpha()}
    there = {
        at: f"{above} / {own}" if above else own for at, (own, above) in found.headers.items() if own or above
    }
    return all(key(there.get(at, "")) == key(text) for at, text in wanted.items() if at in there) and set(
        there
    ) <= set(wanted)


def rows_left_out(book: Book, plan: Plan) -> list[Problem]:
    """Return a problem for each sheet with rows outside its tables that look like rows of them.

    Such a row has a cell in the column of the patient and at least half as many cells as rows of the table
    have.
    """
    words, out = FAULTS["row_left_out"], []
    for table in plan.tables:
        sheet = next(s for s in book.sheets if s.name == table.sheet)
        who = next((c.letter for c in table.columns if "patients.patient_id" in c.to), "")
        if not who.isalpha():
            continue
        columns = [column_number(c.letter) for c in table.columns if c.letter.isalpha()]
        own = sheet.fate[table.first_row - 1 : table.last_row][:, columns]
        usual = np.median((own != EMPTY).sum(axis=1)) if len(own) else 0
        is_open = sheet.fate[:, columns] == OPEN
        is_open[: max((*table.header_rows, table.last_row))] = False
        is_open &= _outside_tables(sheet, plan)[:, None]
        here = is_open[:, columns.index(column_number(who))] & (is_open.sum(axis=1) >= max(2, usual / 2))
        if here.any():
            first = int(np.flatnonzero(here)[0]) + 1
            said = (words["one"], words["several"])
            out.append(
                Problem(f"sheet '{sheet.name}'", "", int(here.sum()), first, words["rule"], words["action"],
                        "error", "row_left_out", said)
            )  # fmt: skip
    return out


def _outside_tables(sheet: Sheet, plan: Plan) -> np.ndarray:
    """Return which rows of a sheet are in no table of the plan, heading or data."""
    outside = np.ones(len(sheet.fate), dtype=bool)
    for table in (t for t in plan.tables if t.sheet == sheet.name):
        outside[min((*table.header_rows, table.first_row)) - 1 : table.last_row] = False
    return outside
