"""When each count was made on its patient's own clock, and whole numbers in the place of codes.

Every rule of measurements needs both; they are worked out once. Whole register months leave a month of doubt
between two sessions, clocks written to one decimal 0.2 months.
"""

from typing import NamedTuple

import numpy as np
import pandas as pd

from analytics.records.codes import paired

Frames = dict[str, pd.DataFrame]
DOUBT_REGISTER = 1.0  # months between two whole register months
DOUBT_STATED = 0.2  # months between clocks written to one decimal


class Clock(NamedTuple):
    """Counts, the zones each session planted, and sessions, on one clock and with numbers for codes.

    All have `start` (patient_month of the session) and the numbers person, place (person and zone), region
    (place and region_id), course (region and session), planting (place and session). Counts have also
    `time` (start + month), `doubt` (months) and `is_sure` (False where the sessions or placements of their
    patient have faults of their own).
    """

    counts: pd.DataFrame
    planted: pd.DataFrame
    sessions: pd.DataFrame


def clock_of(frames: Frames, given: Frames) -> Clock:
    """Return the clock of a register; `given` are the tables as handed in, before defaults."""
    sessions, planted = _starts(frames, given)
    counts, planted, sessions = _numbered(_timed(frames["measurements"], sessions), planted, sessions)
    is_sure = ~counts["patient_id"].isin(_in_doubt(frames)) & ~_zone_in_doubt(frames, counts)
    return Clock(counts.assign(is_sure=is_sure), planted, sessions)


def _starts(frames: Frames, given: Frames) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return sessions, and sessions with the zones they planted, each with `start` and `is_stated`."""
    sessions = frames["sessions"][["patient_id", "session_id"]].assign(
        start=frames["sessions"]["patient_month"].astype(float),
        is_stated=_to_the_decimal(frames["sessions"], given["sessions"]),
    )
    sessions = sessions.drop_duplicates("session_id").dropna()
    zones = frames["placements"][["session_id", "zone"]].dropna().drop_duplicates()
    return sessions, zones.merge(sessions, on="session_id", validate="many_to_one")


def _in_doubt(frames: Frames) -> pd.Series:
    """Return the patients whose sessions or placements have faults of their own."""
    sessions, placements = frames["sessions"], frames["placements"]
    unread = sessions[["session_id", "register_month", "session_number"]].isna().any(axis=1)
    ordered = sessions.sort_values(["patient_id", "session_number"])
    falls = (ordered.groupby("patient_id")["register_month"].diff() < 0).reindex(
        sessions.index, fill_value=False
    )
    twice = sessions["session_id"].duplicated(keep=False)
    without_zone = placements.loc[placements["zone"].isna(), "patient_id"]
    return pd.concat([sessions.loc[unread | falls | twice, "patient_id"], without_zone]).dropna()


def _zone_in_doubt(frames: Frames, counts: pd.DataFrame) -> pd.Series:
    """Return the counts in a zone that a placement of an unknown session, perhaps theirs, holds."""
    placements = frames["placements"]
    return counts["zone"].isin(placements.loc[placements["patient_id"].isna(), "zone"].dropna())


def _to_the_decimal(sessions: pd.DataFrame, given: pd.DataFrame) -> pd.Series:
    """Return where patient_month says more than the whole register months do."""
    first = sessions.groupby("patient_id")["register_month"].transform("min")
    return given["patient_month"].notna() & given["patient_month"].ne(sessions["register_month"] - first)


def _timed(counts: pd.DataFrame, sessions: pd.DataFrame) -> pd.DataFrame:
    """Return the counts with `start` (of their session), `time` (start + month) and `doubt` in months."""
    by_session = sessions.set_index("session_id")
    start = counts["session_id"].map(by_session["start"]).astype(float)
    exact = counts["session_id"].map(by_session["is_stated"]).eq(True)
    return counts.assign(
        start=start, time=start + counts["month"], doubt=np.where(exact, DOUBT_STATED, DOUBT_REGISTER)
    )


def _numbered(*frames: pd.DataFrame) -> tuple[pd.DataFrame, ...]:
    """Return the frames with whole numbers for their codes: person, place (person and zone), region, course.

    A region is a place and region_id, a course a region and session. The same codes have the same number in
    every frame; a missing part makes the number MISSING.
    """
    keys = ("patient_id", "zone", "region_id", "session_id")
    joined = {key: _stacked(frames, key) for key in keys}
    person = pd.factorize(joined["patient_id"])[0]
    place = paired(person, pd.factorize(joined["zone"])[0])
    region = paired(place, pd.factorize(joined["region_id"])[0])
    session = pd.factorize(joined["session_id"])[0]
    numbers = {
        "person": person,
        "place": place,
        "region": region,
        "course": paired(region, session),
        "planting": paired(place, session),
    }
    ends = np.cumsum([len(f) for f in frames])[:-1]
    parts = {name: np.split(values, ends) for name, values in numbers.items()}
    return tuple(f.assign(**{name: parts[name][i] for name in numbers}) for i, f in enumerate(frames))


def _stacked(frames: tuple[pd.DataFrame, ...], key: str) -> np.ndarray:
    return np.concatenate([f[key].to_numpy(object) if key in f else np.full(len(f), None) for f in frames])


def latest_before(
    group: np.ndarray, moment: np.ndarray, of_group: np.ndarray, events: np.ndarray
) -> np.ndarray:
    """Return for each moment the latest event of its group not after it, NaN where there is none.

    Parameters
    ----------
    group, moment
        Number of the group and time of each moment, (n,).
    of_group, events
        Number of the group and time of each event, (m,); an unknown time is no event.
    """
    known = np.isfinite(events)
    groups = np.concatenate([of_group[known], group])
    times = np.concatenate([events[known], moment])
    is_event = np.arange(len(times)) < known.sum()
    order = np.lexsort((~is_event, times, groups))
    latest = np.maximum.accumulate(np.where(is_event[order], np.arange(len(order)), -1))
    event = order[latest]  # where there is none yet, any other: of no event
    is_met = (latest >= 0) & (groups[event] == groups[order])
    found = np.empty(len(order))
    found[order] = np.where(is_met, times[event], np.nan)
    return np.where(np.isfinite(moment), found[known.sum() :], np.nan)
