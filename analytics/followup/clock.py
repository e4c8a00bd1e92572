"""What became of every planned month? The one clock of follow-up.

A planned month has a window. It is *not yet due* until the window opens, *due, window open* until it closes,
and then one of: *counted* (a usable count inside), *counted but unusable* (bad light, another hair length, no
baseline: the code says why), *seen without a count*, *seen outside the window*, *missed*, *withdrawn* (the
patient ended follow-up before it closed), *shared with another session* (the zone was planted again before
the month, or still carried an immature session: no count there belongs to one session).

Shares are of windows that have closed (`is_closed`), on both sides of the line: what was counted early in a
window still open is not added, what was not counted yet is not missed. Only a usable count clears a month.

Two sets of windows are declared, each once. At maturity, the headline's: from one month before the zone's
month of maturity to six after, because a count up to then still speaks of it (`yields.one_reading` takes its
readings there and nowhere else). For calls: months 6, 12 and 18, as far as a zone needs to mature, with the
same width. A practice's own schedule of visits (`criteria.toml`) is a third, declared by the practice. Widths
are common practice, no source.

Time is register months, 1 the first; a session is taken at the middle of its month, so that what happens m
months after a session of month s lies in month round(s + m). An attendance counts for every session of its
patient, on that session's clock.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.dictionary import MATURITY_MONTH
from analytics.followup.ground import same_ground
from analytics.records import Records

COUNTED, UNUSABLE, SEEN = "counted", "counted but unusable", "seen without a count"
OUTSIDE, MISSED, WITHDRAWN = "seen outside the window", "missed", "withdrawn"
SHARED, IN_WINDOW, NOT_YET = "shared with another session", "due, window open", "not yet due"
STATES = (COUNTED, UNUSABLE, SEEN, OUTSIDE, MISSED, WITHDRAWN, SHARED, IN_WINDOW, NOT_YET)
SEEN_STATES = (COUNTED, UNUSABLE, SEEN)
DUE_STATES = (*SEEN_STATES, OUTSIDE, MISSED)  # of closed windows; who withdrew was due no longer

OPENS_EARLY, CLOSES_LATE = 1.0, 6.0
AT_THE_SESSION = 0.25  # months: an earlier attendance belongs to the operation itself


class Planned:
    """A planned month, whoever declares it: the zones it is for, how early and late it counts as kept."""

    __slots__ = ()
    month: float
    zones: tuple
    early: float
    late: float

    @property
    def opens(self) -> float:
        """Month at which the window opens."""
        return self.month - self.early

    @property
    def closes(self) -> float:
        """Month at which the window closes."""
        return self.month + self.late


@dataclass(frozen=True, slots=True)
class Window(Planned):
    """A planned month, the zones it is for, and when it counts as kept (months since the session)."""

    month: float
    zones: tuple[str, ...]
    early: float = OPENS_EARLY
    late: float = CLOSES_LATE


def n_of(state: str) -> str:
    """Return the name of the column that holds how many are in a state.

    Parameters
    ----------
    state
        One of STATES.

    Returns
    -------
    str
        `n_` and the state, blanks as underscores.

    Examples
    --------
    >>> n_of(IN_WINDOW)
    'n_due_window_open'
    """
    return f"n_{state.replace(',', '').replace(' ', '_')}"


def _maturing_in(months: Sequence[float]) -> tuple[str, ...]:
    return tuple(zone for zone, month in MATURITY_MONTH.items() if month in months)


AT_MATURITY = tuple(Window(float(m), _maturing_in([m])) for m in sorted(set(MATURITY_MONTH.values())))


def reading_month(session_month, month):
    """Return the register month of what happens `month` months after a session of that register month.

    Parameters
    ----------
    session_month
        Register month of the session, 1 the first; a number or an array.
    month
        Months since the session; a number, or an array of the same shape.

    Returns
    -------
    numpy.ndarray
        Register months, whole numbers; a session is taken at the middle of its month.

    Examples
    --------
    >>> [int(reading_month(1, m)) for m in (0.0, 11.9, 12.6)]
    [1, 13, 14]
    """
    return np.floor(np.asarray(session_month, dtype=float) + np.asarray(month, dtype=float) + 0.5)


def register_end(records: Records) -> int:
    """Return the last register month the records know of: of a session, a count, an attendance.

    Returns
    -------
    int
        Register month, 1 the first; 0 where nothing is recorded.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> bool(register_end(clinic) >= clinic.sessions["register_month"].max())
    True
    """
    operated = records.sessions.set_index("session_id")["register_month"].astype(float)
    last = [float(operated.max())] if len(operated) else [0.0]
    for table in (records.measurements, records.visits):
        at = reading_month(table["session_id"].map(operated), table["month"])
        last.append(float(np.nanmax(at, initial=0.0)) if np.isfinite(at).any() else 0.0)
    return int(max(last))


def states(
    records: Records,
    rows: pd.DataFrame,
    *,
    windows: Sequence[Planned] = AT_MATURITY,
    until: int | None = None,
    of: str = "placement",
    strays: bool = False,
) -> pd.DataFrame:
    """Return one row per placement (or session) and planned month, with what became of it.

    Parameters
    ----------
    rows
        Rows of `yields.by_visit`: `placement_id`, `session_id`, `month`, `is_baseline`, `for_curve`,
        `why_not_curve`.
    windows
        The planned months with their windows and zones.
    until
        Register month at whose end one looks; by default the last the records know of.
    of
        `placement` or `session` (which is for all its zones, `zone` then being `all`).
    strays
        Whether an attendance in no window stands for the window nearest to it (*seen outside the window*):
        so in a schedule of visits; else the month was missed.

    Returns
    -------
    pandas.DataFrame
        Of the unit: patient_id, session_id, surgeon_id, zone, register_month, and placement_id or not; of
        the window: visit (its month), opens, closes, due_month (the register month in which it closes),
        is_closed; `state`, one of STATES; month_counted (first usable count inside), month_unusable and why
        (a code of `yields.REASONS`), month_seen, month_outside, last_usable (month of the last usable count
        at all); `shown`: the state, or that the window is open still, whatever happened in it so far.

    Examples
    --------
    >>> from analytics import simulate, yields
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> rows = states(clinic, yields.by_visit(clinic))
    >>> len(rows) == len(clinic.placements), set(rows["state"]) <= set(STATES)
    (True, True)
    """
    end = register_end(records) if until is None else until
    units = _placements(records) if of == "placement" else _sessions(records)
    table = pd.concat([_planned(units, records, window, of) for window in windows], ignore_index=True)
    counts = _counts(rows, of)
    # pandas 2 lets an empty frame change the type of a column, and pandas 3 will not: neither may matter.
    parts = [part for part in (_attendances(records, units), counts[["unit", "clock"]]) if len(part)]
    came = pd.concat(parts, ignore_index=True) if parts else counts[["unit", "clock"]]
    table = _with_counts(table, counts)
    table = _with_attendances(table, came[came["clock"] > AT_THE_SESSION].drop_duplicates())
    if not strays:
        table["month_outside"] = np.nan
    table["due_month"] = reading_month(table["register_month"], table["closes"])
    table["is_closed"] = table["due_month"] <= end
    table["state"] = _state(table, _withdrawn_at(records, table), end)
    table["shown"] = table["state"].where(table["is_closed"] | table["state"].eq(NOT_YET), IN_WINDOW)
    return table.drop(columns=["unit", "started", "shared_before"])


def _placements(records: Records) -> pd.DataFrame:
    """Return the placements as units; `shared_before`: the month before which another session shares it."""
    sessions = records.sessions[["session_id", "surgeon_id", "register_month", "patient_month"]]
    wanted = ["placement_id", "patient_id", "session_id", "zone", "site"]
    placed = records.placements[wanted].merge(sessions, on="session_id", validate="many_to_one")
    placed["patient_month"] = placed["patient_month"].astype(float)
    pairs = same_ground(placed)
    gap = pairs["patient_month"] - pairs["patient_month_before"]
    next_one = gap.groupby(pairs["placement_id_before"]).min()
    immature = set(pairs.loc[gap < pairs["zone"].map(MATURITY_MONTH), "placement_id"])
    shared = placed["placement_id"].map(next_one)
    # One planted over an immature session carries that one's hairs for ever: no month of it is its own.
    shared = shared.mask(placed["placement_id"].isin(immature), -np.inf)
    units = placed.drop(columns=["site", "patient_month"])
    return units.assign(unit=placed["placement_id"], started=placed["patient_month"], shared_before=shared)


def _sessions(records: Records) -> pd.DataFrame:
    sessions = records.sessions[["patient_id", "session_id", "surgeon_id", "register_month"]]
    return sessions.assign(
        zone="all",
        unit=sessions["session_id"],
        started=records.sessions["patient_month"].astype(float),
        shared_before=np.nan,
    )


def _planned(units: pd.DataFrame, records: Records, window: Planned, of: str) -> pd.DataFrame:
    """Return the units a planned month is for, with its window."""
    if of == "placement":
        theirs = units[units["zone"].isin(list(window.zones))]
    else:
        planted = records.placements.loc[records.placements["zone"].isin(list(window.zones)), "session_id"]
        theirs = units[units["session_id"].isin(set(planted))]
    return theirs.assign(visit=float(window.month), opens=float(window.opens), closes=float(window.closes))


def _counts(rows: pd.DataFrame, of: str) -> pd.DataFrame:
    """Return every count after the operation: its unit, month, whether it is usable, the code of why not."""
    after = rows[rows["placement_id"].notna() & ~rows["is_baseline"].astype(bool)]
    after = after[after["month"] > AT_THE_SESSION]
    return pd.DataFrame(
        {
            "unit": after[f"{of}_id"].astype("string"),
            "clock": after["month"].to_numpy(dtype=float),
            "is_usable": after["for_curve"].to_numpy(dtype=bool),
            "why": after["why_not_curve"].to_numpy(dtype=object),
        }
    ).sort_values("clock", kind="stable")


def _attendances(records: Records, units: pd.DataFrame) -> pd.DataFrame:
    """Return every attendance on the clock of every unit of its patient."""
    started = records.sessions.set_index("session_id")["patient_month"].astype(float)
    visits = records.visits[["patient_id", "session_id", "month"]]
    at = visits["session_id"].map(started).to_numpy(dtype=float) + visits["month"].to_numpy(dtype=float)
    came = visits[["patient_id"]].assign(at=at)
    pairs = units[["unit", "started", "patient_id"]].merge(came, on="patient_id", validate="many_to_many")
    return pairs[["unit"]].assign(clock=pairs["at"] - pairs["started"])


def _with_counts(table: pd.DataFrame, counts: pd.DataFrame) -> pd.DataFrame:
    """Add the first usable and the first unusable count inside each window, and the last usable one."""
    pairs = table[["unit", "visit", "opens", "closes"]].merge(counts, on="unit", validate="many_to_many")
    inside = pairs[pairs["clock"].between(pairs["opens"], pairs["closes"])]
    key = ["unit", "visit"]
    usable, unusable = inside[inside["is_usable"]], inside[~inside["is_usable"]]
    first = usable.groupby(key)["clock"].first().rename("month_counted")
    other = unusable.groupby(key)[["clock", "why"]].first().rename(columns={"clock": "month_unusable"})
    last = counts[counts["is_usable"]].groupby("unit")["clock"].last().rename("last_usable")
    return table.join(first, on=key).join(other, on=key).join(last, on="unit")


def _with_attendances(table: pd.DataFrame, came: pd.DataFrame) -> pd.DataFrame:
    """Add the first attendance inside each window, and the first of those that lie nearest outside it."""
    pairs = table[["unit", "visit", "opens", "closes"]].merge(
        came.sort_values("clock"), on="unit", validate="many_to_many"
    )
    beyond = np.maximum(pairs["opens"] - pairs["clock"], pairs["clock"] - pairs["closes"])
    pairs = pairs.assign(distance=np.maximum(beyond, 0.0))
    nearest = pairs.groupby(["unit", "clock"])["distance"].transform("min")
    key = ["unit", "visit"]
    inside = pairs[pairs["distance"].eq(0)].groupby(key)["clock"].first().rename("month_seen")
    astray = pairs[(nearest > 0) & pairs["distance"].eq(nearest)]
    outside = astray.groupby(key)["clock"].first().rename("month_outside")
    return table.join(inside, on=key).join(outside, on=key)


def _withdrawn_at(records: Records, table: pd.DataFrame) -> pd.Series:
    """Return the month, on each row's clock, at which its patient ended follow-up."""
    ended = records.visits[records.visits["withdrawn"].fillna(False).astype(bool)]
    started = records.sessions.set_index("session_id")["patient_month"].astype(float)
    at = (ended["session_id"].map(started) + ended["month"]).groupby(ended["patient_id"]).min()
    return table["patient_id"].map(at) - table["started"]


def _state(table: pd.DataFrame, ended: pd.Series, end: int) -> np.ndarray:
    is_open = reading_month(table["register_month"], table["opens"]) <= end
    tests = (
        (~is_open, NOT_YET),
        (table["month_counted"].notna(), COUNTED),
        (table["shared_before"] < table["visit"], SHARED),
        (table["month_unusable"].notna(), UNUSABLE),
        (table["month_seen"].notna(), SEEN),
        (ended < table["closes"], WITHDRAWN),
        (~table["is_closed"], IN_WINDOW),
        (table["month_outside"].notna(), OUTSIDE),
    )
    conditions, named = zip(*tests, strict=True)
    return np.select([np.asarray(c, dtype=bool) for c in conditions], named, MISSED)
