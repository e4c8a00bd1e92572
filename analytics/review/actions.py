"""What did the practice decide to do, is it due, and did the criterion move since?

The log is carried from review to review. An action is *overdue* when its quarter has passed and it is still
open, and is audited again in the quarter set for that: the criterion in that quarter against the quarter in
which the action was set, with the interval of the difference. A criterion that got better has not thereby
been shown to have got better because of the action.
"""

from typing import Any

import numpy as np
import pandas as pd

from analytics.records import Records
from analytics.results import LEVEL, Result, line
from analytics.review.criteria import Criteria
from analytics.review.declared import Action
from analytics.review.kinds import Criterion
from analytics.review.measures import Measured, outcome_of
from analytics.review.periods import View

DONE, DUE, OVERDUE, RUNNING, DROPPED = "done", "due now", "overdue", "not yet due", "dropped"
BETTER, WORSE, CANNOT_TELL, NOT_YET = "better", "worse", "cannot tell", "not yet"
NO_ROWS = pd.DataFrame(columns=["action", "term", "estimate", "ci_low", "ci_high", "level", "unit", "flag"])


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
        is earlier), difference. `extra["log"]` has one row per action: what, role, quarters, state, outcome
        now.

    Examples
    --------
    >>> from analytics import simulate
    >>> from analytics.review.criteria import read
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> len(actions(clinic, read("data_demo/criteria.toml"), (), quarter=8).table())
    0
    """
    view = View.at(records, criteria.schedule, quarter=quarter)
    lines, rows = [], []
    for action in (a for a in log if a.set_in_quarter <= quarter):
        criterion = criteria.named(action.criterion)
        at = min(quarter, action.re_audit_quarter)
        then = criterion.in_quarter(view, action.set_in_quarter, level=level)
        now = criterion.in_quarter(view, at, level=level)
        gap = (np.nan, np.nan, np.nan)
        if at > action.set_in_quarter:
            gap = criterion.difference(now, then, level=level)
        lines += _lines(action, criterion, then, now, gap, level)
        rows.append(_log_row(action, criterion, now, gap, quarter))
    return Result(
        pd.DataFrame(lines) if lines else NO_ROWS,
        view.records.sessions[["patient_id", "session_id"]].assign(reason=""),
        f"criterion of each action in its re-audit quarter against the quarter that set it, {100 * level:g} "
        "% intervals as for the indicators",
        by=("action",),
        picture="actions",
        extra={"log": pd.DataFrame(rows)},
        notes=("Better or worse is said only where the interval of the difference holds no zero.",),
    )


def _lines(
    action: Action,
    criterion: Criterion,
    then: Measured,
    now: Measured,
    gap: tuple[float, float, float],
    level: float,
) -> list[dict[str, Any]]:
    def one(term: str, three: tuple[float, float, float], unit: str, number: Measured, made_of: dict) -> dict:
        return line(
            term,
            three[0],
            unit,
            by={"action": action.id},
            ci=three[1:],
            level=level,
            **made_of,
            n_patients=number.n_patients,
            n_rows=number.n_units,
            flag="" if np.isfinite(three[0]) else "nothing to compare yet",
        )

    return [
        one("when set", (then.estimate, then.low, then.high), criterion.unit, then, then.declared),
        one("now", (now.estimate, now.low, now.high), criterion.unit, now, now.declared),
        one("difference", gap, criterion.unit_of_difference, now, now.declared_of_difference),
    ]


def _log_row(
    action: Action, criterion: Criterion, now: Measured, gap: tuple[float, float, float], quarter: int
) -> dict[str, Any]:
    is_audited_again = quarter >= action.re_audit_quarter
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
        "re_audit": _moved(gap, criterion.direction) if is_audited_again else NOT_YET,
        "outcome": outcome_of(now, criterion.standard, criterion.direction),
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
