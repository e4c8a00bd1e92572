"""Not everyone was asked: how far could those who were not move the share with a complication?

Three numbers for each complication, over all sessions that reached its month in the last four quarters: the
share among those asked; the bounds over *all operated*, whatever became of those not asked, with Imbens and
Manski's limits; and the share of all if the odds among those not asked were a multiple of the odds among
those asked (`numerics.bounds`). An event told by somebody who was not asked raises the lower bound alone
(`followup.asked`). Last the share among those not asked at which the whole would stand at the standard.
"""

from typing import Any

import numpy as np
import pandas as pd

from analytics.numerics import bounds, proportions
from analytics.records import Records
from analytics.results import LEVEL, Result, line
from analytics.review.criteria import Criteria
from analytics.review.kinds import TOLD_UNASKED
from analytics.review.periods import View

ODDS_RATIOS = (0.25, 0.5, 1.0, 2.0, 4.0)
TERM = "odds of those not asked {factor:g} times the asked's"
QUARTERS = 4
NOBODY = "nobody was asked in time"
EXCEPTED = "exception"


def asked(records: Records, criteria: Criteria, *, quarter: int, level: float = LEVEL) -> Result:
    """Return each complication among those asked, its bounds over all operated, and what lies between.

    Parameters
    ----------
    quarter
        The quarter under review; sessions that reached the month in it and the three before count.

    Returns
    -------
    Result
        By criterion: `among those asked` (Wilson), `all operated, at least` and `all operated, at most` (with
        the lower and the upper of Imbens and Manski's limits), a line for each of ODDS_RATIOS (TERM), `share
        among those not asked that meets the standard`. `extra["counts"]` has a row per criterion: operated,
        asked, with the event, told without being asked, not asked.

    Examples
    --------
    >>> from analytics import simulate
    >>> from analytics.review.criteria import read
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> found = asked(clinic, read("data_demo/criteria.toml"), quarter=8)
    >>> bool((found.extra["counts"]["n_asked"] <= found.extra["counts"]["n_operated"]).all())
    True
    """
    view = View.at(records, criteria.schedule, quarter=quarter)
    lines, counts, used = [], [], []
    for criterion in criteria.criterion:
        if not criterion.is_asked:
            continue
        rows = criterion.rows(view)
        rows = rows[rows["quarter"].gt(quarter - QUARTERS) & ~rows["reason"].str.startswith(EXCEPTED)]
        known = rows["reason"].eq("")
        n = {
            "n_operated": len(rows),
            "n_asked": int(known.sum()),
            "n_with_event": int(rows.loc[known, "part"].sum()),
            "n_told_unasked": int(rows["reason"].eq(TOLD_UNASKED).sum()),
            "n_not_asked": int((~known).sum()),
        }
        about = {"level": level, "n_patients": int(rows["patient_id"].nunique()), "n_rows": len(rows)}
        lines += _lines(n, criterion.standard, {"criterion": criterion.id}, about)
        counts.append({"criterion": criterion.id, "name": criterion.title, **n})
        used.append(rows[["patient_id", "session_id", "reason"]])
    return Result(
        pd.DataFrame(lines),
        pd.concat(used, ignore_index=True) if used else pd.DataFrame({"reason": []}),
        f"share among those asked, Wilson {100 * level:g} % interval; bounds over all operated with limits "
        "of Imbens & Manski 2004; odds of those not asked as a multiple of the odds of those asked",
        by=("criterion",),
        extra={"counts": pd.DataFrame(counts)},
        notes=("Bounds hold whatever became of those not asked; they are no interval.",),
    )


def _lines(n: dict[str, int], standard: float, by: dict[str, str], about: dict[str, Any]) -> list[dict]:
    operated, n_asked, events, told, _ = n.values()
    if not operated:
        return [line("among those asked", np.nan, "%", by=by, basis="model", flag="nobody reached the month")]
    # Beside the share among those asked, the least of all operated gives back how many told unasked.
    least: dict[str, Any] = (
        {"basis": "counts", "numerator": told} if told else {"basis": "share", "numerator": events}
    )
    among = proportions.proportion(events, n_asked, level=about["level"])
    found = bounds.share(events, n_asked, operated, told=told, level=about["level"])
    lines = [
        line(
            "among those asked", 100 * float(among.estimate), "%", by=by,
            ci=(100 * float(among.low), 100 * float(among.high)), basis="share", numerator=events,
            denominator=n_asked, flag="" if n_asked else NOBODY, **about,
        ),
        line(
            "all operated, at least", 100 * found.lower, "%", by=by,
            ci=(100 * found.low, 100 * found.lower), denominator=operated, over_patients=False, **least,
            **about,
        ),
        line(
            "all operated, at most", 100 * found.upper, "%", by=by,
            ci=(100 * found.upper, 100 * found.high), basis="share",
            numerator=events + operated - n_asked, denominator=operated, over_patients=False, **about,
        ),
    ]  # fmt: skip
    if not n_asked:
        return lines
    # Between the bounds every number would give back how many were asked; at equal odds it is their share.
    # No points of a chart, so without x: they go where a share of the criterion is withheld (`disclosure`).
    made_of: dict[str, Any] = {"basis": "counts", "numerator": told or operated - n_asked}
    made_of["denominator"] = operated
    shares = bounds.at_odds_ratio(events, n_asked, operated, ODDS_RATIOS, told=told)
    lines += [
        line(TERM.format(factor=ratio), 100 * share, "%", by=by, **made_of, **about)
        for ratio, share in zip(ODDS_RATIOS, shares, strict=True)
    ]
    if operated > n_asked:
        lines.append(_needed(events, n_asked, operated, standard, by, made_of | about))
    return lines


def _needed(events: int, n_asked: int, operated: int, standard: float, by: dict, about: dict) -> dict:
    """Return the share among those not asked at which the share of all would be the standard."""
    needed = bounds.unasked_share_for(events, n_asked, operated, standard / 100)
    flag = "" if 0 <= needed <= 1 else "no answer of theirs could bring the whole to the standard"
    term = "share among those not asked that meets the standard"
    value = 100 * needed if 0 <= needed <= 1 else np.nan
    return line(term, value, "%", by=by, flag=flag, **about)
