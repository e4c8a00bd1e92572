"""Over how many quarters is a criterion judged, and when can be told what cannot be told yet?

A quarter of a small practice decides little: at most 2 of 100 infections takes 189 sessions without one. A
criterion is therefore judged over a window of its own, `over_quarters` in its declaration. Where none is
declared it follows from how many units a quarter brings, never from how they turned out: for yes or no, the
fewest of 1, 2 or 4 quarters in which half the faults allowed would be told from the standard; else 4
quarters, or 8 or 12 where a record without a fault needs them; for means and shares of grafts the fewest of
1, 2 or 4 that bring 100 units, else 4, or 8 or 12 where 10 units need them (conventions, no source).

For what cannot be told: the record without a fault that would meet the standard, the chance that the standard
holds (`sequential.holds_of_share`), the side it leans to, and the quarter in which it would be told if rate
and numbers went on as they are. That quarter is a planning guess, not a forecast.
"""

from dataclasses import dataclass
from math import ceil

import numpy as np
import pandas as pd

from analytics.numerics import sequential
from analytics.review.kinds import Criterion
from analytics.review.measures import CANNOT_TELL, Measured

SHORT, LONG = (1, 2, 4), (8, 12)
MANY_UNITS, ENOUGH_UNITS = 100, 10
FEWER_FAULTS = 0.5  # of those allowed: a practice that much better should be told to be
QUARTERS_AHEAD = 20  # five years; what needs longer is said never to be told
PRIOR_QUARTERS = 8
RECENT = 4
BETTER, WORSE = "better", "worse"


@dataclass(frozen=True, slots=True)
class Telling:
    """What is known of a criterion that cannot be told.

    Units without a fault that would meet it (NaN where there is no such record), the chance in percent that
    the standard holds, the prior's value and weight, the side it leans to, the quarter in which it can be
    told (NaN: not within five years), and how many quarters together would then decide.
    """

    perfect: float
    chance_pct: float
    prior: float
    prior_units: float
    leaning: str
    quarter: float
    quarters_needed: float


def window_of(criterion: Criterion, rows: pd.DataFrame, quarter: int) -> int:
    """Return over how many quarters a criterion is judged: as declared, or by its numbers.

    Parameters
    ----------
    rows
        Of `criterion.rows`, up to the quarter.
    """
    if criterion.over_quarters:
        return criterion.over_quarters
    if not criterion.has_rows_of_its_own:
        return 1
    a_quarter = per_quarter(rows, quarter)
    if a_quarter <= 0:
        return RECENT
    if not criterion.counts_yes_or_no:
        short = next((k for k in SHORT if k * a_quarter >= MANY_UNITS), 0)
        return short or next((k for k in (RECENT, *LONG) if k * a_quarter >= ENOUGH_UNITS), LONG[-1])
    at_most = criterion.direction == "at most"
    standard = criterion.standard / 100
    allowed = standard if at_most else 1 - standard
    fewer = FEWER_FAULTS * allowed if at_most else 1 - FEWER_FAULTS * allowed
    told = sequential.units_to_decide(fewer, standard)
    perfect = sequential.perfect_record(standard, at_most=at_most)
    short = next((k for k in SHORT if k * a_quarter >= told), 0)
    return short or next((k for k in (RECENT, *LONG) if k * a_quarter >= perfect), RECENT)


def per_quarter(rows: pd.DataFrame, quarter: int) -> float:
    """Return how many units a quarter brings, on average over the last four with any before them."""
    counted = rows.loc[rows["reason"].eq("") & rows["quarter"].le(quarter), "quarter"]
    if counted.empty:
        return 0.0
    first = max(int(counted.min()), quarter - RECENT + 1)
    return float(counted.ge(first).sum() / (quarter - first + 1))


def told(
    criterion: Criterion,
    number: Measured,
    history: dict[int, Measured],
    *,
    quarter: int,
    over: int,
    outcome: str,
) -> Telling:
    """Return what is known of a criterion while its numbers cannot tell; NaN where they can.

    Parameters
    ----------
    number
        Over the window.
    history
        The number of each quarter up to this one.
    over
        Quarters of the window.
    """
    at_most = criterion.direction == "at most"
    perfect = np.nan
    if criterion.counts_yes_or_no:
        perfect = sequential.perfect_record(criterion.standard / 100, at_most=at_most)
    if outcome != CANNOT_TELL or not np.isfinite(number.estimate):
        return Telling(perfect, np.nan, np.nan, np.nan, "", np.nan, np.nan)
    belief, scale = _belief(criterion, number, history, quarter - over)
    gap = number.estimate - criterion.standard
    leaning = "" if gap == 0 else BETTER if (gap < 0) == at_most else WORSE
    with_any = sum(quarter - over < q <= quarter and m.n_units > 0 for q, m in history.items()) or 1
    needed = with_any * _times_more(criterion, number)
    ahead = max(1, ceil(needed - with_any)) if needed < QUARTERS_AHEAD + with_any else np.inf
    return Telling(
        perfect,
        100 * belief.chance,
        scale * belief.prior,
        belief.prior_units,
        leaning,
        quarter + ahead if ahead <= QUARTERS_AHEAD else np.nan,
        float(ceil(needed)) if np.isfinite(needed) else np.inf,
    )


def _belief(
    criterion: Criterion, number: Measured, history: dict[int, Measured], before: int
) -> tuple[sequential.Belief, float]:
    earlier = [m for q, m in sorted(history.items()) if q <= before][-PRIOR_QUARTERS:]
    at_most = criterion.direction == "at most"
    if number.is_of_units:
        counts = ([m.numerator for m in earlier], [m.denominator for m in earlier])
        share = criterion.standard / 100
        found = sequential.holds_of_share(
            number.numerator, number.denominator, counts, share, at_most=at_most
        )
        return found, 100.0
    means = ([m.estimate for m in earlier], [m.se for m in earlier])
    se = number.se if np.isfinite(number.se) and number.se > 0 else (number.high - number.low) / 3.92
    spread = se * np.sqrt(number.n_units)
    found = sequential.holds_of_mean(
        number.estimate, se, means, criterion.standard, at_most=at_most, spread=spread
    )
    return found, 1.0


def _times_more(criterion: Criterion, number: Measured) -> float:
    """Return how many times as many units would decide if the number stayed as it is."""
    gap = abs(number.estimate - criterion.standard)
    if gap == 0:
        return np.inf
    if number.is_of_units:
        needed = sequential.units_to_decide(number.estimate / 100, criterion.standard / 100)
        return needed / max(number.denominator, 1.0)
    towards = number.low if number.estimate > criterion.standard else number.high
    return float((abs(number.estimate - towards) / gap) ** 2)
