"""The records that leave the door, as they were known at an earlier month, and those of some patients alone.

`Records` is what `records.load` returns and every question takes. Both views give `Records` again, whose
balance tells of the rows left out.
"""

import html
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from analytics.dictionary import TABLES, Column
from analytics.errors import ParameterError

Chosen = dict[str, pd.Series]
CODES = {"placements": "placement_id", "sessions": "session_id", "patients": "patient_id"}


@dataclass(frozen=True, slots=True, eq=False)
class Records:
    """What a clinic handed in, checked and typed: one frame per table, and what the reading found.

    `warnings` are Problems that did not stop the load; `balance` has one row per table (table, read, used,
    left_out, reason) with read = used + left_out; `sources` one row per table (table, file, sha256, n_rows).
    `consultations` are the rows of measurements that were made before any session, `own` the columns of the
    clinic's own, by table.
    """

    patients: pd.DataFrame
    sessions: pd.DataFrame
    placements: pd.DataFrame
    measurements: pd.DataFrame
    visits: pd.DataFrame
    therapies: pd.DataFrame
    events: pd.DataFrame
    ratings: pd.DataFrame
    grades: pd.DataFrame = field(default_factory=pd.DataFrame)
    photographs: pd.DataFrame = field(default_factory=pd.DataFrame)
    consultations: pd.DataFrame = field(default_factory=pd.DataFrame)
    warnings: tuple = ()
    balance: pd.DataFrame = field(default_factory=pd.DataFrame)
    sources: pd.DataFrame = field(default_factory=pd.DataFrame)
    own: Mapping[str, tuple[Column, ...]] = field(default_factory=dict)

    def __repr__(self) -> str:
        """Return one line: rows of each table, and how much is to be looked at."""
        rows = ", ".join(f"{len(getattr(self, name))} {name}" for name in TABLES if len(getattr(self, name)))
        return f"Records: {rows}; {len(self.warnings)} to look at"

    def _repr_html_(self) -> str:
        """Return what a notebook shows: the balance of rows of each table, and what is to be looked at."""
        said = "".join(f"<li>{html.escape(p.sentence())}</li>" for p in self.warnings)
        table = self.balance.to_html(index=False, na_rep="") if len(self.balance) else ""
        return f"<p>{html.escape(repr(self))}</p>{table}<ul>{said}</ul>"


def patient(records: Records, patient_id: str) -> pd.Series:
    """Return the row of a patient.

    Returns
    -------
    Series
        The patient's row, a value per column.

    Raises
    ------
    ParameterError
        When no patient has the code; where one has it but for leading zeros, it is proposed.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> one = patient(clinic, clinic.patients["patient_id"].iloc[0])
    >>> one["patient_id"] == clinic.patients["patient_id"].iloc[0]
    True
    """
    codes = records.patients["patient_id"].astype(str)
    row = records.patients[codes.eq(patient_id)]
    if len(row):
        return row.iloc[0]
    near = codes[codes.str.lstrip("0").eq(patient_id.strip().lstrip("0"))].tolist() if patient_id else []
    meant = f"; did you mean {near[0]}?" if len(near) == 1 else "; look it up with regrowth code"
    raise ParameterError(f"patient: no patient has this code{meant}")


def as_of(records: Records, register_month: float) -> Records:
    """Return the register as it was known at the end of a register month.

    Later sessions fall away with everything timed from them (their baselines too), and so do later counts,
    visits, events, ratings and grades. A course of therapy that stops later goes on, an event resolved later
    is not yet resolved, and a zone planted only later is not yet planted. What is recorded once for a patient
    stays.

    Parameters
    ----------
    register_month
        Last month known, from 1. A count lies in the register month of its session plus its own month.

    Returns
    -------
    Records
        The rows known by then in every table; the balance names the others as left out.

    Raises
    ------
    ParameterError
        When no session had taken place by then.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> early = as_of(clinic, 12)
    >>> int(early.sessions["register_month"].max()) <= 12, len(early.patients) < len(clinic.patients)
    (True, True)
    """
    sessions = records.sessions
    done = sessions["register_month"] <= register_month
    if not done.any():
        raise ParameterError(
            "records.as_of(register_month): no session had taken place by then; "
            f"sessions lie in months {sessions['register_month'].min()} to {sessions['register_month'].max()}"
        )
    start = sessions.set_index("session_id")["register_month"]
    chosen = _of_sessions(records, sessions.loc[done, "session_id"])
    for name in ("measurements", "visits", "events", "ratings", "grades", "photographs"):
        frame = getattr(records, name)
        chosen[name] &= frame["session_id"].map(start) + frame["month"] <= register_month
    chosen["therapies"] &= records.therapies["start_register_month"] <= register_month
    early = _narrowed(records, chosen, f"after register month {register_month:g}")
    return replace(
        early,
        therapies=_going_on(early.therapies, register_month),
        events=_unresolved(early.events, start, register_month),
        measurements=_not_yet_planted(early.measurements, early.placements),
        consultations=_kept(records.consultations, "consultation_month", lambda m: m <= register_month),
    )


def subset(records: Records, patient_ids: Iterable[str]) -> Records:
    """Return the records of some patients.

    Parameters
    ----------
    patient_ids
        Codes as they stand in `patients`.

    Returns
    -------
    Records
        The rows of these patients in every table; the balance names the others as left out.

    Raises
    ------
    ParameterError
        When a patient is not in the records.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> two = subset(clinic, clinic.patients["patient_id"].head(2))
    >>> len(two.patients), two.placements["patient_id"].nunique()
    (2, 2)
    """
    wanted = pd.Index(list(patient_ids)).unique()
    unknown = ~wanted.isin(records.patients["patient_id"])
    if unknown.any():
        raise ParameterError(
            f"records.subset(patient_ids): {int(unknown.sum())} of {len(wanted)} patients are not in the "
            "records; give patient_id as it stands in patients"
        )
    of_them = records.sessions["patient_id"].isin(wanted)
    chosen = _of_sessions(records, records.sessions.loc[of_them, "session_id"])
    chosen["patients"] = records.patients["patient_id"].isin(wanted)
    chosen["therapies"] = records.therapies["patient_id"].isin(wanted)
    early = _kept(records.consultations, "patient_id", lambda code: code.isin(wanted))
    return replace(_narrowed(records, chosen, "of other patients"), consultations=early)


def _kept(frame: pd.DataFrame, column: str, wanted: Callable[[pd.Series], pd.Series]) -> pd.DataFrame:
    return frame if frame.empty else frame[wanted(frame[column])].reset_index(drop=True)


def _of_sessions(records: Records, session_ids: pd.Series) -> Chosen:
    """Return which rows of each table belong to the sessions, or to their patients."""
    chosen = {}
    for name, table in TABLES.items():
        frame = getattr(records, name)
        if "session_id" in table.names():
            chosen[name] = frame["session_id"].isin(session_ids)
    patients = records.sessions.loc[chosen["sessions"], "patient_id"]
    for name in ("patients", "therapies"):
        chosen[name] = getattr(records, name)["patient_id"].isin(patients)
    return chosen


def _narrowed(records: Records, chosen: Chosen, reason: str) -> Records:
    frames = {name: getattr(records, name)[chosen[name]].reset_index(drop=True) for name in TABLES}
    return replace(records, **frames, balance=_balanced(records.balance, frames, reason))


def _balanced(balance: pd.DataFrame, frames: dict[str, pd.DataFrame], reason: str) -> pd.DataFrame:
    """Return the balance with the rows of each table that fell away; derived visits have no rows read."""
    if balance.empty:  # records that were never read, but drawn or put together
        return balance
    used = balance["table"].map({name: len(frame) for name, frame in frames.items()})
    used = used.where(balance["read"] > 0, balance["used"])
    fallen = balance["used"] - used
    new = [f"{n} {reason}" if n else "" for n in fallen]
    both = ["; ".join(x for x in pair if x) for pair in zip(balance["reason"], new, strict=True)]
    return balance.assign(used=used, left_out=balance["left_out"] + fallen, reason=both)


def _going_on(therapies: pd.DataFrame, register_month: float) -> pd.DataFrame:
    stop = therapies["stop_register_month"]
    return therapies.assign(stop_register_month=stop.where(stop <= register_month))


def _unresolved(events: pd.DataFrame, start: pd.Series, register_month: float) -> pd.DataFrame:
    is_past = events["session_id"].map(start) + events["resolved_month"] <= register_month
    return events.assign(resolved_month=events["resolved_month"].where(is_past))


def _not_yet_planted(measurements: pd.DataFrame, placements: pd.DataFrame) -> pd.DataFrame:
    planted = pd.MultiIndex.from_frame(placements[["patient_id", "zone"]])
    here = pd.MultiIndex.from_frame(measurements[["patient_id", "zone"]]).isin(planted)
    kind = measurements["region_kind"]
    return measurements.assign(region_kind=kind.mask(kind.eq("planted") & ~np.asarray(here), "unplanted"))


def with_columns(
    rows: pd.DataFrame, records: Records, names: Sequence[str], *, of: Sequence[str], where: str
) -> pd.DataFrame:
    """Return rows with the columns they lack, looked up by code in the first table of `of` that has them.

    Parameters
    ----------
    rows
        Any rows with the code of the table looked up (`patient_id`, `session_id`, `placement_id`).
    names
        Columns wanted.
    of
        Tables to look in, in this order.
    where
        What the message begins with, such as `study.read`.

    Returns
    -------
    pandas.DataFrame
        A copy with the columns added.

    Raises
    ------
    ParameterError
        When none of the tables has a column; `where` begins the message.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> made = with_columns(clinic.placements, clinic, ["method"], of=("sessions",), where="example")
    >>> len(made) == len(clinic.placements), sorted(made["method"].unique())
    (True, ['FUE', 'FUT'])
    """
    out = rows.copy()
    for name in (n for n in names if n not in rows.columns):
        table = next((t for t in of if name in getattr(records, t).columns), None)
        if table is None:
            raise ParameterError(f"{where}: unknown column {name}; use one of {' or '.join(of)}")
        code = CODES[table]
        out[name] = out[code].map(getattr(records, table).set_index(code)[name])
    return out
