"""Does each criterion meet its standard this quarter, and how does that compare with the last?

Each criterion is measured on this quarter, on the last one and on the last four together, from the same rows
(`Criterion.rows`), with its interval; the outcome is decided on the interval alone.
"""

from typing import Any

import numpy as np
import pandas as pd

from analytics.records import Records
from analytics.results import LEVEL, Result, line
from analytics.review.criteria import Criteria
from analytics.review.kinds import Criterion
from analytics.review.measures import CANNOT_TELL, NO_DATA, Measured, outcome
from analytics.review.periods import LAST, THIS, YEAR, View
from analytics.review.units import stacked

GAP = "difference to last quarter"
DECIDED = (THIS, YEAR)  # periods for which an outcome is said
FEW_UNITS = 5
USED = ["criterion", "patient_id", "session_id", "surgeon_id", "quarter", "reason"]
NAMED = ["patient_id", "session_id", "placement_id", "zone", "month", "quarter", "yield_pct", "upper"]


def indicators(records: Records, criteria: Criteria, *, quarter: int, level: float = LEVEL) -> Result:
    """Return every criterion with its counts, interval, outcome, last quarter, and difference.

    Parameters
    ----------
    quarter
        The quarter under review, 1 to the last of the register; nothing later is seen.

    Returns
    -------
    Result
        `by` is (criterion, outcome). Terms: this quarter, last quarter, difference to last quarter, last
        four quarters; for complications also per patient; for answers also of all due. `extra["audit"]` has
        one row per criterion with numerator, denominator, exceptions, standard, outcome; `extra["named"]` the
        cases of poor growth.
    """
    view = View.at(records, criteria.schedule, quarter=quarter)
    lines, audit, used, to_look_at = [], [], [], []
    for criterion in criteria.criterion:
        rows = criterion.rows(view)
        numbers = criterion.of_periods(view, rows, level=level)
        gap = criterion.difference(numbers[THIS], numbers[LAST], level=level)
        lines += [_line(criterion, term, number, level) for term, number in numbers.items()]
        lines.append(_line_of_gap(criterion, numbers[THIS], gap, level))
        here = rows[rows["quarter"].eq(quarter)]
        audit.append(_audit(criterion, numbers) | _counts(here))
        used.append(rows.assign(criterion=criterion.id)[USED])
        to_look_at.append(criterion.to_look_at(rows[rows["reason"].eq("")]))
    return Result(
        pd.DataFrame(lines),
        stacked(used),
        f"each criterion on the units of the quarter, {100 * level:g} % intervals (Wilson for shares of "
        "sessions, session or patient as the unit elsewhere, mixed model for yield); met or not met only "
        "where the whole interval lies on one side of the standard",
        by=("criterion", "outcome"),
        picture="indicators",
        extra={
            "audit": pd.DataFrame(audit),
            "declared": _declared(criteria),
            "named": _named([rows for rows in to_look_at if rows is not None]),
        },
        notes=(
            "Cannot tell: the interval holds the standard, so the numbers do not decide.",
            "A complication belongs to the quarter in which its month was reached.",
        ),
    )


def _line(criterion: Criterion, term: str, number: Measured, level: float) -> dict[str, Any]:
    decided = _outcome(criterion, number) if term in DECIDED else ""
    few = f"fewer than {FEW_UNITS} units" if number.n_units < FEW_UNITS else ""
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
    said = outcome(number.low, number.high, criterion.standard, criterion.direction)
    return CANNOT_TELL if said != NO_DATA and number.n_units < FEW_UNITS else said


def _counts(here: pd.DataFrame) -> dict[str, int]:
    """Return how many units of the quarter are excepted, and of how many it is not known."""
    excepted = here["reason"].str.startswith("exception")
    return {
        "n_exceptions": int(excepted.sum()),
        "n_unknown": int((here["reason"].ne("") & ~excepted).sum()),
    }


def _audit(criterion: Criterion, numbers: dict[str, Measured]) -> dict[str, Any]:
    now = numbers[THIS]
    return {
        "criterion": criterion.id,
        "unit": criterion.unit,
        "basis": now.declared["basis"],
        "numerator": now.numerator,
        "denominator": now.denominator,
        "estimate": now.estimate,
        "ci_low": now.low,
        "ci_high": now.high,
        "outcome": _outcome(criterion, now),
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
                "source": c.source,
                "source_kind": c.source_kind,
            }
            for c in criteria.criterion
        ]
    )


def _named(parts: list[pd.DataFrame]) -> pd.DataFrame:
    return stacked(parts)[NAMED] if parts else pd.DataFrame(columns=NAMED)
