"""Check which tables and columns were handed in: absent, unknown, repeated, nearly named, without rows."""

import re
from collections.abc import Mapping
from dataclasses import replace

import pyarrow.compute as pc

from analytics.dictionary import TABLES, Raw, RawTable, Table
from analytics.errors import Problem, Severity, nearest
from analytics.identifiers import LET_THROUGH
from analytics.records.typed import tidy

PLAIN_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_ .()-]{0,39}")
INSTEAD_OF_COUNTS = ("grades", "ratings")  # where these have rows, a register needs no count
BY_MAP = "or let `regrowth map` lay out a table kept in another form"


def check(raw: Raw) -> tuple[list[Problem], set[str]]:
    """Return the problems of tables and headers, and the names (table.column) that were not handed in."""
    problems: list[Problem] = []
    absent: set[str] = set()
    for name in TABLES:
        table = raw.table(name)
        if name not in raw.tables:
            absent |= {f"{name}.{column}" for column in table.names()}
            problems += [] if table.optional or _is_spared(raw, name) else [_absent_table(table)]
            continue
        of_header, missing = header(raw.tables[name], table, raw.allowed)
        problems += of_header
        is_needed = not table.optional and not _is_spared(raw, name)
        problems += [without_rows(table)] if is_needed and _holds_none(raw, name) else []
        absent |= {f"{name}.{column}" for column in missing}
    if _is_spared(raw, "measurements") and _holds_none(raw, "measurements"):
        problems.append(_without_counts())
    return problems, absent


def header(raw: RawTable, table: Table, allowed: Mapping[str, str]) -> tuple[list[Problem], list[str]]:
    """Return what is wrong with the names of the columns, and the columns that are not there."""
    names = [name.strip().casefold() for name in raw.names]
    asked = {c.name: c for c in table.asked()}
    missing = [c for c in asked if c not in names]
    if raw.names and not set(names) & set(table.names()):
        return [_no_header(table)], missing
    unknown = [i for i, name in enumerate(names) if name not in table.names()]
    near = {nearest(names[i], tuple(missing)): i for i in unknown if names[i]}
    problems = (
        [_absent_column(table, c, near.get(c)) for c in missing if not asked[c].optional] if names else []
    )
    problems += [
        _repeated(table, name) for name in sorted({n for n in names if names.count(n) > 1 and n in asked})
    ]
    problems += [_not_read(table, raw, i, nearest(names[i], tuple(missing)), allowed) for i in unknown]
    problems += [_filled(table, c.name) for c in table.columns if c.derived and c.name in names]
    return problems, missing


def with_rows(raw: Raw) -> Raw:
    """Return the tables without the optional ones that hold no row: an empty one is an absent one."""
    is_gone = {n for n, t in raw.tables.items() if n in TABLES and TABLES[n].optional and _is_empty(t)}
    return replace(raw, tables={n: t for n, t in raw.tables.items() if n not in is_gone})


def _is_empty(raw: RawTable) -> bool:
    """Tell whether a table holds no cell with anything in it, as a sheet of the template."""
    return raw.n_rows == 0 or all(bool(pc.all(pc.equal(tidy(cells), "")).as_py()) for cells in raw.cells)


def _holds_none(raw: Raw, name: str) -> bool:
    return name not in raw.tables or (bool(raw.tables[name].names) and _is_empty(raw.tables[name]))


def _is_spared(raw: Raw, name: str) -> bool:
    """Tell whether a required table may be without rows: counts, where photographs or patients speak."""
    return name == "measurements" and any(n in raw.tables for n in INSTEAD_OF_COUNTS)


def _problem(
    where: tuple[str, str], code: str, what: str, rule: str, action: str, severity: Severity = "error"
) -> Problem:
    return Problem(*where, 1, None, rule, action, severity, code, (what, what))


def _absent_table(table: Table) -> Problem:
    return _problem(
        (table.name, ""),
        "absent_table",
        "the table is absent",
        "patients, sessions, placements and measurements are always handed in",
        f"add the table, one row for {table.row}"
        + ("; without counts, hand in grades or ratings" if table.name == "measurements" else ""),
    )


def _absent_column(table: Table, name: str, near: int | None) -> Problem:
    action = f"column {near + 1} of the file is named nearly so" if near is not None else "add the column"
    return _problem(
        (table.name, name),
        "absent_column",
        "the column is absent",
        "columns without a star in the dictionary are always there, their cells may be empty where it says "
        "so",
        action,
    )


def _no_header(table: Table) -> Problem:
    return _problem(
        (table.name, ""),
        "no_header",
        "row 1 holds no column name of the dictionary",
        "the header is row 1",
        f"write the names of the dictionary in row 1, {BY_MAP}",
    )


def _repeated(table: Table, name: str) -> Problem:
    return _problem(
        (table.name, name),
        "repeated_column",
        "the column stands twice",
        "a column stands once",
        "take one of the two away",
    )


def _not_read(table: Table, raw: RawTable, at: int, like: str | None, allowed: Mapping[str, str]) -> Problem:
    """Return what is said of a column of no known name: it stops the load unless empty or let through.

    A damaged name of an optional column would else let the column vanish and its default change numbers.
    """
    name = raw.names[at]
    shown = name if PLAIN_NAME.fullmatch(name) else f"column {at + 1}"
    where = (table.name, shown)
    reason = allowed.get(f"{table.name}.{name}") or allowed.get(f"{table.name}.{shown}")
    if reason is not None:
        return _problem(
            where,
            "unknown_column",
            "the column is not in the dictionary and was not loaded",
            "let through by name",
            f"reason on record: {reason}",
            "warning",
        )
    holds = not bool(pc.all(pc.equal(tidy(raw.cells[at]), "")).as_py())
    what = "the column is not in the dictionary" + (f" ({like} is near)" if like else "")
    rename = "rename it if it holds one of them, else leave it out of the file"
    return _problem(
        where,
        "unknown_column",
        what if holds else f"{what}, holds nothing and was not loaded",
        "only columns of the dictionary are read",
        f"{rename}; a column of your own is declared by this name in variables.toml; {LET_THROUGH}"
        if holds
        else rename,
        "error" if holds else "warning",
    )


def _filled(table: Table, name: str) -> Problem:
    return _problem(
        (table.name, name),
        "filled_column",
        "the column is filled at load and was not read",
        f"{table.name}.{name} follows from the other columns",
        "leave it out of the file",
        "warning",
    )


def without_rows(table: Table) -> Problem:
    """Return what is said of a table that has no rows."""
    return _problem(
        (table.name, ""),
        "no_rows",
        "the table has no rows",
        f"one row is {table.row}",
        "add the rows of the register"
        + (", or grades or ratings in its place" if table.name == "measurements" else ""),
    )


def _without_counts() -> Problem:
    return _problem(
        ("measurements", ""),
        "no_counts",
        "no hair was counted",
        "without counts a register tells of graded photographs and patients' answers alone",
        "hand in counts to learn how much of the planted hair grew",
        "warning",
    )
