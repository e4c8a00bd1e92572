"""Check visits, therapies, events and ratings for what contradicts itself."""

import numpy as np
import pandas as pd

from analytics.errors import Problem
from analytics.records.rules.sentences import found

Frames = dict[str, pd.DataFrame]
SAME_VISIT_MONTHS = 0.5  # a count further from every visit of its session than this was made at none
DOUBT_MONTHS = 1.0  # between two whole register months


def check(frames: Frames, *, has_visits: bool) -> list[Problem]:
    """Return the problems of visits (where handed in), therapies, events and ratings."""
    visits = _visits(frames["visits"], frames["measurements"], frames["sessions"]) if has_visits else []
    return [
        *visits,
        *_therapies(frames["therapies"]),
        *_events(frames["events"]),
        *_ratings(frames["ratings"]),
    ]


def _visits(visits: pd.DataFrame, counts: pd.DataFrame, sessions: pd.DataFrame) -> list[Problem]:
    ended = visits["month"].where(visits["withdrawn"].eq(True).fillna(False))
    last = ended.groupby([visits["patient_id"], visits["session_id"]]).transform("min")
    return [
        *found(visits, visits["month"] > last, "visits.month", "after_withdrawal"),
        *found(counts, _at_no_visit(visits, counts, sessions), "measurements.month", "count_without_visit"),
    ]


def _at_no_visit(visits: pd.DataFrame, counts: pd.DataFrame, sessions: pd.DataFrame) -> pd.Series:
    """Return which counts are near no visit, by the clock of their session and by that of their patient."""
    start = sessions.drop_duplicates("session_id").set_index("session_id")["patient_month"].astype(float)
    moments = [
        f.assign(moment=f["month"] + f["session_id"].map(start).astype(float)) for f in (counts, visits)
    ]
    by_session = _apart(counts, visits, on="month", by="session_id", tolerance=SAME_VISIT_MONTHS)
    by_patient = _apart(*moments, on="moment", by="patient_id", tolerance=SAME_VISIT_MONTHS + DOUBT_MONTHS)
    return by_session & by_patient


def _apart(left: pd.DataFrame, right: pd.DataFrame, *, on: str, by: str, tolerance: float) -> pd.Series:
    """Return which rows of `left` have no row of `right` in their group within the tolerance."""
    events = right[[by, on]].dropna().sort_values(on).assign(is_met=True)
    asked = left[[by, on]].dropna().sort_values(on).reset_index()
    met = pd.merge_asof(
        asked.astype({by: object}),
        events.astype({by: object}),
        on=on,
        by=by,
        direction="nearest",
        tolerance=tolerance,  # type: ignore[arg-type]
    )
    return met.set_index("index")["is_met"].isna().reindex(left.index, fill_value=False)


def _therapies(therapies: pd.DataFrame) -> list[Problem]:
    start, stop = therapies["start_register_month"], therapies["stop_register_month"]
    ordered = therapies.sort_values(["patient_id", "kind", "start_register_month"])
    until = (
        ordered["stop_register_month"]
        .fillna(np.inf)
        .groupby([ordered["patient_id"], ordered["kind"]])
        .shift()
    )
    overlaps = (ordered["start_register_month"] < until).reindex(therapies.index, fill_value=False)
    return [
        *found(therapies, stop < start, "therapies.stop_register_month", "stop_before_start"),
        *found(therapies, overlaps, "therapies.start_register_month", "courses_overlap"),
    ]


def _events(events: pd.DataFrame) -> list[Problem]:
    resolved = events["resolved_month"]
    lasting = events["temporary"].eq(False).fillna(False)
    return [
        *found(events, resolved < events["month"], "events.resolved_month", "resolved_before_begun"),
        *found(events, lasting & resolved.notna(), "events.temporary", "lasting_but_resolved"),
    ]


def _ratings(ratings: pd.DataFrame) -> list[Problem]:
    silent = ratings["satisfaction_0_10"].isna() & ratings["would_choose_again"].isna()
    return found(ratings, silent, "ratings.satisfaction_0_10", "no_answer")
