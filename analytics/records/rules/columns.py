"""Check each column against the dictionary: empty cells, limits, whole numbers, allowed words.

pandera finds the cells; the sentences are ours. A cell that breaks a hard rule becomes missing for the
checks that follow.
"""

import warnings
from functools import cache

import numpy as np
import pandas as pd
import pandera.pandas as pa
from pandera.errors import SchemaErrors

from analytics.dictionary import TABLES, Column, Table, limits_in_words
from analytics.errors import Problem, Sentence, at_rows
from analytics.records.typed import nearest

HARD = ("outside", "not_whole", "unknown_word")
# A limit that has a meaning of its own is said in words: which side of it, and what.
MEANT = {
    ("measurements", "month"): (
        "below",
        "before_baseline",
        Sentence(
            "count is earlier than six months before its session",
            "counts are earlier than six months before their session",
            "a baseline lies in months -6 to 0",
            "count the month from the session named in the row, or take the row away",
        ),
    ),
    ("patients", "age_years"): (
        "above",
        "age_not_grouped",
        Sentence("age is over 90", "ages are over 90", "ages of 90 and more are written as 90", "write 90"),
    ),
}


def check(frame: pd.DataFrame, table: Table) -> tuple[pd.DataFrame, list[Problem]]:
    """Return the frame with refused cells missing, and the problems of its columns one by one."""
    try:
        with warnings.catch_warnings():
            # pandera joins its findings in a way pandas is about to change; only places and names are read.
            warnings.simplefilter("ignore", FutureWarning)
            _schema(table.name).validate(frame, lazy=True)
    except SchemaErrors as fault:
        return _translated(frame, table, fault.failure_cases)
    return frame, []


@cache
def _schema(name: str) -> pa.DataFrameSchema:
    """Return the pandera schema of a table; its checks are named by our codes."""
    return pa.DataFrameSchema(
        {
            c.name: pa.Column(None, _checks(c), nullable=not c.required, name=c.name)
            for c in TABLES[name].asked()
        }
    )


def _checks(column: Column) -> list[pa.Check]:
    checks = []
    if column.allowed:
        checks.append(pa.Check(lambda s: s.isin(column.allowed), name="unknown_word"))
    if column.kind == "integer":
        checks.append(pa.Check(lambda s: s == np.floor(s), name="not_whole"))
    for name, low, high in (
        ("outside", column.low, column.high),
        ("unusual", column.soft_low, column.soft_high),
    ):
        if low is not None or high is not None:
            checks.append(_between(name, low, high))
    return checks


def _between(name: str, low: float | None, high: float | None) -> pa.Check:
    bottom = -np.inf if low is None else low
    top = np.inf if high is None else high
    return pa.Check(lambda s: s.between(bottom, top), name=name)


def _translated(frame: pd.DataFrame, table: Table, cases: pd.DataFrame) -> tuple[pd.DataFrame, list[Problem]]:
    codes = cases["check"].replace({"not_nullable": "empty_cell"})
    wrong = {
        (str(name), str(code)): frame.index.isin(group["index"].astype(int))
        for (name, code), group in cases.groupby([cases["column"], codes], sort=False)
    }
    refused = {name: _any(wrong, name) for name, code in wrong if code in HARD}
    problems = []
    for (name, code), rows in wrong.items():
        usual = code == "unusual" and name in refused
        problems += _problems(
            frame, table, table.column(name), code, rows & ~refused[name] if usual else rows
        )
    return _without(frame, refused), problems


def _any(wrong: dict[tuple[str, str], np.ndarray], name: str) -> np.ndarray:
    return np.logical_or.reduce(
        [rows for (column, code), rows in wrong.items() if column == name and code in HARD]
    )


def _problems(
    frame: pd.DataFrame, table: Table, column: Column, code: str, rows: np.ndarray
) -> list[Problem]:
    where = f"{table.name}.{column.name}"
    problems = []
    if code == "outside" and (table.name, column.name) in MEANT:
        side, named, sentence = MEANT[table.name, column.name]
        beyond = frame[column.name].lt(column.low) if side == "below" else frame[column.name].gt(column.high)
        meant = rows & beyond.to_numpy()
        problems += at_rows(frame, meant, where, named, sentence)
        rows = rows & ~meant
    return problems + (
        at_rows(frame, rows, where, code, _sentence(frame, column, code, rows)) if rows.any() else []
    )


def _sentence(frame: pd.DataFrame, column: Column, code: str, rows: np.ndarray) -> Sentence:
    """Return what is said of cells that break one rule; the nearest allowed word is told, never the cell."""
    unit = f" {column.unit}" if column.unit else ""
    if code == "unknown_word":
        near = nearest(str(frame[column.name].iloc[int(rows.argmax())]), column.allowed)
        action = f"the first is nearest to {near}" if near else "mend the word"
        return Sentence("unknown value", "unknown values", f"use one of {', '.join(column.allowed)}", action)
    if code == "empty_cell":
        return Sentence(
            "empty cell",
            "empty cells",
            f"{column.name} is never empty",
            "fill in the cell, or take the row away",
        )
    if code == "not_whole":
        return Sentence(
            "value is not whole", "values are not whole", "expected a whole number", "mend the number"
        )
    if code == "unusual":
        rule = f"usual is{_said(column.soft_low, column.soft_high)}{unit}"
        return Sentence(
            "unusual value", "unusual values", rule, "look at the value and its unit again", "warning"
        )
    rule = f"expected{_said(column.low, column.high)}{unit}"
    return Sentence("value out of range", "values out of range", rule, "mend the value, or its unit")


def _said(low: float | None, high: float | None) -> str:
    return limits_in_words(low, high).replace(",", "", 1)


def _without(frame: pd.DataFrame, refused: dict[str, np.ndarray]) -> pd.DataFrame:
    return frame.assign(**{name: frame[name].mask(rows) for name, rows in refused.items()})
