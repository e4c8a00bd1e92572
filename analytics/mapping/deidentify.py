"""What may leave the clinic's computer: codes for numbers, months for dates, nothing that was not asked for.

From a source with the columns of the dictionary (and dates beside them), or from a clinic's own file with its
mapping, to a folder of tables: every number that stands for a person, operation or place is coded
(`identifiers.codes`), dates become months since the operation and register months, ages of 90 and more are
put together, columns outside the dictionary are dropped unless named, and the rows are put in the order of
their codes, which only the key knows. The report tells what was changed and holds no value.

Rules: 45 CFR 164.514(b)(2)(i) (safe harbour) and 164.514(c) (codes); GDPR article 4(5): with a key that
someone holds, the records stay personal data. Law and the clinic's own duty decide whether they may be
passed on.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from analytics import files
from analytics.dictionary import MEASURED_ZONES, OLDEST_AGE, TABLES, RawTable
from analytics.errors import ParameterError, RecordError, that_stop
from analytics.files import csv_bytes, file, folder, refuse_file
from analytics.identifiers import codes, scan
from analytics.mapping.apply import BALANCE_SUFFIX, Balance, beside, mapped
from analytics.mapping.clock import age_at, months_between
from analytics.mapping.values import DERIVED, Reading, date, spread, tidy
from analytics.records import readers

# Kind of number by column: the same person has the same code in every column.
KINDS = {
    "patient_id": "patient",
    "session_id": "session",
    "placement_id": "placement",
    "region_id": "region",
    "surgeon_id": "staff",
    "harvested_by": "staff",
    "planted_by": "staff",
    "reader_id": "staff",
    "team_id": "team",
}
MOST_LABELS = 20  # distinct words of a label column; more are remarks. Assumed.


@dataclass(frozen=True, slots=True)
class Report:
    """What was changed: one row per table and change, with its number of cells; no value of any."""

    changes: pd.DataFrame
    notes: tuple[str, ...] = ()
    balance: Balance | None = None

    def text(self) -> str:
        """Return the report as lines to read: the balance of cells, where there is one, then the changes."""
        lines = [f"{r.table}.{r.column}: {r.change} ({r.n_cells} cells)" for r in self.changes.itertuples()]
        before = [self.balance.text()] if self.balance else []
        return "\n".join([*before, *lines, *self.notes]) + "\n"


def deidentify(
    source: str | Path,
    out: str | Path,
    key_file: str | Path,
    *,
    plan: str | Path | None = None,
    keep: Sequence[str] = (),
    register_begins: str = "",
    queries: Mapping[str, str] | None = None,
) -> Report:
    """Write a folder of tables in which nobody is named.

    Parameters
    ----------
    source
        Records with the columns of the dictionary; or, with `plan`, a clinic's own file.
    out
        Folder of tables to write.
    key_file
        The clinic's key, outside the folders of source and out.
    plan
        The mapping file of a clinic's own file.
    keep
        Columns outside the dictionary to keep, as `table.column`; they are the clinic's responsibility.
    register_begins
        Year and month of register month 1 (YYYY-MM); needed where operations have dates and no register
        month.

    Returns
    -------
    Report
        What was changed.

    Raises
    ------
    ParameterError
        When the key is weak or lies beside the data, a name to keep is unknown, the source is in the folder
        to write, or a file to be written has the name of one that this function did not write, or that was
        changed since.
    RecordError
        When the source cannot be read, or what would be written still holds what looks like an identifier.
    """
    files.refuse_source(source, Path(out))
    key = codes.read_key(key_file, outside=_folders(source, out))
    balance = None
    if plan is not None:
        refuse_file(beside(Path(out), BALANCE_SUFFIX), by="deidentify")
        tables, balance = mapped(source, plan, queries=queries)
    else:
        tables = _as_handed_in(source, queries)
    changes: list[tuple[str, str, str, int]] = []
    tables = _dates_to_months(tables, register_begins, changes)
    tables = {name: _chosen(name, rows, keep, changes) for name, rows in tables.items()}
    _unknown_names(keep, tables)
    tables = {name: _coded(name, rows, key, changes) for name, rows in tables.items()}
    tables = {name: _in_order(rows) for name, rows in tables.items()}
    _refuse_rest(tables, keep)
    as_csv = {f"{name}.csv": csv_bytes(rows) for name, rows in tables.items()}
    folder(Path(out), as_csv, by="deidentify")
    if balance is not None:
        file(beside(Path(out), BALANCE_SUFFIX), balance.text().encode(), by="deidentify")
    notes = ("rows stand in the order of their codes", "the key was read and not stored")
    return Report(pd.DataFrame(changes, columns=["table", "column", "change", "n_cells"]), notes, balance)


def _folders(source: str | Path, out: str | Path) -> list[Path]:
    """Return the folders that hold the data: of the source and of what is written."""
    folders = [Path(out)]
    if not (isinstance(source, str) and "://" in source):
        place = Path(source)
        folders.append(place if place.is_dir() else place.parent)
    return folders


def _as_handed_in(source: str | Path, queries: Mapping[str, str] | None) -> dict[str, pd.DataFrame]:
    """Return the tables of the dictionary as text, missing as None."""
    raw = readers.read(source, queries=queries)
    return {name: _frame(table) for name, table in raw.tables.items()}


def _frame(table: RawTable) -> pd.DataFrame:
    frame = table.frame()
    return frame.map(lambda cell: tidy(cell) or None)


def _dates_to_months(
    tables: dict[str, pd.DataFrame], register_begins: str, changes: list
) -> dict[str, pd.DataFrame]:
    """Turn columns of dates into months since the operation, register months and ages."""
    days = {
        f"{name}.{column}": _days(name, column, rows[column])
        for name, rows in tables.items()
        for column in rows.columns
        if f"{name}.{column}" in DERIVED
    }
    out = {name: rows.copy() for name, rows in tables.items()}
    for source, read in days.items():
        name, column = source.split(".")
        target = DERIVED[source].split(".")[1]
        if target.endswith("register_month"):
            begins = _begins(register_begins, source)
            months = [None if d is None else float(files.begins.register_month(d, begins)) for d in read]
        elif target == "age_years":
            first = _by_session(tables, days, "patient_id")
            months = _paired(read, [first.get(p) for p in out[name]["patient_id"]], age_at)
        else:
            start = _by_session(tables, days, "session_id")
            months = _paired([start.get(s) for s in out[name]["session_id"]], read, months_between)
        computed = pd.Series(months, out[name].index, dtype=float)
        stated = out[name][target] if target in out[name] else pd.Series(None, out[name].index, dtype=object)
        out[name][target] = stated.where(stated.notna(), computed)
        out[name] = out[name].drop(columns=column)
        changes.append((name, column, f"dates turned into {target}", sum(d is not None for d in read)))
    return out


def _paired(starts: Sequence, ends: Sequence, between: Callable) -> list[float | None]:
    """Return what lies between two days, row by row; None where one is missing."""
    pairs = zip(starts, ends, strict=True)
    return [None if a is None or b is None else float(between(a, b)) for a, b in pairs]


def _by_session(tables: dict[str, pd.DataFrame], days: dict[str, list], key: str) -> dict:
    """Return the day of each operation, or of the first of each patient."""
    if "sessions.date" not in days:
        return {}
    dated = pd.DataFrame({"key": tables["sessions"][key], "day": days["sessions.date"]}).dropna()
    return dated.groupby("key")["day"].min().to_dict()


def _days(table: str, column: str, cells: pd.Series) -> list:
    """Return the days of a column of dates in ISO form.

    Raises
    ------
    RecordError
        When a cell is no date of that form.
    """
    reading = Reading()
    read, faults = spread(
        cells.map(lambda c: "" if c is None else c).to_numpy(dtype=object),
        lambda c: date(c, reading),
    )
    bad = np.flatnonzero(faults != "")
    if len(bad):
        raise RecordError(
            f"{table}.{column}: {len(bad)} cells are no dates of the form year-month-day, first at row "
            f"{bad[0] + 2}; "
            "write them so, or hand in the file with its mapping"
        )
    return list(read)


def _begins(text: str, source: str) -> tuple[int, int]:
    year, sign, month = text.partition("-")
    if not (sign and year.isdigit() and month.isdigit() and 1 <= int(month) <= 12):
        raise ParameterError(
            f"register_begins: {source} holds dates, so the year and month of register month 1 are "
            "needed; give them as 2021-01"
        )
    return int(year), int(month)


def _chosen(name: str, rows: pd.DataFrame, keep: Sequence[str], changes: list) -> pd.DataFrame:
    """Return the columns of the dictionary and those named; put ages of 90 and more together."""
    columns = {c.name: c for c in TABLES[name].asked()}
    remarks = [
        c for c, k in columns.items() if c in rows and k.kind == "label" and rows[c].nunique() > MOST_LABELS
    ]
    foreign = [c for c in rows.columns if c not in columns and f"{name}.{c}" not in keep]
    dropped = [*foreign, *(c for c in remarks if f"{name}.{c}" not in keep)]
    changes.extend((name, c, "dropped", int(rows[c].notna().sum())) for c in dropped)
    out = rows.drop(columns=dropped)
    if "age_years" in out:
        old = pd.to_numeric(out["age_years"], errors="coerce").gt(OLDEST_AGE)
        out["age_years"] = out["age_years"].where(
            ~old, str(OLDEST_AGE) if out["age_years"].dtype == object else OLDEST_AGE
        )
        if old.any():
            changes.append((name, "age_years", "put together as 90", int(old.sum())))
    return out


def _unknown_names(keep: Sequence[str], tables: dict[str, pd.DataFrame]) -> None:
    there = {f"{name}.{c}" for name, rows in tables.items() for c in rows.columns}
    absent = [k for k in keep if k not in there]
    if absent:
        raise ParameterError(f"keep: {', '.join(absent)} is not in the source; name columns as table.column")


def _coded(name: str, rows: pd.DataFrame, key: bytes, changes: list) -> pd.DataFrame:
    """Return rows with codes for the numbers of persons, operations and places."""
    out = rows.copy()
    for column, kind in KINDS.items():
        if column not in out:
            continue
        numbers = out[column].map(lambda v: None if v is None or v is pd.NA or v != v else str(v))
        plain = numbers.isin(MEASURED_ZONES) if column == "region_id" else pd.Series(False, out.index)
        by_number = codes.by_number(kind, numbers[numbers.notna() & ~plain], key)
        out[column] = numbers.where(plain, numbers.map(by_number))
        if by_number:
            changes.append((name, column, "coded", int((numbers.notna() & ~plain).sum())))
    return out


def _in_order(rows: pd.DataFrame) -> pd.DataFrame:
    """Return rows in the order of their codes, which says nothing of when or where they were written."""
    order = [c for c in (*KINDS, "zone", "month", "count_number", "kind") if c in rows]
    numbers = ("month", "count_number")
    return rows.sort_values(
        order, kind="stable", key=lambda c: pd.to_numeric(c, errors="coerce") if c.name in numbers else c
    ).reset_index(drop=True)


def _refuse_rest(tables: dict[str, pd.DataFrame], keep: Sequence[str]) -> None:
    """Look through what would be written; only columns kept by name may hold what looks identifying."""
    raw = {
        name: RawTable(
            tuple(rows.columns),
            tuple(pa.array([_text(v) for v in rows[c]], pa.string()) for c in rows.columns),
            f"{name}.csv",
            "",
        )
        for name, rows in tables.items()
    }
    named = dict.fromkeys(keep, "kept by name")
    problems = that_stop(scan(raw, allowed=named))
    if problems:
        raise RecordError("\n".join(p.sentence() for p in problems), problems)


def _text(value: object) -> str:
    if value is None or value is pd.NA or value != value:
        return ""
    return f"{value:g}" if isinstance(value, float) else str(value)
