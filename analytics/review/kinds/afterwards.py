"""Criteria of what came after the operation: complications, attendances, answers, photographs.

A session with a complication belongs to the quarter in which the month asked about was reached (all of that
quarter's sessions have then been followed equally long); an attendance or an answer to the quarter in which
it was made or fell due.
"""

from typing import Literal

import numpy as np
import pandas as pd
from pydantic import Field

from analytics import followup
from analytics.dictionary import EVENT_KINDS
from analytics.records import Records
from analytics.review import measures
from analytics.review.declared import PlannedVisit
from analytics.review.kinds.kind import Criterion
from analytics.review.measures import NOTHING, Measured
from analytics.review.periods import THIS, View, quarter_of, timed
from analytics.review.units import COLUMNS, KEYS, with_operation
from analytics.review.visits import sessions_due

NOT_ASKED = "complications not asked"
TOLD_UNASKED = "complications not asked, this one told all the same"
NO_ANSWER = "due, no answer"
SUPERSEDED = "a further session came first"
NO_PHOTOGRAPHS = "no photographs taken"
PER_PATIENT, ALL_DUE = f"{THIS}, per patient", f"{THIS}, of all due"


class Complication(Criterion):
    """Sessions with a complication by a month, among those asked."""

    measure: Literal["event"]
    event: Literal[*EVENT_KINDS]  # type: ignore[valid-type]
    by_month: float = Field(gt=0, le=60)

    is_asked = True
    is_harm = True

    @property
    def counts_at(self) -> str:
        """The event that places one of them in a quarter or month: its clock."""
        return f"month {self.by_month:g} reached"

    def count(self, view: View) -> pd.DataFrame:
        """Return the sessions that reached the month; those not asked in time say so, whatever was told.

        An event counts only where no event would have counted too: among those asked (`followup.asked`).
        """
        known = followup.complications(view.records, event=self.event, by_month=self.by_month)
        told = known["answer"].map({followup.TOLD: TOLD_UNASKED, followup.UNKNOWN: NOT_ASKED})
        rows = view.records.sessions[KEYS].assign(
            register_month=known["reached_month"],
            quarter=quarter_of(known["reached_month"]).astype(int),
            part=known["y"],
            whole=1.0,
            reason=told.fillna(""),
        )
        return rows[rows["quarter"] <= view.quarter]

    def of_periods(self, view: View, rows: pd.DataFrame, *, level: float) -> dict[str, Measured]:
        """Return the numbers of each period, and of this quarter by patient."""
        now = rows[rows["reason"].eq("") & rows["quarter"].eq(view.quarter)]
        people = self.number(measures.per_patient(now), level=level) if len(now) else NOTHING
        return super().of_periods(view, rows, level=level) | {PER_PATIENT: people}


class AtVisit(Criterion):
    """Something of a planned visit: a session belongs to the quarter in which the window closed."""

    month: float = Field(gt=0, le=60)

    @property
    def counts_at(self) -> str:
        """The event that places one of them in a quarter or month: its clock."""
        return f"the end of the month-{self.month:g} window"

    def faults(self, schedule: tuple[PlannedVisit, ...]) -> list[tuple[str, str]]:
        """Return also that no visit is planned at the month."""
        planned = self.month in {visit.month for visit in schedule}
        none = [("month", "no visit is planned then; add it to the schedule")]
        return ([] if planned else none) + super().faults(schedule)


class Seen(AtVisit):
    """Sessions seen in the window of a planned visit, among those due."""

    measure: Literal["seen"]

    def count(self, view: View) -> pd.DataFrame:
        """Return one row per session due; who withdrew before does not count."""
        rows = _due(view, self.month)
        return rows.assign(
            part=rows["state"].isin(followup.SEEN_STATES).astype(float),
            reason=rows["state"].where(~rows["state"].isin(followup.DUE_STATES), ""),
        )[COLUMNS]


class Answer(AtVisit):
    """Sessions whose patient answered at or above a mark, among those who answered and among all due."""

    measure: Literal["rating"]
    column: Literal["satisfaction_0_10", "would_choose_again"]
    mark: float = Field(1, ge=0, le=10)

    def n_counted(self, records: Records) -> int:
        """Return how many answered at all: only they count."""
        return int(records.ratings[self.column].notna().sum())

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
    rows = rows[rows["visit"].eq(month) & rows["is_closed"]]
    rows = with_operation(rows, view.records)
    return rows.assign(register_month=rows["due_month"], whole=1.0)


def _months_to_next_session(rows: pd.DataFrame, view: View) -> np.ndarray:
    """Return the months from each row's session to the patient's next one, infinite where there is none."""
    sessions = view.records.sessions.sort_values(["patient_id", "patient_month"])
    gap = sessions.groupby("patient_id")["patient_month"].shift(-1) - sessions["patient_month"]
    months = gap.set_axis(sessions["session_id"]).astype(float).fillna(np.inf)
    return rows["session_id"].map(months).to_numpy(dtype=float)
