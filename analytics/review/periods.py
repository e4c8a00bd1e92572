"""Which quarter does a thing belong to, and what was known when that quarter ended?

Time is register months, 1 the first; quarter 1 holds months 1 to 3. A reading at month m after a session of
register month s lies in register month round(s + m) (`followup.reading_month`). A
review sees only what had happened by the end of its quarter, so that an old review can be made again and
gives the old numbers.
"""

import datetime
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from analytics import followup, yields
from analytics.errors import ParameterError
from analytics.records import Records, derived, once
from analytics.results import limits
from analytics.review.declared import PlannedVisit

MONTHS = 3
# The periods on which every criterion is measured, as its rows are named.
THIS, LAST, YEAR = "this quarter", "last quarter", "last four quarters"
WINDOW = "over its window"  # the quarters that a criterion is judged on
SHORT_MONTH = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def quarter_of(register_month):
    """Return the quarter of a register month.

    Examples
    --------
    >>> [int(quarter_of(m)) for m in (1, 3, 4, 36)]
    [1, 1, 2, 12]
    """
    return (np.asarray(register_month, dtype=float) - 1) // MONTHS + 1


def last_month(quarter: int) -> int:
    """Return the last register month of a quarter.

    Examples
    --------
    >>> last_month(1), last_month(12)
    (3, 36)
    """
    return MONTHS * quarter


def label(quarter: int, register_begins: str = "") -> str:
    """Return a quarter's name, with its months where the clinic says when month 1 was.

    Parameters
    ----------
    quarter
        1 or more.
    register_begins
        Year and month of register month 1 as 2023-07; empty where the clinic keeps it.

    Returns
    -------
    str
        As *quarter 12*.

    Examples
    --------
    >>> label(12), label(12, "2023-07")
    ('quarter 12', 'quarter 12 (Apr to Jun 2026)')
    """
    if not register_begins:
        return f"quarter {quarter}"
    year, month = _begins(register_begins)
    first = year * 12 + month - 1 + MONTHS * (quarter - 1)
    last = first + MONTHS - 1
    begins = SHORT_MONTH[first % 12] + (f" {first // 12}" if first // 12 != last // 12 else "")
    return f"quarter {quarter} ({begins} to {SHORT_MONTH[last % 12]} {last // 12})"


def months_since(register_begins: str, today: str = "") -> int:
    """Return how many months of the register are over on a day: the month it lies in is not.

    Parameters
    ----------
    register_begins
        Year and month of register month 1 as 2023-07.
    today
        A date as 2026-03-31; the clock's if empty.

    Examples
    --------
    >>> months_since("2023-07", "2023-09-30"), months_since("2023-07", "2023-10-01")
    (2, 3)
    """
    year, month = _begins(register_begins)
    day = datetime.date.fromisoformat(today) if today else datetime.datetime.now(datetime.UTC).date()
    return 12 * day.year + day.month - 12 * year - month


def _begins(register_begins: str) -> tuple[int, int]:
    year, _, month = register_begins.partition("-")
    if not (year.isdigit() and month.isdigit() and 1 <= int(month) <= 12):
        raise ParameterError("review, register_begins: expected a year and a month as 2023-07, or nothing")
    return int(year), int(month)


def latest(records: Records) -> int:
    """Return the last quarter that holds a session.

    Returns
    -------
    int
        Number of the quarter, 1 or more.

    Examples
    --------
    >>> from analytics import simulate
    >>> latest(simulate.as_records(simulate.register(40)[0]))
    12
    """
    return int(quarter_of(records.sessions["register_month"].max()))


@dataclass(frozen=True, eq=False)
class View:
    """What a review sees: the records as they stood at the end of a quarter, and the visits planned.

    `month` reads growth at that month after the session (6 or later; provisional before maturity) instead of
    at maturity. Yields and readings are made once, when first asked for.
    """

    records: Records
    schedule: tuple[PlannedVisit, ...]
    quarter: int
    month: float | None = None

    @classmethod
    def at(
        cls,
        records: Records,
        schedule: tuple[PlannedVisit, ...],
        *,
        quarter: int,
        month: float | None = None,
    ) -> "View":
        """Return what a review of that quarter sees of all records.

        Raises
        ------
        ParameterError
            When the quarter is below 1 or past the register's last session.
        """
        last = latest(records)
        if not 1 <= quarter <= last:
            raise ParameterError(
                f"review, quarter: outside the register; its sessions lie in quarters 1 to {last}, use one"
            )
        return cls(as_at(records, quarter), schedule, quarter, month)

    @cached_property
    def by_visit(self) -> pd.DataFrame:
        """Rows of `yields.by_visit`."""
        return yields.by_visit(self.records)

    @cached_property
    def readings(self) -> pd.DataFrame:
        """One row per placement with a usable reading at maturity, and the quarter of that reading.

        Columns of `yields.by_visit` and: harvested_by, quarter, upper (upper limit of the reading, percent),
        smoker, scarring, curl, age_years of the patient.
        """
        made = once(self.records, "readings", (self.quarter, self.month), self._read)
        return made.copy(deep=False)

    def _read(self) -> pd.DataFrame:
        picked = yields.one_reading(self.by_visit, month=self.month)
        wanted = self.records.patients[["patient_id", "smoker", "scarring", "curl", "age_years"]]
        rows = picked.drop(columns=[c for c in wanted if c in picked and c != "patient_id"]).merge(
            wanted, on="patient_id", validate="many_to_one"
        )
        operated = self.records.sessions.set_index("session_id")
        _, upper = limits(rows["yield_pct"], rows["yield_pct_se"])
        return rows.assign(
            harvested_by=rows["session_id"].map(operated["harvested_by"]),
            quarter=quarter_of(np.floor(rows["register_month"] + 0.5)).astype(int),
            upper=upper,
        )


def as_at(records: Records, quarter: int) -> Records:
    """Return the records as they stood at the end of a quarter; nothing later is seen.

    Therapies that start later go, and a stop that lies later is not yet known.
    """
    return derived(records, ("as at", quarter), lambda: _as_at(records, quarter))


def _as_at(records: Records, quarter: int) -> Records:
    end = last_month(quarter)
    sessions = records.sessions[records.sessions["register_month"] <= end]
    begun = set(sessions["session_id"])

    def until_now(frame: pd.DataFrame) -> pd.DataFrame:
        rows = frame[frame["session_id"].isin(begun)]
        return rows[timed(rows, sessions) <= end].reset_index(drop=True)

    therapies = records.therapies[records.therapies["start_register_month"] <= end].copy()
    stop = therapies["stop_register_month"]
    therapies["stop_register_month"] = stop.where(stop <= end)
    return replace(
        records,
        sessions=sessions.reset_index(drop=True),
        patients=records.patients[
            records.patients["patient_id"].isin(set(sessions["patient_id"]))
        ].reset_index(drop=True),
        placements=records.placements[records.placements["session_id"].isin(begun)].reset_index(drop=True),
        measurements=until_now(records.measurements),
        visits=until_now(records.visits),
        events=until_now(records.events),
        ratings=until_now(records.ratings),
        therapies=therapies.reset_index(drop=True),
    )


def timed(rows: pd.DataFrame, sessions: pd.DataFrame) -> pd.Series:
    """Return the register month of each row that carries session_id and month."""
    month_of = sessions.set_index("session_id")["register_month"]
    started = rows["session_id"].map(month_of).to_numpy(dtype=float)
    return pd.Series(followup.reading_month(started, rows["month"]), index=rows.index)
