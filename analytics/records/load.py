"""Read, check and type what a clinic hands in: one call from files to `Records`.

Text first, then typed by the dictionary, then each column, then the tables against one another. All
problems are told at once; errors stop the load, warnings travel with the records. Rows read are rows used
and rows left out with a reason, always.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd
import pyarrow as pa

from analytics.dictionary import TABLES, Raw, declared
from analytics.errors import Problem, RecordError, that_stop
from analytics.identifiers import allowed_beside, examine
from analytics.records import one_sheet, readers, rules
from analytics.records.derive import filled, final, moments, of_counts, visits_from
from analytics.records.frames import Records
from analytics.records.rules import first_counts
from analytics.records.stores import from_arrow
from analytics.records.typed import empty, typed


@dataclass(frozen=True, slots=True)
class Check:
    """What a look at files found: `problems` that stop a load, `warnings`, and the `balance` of rows.

    `records` are what was read, None where a problem stops the load.
    """

    problems: tuple[Problem, ...]
    warnings: tuple[Problem, ...]
    balance: pd.DataFrame
    records: Records | None = None

    @property
    def is_usable(self) -> bool:
        """Return True where nothing stops a load."""
        return not self.problems

    def text(self) -> str:
        """Return all of it as lines to read: problems, warnings, then the balance of rows."""
        lines = [_headline(self)]
        for title, problems in (
            ("To mend before anything is computed", self.problems),
            ("To look at", self.warnings),
        ):
            lines += ["", f"{title}:"] if problems else []
            lines += [f"  {p.sentence()}" for p in problems]
        lines += ["", "Rows:"]
        lines += [f"  {_balanced(row)}" for row in self.balance.itertuples()]
        return "\n".join(lines) + "\n"


def load(path: str | Path, *, queries: Mapping[str, str] | None = None) -> Records:
    """Return the records at a path, checked and typed.

    Parameters
    ----------
    path
        A folder of CSV or Parquet files named after the tables, one .xlsx workbook with a sheet per table, a
        DuckDB or SQLite file, or a SQLAlchemy URL.
    queries
        Only for a database: one reading query per table.

    Returns
    -------
    Records
        The records, a frame per table with every column of the dictionary; months, cm2, hairs, percent.

    Raises
    ------
    RecordError
        When any table breaks the dictionary: the message names every problem, one a line, and `problems`
        holds them.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from analytics import records, simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> with TemporaryDirectory() as folder:
    ...     again = load(records.write(clinic, f"{folder}/register"))
    >>> len(again.patients)
    40
    """
    return from_raw(_read(path, queries))


def check(path: str | Path, *, queries: Mapping[str, str] | None = None) -> Check:
    """Return everything that is wrong or odd with the records at a path, and the balance of rows.

    Bad data never raise here; a path with nothing to read is itself a problem.

    Parameters
    ----------
    path
        As `load` takes it.
    queries
        Only for a database: one reading query per table.

    Returns
    -------
    Check
        `problems` that stop a load, `warnings`, `balance` (read = used + left out, by table),
        `is_usable`.

    Examples
    --------
    >>> check('nowhere').is_usable
    False
    """
    try:
        raw = _read(path, queries)
    except RecordError as fault:
        return Check(fault.problems, (), _balance(Raw({}), {}, {}, stopped=True))
    return check_raw(raw)


def check_raw(raw: Raw) -> Check:
    """Return everything that is wrong or odd with tables already read as text, and the balance of rows.

    Parameters
    ----------
    raw
        Tables as text, as read from files.

    Returns
    -------
    Check
        `errors`, `warnings`, `balance`, and `records` where there is no error.
    """
    frames, problems, balance = _examined(raw)
    errors, warnings = that_stop(problems), _warnings(problems)
    return Check(errors, warnings, balance, None if errors else _typed(raw, frames, warnings, balance))


def _read(path: str | Path, queries: Mapping[str, str] | None) -> Raw:
    """Return the tables as read, with what in them could identify a person among their problems."""
    raw = readers.read(path, queries=queries)
    identifying = examine(path, raw.tables)
    return replace(
        raw, problems=(*raw.problems, *identifying), allowed=allowed_beside(path), own=declared(path)
    )


def from_raw(raw: Raw) -> Records:
    """Return the records of tables already read as text.

    Raises
    ------
    RecordError
        When any table breaks the dictionary.
    """
    found = check_raw(raw)
    if found.records is None:
        raise RecordError("\n".join(p.sentence() for p in found.problems), found.problems)
    return found.records


def _typed(
    raw: Raw, frames: Mapping[str, pd.DataFrame], warnings: tuple[Problem, ...], balance: pd.DataFrame
) -> Records:
    """Return the records of frames that no problem stops."""
    sources = pd.DataFrame(
        [(name, t.file, t.sha256, t.n_rows) for name, t in sorted(raw.tables.items())],
        columns=["table", "file", "sha256", "n_rows"],
    )
    tables = {name: final(frames[name], raw.table(name)) for name in TABLES}
    tables[first_counts.NAME] = final(frames[first_counts.NAME], raw.table("measurements"))
    return Records(**tables, warnings=warnings, balance=balance, sources=sources, own=raw.own)


def from_frames(frames: Mapping[str, pd.DataFrame]) -> Records:
    """Return the records of frames in memory (text or typed, columns of the dictionary), checked like files.

    Parameters
    ----------
    frames
        Table name to frame, such as patients, sessions, placements, measurements; one row a thing.

    Returns
    -------
    Records
        The records, a frame per table with every column of the dictionary; months, cm2, hairs, percent.

    Raises
    ------
    RecordError
        When any table breaks the dictionary.

    Examples
    --------
    >>> from analytics import simulate
    >>> made = from_frames(simulate.register(40)[0])
    >>> len(made.patients)
    40
    """
    tables = {
        name: from_arrow(pa.Table.from_pandas(frame, preserve_index=False), file="memory", sha256="")
        for name, frame in frames.items()
    }
    return from_raw(Raw(tables))


def _examined(raw: Raw) -> tuple[dict[str, pd.DataFrame], list[Problem], pd.DataFrame]:
    """Return frames with defaults filled (index: place in the file), all problems, the balance of rows."""
    whole, raw = raw, rules.structure.with_rows(raw)
    of_structure, absent = rules.structure.check(raw)
    problems = [*of_structure]
    given, reasons = {}, {}
    for name in TABLES:
        given[name], of_cells, reasons[name] = _one_table(raw, name, absent)
        problems += of_cells
    problems = [*raw.problems, *(p for p in problems if not _is_told_as_identifier(p, raw.problems))]
    used = {name: len(given[name]) for name in raw.tables if name in TABLES}
    given["measurements"], early = first_counts.apart(given["measurements"])
    frames = filled(given)
    frames[first_counts.NAME] = of_counts(early, frames["placements"])
    register = rules.Register(frames, given, rules.clock_of(frames, given))
    problems += rules.check(rules.ACROSS, register, absent)
    if len(early):
        of_early = {"measurements": frames[first_counts.NAME]}
        apart = rules.Register(frames | of_early, given | {"measurements": early}, register.clock)
        problems += rules.check(first_counts.RULES, apart, absent)
    if "visits" not in raw.tables:
        frames["visits"] = visits_from(moments(frames))
        problems.append(_visits_derived())
    problems = list(dict.fromkeys(one_sheet.as_it_stands(p, raw.origin) for p in problems))
    reasons.update({n: "empty rows" for n, t in whole.tables.items() if n not in raw.tables and t.n_rows})
    return frames, problems, _balance(whole, used, reasons, stopped=bool(that_stop(problems)))


def _one_table(raw: Raw, name: str, absent: set[str]) -> tuple[pd.DataFrame, list[Problem], str]:
    """Return one table typed and checked column by column, its problems, and what was left out of it."""
    table = raw.table(name)
    if name not in raw.tables:
        return empty(table), [], ""
    result = typed(raw.tables[name], table)
    frame, copies, reason = rules.left_out(result.frame, table, result.is_empty)
    frame, of_cells = rules.columns.check(frame, table)
    of_cells = [p for p in of_cells if not (p.code == "empty_cell" and _is_told(p, result.problems, absent))]
    return frame, [*result.problems, *copies, *of_cells], reason


def _is_told(problem: Problem, refused: list[Problem], absent: set[str]) -> bool:
    """Return True where cells are empty only because their column is absent or they were refused before."""
    if f"{problem.table}.{problem.column}" in absent:
        return True
    return any(
        p.column == problem.column and p.count == problem.count and p.row == problem.row for p in refused
    )


def _is_told_as_identifier(problem: Problem, of_files: tuple[Problem, ...]) -> bool:
    """Return True for ages over 90, and unknown columns, at which the look for identifiers has stopped."""
    if problem.code not in ("age_not_grouped", "unknown_column"):
        return False
    where = (problem.table, problem.column)
    return any((p.table, p.column) == where for p in that_stop(of_files))


def _warnings(problems: list[Problem]) -> tuple[Problem, ...]:
    return tuple(p for p in problems if p.severity == "warning")


def _balance(raw: Raw, used_rows: dict[str, int], reasons: dict[str, str], *, stopped: bool) -> pd.DataFrame:
    """Return read = used + left_out for each table; where the load stops no row is used."""
    rows = []
    for name in TABLES:
        read = raw.tables[name].n_rows if name in raw.tables else 0
        used = 0 if stopped else used_rows.get(name, 0)
        reason = reasons.get(name, "")
        if stopped and read:
            reason = "; ".join(x for x in (reason, "the load stopped") if x)
        rows.append((name, read, used, read - used, reason))
    return pd.DataFrame(rows, columns=["table", "read", "used", "left_out", "reason"])


def _visits_derived() -> Problem:
    return Problem(
        "visits",
        "",
        1,
        None,
        "without it a visit is a person, session and month of measurements",
        "hand in visits to count those seen without a count and those asked about complications",
        "warning",
        "visits_derived",
        ("the table is absent and was derived from measurements", ""),
    )


def _headline(check: Check) -> str:
    n, m = len(check.problems), len(check.warnings)
    state = "The records can be used" if check.is_usable else "The records cannot be used yet"
    return f"{state}: {n} problem{'' if n == 1 else 's'} to mend, {m} to look at."


def _balanced(row) -> str:
    reason = f" ({row.reason})" if row.reason else ""
    return f"{row.table}: {row.read} read = {row.used} used + {row.left_out} left out{reason}"
