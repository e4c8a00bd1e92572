"""From the rows of one table on a sheet to pieces of records: wide becomes long, cells become values.

A piece is a frame with one row per record of one table of the dictionary, as far as this row of the sheet
tells it. Every cell that is read gets its fate: placed in a table, or set aside with the reason.
"""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from analytics.dictionary import TABLES
from analytics.errors import ParameterError, Problem
from analytics.mapping import values
from analytics.mapping.plan import SHEET_NAME, ColumnPlan, Plan, TablePlan
from analytics.mapping.sources import EMPTY, OPEN, Book, Sheet, column_number
from analytics.mapping.values import FAULTS

# A record of a table is there when one of these cells is filled.
DEFINING = {
    "sessions": ("date", "register_month", "grafts_out", "attempts"),
    "placements": ("area_cm2", "grafts", "grafts_1", "grafts_2", "grafts_3", "grafts_4", "hairs",
                   "roi_planted_hairs_cm2"),
    "measurements": ("density_hairs_cm2",),
    "visits": ("date", "month", "photographs_standard", "complications_asked"),
    "ratings": ("satisfaction_0_10", "would_choose_again"),
    "events": ("kind",),
    "therapies": ("kind",),
}  # fmt: skip
ABOUT = ("zone", "site", "session", "visit")
PLACED, MISSING_WORD, ASIDE = "placed", "stands for missing", "set aside"


@dataclass(frozen=True, slots=True)
class Pieces:
    """Pieces of records by table of the dictionary, and every cell that could not be read."""

    records: dict[str, list[pd.DataFrame]] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)


def extract(book: Book, sheet: Sheet, table: TablePlan, plan: Plan, pieces: Pieces) -> None:
    """Read one table of a sheet into pieces; settle the fate of each of its cells.

    Raises
    ------
    ParameterError
        When the mapping names rows or columns that the sheet does not have, or no column of the patient.
    """
    _refuse_absent(sheet, table)
    rows = _data_rows(book, sheet, table, plan)
    columns = [_read(book, sheet, c, rows, plan, pieces) for c in table.columns]
    by_target: dict[str, list[tuple[ColumnPlan, np.ndarray, np.ndarray]]] = {}
    for plan_of, found in zip(table.columns, columns, strict=True):
        for target, read in found.items():
            by_target.setdefault(target, []).append((plan_of, read, rows))
    patient = by_target.get("patients.patient_id")
    if not patient:
        raise ParameterError(
            f"mapping: a table of sheet '{sheet.name}' has no column for patients.patient_id"
        )
    who = _as_above(patient[0][1]) if plan.blank_codes == "as above" else patient[0][1]
    _note_rows_without(pieces, sheet, table, rows, who)
    block = f"{table.columns[0].letter}{table.first_row}"
    base = pd.DataFrame({"patient_id": who, "row": rows + 1, "sheet": sheet.name, "block": block})
    pieces.records.setdefault("patients", []).append(_patients(base, by_target))
    covered = {c.letter: np.full(len(rows), c.to[0].startswith("patients.")) for c in table.columns}
    for name in DEFINING:
        for piece in _groups(name, base, by_target, covered):
            pieces.records.setdefault(name, []).append(piece)
    _set_aside_uncovered(book, sheet, rows, covered)


def _refuse_absent(sheet: Sheet, table: TablePlan) -> None:
    height, width = sheet.cells.shape
    places = [place_of(c.letter) for c in table.columns if c.letter != SHEET_NAME]
    beyond = [p for p in places if p[1] >= width or (p[0] or 0) >= height]
    if table.last_row > height or beyond:
        raise ParameterError(
            f"mapping: the table of sheet '{sheet.name}' reaches beyond its {height} rows and "
            f"{width} columns; propose the mapping again"
        )


def _data_rows(book: Book, sheet: Sheet, table: TablePlan, plan: Plan) -> np.ndarray:
    """Return the rows of data (from 0), and settle headings, repeated headings, and rows set aside."""
    block = sheet.fate[:, [column_number(c.letter) for c in table.columns if c.letter.isalpha()]]
    head = np.array(table.header_rows, dtype=int) - 1
    _settle(sheet, head, book.fate("heading"))
    rows = np.arange(table.first_row - 1, table.last_row)
    for aside in plan.aside:
        if aside.sheet == sheet.name and aside.rows:
            chosen = np.array(aside.rows, dtype=int) - 1
            _settle(sheet, chosen[chosen < len(sheet.fate)], book.fate(ASIDE, "", aside.reason))
            rows = rows[~np.isin(rows, chosen)]
    if len(head):
        last = sheet.cells[head[-1]]
        filled = last != ""
        again = rows[(sheet.cells[np.ix_(rows, np.flatnonzero(filled))] == last[filled]).all(axis=1)]
        _settle(sheet, again, book.fate(ASIDE, "", "headings repeated inside the table"))
        rows = rows[~np.isin(rows, again)]
    return rows[(block[rows] != EMPTY).any(axis=1)]


def _settle(sheet: Sheet, rows: np.ndarray, fate: int) -> None:
    """Give all open cells of some rows one fate."""
    part = sheet.fate[rows]
    part[part == OPEN] = fate
    sheet.fate[rows] = part


def _read(
    book: Book, sheet: Sheet, column: ColumnPlan, rows: np.ndarray, plan: Plan, pieces: Pieces
) -> dict[str, np.ndarray]:
    """Return the values of one column by target; settle its cells; note what could not be read."""
    if not column.letter.isalpha():
        cells, broken = _same_for_all(book, sheet, column, len(rows)), np.zeros(len(rows), dtype=bool)
    else:
        at = column_number(column.letter)
        cells = _filled_down(sheet, at, rows)
        fate = sheet.fate[rows, at]
        if column.is_set_aside:
            fate[fate == OPEN] = book.fate(ASIDE, "", column.reason or "not mapped")
            sheet.fate[rows, at] = fate
            return {}
        missing = values.is_missing(cells, plan.reading)
        fate[(fate == OPEN) & missing] = book.fate(MISSING_WORD)
        broken = ~missing & values.is_missing(cells, values.BROKEN)
        if plan.reading.errors == "set aside":
            fate[(fate == OPEN) & broken] = book.fate(ASIDE, "", "the error of a formula")
        cells = np.where(missing | broken, "", cells)
        fate[fate == OPEN] = book.fate(PLACED, column.to[0].split(".")[0])
        sheet.fate[rows, at] = fate
    if broken.any() and plan.reading.errors != "set aside":
        faults = np.where(broken, "formula_error", "").astype(object)
        pieces.problems.extend(_problems(sheet, column, column.to[0], rows, faults))
    out: dict[str, np.ndarray] = {}
    for target, part, bad in _parts(cells, column):
        read, faults = _by_target(part, target, column, plan)
        faults = np.where(bad != "", bad, faults)
        pieces.problems.extend(_problems(sheet, column, target, rows, faults))
        out[target] = read
        if plan.reading.mark and target == "measurements.density_hairs_cm2":
            out["measurements.mark"] = values.spread(part, lambda c: values.marked(c, plan.reading.mark)[1])[
                0
            ]
    return out


def _same_for_all(book: Book, sheet: Sheet, column: ColumnPlan, n: int) -> np.ndarray:
    """Return the sheet's name, or one cell of it, n times; the cell is placed."""
    cells = np.empty(n, dtype=object)
    if column.letter == SHEET_NAME:
        cells[:] = sheet.name
        return cells
    row, at = place_of(column.letter)
    cells[:] = sheet.cells[row or 0, at]
    if sheet.fate[row or 0, at] != EMPTY:
        sheet.fate[row or 0, at] = book.fate(PLACED, column.to[0].split(".")[0])
    return cells


def place_of(letters: str) -> tuple[int | None, int]:
    """Return row (None for a whole column) and column from 0.

    >>> place_of("B"), place_of("B2")
    ((None, 1), (1, 1))
    """
    alone = letters.rstrip("0123456789")
    number = letters[len(alone) :]
    return (int(number) - 1 if number else None), column_number(alone)


def _as_above(who: np.ndarray) -> np.ndarray:
    """Return codes, an empty one standing for the one above it."""
    return pd.Series(who, dtype=object).ffill().map(lambda w: None if w != w else w).to_numpy(dtype=object)


def _filled_down(sheet: Sheet, at: int, rows: np.ndarray) -> np.ndarray:
    """Return the cells of a column, a merged cell standing for every row it covers."""
    whole = sheet.cells[:, at]
    covering = [m for m in sheet.merged if m[1] <= at <= m[3] and m[2] > m[0]]
    if covering:
        whole = whole.copy()
        for first, left, last, _ in covering:
            whole[first : last + 1] = sheet.cells[first, left]
    return whole[rows]


def _parts(cells: np.ndarray, column: ColumnPlan) -> list[tuple[str, np.ndarray, np.ndarray]]:
    """Return target, cells and faults: one part, or two where the column holds two facts."""
    if len(column.to) == 1:
        return [(column.to[0], cells, np.full(len(cells), "", dtype=object))]
    pairs, faults = values.spread(cells, lambda c: values.two(c, column.split))
    halves = [np.array(["" if p is None else p[k] for p in pairs], dtype=object) for k in (0, 1)]
    return [
        (column.to[k], halves[k], faults if k == 0 else np.full(len(cells), "", dtype=object)) for k in (0, 1)
    ]


def _by_target(
    cells: np.ndarray, target: str, column: ColumnPlan, plan: Plan
) -> tuple[np.ndarray, np.ndarray]:
    """Return values and faults of cells by what the target asks for."""
    reading, name = plan.reading, target.split(".")[1]
    if target.endswith("date"):
        found = values.spread(cells, lambda c: values.date(c, reading))
        return _turned(cells, found, plan)
    if name == "zone":
        return values.spread(cells, lambda c: values.word(c, plan.zones))
    if target == "placements.hairs_per_graft":
        return values.spread(cells, lambda c: values.number(c, reading))
    column_there = TABLES[target.split(".")[0]].column(name)
    if column_there.kind in ("number", "integer"):
        unit = column_there.unit

        def read(cell: object) -> float | values.Fault:
            bare = values.marked(cell, reading.mark)[0]
            return values.number(bare, reading, unit=unit, given_unit=column.unit)

        return values.spread(cells, read)
    if column_there.kind == "yesno":
        return values.spread(cells, values.yes_or_no)
    if column_there.kind == "choice":
        words = {values.key(w): w for w in column_there.allowed} | reading.words.get(target, {})
        return values.spread(cells, lambda c: values.word(c, words))
    if target != "patients.patient_id":
        return values.spread(cells, lambda c: values.code(c, width=column.width))
    codes, faults = values.spread(
        cells, lambda c: values.code(c, width=column.width, marks=reading.code_marks)
    )
    if not column.width and any(isinstance(c, str) and c.strip()[:1] == "0" for c in set(cells)):
        numbers = np.array([isinstance(c, float) for c in cells], dtype=bool)
        faults = np.where(numbers, "number_among_texts", faults)
    return codes, faults


def _turned(
    cells: np.ndarray, read_and_faults: tuple[np.ndarray, np.ndarray], plan: Plan
) -> tuple[np.ndarray, np.ndarray]:
    """Stop at, or turn back, stored dates whose day and month a spreadsheet program may have turned round."""
    read, faults = read_and_faults
    if plan.reading.swapped == "as stored" or not values.swapped(cells, plan.reading):
        return read, faults
    stored = np.array([not isinstance(c, str) for c in cells], dtype=bool)
    if plan.reading.swapped == "stop":
        return read, np.where(stored, "swapped_date", faults)
    back = [d.replace(month=d.day, day=d.month) if s and d else d for d, s in zip(read, stored, strict=True)]
    return np.array(back, dtype=object), faults


def _problems(
    sheet: Sheet, column: ColumnPlan, target: str, rows: np.ndarray, faults: np.ndarray
) -> list[Problem]:
    """Return one problem per kind of fault: sheet, column, count, first row as the spreadsheet shows it."""
    out = []
    for code in sorted(set(faults) - {""}):
        hit = np.flatnonzero(faults == code)
        words = FAULTS[code]
        out.append(
            Problem(
                f"sheet '{sheet.name}'",
                f"column {column.letter} ({target})",
                len(hit),
                int(rows[hit[0]]) + 1,
                words["rule"],
                words["action"],
                "error",
                code,
                (words["one"], words["several"]),
            )
        )
    return out


def _note_rows_without(
    pieces: Pieces, sheet: Sheet, table: TablePlan, rows: np.ndarray, who: np.ndarray
) -> None:
    none = np.array([w is None for w in who], dtype=bool)
    if none.any():
        column = next(c for c in table.columns if "patients.patient_id" in c.to)
        faults = np.where(none, "no_patient", "").astype(object)
        pieces.problems.extend(_problems(sheet, column, "patients.patient_id", rows, faults))


def _patients(base: pd.DataFrame, by_target: dict) -> pd.DataFrame:
    piece = base.copy()
    for target, parts in by_target.items():
        table, name = target.split(".")
        if table == "patients" and name != "patient_id":
            piece[name] = parts[0][1]
    return piece


def _groups(
    name: str, base: pd.DataFrame, by_target: dict, covered: dict[str, np.ndarray]
) -> list[pd.DataFrame]:
    """Return one piece for each zone, site, session and visit that the headers tell apart."""
    of_table = {t.split(".")[1]: pieces for t, pieces in by_target.items() if t.startswith(f"{name}.")}
    if name == "measurements" and "zone" not in of_table and "placements.zone" in by_target:
        of_table["zone"] = by_target["placements.zone"]
    if name != "sessions" and "sessions.session_number" in by_target:
        of_table["session_number"] = by_target["sessions.session_number"]
    wanted = {plan.about for c in DEFINING[name] for plan, _, _ in of_table.get(c, [])}
    pieces = [_piece(name, base, of_table, about, covered) for about in sorted(wanted, key=str)]
    if name == "placements" and _is_log(by_target):
        pieces = [piece.assign(is_log=True) for piece in pieces]
    return [piece for piece in pieces if len(piece)]


def _is_log(by_target: dict) -> bool:
    """Tell whether a row is one visit: its date or month stands in a column of no heading's visit."""
    visits = ("measurements.date", "measurements.month", "visits.date", "visits.month")
    return any(not plan.visit and plan.month is None for t in visits for plan, _, _ in by_target.get(t, ()))


def _piece(
    name: str, base: pd.DataFrame, of_table: dict, about: tuple, covered: dict[str, np.ndarray]
) -> pd.DataFrame:
    """Return the records of one group: its own columns, and those that speak of all groups."""
    chosen = {}
    for column, found in of_table.items():
        fitting = [(plan, read) for plan, read, _ in found if _speaks_of(plan.about, about)]
        if fitting and not (column == "zone" and about[0]):
            chosen[column] = max(fitting, key=lambda f: sum(bool(a) for a in f[0].about))
    here = np.zeros(len(base), dtype=bool)
    for column in DEFINING[name]:
        if column in chosen:
            here |= np.array([v is not None for v in chosen[column][1]], dtype=bool)
    piece = base.assign(**{column: read for column, (_, read) in chosen.items()})
    for plan, _ in chosen.values():
        covered[plan.letter] = covered[plan.letter] | here
    months = [p.month for c, (p, _) in chosen.items() if c in DEFINING[name] and p.month is not None]
    if months:
        piece["planned_month"] = float(months[0])
    for k, what in enumerate(ABOUT):
        if about[k]:
            piece[f"header_{what}"] = about[k]
    return piece[here].reset_index(drop=True)


def _set_aside_uncovered(book: Book, sheet: Sheet, rows: np.ndarray, covered: dict[str, np.ndarray]) -> None:
    """Set aside cells that were read but belong to no record, such as the date of a missing count."""
    for letter, used in covered.items():
        if not letter.isalpha():
            continue
        at = column_number(letter)
        fate = sheet.fate[rows, at]
        placed = np.array([book.fates[f][0] == PLACED for f in fate], dtype=bool)
        fate[placed & ~used] = book.fate(ASIDE, "", "belongs to a record that is not there")
        sheet.fate[rows, at] = fate


def _speaks_of(column: tuple, group: tuple) -> bool:
    """Tell whether a column with such a header belongs to a group: what it says agrees."""
    return all(not c or c == g for c, g in zip(column, group, strict=True))
