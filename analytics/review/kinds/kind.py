"""What does a criterion declare, whatever its kind?

A criterion is a measurable statement of care, its standard the level expected, its exceptions the sessions
left out beforehand (HQIP 2020, Best practice in clinical audit).
"""

from abc import abstractmethod
from typing import ClassVar, Literal, get_args

import numpy as np
import pandas as pd
from pydantic import Field

from analytics.records import Records, once
from analytics.review.declared import (
    ALL_METHODS,
    Declared,
    ExceptionCode,
    Method,
    Name,
    PlannedVisit,
    SourceKind,
    Word,
)
from analytics.review.measures import NOTHING, Measured, difference, share_of_units
from analytics.review.periods import LAST, THIS, WINDOW, YEAR, View
from analytics.review.units import with_exceptions

EARLIER = "earlier"


class Criterion(Declared):
    """A criterion as written down, and what its kind declares; a kind states what differs from the default.

    The default kind counts yes or no for each session, each session at the month in which it counts.
    """

    id: Name
    statement: Word
    standard: float
    direction: Literal["at most", "at least"]
    name: str = ""
    source: Word
    source_kind: SourceKind
    exceptions: tuple[ExceptionCode, ...] = ()
    methods: tuple[Method, ...] = ALL_METHODS
    over_quarters: int | None = Field(None, ge=1, le=40)

    # Of the standard and of every number: unit in words, decimals printed.
    unit: ClassVar[str] = "%"
    places: ClassVar[int] = 1
    # Whether differences are modelled as odds of part in whole, or as part over whole in its own unit.
    scale: ClassVar[Literal["odds", "own unit"]] = "odds"
    # Control chart: p (g where events are rare), p_prime where points differ by more than counting error,
    # individuals for means, none. A point stands in the month in which its rows count (`counts_at`).
    chart: ClassVar[Literal["p", "p_prime", "individuals", "none"]] = "p"
    # Whether its number is made of its rows, or of a model of everything so far: then no change can be set
    # against them. Whether operators can be compared, and how single cases are watched.
    has_rows_of_its_own: ClassVar[bool] = True
    # Whether each unit counts yes or no, so that a record without a fault exists; whether it is a harm.
    counts_yes_or_no: ClassVar[bool] = True
    is_harm: ClassVar[bool] = False
    compares_operators: ClassVar[bool] = True
    # Whether it is known only of those who were asked, so that others could move it.
    is_asked: ClassVar[bool] = False
    watched: ClassVar[Literal["grafts of a session", "readings", "not"]] = "not"
    # Case mix its rows need beside the declared one.
    own_case_mix: ClassVar[tuple[str, ...]] = ()

    @property
    def title(self) -> str:
        """Name given, or the id in words."""
        return self.name or self.id.replace("_", " ").capitalize()

    @property
    def counted(self) -> str:
        """What one of the denominator is, in the plural."""
        return "sessions"

    @property
    def counts_at(self) -> str:
        """The event that places one of them in a quarter or month: its clock."""
        return "the operation"

    @property
    def columns(self) -> tuple[tuple[str, str, str], ...]:
        """Columns of the records it names: the entry, the table, the column."""
        return ()

    @property
    def lag_months(self) -> int:
        """Months from an operation to the first row it can bring: a change shows no sooner."""
        return 0

    @property
    def poor_below_pct(self) -> float:
        """Reading below which a case is a poor one, where readings are watched."""
        return np.nan

    @property
    def unit_of_difference(self) -> str:
        """Unit of a difference of two of its numbers."""
        return "points" if self.unit == "%" else self.unit

    def faults(self, schedule: tuple[PlannedVisit, ...]) -> list[tuple[str, str]]:
        """Return what contradicts the rest of the file: the entry, and the rule with what to do."""
        if self.unit == "%" and not 0 <= self.standard <= 100:
            return [("standard", "expected 0 to 100 percent")]
        return []

    def n_counted(self, records: Records) -> int:
        """Return about how many units the records hold: sessions, where nobody is asked."""
        return len(records.sessions)

    @abstractmethod
    def count(self, view: View) -> pd.DataFrame:
        """Return one row per unit in the form of `review.units`, before exceptions."""

    def rows(self, view: View) -> pd.DataFrame:
        """Return one row per unit, those that do not count with their reason."""

        def counted() -> pd.DataFrame:
            return with_exceptions(self.count(view), view.records, self.methods, self.exceptions)

        asked = self, view.schedule, view.quarter, view.month
        return once(view.records, f"rows of {self.id}", asked, counted).copy(deep=False)

    def number(self, rows: pd.DataFrame, *, level: float) -> Measured:
        """Return the number of counted rows with its interval; the rows are not empty."""
        return share_of_units(rows, level=level)

    def of_groups(
        self, view: View, rows: pd.DataFrame, group: np.ndarray, *, level: float
    ) -> dict[str, Measured]:
        """Return the number of each group of rows; a group in which nothing counts has none."""
        counts = rows["reason"].eq("").to_numpy()
        # By a column: pandas writes an array out in full to ask whether it is the name of one.
        groups = rows[counts].assign(group=group[counts]).groupby("group", sort=False)
        return {str(name): self.number(here, level=level) for name, here in groups}

    def of_periods(self, view: View, rows: pd.DataFrame, *, level: float) -> dict[str, Measured]:
        """Return the numbers of this quarter, the last, and the last four; and what else it is counted by."""
        at, now = rows["quarter"], view.quarter
        quarter = np.select([at.eq(now), at.eq(now - 1)], [THIS, LAST], EARLIER)
        year = np.where(at.between(now - 3, now), YEAR, EARLIER)
        numbers = self.of_groups(view, rows, quarter, level=level)
        numbers |= self.of_groups(view, rows, year, level=level)
        return {term: numbers.get(term, NOTHING) for term in (THIS, LAST, YEAR)}

    def over(self, view: View, rows: pd.DataFrame, quarters: int, *, level: float) -> Measured:
        """Return the number of the last quarters together, this one the last of them."""
        inside = rows["quarter"].between(view.quarter - quarters + 1, view.quarter)
        groups = np.where(inside, WINDOW, EARLIER)
        return self.of_groups(view, rows, groups, level=level).get(WINDOW, NOTHING)

    def history(self, view: View, rows: pd.DataFrame, *, level: float) -> dict[int, Measured]:
        """Return the number of every quarter so far, as seen at the end of the quarter under review."""
        numbers = self.of_groups(view, rows, rows["quarter"].astype(str).to_numpy(), level=level)
        return {int(quarter): number for quarter, number in sorted(numbers.items(), key=lambda q: int(q[0]))}

    def in_quarter(self, view: View, quarter: int, *, level: float) -> Measured:
        """Return the number of one quarter, as seen at the end of the quarter under review."""
        rows = self.rows(view)
        here = np.where(rows["quarter"].eq(quarter), THIS, EARLIER)
        return self.of_groups(view, rows, here, level=level).get(THIS, NOTHING)

    def difference(self, now: Measured, before: Measured, *, level: float) -> tuple[float, float, float]:
        """Return one period less another, with limits."""
        return difference(now, before, level=level)

    def to_look_at(self, rows: pd.DataFrame) -> pd.DataFrame | None:
        """Return the counted rows that are cases to look at one by one; None where the kind names none."""
        return None

    def due_so_far(self, view: View) -> pd.DataFrame | None:
        """Return all that were due: patient_id, session_id, value in percent, seen; None where none can be.

        Asked for how far those not seen could move the number.
        """
        return None


def measure_of(kind: type[Criterion]) -> str:
    """Return the word by which a file asks for this kind."""
    return str(get_args(kind.model_fields["measure"].annotation)[0])
