"""Check visits, therapies, events and ratings for what contradicts itself."""

import numpy as np
import pandas as pd

from analytics.records.messages import Problem
from analytics.records.sentences import found

Frames = dict[str, pd.DataFrame]
SAME_VISIT_MONTHS = 0.5  # a count further from every visit of its session than this was made at none


def check(frames: Frames, *, has_visits: bool) -> list[Problem]:
    """Return the problems of visits (where handed in), therapies, events and ratings."""
    visits = _visits(frames["visits"], frames["measurements"]) if has_visits else []
    return [
        *visits,
        *_therapies(frames["therapies"]),
        *_events(frames["events"]),
        *_ratings(frames["ratings"]),
    ]


def _visits(visits: pd.DataFrame, counts: pd.DataFrame) -> list[Problem]:
    ended = visits["month"].where(visits["withdrawn"].eq(True).fillna(False))
    last = ended.groupby([visits["patient_id"], visits["session_id"]]).transform("min")
    return [
        *found(visits, visits["month"] > last, "visits.month", "after_withdrawal"),
        *found(counts, _at_no_visit(visits, counts), "measurements.month", "count_without_visit"),
    ]


def _at_no_visit(visits: pd.DataFrame, counts: pd.DataFrame) -> pd.Series:
    left = counts[["session_id", "month"]].dropna().sort_values("month").reset_index()
    right = visits[["session_id", "month"]].dropna().sort_values("month").assign(is_met=True)
    met = pd.merge_asof(
        left.astype({"session_id": object}),
        right.astype({"session_id": object}),
        on="month",
        by="session_id",
        direction="nearest",
        tolerance=SAME_VISIT_MONTHS,  # type: ignore[arg-type]
    )
    return met.set_index("index")["is_met"].isna().reindex(counts.index, fill_value=False)


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
