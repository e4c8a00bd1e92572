"""Who was asked about complications, and what do the answers say of all who were operated on?

*Asked* is a session whose patient was asked about complications in the window of the month asked for (from
one month before it to six after, `clock`): only then is it known whether something happened by that month. A
recorded event by that month and no recorded event then count alike, as yes and no. An event that was
recorded although nobody asked in that window was *told*: it is known to have happened, but those who were
not asked and had nothing have no way into the records, so that it counts in no share among the asked (else
one complaint and nobody asked would be 1 of 1). It does count in the bounds over all operated
(`numerics.bounds`).
"""

import numpy as np
import pandas as pd

from analytics.followup.clock import CLOSES_LATE, OPENS_EARLY, reading_month
from analytics.records import Records

ASKED_YES, ASKED_NO, TOLD, UNKNOWN = "asked, had it", "asked, did not", "told, not asked", "not asked"


def complications(records: Records, *, event: str, by_month: float) -> pd.DataFrame:
    """Return one row per session: was its patient asked in time, and was the event recorded?

    Parameters
    ----------
    event
        A kind of `events`.
    by_month
        Month since the session by which it counts, above 0.

    Returns
    -------
    pandas.DataFrame
        patient_id, session_id, reached_month (the register month in which the month asked for is reached),
        asked, happened (bool), `answer` (ASKED_YES, ASKED_NO, TOLD, UNKNOWN) and `y`: 1 or 0 where asked,
        else missing.

    Examples
    --------
    Who was asked in time, and whose complication nobody asked about:

    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> rows = complications(clinic, event="folliculitis", by_month=3.0)
    >>> len(rows) == len(clinic.sessions), bool(rows.loc[~rows["asked"], "y"].isna().all())
    (True, True)
    """
    visits = records.visits
    was_asked = visits["complications_asked"].fillna(False).astype(bool)
    in_window = visits["month"].between(by_month - OPENS_EARLY, by_month + CLOSES_LATE)
    answered = set(visits.loc[was_asked & in_window, "session_id"])
    of_kind = records.events[records.events["kind"].eq(event)]
    had_it = set(of_kind.loc[of_kind["month"] <= by_month, "session_id"])
    sessions = records.sessions[["patient_id", "session_id", "register_month"]]
    asked, happened = (sessions["session_id"].isin(those).to_numpy() for those in (answered, had_it))
    return sessions[["patient_id", "session_id"]].assign(
        reached_month=reading_month(sessions["register_month"], by_month).astype(int),
        asked=asked,
        happened=happened,
        answer=np.select([asked & happened, asked, happened], [ASKED_YES, ASKED_NO, TOLD], UNKNOWN),
        y=np.where(asked, happened.astype(float), np.nan),
    )
