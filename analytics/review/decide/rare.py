"""A rare harm, case by case: has it become too frequent, or has it been shown not to be?

For a complication whose standard a year of sessions without one could not meet, the interval hardly ever
decides. Wald's sequential test does with fewer sessions, at stated errors: each session asked about adds
its log likelihood ratio (`numerics.sequential`), of odds as many times higher as the monitor declares
against the standard as the risk of everyone; the test starts anew after each acceptance and each alarm.
Where the interval cannot tell, what the test last came to is the verdict.

A test that has gathered credit can accept in the very quarter of an outbreak: seven of 144 sessions, six of
them in one quarter, were *no more frequent* than 2 %. So each of the last four quarters is also looked at
alone: as many events as one in a thousand quarters would bring at the standard (binomial) are a cluster, and
not met.
"""

from typing import Any

import numpy as np
import pandas as pd
import scipy

from analytics.numerics import sequential
from analytics.review.declared import Monitor
from analytics.review.kinds import Criterion
from analytics.review.measures import CANNOT_TELL, MET, NOT_MET

SESSIONS_OF_A_YEAR = 4  # quarters within which a faultless record would have to suffice
CLUSTER, BY_LUCK = "a cluster", 0.001  # chance of as many in one quarter at the standard (our choice)
HARM_COLUMNS = [
    "criterion", "name", "state", "verdict", "told_in", "basis", "numerator", "denominator", "since_quarter",
    "sessions_to_accept", "events_to_alarm", "false_alarm_pct", "missed_pct",
    "sessions_between_false_alarms",
]  # fmt: skip


def harm(
    criterion: Criterion, rows: pd.DataFrame, monitor: Monitor, *, a_quarter: float
) -> dict[str, Any] | None:
    """Return where the sequential test of a harm stands; None for a criterion that is no rare harm.

    `numerator` of `denominator` sessions had the harm since the running test began; `sessions_to_accept` are
    those without one still to come until it accepts, `events_to_alarm` the events in a row that would alarm.
    """
    p = criterion.standard / 100
    if not (criterion.is_harm and 0 < p < 1 and criterion.direction == "at most"):
        return None
    if sequential.perfect_record(p, at_most=True) <= SESSIONS_OF_A_YEAR * a_quarter:
        return None
    counted = rows[rows["reason"].eq("")].sort_values(["register_month", "session_id"], ignore_index=True)
    alpha, beta, ratio = monitor.false_alarm, monitor.missed, monitor.odds_ratio_harm
    event, none = sequential.added([1, 0], p, ratio)
    low, high = sequential.bounds(alpha, beta)
    walk = sequential.walk(sequential.added(counted["part"], p, ratio), alpha=alpha, beta=beta)
    ends = np.concatenate([walk.accepted, walk.rejected]).astype(int)
    begun = int(ends.max()) + 1 if len(ends) and ends.max() < len(counted) - 1 else 0
    if len(ends) and ends.max() == len(counted) - 1:
        # The last case ended a test: what is shown is that test.
        before = ends[ends < ends.max()]
        begun = int(before.max()) + 1 if len(before) else 0
    running = counted.iloc[begun:]
    level = float(walk.total[-1]) if walk.state == sequential.GOES_ON and len(counted) else 0.0
    well = sequential.exact(p, event, none, low=low, high=high)
    bad = sequential.exact(p * ratio / (1 - p + p * ratio), event, none, low=low, high=high)
    return {
        "criterion": criterion.id,
        "name": criterion.title,
        **_state(walk, counted),
        "basis": "share",
        **_counted_in(running),
        "sessions_to_accept": float(np.ceil((low - level) / none)),
        "events_to_alarm": float(np.ceil((high - level) / event)),
        "false_alarm_pct": 100 * well.reject,
        "missed_pct": 100 * (1 - bad.reject),
        "sessions_between_false_alarms": well.run_length,
        **_cluster(counted, p),
    }


def _counted_in(rows: pd.DataFrame) -> dict[str, float]:
    """Return what a verdict rests on: sessions with the harm of those asked, and since when."""
    since = float(rows["quarter"].min()) if len(rows) else np.nan
    return {"numerator": float(rows["part"].sum()), "denominator": float(len(rows)), "since_quarter": since}


def _cluster(counted: pd.DataFrame, p: float) -> dict[str, Any]:
    """Return the verdict of the latest quarter, of the last four, with far more events than `p` allows."""
    for quarter in sorted(counted["quarter"].unique(), reverse=True):
        rows = counted[counted["quarter"].eq(quarter)]
        if quarter <= counted["quarter"].max() - SESSIONS_OF_A_YEAR:
            break
        if scipy.stats.binom.sf(rows["part"].sum() - 1, len(rows), p) <= BY_LUCK:
            return {"state": CLUSTER, "verdict": NOT_MET, "told_in": float(quarter), **_counted_in(rows)}
    return {}


def _state(walk: sequential.Walk, counted: pd.DataFrame) -> dict[str, Any]:
    """Return what the test came to last, in which quarter, and whether it goes on."""
    quarters = counted["quarter"].to_numpy(dtype=int)
    ends = [(int(i), MET) for i in walk.accepted] + [(int(i), NOT_MET) for i in walk.rejected]
    if not ends:
        return {"state": sequential.GOES_ON, "verdict": CANNOT_TELL, "told_in": np.nan}
    at, verdict = max(ends)
    words = sequential.ACCEPT if verdict == MET else sequential.REJECT
    return {"state": words, "verdict": verdict, "told_in": float(quarters[at])}
