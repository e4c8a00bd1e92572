"""What did the practice decide to do, is it due, and did the criterion move since?

The log is carried from review to review. An action is *overdue* when its quarter has passed and it is still
open, and is audited again in the quarter set for that: the criterion in that quarter against the quarter in
which the action was set, with the interval of the difference. A criterion that got better has not thereby
been shown to have got better because of the action.
"""

import numpy as np
import pandas as pd

from analytics import yields
from analytics.records import Records
from analytics.results import LEVEL, Result
from analytics.review import growth
from analytics.review.criteria import Action, Criteria, PoorGrowthCriterion, YieldCriterion
from analytics.review.measures import NOTHING, Measured, difference, measure, outcome
from analytics.review.periods import as_at, check
from analytics.review.units import exception_codes, units

DONE, DUE, OVERDUE, RUNNING, DROPPED = "done", "due now", "overdue", "not yet due", "dropped"
BETTER, WORSE, CANNOT_TELL, NOT_YET = "better", "worse", "cannot tell", "not yet"


def actions(
    records: Records, criteria: Criteria, log: tuple[Action, ...], *, quarter: int, level: float = LEVEL
) -> Result:
    """Return every action with where it stands, and its criterion then and now.

    Parameters
    ----------
    log
        From `read_actions`; actions set after the quarter are left out.

    Returns
    -------
    Result
        `by` is (action,). Terms: when set, now (the re-audit quarter, or the quarter under review where that
        is earlier), difference. `extra["log"]` has one row an action: what, role, quarters, state, outcome
        now.
    """
    check(quarter, records)
    known = as_at(records, quarter)
    counts = yields.by_visit(known)
    readings = growth.readings(known, counts)
    seen = [a for a in log if a.set_in_quarter <= quarter]
    blocks, rows = [], []
    for action in seen:
        criterion = criteria.named(action.criterion)
        at = min(quarter, action.re_audit_quarter)
        then = _in_quarter(known, counts, readings, criteria, criterion, action.set_in_quarter, level)
        now = _in_quarter(known, counts, readings, criteria, criterion, at, level)
        later = at > action.set_in_quarter
        gap = difference(now, then, level=level) if later else (np.nan, np.nan, np.nan)
        blocks.append(_block(action, criterion, then, now, gap, level))
        rows.append(_log_row(action, criterion, now, gap, quarter, at))
    used = known.sessions[["patient_id", "session_id"]].assign(reason="")
    return Result(
        pd.concat(blocks, ignore_index=True) if blocks else _none(),
        used,
        f"criterion of each action in its re-audit quarter against the quarter that set it, {100 * level:g} "
        "% intervals as for the indicators",
        by=("action",),
        picture="actions",
        extra={"log": pd.DataFrame(rows)},
        notes=("Better or worse is said only where the interval of the difference holds no zero.",),
    )


def _in_quarter(
    known: Records,
    counts: pd.DataFrame,
    readings: pd.DataFrame,
    criteria: Criteria,
    criterion,
    quarter: int,
    level,
) -> Measured:
    if isinstance(criterion, PoorGrowthCriterion):
        return NOTHING
    if isinstance(criterion, YieldCriterion):
        codes = exception_codes(known.sessions, known, criterion)
        rows = growth.of_criterion(readings, criterion, codes)
        named = rows.assign(period=np.where(rows["quarter"].eq(quarter), "here", "elsewhere"))
        return growth.mean_by_period(known, counts, named, level=level).get("here", NOTHING)
    rows = units(known, criteria, criterion, quarter=quarter)
    return measure(rows[rows["reason"].eq("") & rows["quarter"].eq(quarter)], criterion, level=level)


def _block(action: Action, criterion, then: Measured, now: Measured, gap, level: float) -> pd.DataFrame:
    points = "points" if criterion.unit == "%" else criterion.unit
    values = [
        ("when set", then.estimate, then.low, then.high, criterion.unit, then),
        ("now", now.estimate, now.low, now.high, criterion.unit, now),
        ("difference", *gap, points, now),
    ]
    return pd.DataFrame(
        [
            {
                "action": action.id,
                "term": term,
                "estimate": estimate,
                "ci_low": low,
                "ci_high": high,
                "level": level,
                "unit": unit,
                "n_patients": m.n_patients,
                "n_rows": m.n_units,
                "flag": "" if np.isfinite(estimate) else "nothing to compare yet",
            }
            for term, estimate, low, high, unit, m in values
        ]
    )


def _log_row(action: Action, criterion, now: Measured, gap, quarter: int, at: int) -> dict:
    return {
        "action": action.id,
        "what": action.what,
        "role": action.role,
        "criterion": criterion.id,
        "name": criterion.title,
        "standard": criterion.standard,
        "direction": criterion.direction,
        "set_in_quarter": action.set_in_quarter,
        "due_quarter": action.due_quarter,
        "re_audit_quarter": action.re_audit_quarter,
        "state": _state(action, quarter),
        "re_audit": _moved(gap, criterion.direction) if at == action.re_audit_quarter else NOT_YET,
        "outcome": outcome(now.low, now.high, criterion.standard, criterion.direction),
    }


def _state(action: Action, quarter: int) -> str:
    if action.state in (DONE, DROPPED):
        return action.state
    if action.due_quarter < quarter:
        return OVERDUE
    return DUE if action.due_quarter == quarter else RUNNING


def _moved(gap: tuple[float, float, float], direction: str) -> str:
    """Return whether the criterion got better, judged on the interval of the difference.

    Examples
    --------
    >>> _moved((5.0, 1.0, 9.0), "at least"), _moved((5.0, -1.0, 9.0), "at least")
    ('better', 'cannot tell')
    """
    _, low, high = gap
    if not (np.isfinite(low) and np.isfinite(high)) or low <= 0 <= high:
        return CANNOT_TELL
    return BETTER if (low > 0) == (direction == "at least") else WORSE


def _none() -> pd.DataFrame:
    return pd.DataFrame(columns=["action", "term", "estimate", "ci_low", "ci_high", "level", "unit", "flag"])
