"""From counted rows to a number with its interval, and what the interval says about the standard.

Shares of sessions (a complication, an answer, an attendance) have Wilson's interval; ratios of grafts take
the session as the unit; attendances and their photographs take the patient as the unit; a mean has
Student's interval. A percentage is always made from its counts, never from another percentage (a published
series printed 302 of 2,896 as 0.10 %).

A criterion is *met* only when its whole interval lies on the good side of the standard, *not met* when all
of it lies on the bad side, and else the numbers *cannot tell*.
"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from analytics.numerics import proportions
from analytics.results import WIDEST_SHARE, limits

MET, NOT_MET, CANNOT_TELL, NO_DATA = "met", "not met", "cannot tell", "no data"


@dataclass(frozen=True, slots=True)
class Measured:
    """One number: value in the criterion's unit, error, limits, and the counts behind it.

    `is_share` where it is numerator over denominator, both counts; `is_of_units` where moreover each unit
    counts yes or no.
    """

    estimate: float
    se: float
    df: float
    low: float
    high: float
    n_patients: int
    n_units: int
    numerator: float
    denominator: float
    is_share: bool = False
    is_of_units: bool = False

    @property
    def declared(self) -> dict[str, Any]:
        """What the number is made of, as `results.line` takes it."""
        if not self.is_share:
            return {"basis": "model"}
        return {"basis": "share", "numerator": self.numerator, "denominator": self.denominator}

    @property
    def declared_of_difference(self) -> dict[str, Any]:
        """What a difference from this number is made of: with shares it would give their counts back."""
        return self.declared | ({"basis": "counts"} if self.is_share else {})


NOTHING = Measured(np.nan, np.nan, np.nan, np.nan, np.nan, 0, 0, 0.0, 0.0)


def share_of_units(rows: pd.DataFrame, *, level: float) -> Measured:
    """Return the percentage of units that count, with Wilson's interval.

    Parameters
    ----------
    rows
        Counted rows: part is 0 or 1, whole is 1; patient_id.
    """
    n_yes, n = float(rows["part"].sum()), float(rows["whole"].sum())
    wilson = proportions.proportion(n_yes, n, level=level)
    return Measured(
        100 * float(wilson.estimate),
        np.nan,
        np.nan,
        100 * float(wilson.low),
        100 * float(wilson.high),
        _n_patients(rows),
        len(rows),
        n_yes,
        n,
        is_share=True,
        is_of_units=True,
    )


def share_of_totals(rows: pd.DataFrame, *, level: float, by_patient: bool = False) -> Measured:
    """Return the percentage that all parts are of all wholes, a row or a patient being the unit of error.

    Limits that span nearly 0 to 100 % are none.
    """
    clusters = rows["patient_id"].to_numpy() if by_patient else None
    ratio = proportions.ratio_of_totals(*_counts(rows), clusters=clusters, level=level)
    found = replace(_of_mean(ratio, rows, scale=100.0), is_share=True)
    says_nothing = found.high - found.low > WIDEST_SHARE
    return replace(found, low=np.nan, high=np.nan) if says_nothing else found


def ratio_of_totals(rows: pd.DataFrame, *, level: float) -> Measured:
    """Return all parts over all wholes in units of the part, the session as the unit."""
    return _of_mean(proportions.ratio_of_totals(*_counts(rows), level=level, bounded=False), rows)


def mean(rows: pd.DataFrame, *, level: float) -> Measured:
    """Return the mean of the parts, with Student's interval over sessions."""
    return _of_mean(proportions.mean(rows["part"].to_numpy(dtype=float), level=level), rows)


def per_patient(rows: pd.DataFrame) -> pd.DataFrame:
    """Return one row per patient: any of the patient's sessions counts."""
    return rows.groupby("patient_id", as_index=False).agg(
        part=("part", "max"), whole=("whole", "max"), session_id=("session_id", "first")
    )


def difference(now: Measured, before: Measured, *, level: float) -> tuple[float, float, float]:
    """Return this period minus that one, with limits: Newcombe's for shares of units, else Welch's."""
    gap = now.estimate - before.estimate
    if now.is_of_units and before.is_of_units:
        newcombe = proportions.difference(
            now.numerator, now.denominator, before.numerator, before.denominator, level=level
        )
        return gap, 100 * float(newcombe.low), 100 * float(newcombe.high)
    if not (np.isfinite(now.se) and np.isfinite(before.se)) or now.se + before.se == 0:
        return gap, np.nan, np.nan
    a, b = now.se**2, before.se**2
    df = (a + b) ** 2 / (a**2 / now.df + b**2 / before.df)
    return gap, *limits(gap, np.sqrt(a + b), level=level, df=df)


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


def outcome_of(number: Measured, standard: float, direction: str) -> str:
    """Return the outcome of a number; one without an interval cannot tell."""
    if np.isfinite(number.estimate) and np.isnan(number.low):
        return CANNOT_TELL
    return outcome(number.low, number.high, standard, direction)


def _counts(rows: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    return rows["part"].to_numpy(dtype=float), rows["whole"].to_numpy(dtype=float)


def _n_patients(rows: pd.DataFrame) -> int:
    return int(rows["patient_id"].nunique())


def _of_mean(of: proportions.Mean, rows: pd.DataFrame, *, scale: float = 1.0) -> Measured:
    part, whole = _counts(rows)
    return Measured(
        scale * of.estimate,
        scale * of.se,
        of.df,
        scale * of.low,
        scale * of.high,
        _n_patients(rows),
        of.n,
        float(part.sum()),
        float(whole.sum()),
    )
