"""Does each criterion meet its standard, and if that cannot be told, when can it?

Each criterion is measured over its own window of quarters (`decide.windows`), and beside it on this
quarter, on the last one and on the last four together, from the same rows (`Criterion.rows`), with its
interval. The verdict is decided on the interval of the window alone.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from analytics.records import Records
from analytics.results import LEAST_FOR_INTERVAL, LEVEL, NO_INTERVAL, SAYS_NOTHING, Result, line
from analytics.review.criteria import Criteria
from analytics.review.decide import HARM_COLUMNS, Telling, carried_by, harm, told, window_of
from analytics.review.decide.windows import BETTER, per_quarter
from analytics.review.declared import Monitor
from analytics.review.kinds import Criterion
from analytics.review.measures import CANNOT_TELL, NO_DATA, Measured, outcome_of
from analytics.review.periods import LAST, THIS, WINDOW, YEAR, View
from analytics.review.units import stacked

GAP = "difference to last quarter"
DECIDED = (THIS, YEAR, WINDOW)  # periods for which an outcome is said
FEW_UNITS = 5
USED = ["criterion", "patient_id", "session_id", "surgeon_id", "quarter", "reason"]
NAMED = ["patient_id", "session_id", "placement_id", "zone", "month", "quarter", "yield_pct", "upper"]
CARRIED = ["criterion", "patient_id", "outcome", "without"]


@dataclass(frozen=True, slots=True)
class _Judged:
    """One criterion: its rows, its numbers by period, of each quarter, window, outcome and what is known."""

    criterion: Criterion
    rows: pd.DataFrame
    numbers: dict[str, Measured]
    history: dict[int, Measured]
    over: int
    outcome: str
    telling: Telling
    carried: tuple[str, str]
    harm: dict[str, Any] | None


def indicators(
    records: Records,
    criteria: Criteria,
    *,
    quarter: int,
    windows: tuple[tuple[str, int], ...] = (),
    level: float = LEVEL,
) -> Result:
    """Return every criterion with its counts, interval, outcome, last quarter, and difference.

    Parameters
    ----------
    quarter
        The quarter under review, 1 to the last of the register; nothing later is seen.
    windows
        Criterion and quarters, as an earlier review chose them; chosen now where not given or declared.

    Returns
    -------
    Result
        `by` is (criterion, outcome). Terms: over its window, this quarter, last quarter, difference to last
        quarter, last four quarters; for complications also per patient; for answers also of all due.
        `extra["audit"]` has one row per criterion with window, numerator, denominator, exceptions, outcome;
        `extra["told"]` what is known of it while it cannot be told; `extra["history"]` each quarter's number;
        `extra["harms"]` the sequential tests of rare harms; `extra["carried"]` verdicts that one patient
        carries; `extra["named"]` the cases of poor growth.

    Examples
    --------
    >>> from analytics import simulate
    >>> from analytics.review.criteria import read
    >>> clinic, declared = simulate.as_records(simulate.register(40)[0]), read("data_demo/criteria.toml")
    >>> first = declared.model_copy(update={"criterion": declared.criterion[:1]})
    >>> indicators(clinic, first, quarter=8).extra["audit"]["criterion"].tolist()
    ['folliculitis']
    """
    view = View.at(records, criteria.schedule, quarter=quarter)
    before = dict(windows)
    judged = [_judged(c, view, criteria.monitor, before.get(c.id), level) for c in criteria.criterion]
    to_look_at = [j.criterion.to_look_at(j.rows[j.rows["reason"].eq("")]) for j in judged]
    return Result(
        pd.DataFrame([line for j in judged for line in _lines(j, level)]),
        stacked([j.rows.assign(criterion=j.criterion.id)[USED] for j in judged]),
        f"each criterion on the units of its window of quarters, {100 * level:g} % intervals (Wilson for "
        "shares of sessions, session or patient as the unit elsewhere, mixed model for yield); met or not "
        "met only where the whole interval lies on one side of the standard; where it cannot tell of a rare "
        "harm, by Wald's sequential test over all sessions; chance that a standard holds by a "
        "beta-binomial or normal posterior, the earlier quarters its prior",
        by=("criterion", "outcome"),
        picture="indicators",
        extra={
            "audit": pd.DataFrame([_audit(j, quarter) for j in judged]),
            "told": pd.DataFrame([_told(j) for j in judged]),
            "history": pd.DataFrame([line for j in judged for line in _history(j)]),
            "harms": pd.DataFrame([j.harm for j in judged if j.harm], columns=HARM_COLUMNS),
            "carried": pd.DataFrame([_carried(j) for j in judged if j.carried[0]], columns=CARRIED),
            "declared": _declared(criteria),
            "named": _named([rows for rows in to_look_at if rows is not None]),
        },
        notes=(
            "Cannot tell: the interval holds the standard, so the numbers do not decide.",
            "A complication belongs to the quarter in which its month was reached.",
        ),
    )


def _judged(criterion: Criterion, view: View, monitor: Monitor, window: int | None, level: float) -> _Judged:
    rows = criterion.rows(view)
    numbers = {k: _readable(m) for k, m in criterion.of_periods(view, rows, level=level).items()}
    over = criterion.over_quarters or window or window_of(criterion, rows, view.quarter)
    of_window = {1: numbers[THIS], 4: numbers[YEAR]}.get(over)
    if of_window is None:
        of_window = _readable(criterion.over(view, rows, over, level=level))
    numbers = {WINDOW: of_window, **numbers}
    history = criterion.history(view, rows, level=level)
    rare = harm(criterion, rows, monitor, a_quarter=per_quarter(rows, view.quarter))
    by_interval = _outcome(criterion, of_window)
    said = rare["verdict"] if rare and by_interval == CANNOT_TELL else by_interval
    inside = rows["reason"].eq("") & rows["quarter"].between(view.quarter - over + 1, view.quarter)
    return _Judged(
        criterion,
        rows,
        numbers,
        history,
        over,
        said,
        told(criterion, of_window, history, quarter=view.quarter, over=over, outcome=said),
        carried_by(criterion, view, rows[inside], of_window, level=level),
        rare,
    )


def _readable(number: Measured) -> Measured:
    """Take the interval off a number of too few patients, so that no verdict rests on it either."""
    if number.n_patients >= LEAST_FOR_INTERVAL:
        return number
    return replace(number, se=np.nan, low=np.nan, high=np.nan)


def _lines(judged: _Judged, level: float) -> list[dict[str, Any]]:
    criterion, numbers = judged.criterion, judged.numbers
    gap = criterion.difference(numbers[THIS], numbers[LAST], level=level)
    return [
        *(_line(judged, term, number, level) for term, number in numbers.items()),
        _line_of_gap(criterion, numbers[THIS], gap, level),
    ]


def _line(judged: _Judged, term: str, number: Measured, level: float) -> dict[str, Any]:
    criterion = judged.criterion
    decided = judged.outcome if term == WINDOW else _outcome(criterion, number) if term in DECIDED else ""
    few = f"fewer than {FEW_UNITS} units" if number.n_units < FEW_UNITS else ""
    if np.isfinite(number.estimate) and np.isnan(number.low):
        few = NO_INTERVAL if number.n_patients < LEAST_FOR_INTERVAL else SAYS_NOTHING
    return line(
        term,
        number.estimate,
        criterion.unit,
        by={"criterion": criterion.id, "outcome": decided},
        se=number.se,
        ci=(number.low, number.high),
        level=level,
        **number.declared,
        n_patients=number.n_patients,
        n_rows=number.n_units,
        flag=few if np.isfinite(number.estimate) else NO_DATA,
    )


def _line_of_gap(
    criterion: Criterion, now: Measured, gap: tuple[float, float, float], level: float
) -> dict[str, Any]:
    return line(
        GAP,
        gap[0],
        criterion.unit_of_difference,
        by={"criterion": criterion.id, "outcome": ""},
        ci=gap[1:],
        level=level,
        **now.declared_of_difference,
        n_patients=now.n_patients,
        n_rows=now.n_units,
        flag="" if np.isfinite(gap[0]) else NO_DATA,
    )


def _outcome(criterion: Criterion, number: Measured) -> str:
    """Return what the interval says; of fewer than FEW_UNITS units, nothing: 1 of 1 decides no standard."""
    said = outcome_of(number, criterion.standard, criterion.direction)
    return CANNOT_TELL if said != NO_DATA and number.n_units < FEW_UNITS else said


def _counts(here: pd.DataFrame) -> dict[str, int]:
    """Return how many units of the quarter are excepted, and of how many it is not known."""
    excepted = here["reason"].str.startswith("exception")
    return {
        "n_exceptions": int(excepted.sum()),
        "n_unknown": int((here["reason"].ne("") & ~excepted).sum()),
    }


def _audit(judged: _Judged, quarter: int) -> dict[str, Any]:
    number = judged.numbers[WINDOW]
    inside = judged.rows["quarter"].between(quarter - judged.over + 1, quarter)
    return {
        "criterion": judged.criterion.id,
        "over_quarters": judged.over,
        "unit": judged.criterion.unit,
        "basis": number.declared["basis"],
        "numerator": number.numerator,
        "denominator": number.denominator,
        "estimate": number.estimate,
        "ci_low": number.low,
        "ci_high": number.high,
        "outcome": judged.outcome,
        "by_sequential_test": judged.outcome != _outcome(judged.criterion, number),
        **_counts(judged.rows[inside]),
    }


def _told(judged: _Judged) -> dict[str, Any]:
    """Return what is known of a criterion beside its outcome; a leaning is as telling as its number."""
    known, number = judged.telling, judged.numbers[WINDOW]
    return {
        "criterion": judged.criterion.id,
        "outcome": judged.outcome,
        "basis": "counts" if number.is_share else "model",
        "numerator": number.numerator if number.is_share else np.nan,
        "denominator": number.denominator if number.is_share else np.nan,
        "perfect_record": known.perfect,
        "chance_pct": known.chance_pct,
        "prior": known.prior,
        "prior_units": known.prior_units,
        "leaning": np.nan if not known.leaning else (1.0 if known.leaning == BETTER else -1.0),
        "told_in": known.quarter,
        "quarters_needed": known.quarters_needed,
    }


def _history(judged: _Judged) -> list[dict[str, Any]]:
    return [
        {
            "criterion": judged.criterion.id,
            "quarter": quarter,
            "basis": number.declared["basis"],
            "numerator": number.numerator,
            "denominator": number.denominator,
            "estimate": number.estimate,
            "n_patients": number.n_patients,
        }
        for quarter, number in judged.history.items()
    ]


def _carried(judged: _Judged) -> dict[str, str]:
    patient, without = judged.carried
    return {
        "criterion": judged.criterion.id,
        "patient_id": patient,
        "outcome": judged.outcome,
        "without": without,
    }


def _declared(criteria: Criteria) -> pd.DataFrame:
    """Return the words of each criterion: apart from the counts, which are protected by their groups."""
    return pd.DataFrame(
        [
            {
                "criterion": c.id,
                "name": c.title,
                "statement": c.statement,
                "standard": c.standard,
                "direction": c.direction,
                "places": c.places,
                "counted": c.counted,
                "counts_at": c.counts_at,
                "source": c.source,
                "source_kind": c.source_kind,
            }
            for c in criteria.criterion
        ]
    )


def _named(parts: list[pd.DataFrame]) -> pd.DataFrame:
    return stacked(parts)[NAMED] if parts else pd.DataFrame(columns=NAMED)
