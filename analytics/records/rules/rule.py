"""What a rule is: which rows break it, the columns it needs and what is said, in one declaration."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
import pandas as pd

from analytics.errors import Problem, Sentence, Severity, at_rows
from analytics.records.rules.clock import Clock

Frames = Mapping[str, pd.DataFrame]
Made = TypeVar("Made")


@dataclass(frozen=True, slots=True)
class Register:
    """What a rule looks at: tables with defaults filled in, tables as handed in, and the clock of counts."""

    tables: Frames
    given: Frames
    clock: Clock
    made: dict[Callable, object] = field(default_factory=dict)

    def once(self, make: Callable[[Register], Made]) -> Made:
        """Return what `make` makes of this register, which several rules look at."""
        if make not in self.made:
            self.made[make] = make(self)
        return self.made[make]  # type: ignore[return-value]


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule across cells, rows or tables.

    `where` is the table.column at which a fault is told, `broken` returns which rows of that table break the
    rule. `one` and `several` continue a count ("1 session has ..."), `rule` says what holds, `action` what to
    do; a gap such as {key} is filled from `words`. Without one of the columns in `needs` the rule is not
    asked: that the column is absent has been told already, and a fault is told once.
    """

    code: str
    where: str
    broken: Callable[..., pd.Series | np.ndarray]
    one: str
    several: str
    rule: str
    action: str
    severity: Severity = "error"
    needs: tuple[str, ...] = ()
    words: Mapping[str, str] = field(default_factory=dict)

    def sentence(self) -> Sentence:
        """Return what is said, its gaps filled."""
        parts = (self.one, self.several, self.rule, self.action)
        one, several, rule, action = (part.format(**self.words) for part in parts)
        return Sentence(one, several, rule, action, self.severity)

    def told(self, frame: pd.DataFrame, rows: pd.Series | np.ndarray) -> list[Problem]:
        """Return the problem of the rows of a frame that break the rule, or none."""
        return at_rows(frame, rows, self.where, self.code, self.sentence())


def check(rules: Iterable[Rule], register: Register, absent: set[str]) -> list[Problem]:
    """Return the problems of a register by rules; `absent` names columns not handed in, as table.column."""
    problems: list[Problem] = []
    for rule in rules:
        frame = register.tables[rule.where.partition(".")[0]]
        if len(frame) and absent.isdisjoint(rule.needs):
            problems += rule.told(frame, rule.broken(register))
    return problems


def outside(values: pd.Series, limits: tuple[float, float]) -> pd.Series:
    """Return where values lie outside limits; a missing value does not."""
    return (values < limits[0] - NEAR) | (values > limits[1] + NEAR)


NEAR = 1e-9  # two computed numbers this close are one


def is_true(answers: pd.Series) -> pd.Series:
    """Return where an answer is known and yes."""
    return answers.eq(True).fillna(False)


def is_false(answers: pd.Series) -> pd.Series:
    """Return where an answer is known and no."""
    return answers.eq(False).fillna(False)


def is_word(words: pd.Series, word: str) -> pd.Series:
    """Return where a word is known and this one."""
    return words.eq(word).fillna(False)


def at_all(rows: pd.Series, frame: pd.DataFrame) -> pd.Series:
    """Return which rows of a whole frame are meant, of rows that were sorted or chosen before."""
    return rows.reindex(frame.index, fill_value=False)


def by_session(sessions: pd.DataFrame, column: str) -> pd.Series:
    """Return a column of sessions by session_id, the first where one stands twice."""
    return sessions.drop_duplicates("session_id").set_index("session_id")[column]
