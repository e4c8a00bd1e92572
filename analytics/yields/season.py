"""Do counts swing with the season, and in which months is most hair to be counted?

The swing is half the difference between the fullest and the emptiest month, in percent of the density
(`yields.level`). As the length of two harmonics it is never below 0 and reads too large by chance; so its
estimate and limits are those of the swing that makes the length found the middle one, and the upper or lower
end, of what chance gives (non-central F). A register in which the seasons make no difference has a lower
limit of 0 in 39 of 40 cases.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import scipy

from analytics import measurement
from analytics.records import Records
from analytics.results import LEVEL, Result, limits, line
from analytics.yields.choices import USUAL, Choices
from analytics.yields.level import YEAR_MONTHS, Season, estimate
from analytics.yields.rows import by_visit, with_reason

SWING = "half the swing of a year"
FULLEST = "month of the year with most hair"
METHOD = (
    "harmonics of a year in counts of the same region, growth by zone and native change taken out; errors "
    "clustered by patient (Bell & McCaffrey 2002), limits of a length by the non-central F"
)
NOTE = "Month 1 is the month in which the register began, and every twelfth after it; 0 is month 12."


def season(
    records: Records, *, level: float = LEVEL, choices: Choices = USUAL, rows: pd.DataFrame | None = None
) -> Result:
    """Return how far counts swing over a year, and its fullest month, counted from the register's first.

    Parameters
    ----------
    choices
        What the rows rest on; densities as they were counted, not levelled.
    rows
        Rows of `by_visit` under these choices, where the caller has them already.

    Returns
    -------
    Result
        Terms SWING (percent of the density) and FULLEST (register month, 1 to 12, 13 being 1 again); without
        a number where too few patients or months were counted, the flag saying why.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> sorted(set(season(clinic).table()["term"]))
    ['half the swing of a year', 'month of the year with most hair']
    """
    visits = by_visit(records, choices=choices) if rows is None else rows
    return as_result(estimate(visits, measurement.error_model(records)), visits, level=level)


def as_result(swing: Season, visits: pd.DataFrame, *, level: float = LEVEL) -> Result:
    """Return a swing as the table that `season` gives."""
    size = length(swing, level=level)
    counted = {"level": level, "n_patients": swing.n_patients, "n_rows": swing.n_rows}
    of_size = line(
        SWING,
        100 * size.estimate,
        "% of density",
        ci=(100 * size.low, 100 * size.high),
        basis="model",
        flag=swing.why_not,
    )
    table = pd.DataFrame([of_size | counted, _fullest(swing, size.low, level) | counted])
    checks = {"season_estimated": not swing.why_not}
    return Result(table, with_reason(visits, "curve"), METHOD, checks=checks, notes=(NOTE,))


@dataclass(frozen=True, slots=True)
class Length:
    """A length with its limits, shares of the density."""

    estimate: float
    low: float
    high: float


def length(swing: Season, *, level: float = LEVEL) -> Length:
    """Return the size of a swing with its limits: sizes that put the one found in the middle, at either end.

    Parameters
    ----------
    swing
        From `yields.level.estimate`.
    """
    if swing.why_not:
        return Length(np.nan, np.nan, np.nan)
    variance = float(np.trace(swing.cov)) / 2
    ratio = float(swing.swing @ swing.swing) / (2 * variance)
    middle, low, high = (
        np.sqrt(variance * _noncentral(ratio, swing.df, p)) for p in (0.5, 0.5 + level / 2, 0.5 - level / 2)
    )
    return Length(float(middle), float(low), float(high))


def _noncentral(ratio: float, df: float, p: float) -> float:
    """Return the non-centrality at which a share p of draws lies below the ratio; 0 where none does."""

    def below(size: float) -> float:
        if not np.isfinite(df):
            return float(scipy.stats.ncx2.cdf(2 * ratio, 2, size)) - p
        return float(scipy.stats.ncf.cdf(ratio, 2, df, size)) - p

    central = scipy.stats.f.cdf(ratio, 2, df) if np.isfinite(df) else scipy.stats.chi2.cdf(2 * ratio, 2)
    if central <= p:
        return 0.0
    return float(scipy.optimize.brentq(below, 1e-9, 4 * ratio + 60.0))


def _fullest(swing: Season, low: float, level: float) -> dict:
    """Return the line of the fullest month; where the swing may be none the month has no limits."""
    if swing.why_not:
        return line(FULLEST, np.nan, "register month", basis="model", flag=swing.why_not)
    cos, sin = swing.swing
    size = float(np.hypot(cos, sin))
    across = np.array([-sin, cos]) / size
    se = YEAR_MONTHS / (2 * np.pi) * float(np.sqrt(across @ swing.cov @ across)) / size
    month = YEAR_MONTHS / (2 * np.pi) * float(np.arctan2(sin, cos)) % YEAR_MONTHS
    month = month if month >= 0.5 else month + YEAR_MONTHS
    if not low > 0:
        flag = "the swing may be none, and the month any"
        return line(FULLEST, month, "register month", basis="model", flag=flag)
    ci = limits(month, se, level=level, df=swing.df)
    return line(FULLEST, month, "register month", se=se, ci=ci, basis="model", flag=swing.why_not)
