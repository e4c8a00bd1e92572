"""Criteria of the operation itself: what is written down on the day, in the quarter of the operation."""

from typing import Literal

import numpy as np
import pandas as pd
from pydantic import Field

from analytics.errors import ParameterError
from analytics.review import measures
from analytics.review.declared import Name, Word
from analytics.review.kinds.kind import Criterion
from analytics.review.measures import Measured
from analytics.review.periods import View
from analytics.review.units import of_sessions


def numbers_of(criterion: Criterion, entry: str, column: str, sessions: pd.DataFrame) -> pd.Series:
    """Return a column of sessions as numbers.

    Raises
    ------
    ParameterError
        When sessions have no such column, or it holds no numbers.
    """
    if column not in sessions.columns or not pd.api.types.is_numeric_dtype(sessions[column]):
        raise ParameterError(
            f"criteria, criterion {criterion.id}, {entry}: is no column of numbers; use one of sessions, or "
            "declare your own in variables.toml"
        )
    return sessions[column].astype("float64")


class GraftShare(Criterion):
    """A share of grafts, the session as the unit."""

    measure: Literal["share"]
    part: Name
    whole: Name

    chart = "p_prime"
    watched = "grafts of a session"
    counts_yes_or_no = False

    @property
    def counted(self) -> str:
        """What one of the denominator is."""
        return self.whole.replace("_", " ")

    @property
    def columns(self) -> tuple[tuple[str, str, str], ...]:
        """Part and whole, columns of sessions; `missing` is attempts that brought no graft."""
        own = () if self.part == "missing" else (("part", "sessions", self.part),)
        return (*own, ("whole", "sessions", self.whole))

    def count(self, view: View) -> pd.DataFrame:
        """Return one row per session: this part of that whole; missing are attempts that brought no graft."""
        sessions = view.records.sessions
        missing = sessions["attempts"] - sessions["grafts_out"]
        part = missing if self.part == "missing" else numbers_of(self, "part", self.part, sessions)
        return of_sessions(sessions, part, numbers_of(self, "whole", self.whole, sessions))

    def number(self, rows: pd.DataFrame, *, level: float) -> Measured:
        """Return the ratio of totals, the session as the unit."""
        return measures.share_of_totals(rows, level=level)


class SessionMean(Criterion):
    """The mean of a number recorded for each session: any column of numbers, the clinic's own too."""

    measure: Literal["mean"]
    column: Name
    in_unit: str = ""
    decimals: int = Field(0, ge=0, le=4)

    scale = "own unit"
    counts_yes_or_no = False
    chart = "individuals"
    compares_operators = False

    @property
    def unit(self) -> str:  # type: ignore[override]
        """Unit as declared; minutes where the column's name says so."""
        return self.in_unit or ("min" if self.column.endswith("_min") else self.column.replace("_", " "))

    @property
    def places(self) -> int:  # type: ignore[override]
        """Decimals printed, as declared."""
        return self.decimals

    @property
    def columns(self) -> tuple[tuple[str, str, str], ...]:
        """The column of sessions."""
        return (("column", "sessions", self.column),)

    def count(self, view: View) -> pd.DataFrame:
        """Return one row per session with its number."""
        sessions = view.records.sessions
        return of_sessions(
            sessions, numbers_of(self, "column", self.column, sessions), np.ones(len(sessions))
        )

    def number(self, rows: pd.DataFrame, *, level: float) -> Measured:
        """Return the mean with Student's interval over sessions."""
        return measures.mean(rows, level=level)


class ColumnShare(Criterion):
    """Sessions whose number in a column is at least, or at most, a mark; yes counts as 1 and no as 0."""

    measure: Literal["column_share"]
    column: Name
    counts_when: Literal["at least", "at most"]
    mark: float

    @property
    def columns(self) -> tuple[tuple[str, str, str], ...]:
        """The column of sessions."""
        return (("column", "sessions", self.column),)

    def count(self, view: View) -> pd.DataFrame:
        """Return one row per session: whether its number lies on the side that counts."""
        sessions = view.records.sessions
        value = numbers_of(self, "column", self.column, sessions)
        counts = value >= self.mark if self.counts_when == "at least" else value <= self.mark
        return of_sessions(sessions, counts.astype(float).where(value.notna()), np.ones(len(sessions)))


class HairsPerGraft(Criterion):
    """Hairs per planted graft, the session as the unit."""

    measure: Literal["hairs_per_graft"]

    unit = "hairs per graft"
    places = 2
    scale = "own unit"
    counts_yes_or_no = False
    chart = "individuals"
    compares_operators = False

    @property
    def counted(self) -> str:
        """What one of the denominator is."""
        return "grafts planted"

    def count(self, view: View) -> pd.DataFrame:
        """Return one row per session: hairs and grafts planted in all its zones."""
        sessions = view.records.sessions
        planted = view.records.placements.groupby("session_id")[["hairs", "grafts"]].sum(min_count=1)
        of = planted.reindex(sessions["session_id"])
        return of_sessions(sessions, of["hairs"], of["grafts"])

    def number(self, rows: pd.DataFrame, *, level: float) -> Measured:
        """Return the ratio of totals, the session as the unit."""
        return measures.ratio_of_totals(rows, level=level)


class CompleteNotes(Criterion):
    """Sessions with every named field recorded."""

    measure: Literal["complete"]
    fields: tuple[Word, ...] = Field(min_length=1)

    @property
    def columns(self) -> tuple[tuple[str, str, str], ...]:
        """The fields, columns of sessions."""
        return tuple(("fields", "sessions", name) for name in self.fields)

    def count(self, view: View) -> pd.DataFrame:
        """Return one row per session: whether every field is filled.

        Raises
        ------
        ParameterError
            When a field is no column of sessions.
        """
        sessions = view.records.sessions
        unknown = [f for f in self.fields if f not in sessions.columns]
        if unknown:
            raise ParameterError(
                f"criteria, criterion {self.id}, fields: {len(unknown)} unknown, first {unknown[0]}; "
                "use columns of sessions"
            )
        filled = sessions[list(self.fields)].notna().all(axis=1)
        return of_sessions(sessions, filled, np.ones(len(filled)))
