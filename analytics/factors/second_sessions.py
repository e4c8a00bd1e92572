"""Does a second session into a zone grow as the first did?

A planting is a later one where the same patient had one in the same zone (and on the same side, where sides
are given) in an earlier session. Yield is that of the mature reading, against a count made fresh before that
session: where the earlier session was immature or no fresh count was made the planting is left out, with
its reason (`units`). Overlapping sessions stay in the joint view. What the earlier planting still had to grow
past its maturity counts as the later one's: on drawn registers some 2 points (`tests/bench/README.md`).
"""

import numpy as np
import pandas as pd

from analytics import bench, followup, yields
from analytics.factors.adjusted import USED, adjusted_for, difference, formula, too_few
from analytics.numerics import proportions
from analytics.records import Records
from analytics.results import LEVEL, Result, line


def second_session(
    records: Records, *, choices: yields.Choices = yields.USUAL, level: float = LEVEL
) -> Result:
    """Return the yield of later sessions into a zone minus that of first ones, adjusted.

    Returns
    -------
    Result
        Lines: mature plantings of first and later sessions (counts), the adjusted difference in points.

    Examples
    --------
    >>> from analytics import simulate
    >>> second_session(simulate.as_records(simulate.register(40)[0])).gap.why.startswith("Cannot be told")
    True
    """
    frame = numbered(bench.units(records, choices=choices).frame, records)
    analysed = frame[frame["reason"].eq("")].reset_index(drop=True)
    if gap := too_few(analysed, "a later session against a first", analysed["is_later"].eq(1)):
        return gap
    fitted = bench.model(formula(analysed, "yield_pct", "is_later"), analysed)
    lines = [
        line(term, float(len(rows)), "planted zones", basis="count", n_patients=rows["patient_id"].nunique())
        for term, rows in (
            ("first planting of the zone", analysed[analysed["is_later"].eq(0)]),
            ("planted before", analysed[analysed["is_later"].eq(1)]),
        )
    ]
    # Each patient tells the error once: few on a side are not trusted as if every planted zone did.
    told = analysed.drop_duplicates(["patient_id", "is_later"])["is_later"]
    most = proportions.df_of_events(np.ones(len(told)), told)
    what = ("is_later", "planted before minus first", "points of yield")
    lines.append(difference(fitted, *what, level=level, most_df=most))
    return Result(pd.DataFrame(lines), frame[USED], adjusted_for(fitted), checks=fitted.checks)


def numbered(frame: pd.DataFrame, records: Records) -> pd.DataFrame:
    """Return planted zones with `is_later`: 1 where an earlier session planted the same ground."""
    months = records.sessions.set_index("session_id")["patient_month"].astype(float)
    placed = records.placements[["placement_id", "patient_id", "session_id", "zone", "site"]]
    placed = placed.assign(patient_month=placed["session_id"].map(months))
    later = set(followup.same_ground(placed)["placement_id"])
    return frame.assign(is_later=frame["placement_id"].isin(later).astype(float))
