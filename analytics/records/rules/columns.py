"""Check each column against the dictionary: empty cells, limits, whole numbers, allowed words.

A cell that breaks a hard rule becomes missing for the checks that follow.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analytics.dictionary import Column, Table, limits_in_words
from analytics.errors import Problem, Sentence, as_mask, at_rows, nearest

Cells = Any  # the cells (n,) of a column: an array of numbers, else a series


@dataclass(frozen=True, slots=True)
class CellRule:
    """One rule of single cells, asked of every column whose dictionary entry states it.

    `holds` takes the cells of a column and the column, and returns which cells keep the rule; `sentence`
    takes the column and the first cell that does not, which decides the advice and is never printed.
    `is_hard`: the cell is missing for the checks that follow.
    """

    is_asked: Callable[[Column], bool]
    holds: Callable[[Cells, Column], Cells]
    sentence: Callable[[Column, object], Sentence]
    is_hard: bool = True


def _unknown_word(column: Column, first: object) -> Sentence:
    near = nearest(str(first), column.allowed)
    action = f"the first is nearest to {near}" if near else "mend the word"
    return Sentence("unknown value", "unknown values", f"use one of {', '.join(column.allowed)}", action)


def _not_whole(column: Column, first: object) -> Sentence:
    return Sentence(
        "value is not whole", "values are not whole", "expected a whole number", "mend the number"
    )


def _outside(column: Column, first: object) -> Sentence:
    rule = f"expected{_within(column, column.low, column.high)}"
    return Sentence("value out of range", "values out of range", rule, "mend the value, or its unit")


def _unusual(column: Column, first: object) -> Sentence:
    rule = f"usual is{_within(column, column.soft_low, column.soft_high)}"
    return Sentence(
        "unusual value", "unusual values", rule, "look at the value and its unit again", "warning"
    )


def _empty(column: Column, first: object) -> Sentence:
    return Sentence(
        "empty cell",
        "empty cells",
        f"{column.name} is never empty",
        "fill in the cell, or take the row away",
    )


def _within(column: Column, low: float | None, high: float | None) -> str:
    unit = f" {column.unit}" if column.unit else ""
    return limits_in_words(low, high).replace(",", "", 1) + unit


def _between(values: np.ndarray, low: float | None, high: float | None) -> np.ndarray:
    return (values >= (-np.inf if low is None else low)) & (values <= (np.inf if high is None else high))


RULES = {
    "empty_cell": CellRule(lambda c: c.required, lambda s, c: ~pd.isna(s), _empty, is_hard=False),
    "unknown_word": CellRule(lambda c: bool(c.allowed), lambda s, c: s.isin(c.allowed), _unknown_word),
    "not_whole": CellRule(lambda c: c.kind == "integer", lambda s, c: s == np.floor(s), _not_whole),
    "outside": CellRule(
        lambda c: c.low is not None or c.high is not None,
        lambda s, c: _between(s, c.low, c.high),
        _outside,
    ),
    "unusual": CellRule(
        lambda c: c.soft_low is not None or c.soft_high is not None,
        lambda s, c: _between(s, c.soft_low, c.soft_high),
        _unusual,
        is_hard=False,
    ),
}
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
    wrong = {
        (column.name, code): rows
        for column in table.asked()
        for code, rows in _broken(frame[column.name], column)
        if rows.any()
    }
    refused = {name: _refused(wrong, name) for name, code in wrong if RULES[code].is_hard}
    problems = []
    for (name, code), rows in wrong.items():
        told = rows & ~refused[name] if code == "unusual" and name in refused else rows
        problems += _problems(frame, table, table.column(name), code, told)
    return frame.assign(**{name: frame[name].mask(rows) for name, rows in refused.items()}), problems


def _broken(cells: pd.Series, column: Column) -> Iterator[tuple[str, np.ndarray]]:
    """Yield each rule asked of a column and which cells break it; a missing cell breaks one alone."""
    is_known = cells.notna().to_numpy()
    values = cells.to_numpy() if column.kind in ("number", "integer") else cells
    for code, rule in RULES.items():
        if rule.is_asked(column) and (code == "empty_cell" or is_known.any()):
            holds = as_mask(rule.holds(values, column))
            yield code, ~holds & (is_known | (code == "empty_cell"))


def _refused(wrong: dict[tuple[str, str], np.ndarray], name: str) -> np.ndarray:
    """Return which cells of a column break any hard rule."""
    return np.logical_or.reduce(
        [rows for (column, code), rows in wrong.items() if column == name and RULES[code].is_hard]
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
    if not rows.any():
        return problems
    first = frame[column.name].iloc[int(rows.argmax())]
    return problems + at_rows(frame, rows, where, code, RULES[code].sentence(column, first))
