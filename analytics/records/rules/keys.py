"""Check what ties rows together: keys, copies, references between tables, a patient and the own sessions."""

import numpy as np
import pandas as pd

from analytics.dictionary import TABLES, Column, Table
from analytics.errors import Problem
from analytics.records.rules.sentences import found

Frames = dict[str, pd.DataFrame]


def left_out(frame: pd.DataFrame, table: Table, empty: np.ndarray) -> tuple[pd.DataFrame, list[Problem], str]:
    """Return the frame without empty rows and exact copies, the warning, and how many of which were left out.

    A count is never taken for a copy: two counts may agree by chance, and leaving one out would make counts
    look less repeatable than they are.
    """
    kept = frame[~empty]
    copies = kept.duplicated().to_numpy() if table.name != "measurements" else np.zeros(len(kept), bool)
    problems = found(kept, copies, f"{table.name}.", "exact_copy")
    parts = [(int(empty.sum()), "empty row"), (int(copies.sum()), "exact copy")]
    reason = "; ".join(f"{n} {_plural(word, n)}" for n, word in parts if n)
    return kept[~copies], problems, reason


def _plural(word: str, n: int) -> str:
    return word if n == 1 else (word[:-1] + "ies" if word.endswith("y") else word + "s")


def check(frames: Frames, absent: set[str]) -> list[Problem]:
    """Return the problems of keys and references; nothing refers to a column in `absent` (table.column)."""
    problems = []
    for name, table in TABLES.items():
        problems += _key(frames[name], table)
        for column in table.asked():
            if column.refers_to and column.refers_to not in absent:
                problems += _reference(frames, table, column)
    for name in ("measurements", "visits"):
        problems += _other_patient(frames[name], frames["sessions"], name)
    return problems


def _key(frame: pd.DataFrame, table: Table) -> list[Problem]:
    """Check a key; that of a count is checked with its clock, where its defaults are filled in."""
    if table.name == "measurements":
        return []
    key = list(table.key)
    again = frame[key].duplicated() & frame[key].notna().all(axis=1)
    return found(
        frame, again, f"{table.name}.{key[-1] if len(key) > 1 else key[0]}", "duplicate_key", key=_list(key)
    )


def _list(names: list[str]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


def _reference(frames: Frames, table: Table, column: Column) -> list[Problem]:
    target, _, key = column.refers_to.partition(".")
    frame, known = frames[table.name], frames[target][key].dropna()
    unknown = frame[column.name].notna() & ~frame[column.name].isin(known)
    if not unknown.any():
        return []
    near = unknown & _bare(frame[column.name]).isin(_bare(known))
    words = {"refers_to": column.refers_to, "refers_table": target, "column": column.name}
    where = f"{table.name}.{column.name}"
    return found(frame, near, where, "lost_zeros", **words) + found(
        frame, unknown & ~near, where, "unknown_reference", **words
    )


def _bare(codes: pd.Series) -> pd.Series:
    return codes.str.casefold().str.lstrip("0")


def _other_patient(frame: pd.DataFrame, sessions: pd.DataFrame, table: str) -> list[Problem]:
    owner = frame["session_id"].map(
        sessions.drop_duplicates("session_id").set_index("session_id")["patient_id"]
    )
    patients = sessions["patient_id"].dropna()
    wrong = owner.notna() & frame["patient_id"].notna() & owner.ne(frame["patient_id"])
    return found(frame, wrong & frame["patient_id"].isin(patients), f"{table}.session_id", "other_patient")
