"""Criteria of the operation itself: what is written down on the day, in the quarter of the operation."""

from typing import Literal

import numpy as np
import pandas as pd
from pydantic import Field

from analytics.errors import ParameterError
from analytics.review import measures
from analytics.review.declared import Word
from analytics.review.kinds.kind import Criterion
from analytics.review.measures import Measured
from analytics.review.periods import View
from analytics.review.units import of_sessions


class GraftShare(Criterion):
    """A share of grafts, the session as the unit."""

    measure: Literal["share"]
    part: Literal["grafts_transected", "grafts_discarded", "missing"]
    whole: Literal["attempts", "grafts_out"]

    chart = "p_prime"
    watched = "grafts of a session"
    counts_yes_or_no = False

    @property
    def counted(self) -> str:
        """What one of the denominator is."""
        return self.whole.replace("grafts_out", "grafts out")

    def count(self, view: View) -> pd.DataFrame:
        """Return one row per session: this part of that whole; missing are attempts that brought no graft."""
        sessions = view.records.sessions
        missing = sessions["attempts"] - sessions["grafts_out"]
        part = missing if self.part == "missing" else sessions[self.part]
        return of_sessions(sessions, part, sessions[self.whole])

    def number(self, rows: pd.DataFrame, *, level: float) -> Measured:
        """Return the ratio of totals, the session as the unit."""
        return measures.share_of_totals(rows, level=level)


class SessionMean(Criterion):
    """The mean of a number recorded for each session."""

    measure: Literal["mean"]
    column: Literal["out_of_body_min"]

    unit = "min"
    places = 0
    scale = "own unit"
    counts_yes_or_no = False
    chart = "individuals"
    compares_operators = False

    def count(self, view: View) -> pd.DataFrame:
        """Return one row per session with its number."""
        sessions = view.records.sessions
        return of_sessions(sessions, sessions[self.column], np.ones(len(sessions)))

    def number(self, rows: pd.DataFrame, *, level: float) -> Measured:
        """Return the mean with Student's interval over sessions."""
        return measures.mean(rows, level=level)


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
