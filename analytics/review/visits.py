"""Who was due at a planned visit of the practice's schedule, and what became of it (`followup.states`)?

Nobody is counted as missed before the window of the visit has closed, at the end of the quarter under review.
"""

import numpy as np
import pandas as pd

from analytics import followup, records
from analytics.review.periods import View, last_month, quarter_of


def sessions_due(view: View) -> pd.DataFrame:
    """Return one row per session and planned visit, with its state at the end of the quarter."""
    return _due(view, "session", view.schedule)


def counts_due(view: View) -> pd.DataFrame:
    """Return one row per placement and planned visit at which hairs are counted."""
    return _due(view, "placement", tuple(v for v in view.schedule if v.counted))


def _due(view: View, of: str, windows: tuple) -> pd.DataFrame:
    def states() -> pd.DataFrame:
        until = last_month(view.quarter)
        rows = followup.states(view.records, view.by_visit, windows=windows, until=until, of=of, strays=True)
        return rows.assign(quarter=quarter_of(rows["due_month"]).astype(int))

    return records.once(view.records, "due", (of, windows, view.quarter), states).copy(deep=False)


def person_time(view: View) -> pd.DataFrame:
    """Return months observed and months possible of each session, up to the last planned visit.

    Source
    ------
    Clark, Altman & De Stavola 2002, Lancet 359:1309-10.
    """
    sessions, visits = view.records.sessions, view.records.visits
    started = sessions.set_index("session_id")["patient_month"].astype(float)
    came = visits.assign(at=visits["session_id"].map(started) + visits["month"])
    latest = sessions["patient_id"].map(came.groupby("patient_id")["at"].max())
    last_visit = max(v.month for v in view.schedule)
    possible = last_month(view.quarter) + 0.5 - sessions["register_month"].astype(float)
    possible = possible.clip(0, last_visit)
    clock = (latest - sessions["patient_month"].astype(float)).clip(lower=0.0).fillna(0.0)
    observed = np.minimum(clock, possible)
    return sessions[["patient_id", "session_id"]].assign(observed=observed, possible=possible)
