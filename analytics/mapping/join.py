"""From pieces of records to the tables of the dictionary: operations put together, one row per patient.

What the clinic declared decides: when two rows speak of one operation, what happens where rows contradict one
another, and what holds for every row. Age is full years at the first operation.
"""

import datetime
import re

import numpy as np
import pandas as pd

from analytics import files
from analytics.dictionary import BASELINE_FROM_MONTH, OLDEST_AGE, TABLES
from analytics.mapping.clock import (
    ROW,
    Joined,
    age_at,
    hold_against_heading,
    linked,
    months_between,
    one_code_each,
    planned,
    stop,
    timed,
    with_columns,
)
from analytics.mapping.plan import Plan
from analytics.mapping.rows import Pieces

SIZES = (1, 2, 3, 4)


def join(pieces: Pieces, plan: Plan) -> Joined:
    """Return the tables that the pieces make up."""
    out = Joined(problems=list(pieces.problems))
    rows = {name: pd.concat(found, ignore_index=True) for name, found in pieces.records.items() if found}
    rows = {name: r[r["patient_id"].notna()].reset_index(drop=True) for name, r in rows.items()}
    rows = one_code_each(rows, plan, out)
    sessions, link = _sessions(rows.get("sessions"), plan, out)
    placements = _placements(rows.get("placements"), sessions, link, plan, out)
    out.tables["patients"] = _patients(rows["patients"], sessions, plan, out)
    out.tables["sessions"] = _with_grafts_out(sessions, placements, plan, out)
    out.tables["placements"] = placements
    for name in ("measurements", "visits", "ratings", "events"):
        if name in rows:
            zoned = _zoned(rows[name]) if name == "measurements" else rows[name]
            after = timed(name, zoned, sessions, link, placements)
            hold_against_heading(name, after, plan, out)
            after["month"] = planned(after, plan)
            _check_time(name, after, out)
            out.tables[name] = _counted(after, plan, out) if name == "measurements" else after
    if "therapies" in rows:
        out.tables["therapies"] = _therapies(rows["therapies"], plan, out)
    return out


def _check_time(name: str, rows: pd.DataFrame, out: Joined) -> None:
    lost = rows["session_id"].isna()
    stop(out, rows, lost, f"{name}.session_id", "row_without_operation")
    stop(out, rows, rows["month"].isna() & ~lost, f"{name}.month", "row_without_month")
    stop(out, rows, rows["month"].lt(BASELINE_FROM_MONTH), f"{name}.month", "before_operation")
    if name == "measurements":
        stop(out, rows, rows["zone"].isna(), "measurements.zone", "count_without_zone")


def _counted(rows: pd.DataFrame, plan: Plan, out: Joined) -> pd.DataFrame:
    """Return counts without copies, numbered within a visit, and whether their mark says standard."""
    rows = _without_copies(rows, out)
    key = ["patient_id", "zone", "session_id", "month"]
    rows["count_number"] = rows.groupby(key, dropna=False).cumcount() + 1
    if plan.reading.mark and "mark" in rows:
        plain = rows["mark"].map(lambda m: m is not True)
        stated = rows.get("standard_conditions", plain)
        rows["standard_conditions"] = plain & stated.ne(False)
    return rows


def _without_copies(rows: pd.DataFrame, out: Joined) -> pd.DataFrame:
    """Set aside a count that stands twice in one row with the same day; stop where the two counts differ."""
    rows = with_columns(rows, date=None, header_visit="", header_zone="")
    day = [*ROW, "zone", "date"]
    dated = rows["date"].notna()
    twice = dated & rows.duplicated(day, keep="first")
    copies = twice & rows.duplicated([*day, "density_hairs_cm2", *(["mark"] if "mark" in rows else [])])
    stop(out, rows, twice & ~copies, "measurements.date", "two_counts_one_day")
    if copies.any():
        out.copies.append(rows.loc[copies, [*ROW, "header_visit", "header_zone"]].fillna(""))
    return rows[~copies].reset_index(drop=True)


def _sessions(rows: pd.DataFrame | None, plan: Plan, out: Joined) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return one row per operation, and the link from every row of the sheets to its operation and date."""
    if rows is None:
        return (
            pd.DataFrame(columns=["patient_id", "session_id", "register_month", "session_number", "date"]),
            pd.DataFrame(columns=[*ROW, "header_session", "session_id", "own_date"]),
        )
    rows = with_columns(rows, date=None, register_month=np.nan, header_session=0)
    dated = rows["date"].notna()
    months = [files.begins.register_month(d, plan.register_begins) for d in rows.loc[dated, "date"]]
    rows["register_month"] = rows["register_month"].astype(float)
    rows.loc[dated, "register_month"] = np.array(months, dtype=float)
    undated, early = rows["register_month"].isna(), rows["register_month"].lt(1)
    stop(out, rows, undated, "sessions.date", "operation_without_date")
    stop(out, rows, early, "sessions.date", "before_register")
    rows = rows[~undated].reset_index(drop=True)
    rows["operation"] = _operation(rows, plan)
    by = ["patient_id", "operation"]
    sessions = _agreed(rows, by, "sessions", plan, out, smallest=("date", "register_month", "header_session"))
    sessions = sessions.sort_values(["patient_id", "register_month", "operation"], kind="stable")
    ranked = sessions.groupby("patient_id").cumcount() + 1
    stated = sessions["session_number"] if "session_number" in sessions else pd.Series(np.nan, sessions.index)
    sessions["session_number"] = stated.astype(float).fillna(ranked).astype(int)
    sessions["session_id"] = sessions["patient_id"] + "-" + sessions["session_number"].astype(str)
    if plan.same_operation == "day" and sessions["date"].notna().all():
        first = sessions.groupby("patient_id")["date"].transform("min")
        pairs = zip(first, sessions["date"], strict=True)
        sessions["patient_month"] = [months_between(a, b) for a, b in pairs]
    link = rows[[*ROW, "header_session", *by, "date"]].merge(
        sessions[[*by, "session_id"]], on=by, how="left", validate="m:1"
    )
    return sessions.reset_index(drop=True), link.rename(columns={"date": "own_date"}).drop(columns=by)


def _operation(rows: pd.DataFrame, plan: Plan) -> pd.Series:
    """Return a number that rows of one operation share within a patient, rising in time."""
    month = rows["register_month"].astype(int)
    if plan.same_operation == "month":
        return month
    days = pd.Series(
        [m * 31 if d is None else d.toordinal() for d, m in zip(rows["date"], month, strict=True)], rows.index
    )
    if plan.same_operation == "day":
        return days
    gap = int(re.findall(r"\d+", plan.same_operation)[0])
    order = pd.DataFrame({"p": rows["patient_id"], "d": days}).sort_values(["p", "d"])
    return order.groupby("p")["d"].transform(lambda d: d.diff().gt(gap).cumsum()).reindex(rows.index)


def _agreed(
    rows: pd.DataFrame, by: list[str], table: str, plan: Plan, out: Joined, *, smallest: tuple[str, ...] = ()
) -> pd.DataFrame:
    """Return one row a group: each fact that its rows agree on; contradictions stop or are left out."""
    facts = [c for c in rows.columns if c not in (*by, *ROW, *smallest)]
    grouped = rows.groupby(by, sort=True)
    agreed = grouped[facts].first() if facts else grouped.size().to_frame("n").drop(columns="n")
    for column in smallest:
        agreed[column] = _first_day(rows, by) if column == "date" else grouped[column].min()
    for column in facts:
        several = grouped[column].transform("nunique").gt(1)
        if several.any():
            _contradiction(rows[several & rows[column].notna()], table, column, plan, out)
            keys = (
                pd.MultiIndex.from_frame(rows.loc[several, by]) if len(by) > 1 else rows.loc[several, by[0]]
            )
            agreed.loc[agreed.index.isin(keys), column] = None
    return agreed.reset_index()


def _first_day(rows: pd.DataFrame, by: list[str]) -> pd.Series:
    """Return the first day of each group, None where it has none."""
    days = rows["date"].map(lambda d: d.toordinal() if _is_day(d) else np.nan).astype(float)
    first = days.groupby([rows[b] for b in by]).min()
    days_by_number = {n: datetime.date.fromordinal(int(n)) for n in first.dropna().unique()}
    return first.map(days_by_number).astype(object).where(first.notna(), None)


def _contradiction(rows: pd.DataFrame, table: str, column: str, plan: Plan, out: Joined) -> None:
    if plan.contradiction == "leave out":
        out.contradicting.append(rows[ROW].assign(target=f"{table}.{column}"))
        return
    stop(out, rows, pd.Series(True, rows.index), f"{table}.{column}", "contradiction")


def _placements(
    rows: pd.DataFrame | None, sessions: pd.DataFrame, link: pd.DataFrame, plan: Plan, out: Joined
) -> pd.DataFrame:
    """Return one row per placement, tied to its operation."""
    if rows is None:
        return pd.DataFrame(columns=["placement_id", "session_id", "patient_id", "zone"])
    rows = with_columns(linked(_zoned(rows), sessions, link), site=None, header_site=None)
    rows["site"] = rows["site"].fillna(rows["header_site"]).fillna("whole")
    side = rows["site"].map(lambda s: "" if s == "whole" else f"-{s}")
    rows["placement_id"] = rows["session_id"] + "-" + rows["zone"].astype(object) + side
    rows = _said_once(rows, out)
    again = rows.duplicated("placement_id", keep=False) & rows["placement_id"].notna()
    stop(out, rows, rows["session_id"].isna(), "placements.session_id", "placement_without_operation")
    stop(out, rows, rows["zone"].isna(), "placements.zone", "placement_without_zone")
    stop(out, rows, again, "placements.zone", "zone_twice")
    constant = plan.constants.get("placements.hairs_per_graft")
    if constant is not None:
        rows = with_columns(rows, hairs_per_graft=None)
        rows["hairs_per_graft"] = rows["hairs_per_graft"].astype(float).fillna(float(str(constant.value)))
    if "hairs_per_graft" in rows:
        sizes = [rows[c].astype(float) for c in ("grafts", *(f"grafts_{n}" for n in SIZES)) if c in rows]
        grafts = pd.concat(sizes, axis=1).sum(axis=1, min_count=1)
        computed = (grafts * rows["hairs_per_graft"].astype(float)).round(1)
        rows["hairs"] = rows["hairs"].astype(float).fillna(computed) if "hairs" in rows else computed
    return rows


def _said_once(rows: pd.DataFrame, out: Joined) -> pd.DataFrame:
    """Return plantings, one of those that a log of visits says again on each row, all facts alike."""
    if "is_log" not in rows:
        return rows
    facts = [c for c in rows.columns if c not in (*ROW, "own_date", "is_log")]
    again = rows.duplicated(facts) & rows["is_log"].eq(True) & rows["placement_id"].notna()
    if again.any():
        n = int(again.sum())
        out.notes.append(f"{n} rows of visits say the planting of their operation again, alike: read once")
    return rows[~again].reset_index(drop=True)


def _zoned(rows: pd.DataFrame) -> pd.DataFrame:
    """Return rows with the zone their header or their own cell says."""
    rows = with_columns(rows, zone=None)
    if "header_zone" in rows:
        rows["zone"] = rows["header_zone"].where(rows["header_zone"].notna(), rows["zone"])
    return rows


def _patients(rows: pd.DataFrame, sessions: pd.DataFrame, plan: Plan, out: Joined) -> pd.DataFrame:
    """Return one row per patient, with the age at the first operation."""
    patients = _agreed(rows, ["patient_id"], "patients", plan, out)
    if "birth_date" in patients:
        first = sessions[sessions["date"].notna()].groupby("patient_id")["date"].min()
        days = zip(patients["birth_date"], patients["patient_id"].map(first), strict=True)
        ages = [age_at(b, d) if _is_day(b) and _is_day(d) else np.nan for b, d in days]
        patients = with_columns(patients, age_years=np.nan)
        patients["age_years"] = patients["age_years"].astype(float).fillna(pd.Series(ages, patients.index))
    if "age_years" in patients:
        patients["age_years"] = patients["age_years"].astype(float).clip(upper=OLDEST_AGE)
    return patients


def _is_day(value: object) -> bool:
    return isinstance(value, datetime.date)


def _with_grafts_out(
    sessions: pd.DataFrame, placements: pd.DataFrame, plan: Plan, out: Joined
) -> pd.DataFrame:
    """Return sessions with the grafts taken out; where not kept, those planted and discarded together."""
    constant = plan.constants.get("sessions.grafts_discarded")
    if "grafts_discarded" in sessions:
        lost = sessions["grafts_discarded"].astype(float)
    elif constant is not None:
        lost = pd.Series(float(str(constant.value)), sessions.index)
    else:
        return sessions
    sizes = [
        placements[c].astype(float) for c in ("grafts", *(f"grafts_{n}" for n in SIZES)) if c in placements
    ]
    if "grafts_out" in sessions or not sizes or sessions.empty:
        return sessions
    planted = pd.concat(sizes, axis=1).sum(axis=1).groupby(placements["session_id"]).sum()
    out.notes.append("sessions.grafts_out is not in the file: taken as grafts planted plus grafts discarded")
    return sessions.assign(grafts_out=sessions["session_id"].map(planted) + lost)


def _therapies(rows: pd.DataFrame, plan: Plan, out: Joined) -> pd.DataFrame:
    """Return courses with the register months of their start and stop."""
    rows = with_columns(rows, start_register_month=np.nan)
    for end in ("start", "stop"):
        if f"{end}_date" in rows:
            rows[f"{end}_register_month"] = [
                files.begins.register_month(d, plan.register_begins) if _is_day(d) else np.nan
                for d in rows[f"{end}_date"]
            ]
    stop(
        out,
        rows,
        rows["start_register_month"].isna(),
        "therapies.start_register_month",
        "course_without_start",
    )
    return rows


def finished(tables: dict[str, pd.DataFrame], plan: Plan) -> dict[str, pd.DataFrame]:
    """Return the tables with the columns of the dictionary only, constants filled in, patients in order."""
    out = {}
    for name, rows in tables.items():
        table = TABLES[name]
        frame = pd.DataFrame(index=rows.index)
        for column in table.asked():
            target = f"{name}.{column.name}"
            value = rows[column.name] if column.name in rows else pd.Series(None, rows.index, dtype=object)
            constant = plan.constants.get(target)
            if constant is not None:
                value = value.where(value.notna(), constant.value)
            if column.name in rows or constant is not None or not column.optional:
                frame[column.name] = pd.to_numeric(value) if column.kind in ("number", "integer") else value
        order = [c for c in ("patient_id", "session_id", "zone", "month") if c in frame]
        out[name] = frame.sort_values(order, kind="stable").reset_index(drop=True)
    return out
