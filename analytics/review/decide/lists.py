"""Which sessions stand behind the unknown, the missed and the not met? Lists to work through, by code."""

import numpy as np
import pandas as pd

from analytics import followup
from analytics.records import Records
from analytics.results import Result, line
from analytics.review.criteria import Criteria
from analytics.review.kinds import Criterion
from analytics.review.measures import NOT_MET
from analytics.review.periods import View
from analytics.review.visits import sessions_due

UNKNOWN, MISSED_VISIT, BEHIND_NOT_MET = "not known", "missed visit", "behind not met"
COLUMNS = ["list", "criterion", "name", "session_id", "patient_id", "quarter", "why"]


def work_lists(records: Records, criteria: Criteria, *, quarter: int, indicators: Result) -> Result:
    """Return the sessions of this quarter behind every unknown, every missed visit, and every not met.

    Parameters
    ----------
    indicators
        Of the same quarter.

    Returns
    -------
    Result
        Terms: the number of sessions on each list. `extra["lists"]` has one row per session and list; it
        names persons by code, so that no audience outside the clinic gets it.

    Examples
    --------
    Page 02 shows it to the clinic alone; it takes what `indicators` of the same quarter gave.
    """
    view = View.at(records, criteria.schedule, quarter=quarter)
    audit = indicators.extra["audit"].set_index("criterion")
    parts = [_missed(view)]
    for criterion in criteria.criterion:
        rows = criterion.rows(view)
        parts.append(_unknown(criterion, rows[rows["quarter"].eq(quarter)]))
        if audit.loc[criterion.id, "outcome"] == NOT_MET and criterion.has_rows_of_its_own:
            over = int(audit.loc[criterion.id, "over_quarters"])
            parts.append(_behind(criterion, rows[rows["quarter"].between(quarter - over + 1, quarter)]))
    filled = [part for part in parts if len(part)]
    lists = pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=COLUMNS)
    counts = lists["list"].value_counts()
    return Result(
        pd.DataFrame(
            [
                line(
                    name,
                    float(counts.get(name, 0)),
                    "count",
                    basis="count",
                    n_patients=int(lists.loc[lists["list"].eq(name), "patient_id"].nunique()),
                )
                for name in (UNKNOWN, MISSED_VISIT, BEHIND_NOT_MET)
            ]
        ),
        view.records.sessions[["patient_id", "session_id"]].assign(reason=""),
        "sessions of the quarter whose part in a criterion is not known, visits missed whose window closed "
        "in it, and the sessions on the wrong side of a standard that is not met",
        picture="agenda",
        extra={"lists": lists[COLUMNS]},
    )


def _list(rows: pd.DataFrame, name: str, criterion: str, title: str, why) -> pd.DataFrame:
    kept = rows[["session_id", "patient_id", "quarter"]].drop_duplicates()
    return kept.assign(list=name, criterion=criterion, name=title, why=why)


def _missed(view: View) -> pd.DataFrame:
    rows = sessions_due(view)
    rows = rows[rows["quarter"].eq(view.quarter) & rows["shown"].eq(followup.MISSED)].reset_index(drop=True)
    visit = [f"month {v:g}" for v in rows["visit"]]
    return rows[["session_id", "patient_id", "quarter"]].assign(
        list=MISSED_VISIT, criterion="", name=visit, why="not seen, no attendance near it"
    )


def _unknown(criterion: Criterion, rows: pd.DataFrame) -> pd.DataFrame:
    reason = rows["reason"]
    rows = rows[reason.ne("") & ~reason.str.startswith("exception")]
    return _list(rows, UNKNOWN, criterion.id, criterion.title, rows["reason"])


def _behind(criterion: Criterion, rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows on the wrong side: with the fault, or beyond the standard themselves."""
    rows = rows[rows["reason"].eq("")]
    value = rows["part"] / rows["whole"] * (100.0 if criterion.scale == "odds" else 1.0)
    at_most = criterion.direction == "at most"
    wrong = np.where(value > criterion.standard, at_most, not at_most) & value.ne(criterion.standard)
    why = "above the standard" if at_most else "below the standard"
    return _list(rows[wrong], BEHIND_NOT_MET, criterion.id, criterion.title, why)
