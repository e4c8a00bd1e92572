"""Counts of a patient who has not been operated on: they belong to no session, and name their register month.

They are kept apart from the counts that are timed from a session (`Records.consultations`), so that no
question about growth meets them; the session planner does.
"""

import pandas as pd

from analytics.records.rules import keys
from analytics.records.rules.rule import Register, Rule

NAME = "consultations"  # of their frame
KEY = ["patient_id", "zone", "region_id", "consultation_month", "count_number"]


def apart(measurements: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the counts that are timed from a session, and those that belong to none."""
    without = measurements["session_id"].isna()
    return measurements[~without], measurements[without]


def _untimed(register: Register) -> pd.Series:
    return register.tables["measurements"]["consultation_month"].isna()


def _operated_before(register: Register) -> pd.Series:
    """Return the counts of patients who had a session by then."""
    counts, sessions = register.tables["measurements"], register.tables["sessions"]
    first = sessions.groupby("patient_id")["register_month"].min()
    return counts["patient_id"].map(first).astype(float) <= counts["consultation_month"].astype(float)


def _twice(register: Register) -> pd.Series:
    return register.tables["measurements"].duplicated(KEY)


RULES = (
    *(rule for rule in keys.RULES if rule.where == "measurements.patient_id"),
    Rule(
        "count_without_session",
        "measurements.session_id",
        _untimed,
        "count belongs to no session and names no month",
        "counts belong to no session and name no month",
        "a count is timed from a session, or was made before any and names its consultation_month",
        "fill session_id, or for a count before any session consultation_month",
    ),
    Rule(
        "operated_before_count",
        "measurements.consultation_month",
        _operated_before,
        "count without a session is of a patient who had been operated on by then",
        "counts without a session are of patients who had been operated on by then",
        "only a count before any session belongs to none",
        "name the session the count is timed from",
        needs=("sessions.patient_id", "sessions.register_month"),
    ),
    Rule(
        "duplicate_first_count",
        "measurements.count_number",
        _twice,
        "count before any session stands twice",
        "counts before any session stand twice",
        "no two share patient_id, zone, region_id, consultation_month and count_number",
        "give a repeated count its own count_number, and take a row copied by mistake away",
    ),
)
