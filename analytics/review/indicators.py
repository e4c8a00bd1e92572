"""Does each criterion meet its standard this quarter, and how does that compare with the last?

Each criterion is measured on this quarter, on the last one and on the last four together, from the same rows
(`review.units`, `review.growth`), with its interval; the outcome is decided on the interval alone.
"""

import numpy as np
import pandas as pd

from analytics import yields
from analytics.records import Records
from analytics.results import LEVEL, Result
from analytics.review import growth
from analytics.review.criteria import (
    Criteria,
    EventCriterion,
    PoorGrowthCriterion,
    RatingCriterion,
    YieldCriterion,
)
from analytics.review.growth import share_of_poor_growth
from analytics.review.measures import NO_DATA, NOTHING, Measured, difference, measure, outcome, per_patient
from analytics.review.periods import as_at, check
from analytics.review.units import NO_ANSWER, exception_codes, stacked, units

THIS, LAST, YEAR, GAP = "this quarter", "last quarter", "last four quarters", "difference to last quarter"
PATIENTS, ALL_DUE = "this quarter, per patient", "this quarter, of all due"
FEW_UNITS = 5


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
        one row a criterion with numerator, denominator, exceptions, standard, outcome; `extra["named"]` the
        cases of poor growth.
    """
    check(quarter, records)
    known = as_at(records, quarter)
    counts = yields.by_visit(known)
    readings = growth.readings(known, counts)
    blocks, audit, used, named = [], [], [], []
    for criterion in criteria.criterion:
        rows = _rows(known, criteria, criterion, readings, quarter)
        found = _measured(known, records, counts, criterion, rows, quarter=quarter, level=level)
        blocks.append(_block(criterion, found, level))
        audit.append(_audit_row(criterion, found, rows, quarter))
        used.append(rows.assign(criterion=criterion.id))
        if isinstance(criterion, PoorGrowthCriterion):
            named.append(growth.poor(rows[rows["reason"].eq("")], criterion.threshold_pct))
    kept = ["criterion", "patient_id", "session_id", "surgeon_id", "quarter", "reason"]
    return Result(
        pd.concat(blocks, ignore_index=True),
        stacked([u[kept] for u in used]),
        f"each criterion on the units of the quarter, {100 * level:g} % intervals (Wilson for shares of "
        "sessions, session or patient as the unit elsewhere, mixed model for yield); met or not met only "
        "where the whole interval lies on one side of the standard",
        by=("criterion", "outcome"),
        picture="indicators",
        extra={"audit": pd.DataFrame(audit), "declared": _declared(criteria), "named": _named(named)},
        notes=(
            "Cannot tell: the interval holds the standard, so the numbers do not decide.",
            "A complication belongs to the quarter in which its month was reached.",
        ),
    )


def _rows(
    known: Records, criteria: Criteria, criterion, readings: pd.DataFrame, quarter: int
) -> pd.DataFrame:
    if isinstance(criterion, YieldCriterion | PoorGrowthCriterion):
        return growth.of_criterion(readings, criterion, exception_codes(known.sessions, known, criterion))
    return units(known, criteria, criterion, quarter=quarter)


def _measured(
    known: Records,
    records: Records,
    counts: pd.DataFrame,
    criterion,
    rows: pd.DataFrame,
    *,
    quarter: int,
    level: float,
) -> dict[str, Measured]:
    """Return the measure of each period by its name."""
    if isinstance(criterion, PoorGrowthCriterion):
        return share_of_poor_growth(records, criterion, quarter=quarter, level=level)
    if isinstance(criterion, YieldCriterion):
        return _yields(known, counts, rows, quarter, level)
    counted = rows[rows["reason"].eq("")]
    found = {
        name: measure(counted[here], criterion, level=level)
        for name, here in _periods(counted["quarter"], quarter).items()
    }
    if isinstance(criterion, EventCriterion):
        now = counted[counted["quarter"].eq(quarter)]
        found[PATIENTS] = measure(per_patient(now), criterion, level=level) if len(now) else NOTHING
    if isinstance(criterion, RatingCriterion):
        due = rows[rows["quarter"].eq(quarter) & rows["reason"].isin(["", NO_ANSWER])]
        found[ALL_DUE] = measure(due.fillna({"part": 0.0}), criterion, level=level)
    return found


def _periods(quarters: pd.Series, quarter: int) -> dict[str, pd.Series]:
    return {
        THIS: quarters.eq(quarter),
        LAST: quarters.eq(quarter - 1),
        YEAR: quarters.between(quarter - 3, quarter),
    }


def _yields(
    known: Records, counts: pd.DataFrame, rows: pd.DataFrame, quarter: int, level: float
) -> dict[str, Measured]:
    name = np.select([rows["quarter"].eq(quarter), rows["quarter"].eq(quarter - 1)], [THIS, LAST], "earlier")
    found = growth.mean_by_period(known, counts, rows.assign(period=name), level=level)
    year = np.where(rows["quarter"].between(quarter - 3, quarter), YEAR, "earlier")
    found |= growth.mean_by_period(known, counts, rows.assign(period=year), level=level)
    return {term: found.get(term, NOTHING) for term in (THIS, LAST, YEAR)}


def _block(criterion, found: dict[str, Measured], level: float) -> pd.DataFrame:
    """Return the table rows of one criterion."""
    decided = {
        term: outcome(m.low, m.high, criterion.standard, criterion.direction) for term, m in found.items()
    }
    gap = _change(criterion, found, level)
    unit = "points" if criterion.unit == "%" else criterion.unit
    rows = [
        {
            "criterion": criterion.id,
            "outcome": decided[term] if term in (THIS, YEAR) else "",
            "term": term,
            "estimate": m.estimate,
            "se": m.se,
            "ci_low": m.low,
            "ci_high": m.high,
            "level": level,
            "unit": criterion.unit,
            "n_patients": m.n_patients,
            "n_rows": m.n_units,
            "flag": _flag(m),
        }
        for term, m in found.items()
    ]
    rows.append(
        {
            "criterion": criterion.id,
            "outcome": "",
            "term": GAP,
            "estimate": gap[0],
            "ci_low": gap[1],
            "ci_high": gap[2],
            "level": level,
            "unit": unit,
            "n_patients": found[THIS].n_patients,
            "n_rows": found[THIS].n_units,
            "flag": "" if np.isfinite(gap[0]) else NO_DATA,
        }
    )
    return pd.DataFrame(rows)


def _change(criterion, found: dict[str, Measured], level: float) -> tuple[float, float, float]:
    """Return this quarter less the last; no limits for poor growth: both rest on the same placements."""
    gap = difference(found[THIS], found[LAST], level=level)
    return (gap[0], np.nan, np.nan) if isinstance(criterion, PoorGrowthCriterion) else gap


def _flag(m: Measured) -> str:
    if not np.isfinite(m.estimate):
        return NO_DATA
    return f"fewer than {FEW_UNITS} units" if m.n_units < FEW_UNITS else ""


def _audit_row(criterion, found: dict[str, Measured], rows: pd.DataFrame, quarter: int) -> dict:
    here = rows[rows["quarter"].eq(quarter)]
    excepted = here["reason"].str.startswith("exception").sum()
    now, year, last = found[THIS], found[YEAR], found[LAST]
    gap = _change(criterion, found, LEVEL)
    return {
        "criterion": criterion.id,
        "unit": criterion.unit,
        "numerator": now.numerator,
        "denominator": now.denominator,
        "n_exceptions": int(excepted),
        "n_unknown": int((here["reason"].ne("") & ~here["reason"].str.startswith("exception")).sum()),
        "estimate": now.estimate,
        "ci_low": now.low,
        "ci_high": now.high,
        "outcome": outcome(now.low, now.high, criterion.standard, criterion.direction),
        "year_estimate": year.estimate,
        "year_low": year.low,
        "year_high": year.high,
        "year_outcome": outcome(year.low, year.high, criterion.standard, criterion.direction),
        "last_estimate": last.estimate,
        "change": gap[0],
        "change_low": gap[1],
        "change_high": gap[2],
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
                "counted": c.counted,
                "source": c.source,
                "source_kind": c.source_kind,
            }
            for c in criteria.criterion
        ]
    )


def _named(parts: list[pd.DataFrame]) -> pd.DataFrame:
    kept = ["patient_id", "session_id", "placement_id", "zone", "month", "quarter", "yield_pct", "upper"]
    return stacked(parts)[kept] if parts else pd.DataFrame(columns=kept)
