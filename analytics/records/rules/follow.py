"""What contradicts itself in visits, therapies, events, ratings and grades."""

import numpy as np
import pandas as pd

from analytics.records.codes import MISSING, numbered
from analytics.records.rules.clock import latest_before
from analytics.records.rules.rule import Register, Rule, at_all, by_session, is_false, is_true

SAME_VISIT_MONTHS = 0.5  # a count further from every visit of its session than this was made at none
DOUBT_MONTHS = 1.0  # between two whole register months


def _after_withdrawal(register: Register) -> pd.Series:
    visits = register.tables["visits"]
    ended = visits["month"].where(is_true(visits["withdrawn"]))
    return visits["month"] > ended.groupby([visits["patient_id"], visits["session_id"]]).transform("min")


def _at_no_visit(register: Register) -> np.ndarray:
    """Return which counts are near no visit, by the clock of their session and by that of their patient."""
    counts, visits, sessions = (register.tables[name] for name in ("measurements", "visits", "sessions"))
    start = by_session(sessions, "patient_month").astype(float)
    moments = [
        f.assign(moment=f["month"] + f["session_id"].map(start).astype(float)) for f in (counts, visits)
    ]
    of_session = _apart(*moments, on="month", by="session_id", tolerance=SAME_VISIT_MONTHS)
    of_patient = _apart(*moments, on="moment", by="patient_id", tolerance=SAME_VISIT_MONTHS + DOUBT_MONTHS)
    return of_session & of_patient


def _apart(rows: pd.DataFrame, others: pd.DataFrame, *, on: str, by: str, tolerance: float) -> np.ndarray:
    """Return which rows have none of the others in their group within the tolerance."""
    group, of_group = numbered([by], rows, others)
    asked, events = (f[on].to_numpy(dtype=float) for f in (rows, others))
    before = latest_before(group, asked, of_group, events)
    after = -latest_before(group, -asked, of_group, -events)
    is_met = (asked - before <= tolerance) | (after - asked <= tolerance)
    return ~is_met & (group != MISSING) & np.isfinite(asked)


def _courses_overlap(register: Register) -> pd.Series:
    therapies = register.tables["therapies"]
    ordered = therapies.sort_values(["patient_id", "kind", "start_register_month"])
    stop = ordered["stop_register_month"].fillna(np.inf)
    until = stop.groupby([ordered["patient_id"], ordered["kind"]]).shift()
    return at_all(ordered["start_register_month"] < until, therapies)


def _stops_before_it_starts(register: Register) -> pd.Series:
    therapies = register.tables["therapies"]
    return therapies["stop_register_month"] < therapies["start_register_month"]


def _resolved_before_begun(register: Register) -> pd.Series:
    events = register.tables["events"]
    return events["resolved_month"] < events["month"]


def _lasting_but_resolved(register: Register) -> pd.Series:
    events = register.tables["events"]
    return is_false(events["temporary"]) & events["resolved_month"].notna()


def _without_answer(register: Register) -> pd.Series:
    ratings = register.tables["ratings"]
    return ratings["satisfaction_0_10"].isna() & ratings["would_choose_again"].isna()


def _two_declarations(register: Register) -> pd.Series:
    grades = register.tables["grades"]
    ends = grades[["scale_worst", "scale_best"]]
    # Where no scale is named at all, pandas has no group to take the first of.
    first = ends.groupby(grades["scale"], dropna=False).transform("first")
    return (ends.ne(first) & ends.notna()).any(axis=1)


def _outside_scale(register: Register) -> pd.Series:
    grades = register.tables["grades"]
    ends = grades[["scale_worst", "scale_best"]]
    return (grades["value"] < ends.min(axis=1)) | (grades["value"] > ends.max(axis=1))


def _no_scale(register: Register) -> pd.Series:
    grades = register.tables["grades"]
    return grades["scale_worst"].eq(grades["scale_best"])


# Visits that were not handed in are made from the counts, and contradict none of them.
RULES = (
    Rule(
        "after_withdrawal",
        "visits.month",
        _after_withdrawal,
        "visit comes after its patient ended follow-up",
        "visits come after their patient ended follow-up",
        "withdrawn is True at the last visit only",
        "mend withdrawn or month",
        "warning",
        needs=("visits.month",),
    ),
    Rule(
        "count_without_visit",
        "measurements.month",
        _at_no_visit,
        "count belongs to no visit",
        "counts belong to no visit",
        "every count is made at a visit of its session and month",
        "add the visit, or mend the month",
        "warning",
        needs=("visits.month",),
    ),
    Rule(
        "stop_before_start",
        "therapies.stop_register_month",
        _stops_before_it_starts,
        "course stops before it starts",
        "courses stop before they start",
        "stop_register_month is not before start_register_month",
        "mend the two months",
    ),
    Rule(
        "courses_overlap",
        "therapies.start_register_month",
        _courses_overlap,
        "course overlaps another of the same kind",
        "courses overlap another of the same kind",
        "courses of one kind follow one another within a patient",
        "join the two, or fill in the stop of the earlier",
        "warning",
    ),
    Rule(
        "resolved_before_begun",
        "events.resolved_month",
        _resolved_before_begun,
        "event is resolved before it began",
        "events are resolved before they began",
        "resolved_month is not before month",
        "mend the two months",
    ),
    Rule(
        "lasting_but_resolved",
        "events.temporary",
        _lasting_but_resolved,
        "event is not temporary and yet resolved",
        "events are not temporary and yet resolved",
        "a resolved event was temporary",
        "mend temporary or resolved_month",
        "warning",
    ),
    Rule(
        "no_answer",
        "ratings.satisfaction_0_10",
        _without_answer,
        "row holds no answer",
        "rows hold no answer",
        "a rating has satisfaction_0_10 or would_choose_again",
        "take the row away, or fill in the answer",
        "warning",
    ),
    Rule(
        "scale_declared_twice",
        "grades.scale",
        _two_declarations,
        "row declares other ends than the first row of its scale",
        "rows declare other ends than the first row of their scale",
        "a scale has one scale_worst and one scale_best",
        "mend the ends, or give the other scale a name of its own",
    ),
    Rule(
        "grade_outside_scale",
        "grades.value",
        _outside_scale,
        "grade lies outside its scale",
        "grades lie outside their scale",
        "value lies from scale_worst to scale_best",
        "mend the grade, or the ends of the scale",
    ),
    Rule(
        "scale_without_length",
        "grades.scale_best",
        _no_scale,
        "row gives a scale whose ends are the same",
        "rows give a scale whose ends are the same",
        "scale_worst and scale_best differ",
        "write both ends of the scale",
    ),
)
