"""From counted rows to a number with its interval, and what the interval says about the standard.

Shares of sessions (a complication, an answer, an attendance) have Wilson's interval; ratios of grafts take
the session as the unit; attendances and their photographs take the patient as the unit; a mean has
Student's interval. A percentage is always made from its counts, never from another percentage (a published
series printed 302 of 2,896 as 0.10 %).

A criterion is *met* only when its whole interval lies on the good side of the standard, *not met* when all
of it lies on the bad side, and else the numbers *cannot tell*.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from analytics.numerics import proportions
from analytics.review.criteria import HairsCriterion, MeanCriterion, PhotographCriterion, ShareCriterion

MET, NOT_MET, CANNOT_TELL, NO_DATA = "met", "not met", "cannot tell", "no data"


@dataclass(frozen=True, slots=True)
class Measured:
    """One number: counts behind it, value in the criterion's unit, error, limits, method in words."""

    numerator: float
    denominator: float
    estimate: float
    se: float
    df: float
    low: float
    high: float
    n_patients: int
    n_units: int
    is_share_of_units: bool
    method: str


NOTHING = Measured(0.0, 0.0, np.nan, np.nan, np.nan, np.nan, np.nan, 0, 0, False, "")


def measure(rows: pd.DataFrame, criterion, *, level: float) -> Measured:
    """Return the number of one period.

    Parameters
    ----------
    rows
        Rows of `review_units.units` whose reason is empty.
    criterion
        The criterion they belong to.
    """
    if rows.empty:
        return NOTHING
    part, whole = rows["part"].to_numpy(dtype=float), rows["whole"].to_numpy(dtype=float)
    n_patients = int(rows["patient_id"].nunique())
    if isinstance(criterion, MeanCriterion):
        found = proportions.mean(part, level=level)
        return _of_mean(found, part.sum(), len(part), 1.0, n_patients, "Student's interval over sessions")
    if isinstance(criterion, ShareCriterion | HairsCriterion):
        share = isinstance(criterion, ShareCriterion)
        found = proportions.ratio_of_totals(part, whole, level=level, bounded=share)
        scale = 100.0 if share else 1.0
        return _of_mean(found, part.sum(), whole.sum(), scale, n_patients, "ratio of totals, session as unit")
    if isinstance(criterion, PhotographCriterion):
        found = proportions.ratio_of_totals(part, whole, clusters=rows["patient_id"].to_numpy(), level=level)
        return _of_mean(found, part.sum(), whole.sum(), 100.0, n_patients, "ratio of totals, patient as unit")
    wilson = proportions.proportion(part.sum(), whole.sum(), level=level)
    return Measured(
        float(part.sum()),
        float(whole.sum()),
        100 * float(wilson.estimate),
        np.nan,
        np.nan,
        100 * float(wilson.low),
        100 * float(wilson.high),
        n_patients,
        len(rows),
        True,
        "Wilson",
    )


def per_patient(rows: pd.DataFrame) -> pd.DataFrame:
    """Return one row a patient: any of the patient's sessions counts."""
    return rows.groupby("patient_id", as_index=False).agg(
        part=("part", "max"), whole=("whole", "max"), session_id=("session_id", "first")
    )


def difference(now: Measured, before: Measured, *, level: float) -> tuple[float, float, float]:
    """Return this period minus that one, with limits: Newcombe's for shares of units, else Welch's."""
    gap = now.estimate - before.estimate
    if now.is_share_of_units and before.is_share_of_units:
        found = proportions.difference(
            now.numerator, now.denominator, before.numerator, before.denominator, level=level
        )
        return gap, 100 * float(found.low), 100 * float(found.high)
    if not (np.isfinite(now.se) and np.isfinite(before.se)) or now.se + before.se == 0:
        return gap, np.nan, np.nan
    a, b = now.se**2, before.se**2
    df = (a + b) ** 2 / (a**2 / now.df + b**2 / before.df)
    half = float(stats.t.ppf(0.5 + level / 2, df)) * float(np.sqrt(a + b))
    return gap, gap - half, gap + half


def outcome(low: float, high: float, standard: float, direction: str) -> str:
    """Return met, not met, cannot tell or no data, decided on the interval.

    Examples
    --------
    >>> outcome(2.0, 9.0, 10.0, "at most"), outcome(2.0, 12.0, 10.0, "at most")
    ('met', 'cannot tell')
    """
    if not (np.isfinite(low) and np.isfinite(high)):
        return NO_DATA
    good, bad = (
        (high <= standard, low > standard) if direction == "at most" else (low >= standard, high < standard)
    )
    return MET if good else NOT_MET if bad else CANNOT_TELL


def _of_mean(
    found: proportions.Mean, numerator: float, denominator: float, scale: float, n_patients: int, method: str
) -> Measured:
    return Measured(
        float(numerator),
        float(denominator),
        scale * found.estimate,
        scale * found.se,
        found.df,
        scale * found.low,
        scale * found.high,
        n_patients,
        found.n,
        False,
        method,
    )
