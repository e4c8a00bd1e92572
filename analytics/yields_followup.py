"""What if those who never came back do not stand where the others do?

A mean of readings speaks of those who were read. Of the placements that were *due* (their window of maturity
has closed, and no further session planted the zone first) a share was read; if those never read stand
`points` away from the others, the mean of all is

    mean of those read + (1 - share read) * points.

How far they stand no register can tell: the line says what each answer would mean (a tipping point). The
share is taken as known; the interval is that of the mean of those read.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics import yields_link
from analytics.errors import ParameterError
from analytics.measurement import CountError
from analytics.records import Records, dictionary
from analytics.results import LEVEL, Result
from analytics.yields_average import WINDOW_CLOSES_MONTHS_LATE, average, one_reading
from analytics.yields_planted import planted_error
from analytics.yields_rows import by_visit


def if_not_read(
    records: Records,
    *,
    points: float,
    by: Sequence[str] = ("zone",),
    level: float = LEVEL,
    rows: pd.DataFrame | None = None,
    count_error: CountError | None = None,
) -> Result:
    """Return mean yield at maturity of all placements due, if those never read stand some points away.

    Parameters
    ----------
    points
        How far the mean of those never read lies from that of those read, -100 to 100 points of yield.
    by
        Columns of placements or sessions: `zone`, `surgeon_id`, `method`.
    level, rows, count_error
        As in `yields.average`.

    Returns
    -------
    Result
        As `yields.average`; `extra["due"]` has, a group, placements due (`denominator`) and read
        (`numerator`).

    Raises
    ------
    ParameterError
        When points are out of range, or a grouping column is unknown.
    FitError
        When no reading is usable.
    """
    if not -100 <= points <= 100:
        raise ParameterError("yields.if_not_read(points): out of range; expected -100 to 100 points of yield")
    visits = by_visit(records) if rows is None else rows
    seen = average(records, by=by, level=level, rows=visits, count_error=count_error)
    due = _due(records, set(one_reading(visits)["placement_id"]), list(by))
    table = seen.estimates.merge(due, on=list(by), how="left", validate="one_to_one")
    away = points * (1 - table["numerator"] / table["denominator"])
    moved = {c: table[c] + away for c in ("estimate", "ci_low", "ci_high")}
    return replace(
        seen,
        estimates=table.assign(**moved).drop(columns=["numerator", "denominator"]),
        method=f"{seen.method}; those due and never read taken to stand {points:+g} points away",
        extra={"due": due},
    )


def _due(records: Records, read: set[str], by: list[str]) -> pd.DataFrame:
    """Return how many placements of each group were due, and how many of these were read."""
    placed = yields_link.placed(records, planted_error(records))
    sessions = records.sessions.drop(columns=[c for c in records.sessions.columns if c in placed.columns])
    keyed = sessions.assign(session_id=records.sessions["session_id"])
    placed = placed.merge(keyed, on="session_id", validate="many_to_one")
    unknown = [c for c in by if c not in placed.columns]
    if unknown:
        raise ParameterError(
            f"yields.if_not_read(by): unknown column {', '.join(unknown)}; use one of placements or sessions"
        )
    maturity = placed["zone"].map(dictionary.MATURITY_MONTH).to_numpy(dtype=float)
    closed = placed["session_month"] + maturity + WINDOW_CLOSES_MONTHS_LATE <= _last_month(records)
    pairs = yields_link.on_the_same_ground(placed)
    early = pairs["patient_month"] - pairs["patient_month_before"] < pairs["zone"].map(
        dictionary.MATURITY_MONTH
    )
    shared = set(pairs.loc[early, "placement_id"]) | set(pairs.loc[early, "placement_id_before"])
    was_read = placed["placement_id"].isin(read)
    due = placed[was_read | (closed & ~placed["placement_id"].isin(shared))].assign(read=was_read)
    return due.groupby(by, as_index=False).agg(numerator=("read", "sum"), denominator=("read", "size"))


def _last_month(records: Records) -> float:
    """Return the last register month that the records know of."""
    operated = records.sessions.set_index("session_id")["register_month"].astype(float)
    seen = records.measurements["session_id"].map(operated) + records.measurements["month"]
    return float(np.nanmax([operated.max(), seen.max()]))
