"""Criteria of what came after the operation: complications, attendances, answers, photographs.

A session with a complication belongs to the quarter in which the month asked about was reached (all of that
quarter's sessions have then been followed equally long); an attendance or an answer to the quarter in which
it was made or fell due.
"""

from typing import Literal

import numpy as np
import pandas as pd
from pydantic import Field

from analytics.dictionary import EVENT_KINDS
from analytics.review import measures
from analytics.review.declared import PlannedVisit
from analytics.review.kinds.kind import Criterion, month_is_planned
from analytics.review.measures import NOTHING, Measured
from analytics.review.periods import THIS, View, quarter_of, timed
from analytics.review.units import COLUMNS, KEYS, with_operation
from analytics.review.visits import COUNTED_AS_DUE, NOT_YET, SEEN, sessions_due

NOT_ASKED = "complications not asked"
NO_ANSWER = "due, no answer"
SUPERSEDED = "a further session came first"
NO_PHOTOGRAPHS = "no photographs taken"
PER_PATIENT, ALL_DUE = f"{THIS}, per patient", f"{THIS}, of all due"
ASKED_FROM_SHARE = 0.5  # asked in the second half of the time, or later; convention, no source
ASKED_LATE_MONTHS = 3.0  # and up to three months after it


class Complication(Criterion):
    """Sessions with a complication by a month, among those asked."""

    measure: Literal["event"]
    event: Literal[*EVENT_KINDS]  # type: ignore[valid-type]
    by_month: float = Field(gt=0, le=60)

    is_harm = True

    @property
    def counts_at(self) -> str:
        """The event that places one of them in a quarter or month: its clock."""
        return f"month {self.by_month:g} reached"

    def count(self, view: View) -> pd.DataFrame:
        """Return the sessions that reached the month, and whether their patients were asked late enough.

        A recorded event counts whether or not its patient was asked later, which errs towards more events.
        """
        sessions, visits, events = view.records.sessions, view.records.visits, view.records.events
        reached = np.floor(sessions["register_month"] + self.by_month + 0.5)
        asked = visits[visits["complications_asked"].fillna(False).astype(bool)]
        in_time = asked["month"].between(ASKED_FROM_SHARE * self.by_month, self.by_month + ASKED_LATE_MONTHS)
        answered = set(asked.loc[in_time, "session_id"])
        of_kind = events[events["kind"].eq(self.event)]
        happened = set(of_kind.loc[of_kind["month"] <= self.by_month, "session_id"])
        has = sessions["session_id"].isin(happened)
        rows = sessions[KEYS].assign(
            register_month=reached.astype(int),
            quarter=quarter_of(reached).astype(int),
            part=has.astype(float),
            whole=1.0,
            reason=np.where(has | sessions["session_id"].isin(answered), "", NOT_ASKED),
        )
        return rows[rows["quarter"] <= view.quarter]

    def of_periods(self, view: View, rows: pd.DataFrame, *, level: float) -> dict[str, Measured]:
        """Return the numbers of each period, and of this quarter by patient."""
        now = rows[rows["reason"].eq("") & rows["quarter"].eq(view.quarter)]
        people = self.number(measures.per_patient(now), level=level) if len(now) else NOTHING
        return super().of_periods(view, rows, level=level) | {PER_PATIENT: people}


class Seen(Criterion):
    """Sessions seen in the window of a planned visit, among those due."""

    measure: Literal["seen"]
    month: float = Field(gt=0, le=60)

    @property
    def counts_at(self) -> str:
        """The event that places one of them in a quarter or month: its clock."""
        return f"the end of the month-{self.month:g} window"

    def faults(self, schedule: tuple[PlannedVisit, ...]) -> list[tuple[str, str]]:
        """Return also that no visit is planned at the month."""
        return month_is_planned(self.month, schedule) + super().faults(schedule)

    def count(self, view: View) -> pd.DataFrame:
        """Return one row per session due; who withdrew before does not count."""
        rows = _due(view, self.month)
        return rows.assign(
            part=rows["status"].eq(SEEN).astype(float),
            reason=rows["status"].where(~rows["status"].isin(COUNTED_AS_DUE), ""),
        )[COLUMNS]


class Answer(Criterion):
    """Sessions whose patient answered at or above a mark, among those who answered and among all due."""

    measure: Literal["rating"]
    column: Literal["satisfaction_0_10", "would_choose_again"]
    mark: float = Field(1, ge=0, le=10)
    month: float = Field(gt=0, le=60)

    @property
    def counts_at(self) -> str:
        """The event that places one of them in a quarter or month: its clock."""
        return f"the end of the month-{self.month:g} window"

    def faults(self, schedule: tuple[PlannedVisit, ...]) -> list[tuple[str, str]]:
        """Return also that no visit is planned at the month."""
        return month_is_planned(self.month, schedule) + super().faults(schedule)

    def count(self, view: View) -> pd.DataFrame:
        """Return all sessions due at the month; those without an answer in the window say so.

        Where a further session came before the window closed, the answer belongs to that one.
        """
        visit = next(v for v in view.schedule if v.month == self.month)
        rows, ratings = _due(view, self.month), view.records.ratings
        inside = ratings[ratings["month"].between(visit.opens, visit.closes)]
        answer = inside.dropna(subset=[self.column]).groupby("session_id")[self.column].last()
        value = rows["session_id"].map(answer.astype(float))
        superseded = _months_to_next_session(rows, view) < visit.closes
        return rows.assign(
            part=(value >= self.mark).astype(float).where(value.notna()),
            reason=np.select([value.notna(), superseded], ["", SUPERSEDED], NO_ANSWER),
        )[COLUMNS]

    def of_periods(self, view: View, rows: pd.DataFrame, *, level: float) -> dict[str, Measured]:
        """Return the numbers of each period, and of this quarter over all due: no answer counts as no."""
        due = rows[rows["quarter"].eq(view.quarter) & rows["reason"].isin(["", NO_ANSWER])]
        everyone = self.number(due.fillna({"part": 0.0}), level=level) if len(due) else NOTHING
        return super().of_periods(view, rows, level=level) | {ALL_DUE: everyone}

    def due_so_far(self, view: View) -> pd.DataFrame:
        """Return every session due, its answer as 0 or 100; seen: answered."""
        rows = self.rows(view)
        rows = rows[rows["reason"].isin(["", NO_ANSWER])].reset_index(drop=True)
        return rows[["patient_id", "session_id"]].assign(value=100 * rows["part"], seen=rows["reason"].eq(""))


class Photographs(Criterion):
    """Attendances whose photographs pass the clinic's standard, among those photographed."""

    measure: Literal["photographs"]

    chart = "p_prime"

    @property
    def counted(self) -> str:
        """What one of the denominator is."""
        return "attendances"

    @property
    def counts_at(self) -> str:
        """The event that places one of them in a quarter or month: its clock."""
        return "the attendance"

    def count(self, view: View) -> pd.DataFrame:
        """Return one row per attendance."""
        rows = with_operation(view.records.visits, view.records)
        at = timed(rows, view.records.sessions)
        passed = rows["photographs_standard"]
        return rows.assign(
            register_month=at.astype(int),
            quarter=quarter_of(at).astype(int),
            part=passed.astype("float64"),
            whole=1.0,
            reason=np.where(passed.isna(), NO_PHOTOGRAPHS, ""),
        )[COLUMNS]

    def number(self, rows: pd.DataFrame, *, level: float) -> Measured:
        """Return the ratio of totals, the patient as the unit."""
        return measures.share_of_totals(rows, level=level, by_patient=True)


def _due(view: View, month: float) -> pd.DataFrame:
    """Return one row per session due at that planned visit, at the month in which its window closed."""
    rows = sessions_due(view)
    rows = rows[rows["visit"].eq(month) & rows["status"].ne(NOT_YET)]
    rows = with_operation(rows, view.records)
    return rows.assign(register_month=rows["due_month"], whole=1.0)


def _months_to_next_session(rows: pd.DataFrame, view: View) -> np.ndarray:
    """Return the months from each row's session to the patient's next one, infinite where there is none."""
    sessions = view.records.sessions.sort_values(["patient_id", "patient_month"])
    gap = sessions.groupby("patient_id")["patient_month"].shift(-1) - sessions["patient_month"]
    months = gap.set_axis(sessions["session_id"]).astype(float).fillna(np.inf)
    return rows["session_id"].map(months).to_numpy(dtype=float)
