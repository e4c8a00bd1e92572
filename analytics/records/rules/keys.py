"""What ties rows together: keys, copies, references between tables, a patient and the patient's sessions."""

import numpy as np
import pandas as pd

from analytics.dictionary import TABLES, Column, Table
from analytics.errors import Problem
from analytics.records.codes import MISSING, numbered
from analytics.records.rules.rule import Register, Rule, by_session


def duplicate_key(table: Table) -> Rule:
    """Return the rule that no two rows of a table share its key."""
    key = list(table.key)

    def broken(register: Register) -> np.ndarray:
        (number,) = numbered(key, register.given[table.name])
        return pd.Index(number).duplicated() & (number != MISSING)

    return Rule(
        "duplicate_key",
        f"{table.name}.{key[-1]}",
        broken,
        "row repeats the key of an earlier row",
        "rows repeat the key of an earlier row",
        "no two rows share {key}",
        "keep the right row, or give the other its own key",
        words={"key": _list(key)},
    )


def _list(names: list[str]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


def unknown_reference(table: Table, column: Column) -> Rule:
    """Return the rule that a code is found in the column it refers to."""
    return Rule(
        "unknown_reference",
        f"{table.name}.{column.name}",
        lambda r: _refers_to_nothing(r, table, column, by_zeros=False),
        "value is not found in {refers_to}",
        "values are not found in {refers_to}",
        "every {column} here is one of {refers_to}",
        "mend the code, or add the missing row to {refers_table}",
        needs=(column.refers_to,),
        words=_words(column),
    )


def lost_zeros(table: Table, column: Column) -> Rule:
    """Return the rule that a code is written as in the column it refers to."""
    return Rule(
        "lost_zeros",
        f"{table.name}.{column.name}",
        lambda r: _refers_to_nothing(r, table, column, by_zeros=True),
        "value differs from {refers_to} only by leading zeros or capitals",
        "values differ from {refers_to} only by leading zeros or capitals",
        "a code is written the same in every table",
        "format the column as text in the spreadsheet before typing codes",
        needs=(column.refers_to,),
        words=_words(column),
    )


def _words(column: Column) -> dict[str, str]:
    refers_table = column.refers_to.partition(".")[0]
    return {"refers_to": column.refers_to, "refers_table": refers_table, "column": column.name}


def _refers_to_nothing(register: Register, table: Table, column: Column, *, by_zeros: bool) -> pd.Series:
    """Return which codes are not where they refer to, by leading zeros or capitals alone or by more."""
    codes = register.given[table.name][column.name]
    target, _, key = column.refers_to.partition(".")
    there = register.given[target][key].dropna()
    nowhere = codes.notna() & ~codes.isin(there)
    return nowhere & (_bare(codes).isin(_bare(there)) == by_zeros) if nowhere.any() else nowhere


def _bare(codes: pd.Series) -> pd.Series:
    return codes.str.casefold().str.lstrip("0")


def other_patient(table: str) -> Rule:
    """Return the rule that a row names a session of its own patient."""

    def broken(register: Register) -> pd.Series:
        rows, sessions = register.given[table], register.given["sessions"]
        owner = rows["session_id"].map(by_session(sessions, "patient_id"))
        differs = owner.notna() & rows["patient_id"].notna() & owner.ne(rows["patient_id"])
        return differs & rows["patient_id"].isin(sessions["patient_id"].dropna())

    return Rule(
        "other_patient",
        f"{table}.session_id",
        broken,
        "row names a session of another patient",
        "rows name a session of another patient",
        "session_id is a session of patient_id",
        "mend patient_id or session_id",
    )


def _of_table(table: Table) -> tuple[Rule, ...]:
    # The key of a count is a rule of its own (`counts`), asked where defaults are filled in.
    key = () if table.name == "measurements" else (duplicate_key(table),)
    references = [
        rule(table, column)
        for column in table.asked()
        if column.refers_to
        for rule in (lost_zeros, unknown_reference)
    ]
    return (*key, *references)


RULES = (
    *(rule for table in TABLES.values() for rule in _of_table(table)),
    *(other_patient(table) for table in ("measurements", "visits")),
)


def exact_copy(table: Table) -> Rule:
    """Return the rule that a row of a table, as it stands in the file, stands once.

    A count is never taken for a copy: two counts may agree by chance, and leaving one out would make counts
    look less repeatable than they are.
    """
    return Rule(
        "exact_copy",
        f"{table.name}.",
        lambda rows: _is_copy(rows, table),
        "row is an exact copy of an earlier row and was left out",
        "rows are exact copies of earlier rows and were left out",
        "a row stands once",
        "take the copy away",
        "warning",
    )


def _is_copy(rows: pd.DataFrame, table: Table) -> np.ndarray:
    """Return which rows are like an earlier one in all; only those of one key are looked at whole."""
    copies = np.zeros(len(rows), dtype=bool)
    if table.name == "measurements":
        return copies
    again = np.flatnonzero(pd.Index(numbered(table.key, rows)[0]).duplicated(keep=False))
    copies[again] = rows.iloc[again].duplicated()
    return copies


def left_out(
    frame: pd.DataFrame, table: Table, is_empty: np.ndarray
) -> tuple[pd.DataFrame, list[Problem], str]:
    """Return the frame without empty rows and copies, the warning, and how many of which were left out."""
    filled = frame[~is_empty]
    rule = exact_copy(table)
    copies = np.asarray(rule.broken(filled), dtype=bool)
    parts = [(int(is_empty.sum()), "empty row"), (int(copies.sum()), "exact copy")]
    reason = "; ".join(f"{n} {_plural(word, n)}" for n, word in parts if n)
    return filled[~copies], rule.told(filled, copies), reason


def _plural(word: str, n: int) -> str:
    return word if n == 1 else (word[:-1] + "ies" if word.endswith("y") else word + "s")
