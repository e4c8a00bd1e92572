"""What share of placements had a first reading at or above a milestone, by month? Turnbull's estimate.

A description of readings, not of hair: a reading carries counting error, and the first of several that
touches the milestone is early by luck as often as by growth. Its intervals come from resampling patients, all
placements of a patient together: a share's limits are Wilson's on the effective number of placements (the
number of independent ones that would have the resampled standard error; Dean and Pagano 2015, Statistical
Science 30, from memory), which keep their level near 0 and 100 % where percentiles collapse; a median's are
percentiles; the simultaneous band holds the whole curve at once.
"""

from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd
import scipy

from analytics.dictionary import ZONES
from analytics.errors import ParameterError
from analytics.numerics import proportions, resample, turnbull
from analytics.numerics.resample import Resamples
from analytics.numerics.turnbull import TurnbullFit, summaries
from analytics.results import LEAST_FOR_INTERVAL, NO_INTERVAL

LEAST_AT_RISK = 5  # planted zones at risk from which a step has a band; common practice, no source
NOBODY = "no placement was seen to reach it"
PAST = "past the last visit"
# A median is printed only where less than this share of its interval lies past follow-up.
MOST_OF_INTERVAL = 0.7
UNSEEN_MEDIAN = "not determined: most of its interval lies past the last visit"


@dataclass(frozen=True, slots=True)
class GroupCurve:
    """One group: its name (a value per `by` column), its rows of the table, its fitted curve."""

    name: tuple
    rows: np.ndarray
    fit: TurnbullFit
    n_patients: int
    last_month: float

    @property
    def known_to(self) -> float:
        """Return the month up to which the curve is known: the last visit; for ever where all reached."""
        return self.last_month if np.isinf(self.fit.right[-1]) else np.inf

    @property
    def flag(self) -> str:
        """Return what must be said beside every number of the group."""
        said = [NO_INTERVAL] if self.n_patients < LEAST_FOR_INTERVAL else []
        return "; ".join(said if self.fit.checks["any_reached"] else [*said, NOBODY])


def fit_groups(table: pd.DataFrame, by: tuple[str, ...]) -> list[GroupCurve]:
    """Fit a curve to each group of placements (columns left, right, patient_id and `by`)."""
    groups = []
    for name, index in _in_order(table, by):
        left, right = table["left"].to_numpy()[index], table["right"].to_numpy()[index]
        seen = np.concatenate([left, right[np.isfinite(right)]])
        n_patients = int(table["patient_id"].iloc[index].nunique())
        groups.append(GroupCurve(name, index, turnbull.fit(left, right), n_patients, float(seen.max())))
    return groups


def _in_order(table: pd.DataFrame, by: tuple[str, ...]) -> list[tuple[tuple, np.ndarray]]:
    """Return name and row numbers of every group, zones in the order of the dictionary."""
    if not by:
        return [((), np.arange(len(table)))] if len(table) else []
    place = {zone: f"{k:02d}" for k, zone in enumerate(ZONES)}
    found = table.groupby(list(by), dropna=True).indices
    named = [
        (name if isinstance(name, tuple) else (name,), np.asarray(index)) for name, index in found.items()
    ]
    return sorted(named, key=lambda group: tuple(place.get(str(part), str(part)) for part in group[0]))


def resampled(
    table: pd.DataFrame, groups: list[GroupCurve], months: np.ndarray, *, n: int, seed: int, n_jobs: int
) -> Resamples:
    """Resample patients: by group the share reached (0 to 1) by each month, then the median month."""
    statistic = partial(
        _shares_and_median, fits=[g.fit for g in groups], rows=[g.rows for g in groups], months=months
    )
    codes = table["patient_id"].astype(str).to_numpy()
    return resample.patients(codes, statistic, n=n, seed=seed, n_jobs=n_jobs, together=True)


def _shares_and_median(weights, *, fits, rows, months) -> np.ndarray:
    parts = []
    for fit, index in zip(fits, rows, strict=True):
        shares, median = summaries(fit, weights[:, index], months)
        parts += [shares, median[:, None]]
    return np.concatenate(parts, axis=1)


def share_limits(
    share: np.ndarray, se: np.ndarray, n_seen: np.ndarray, *, level: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return Wilson's limits of a share on the number of placements its standard error is worth.

    The error comes from few patients and is itself uncertain: that number is lessened by the square of
    normal over t quantile, and by (m - 1) / m, as resampling m patients understates their variance.

    Parameters
    ----------
    share, se
        Shape (m,), 0 to 1.
    n_seen
        Shape (m,): patients who tell about the share; stands in where the share is 0 or 1 and has no error.

    Source: Korn & Graubard 1998, Survey Methodology 24:193-201 (effective sample size with t quantiles),
    here with Wilson's limits in place of exact ones.

    Examples
    --------
    Many independent placements give Wilson's interval itself: a quarter of them, the error that of 40.

    >>> low, high = share_limits(np.array([0.25]), np.array([0.0684653]), np.array([1e9]), level=0.95)
    >>> low.round(3).tolist(), high.round(3).tolist()
    ([0.142], [0.402])
    """
    few = np.maximum(n_seen, 2.0) - 1.0
    lessened = (
        few
        / (few + 1.0)
        * (scipy.stats.norm.isf((1.0 - level) / 2.0) / scipy.stats.t.isf((1.0 - level) / 2.0, few)) ** 2
    )
    spread = share * (1.0 - share)
    inside = (spread > 1e-12) & (se > 0)
    worth = np.where(inside, lessened * spread / np.where(inside, se, 1.0) ** 2, n_seen)
    worth = np.maximum(worth, 1.0)
    made = proportions.proportion(np.clip(share, 0.0, 1.0) * worth, worth, method="wilson", level=level)
    return made.low, made.high


def share_rows(
    groups: list[GroupCurve],
    drawn: Resamples,
    table: pd.DataFrame,
    months: np.ndarray,
    by: tuple[str, ...],
    *,
    term: str,
    level: float,
) -> pd.DataFrame:
    """Return one row per group and month: percent of placements with a first reading at or above by then.

    By a month at which every placement of the group is known to have reached or not, the estimate is a share
    of counts, and is declared as one; else it is estimated from intervals that hold the month.
    """
    estimate = drawn.estimate.reshape(len(groups), -1)[:, :-1]
    se = drawn.se().reshape(len(groups), -1)[:, :-1]
    parts = []
    for k, group in enumerate(groups):
        own = table.iloc[group.rows]
        reached, known = _reached_or_not(own, months)
        telling = pd.DataFrame(known).groupby(own["patient_id"].to_numpy()).any().to_numpy().sum(axis=0)
        low, high = share_limits(estimate[k], np.nan_to_num(se[k]), telling.astype(float), level=level)
        part = pd.DataFrame({"x": months, "estimate": 100.0 * estimate[k], "se": 100.0 * se[k]})
        part = part.assign(ci_low=100.0 * low, ci_high=100.0 * high, flag=group.flag)
        late = months > group.known_to
        part.loc[late, ["estimate", "se", "ci_low", "ci_high"]] = np.nan
        part.loc[late, "flag"] = PAST
        if group.n_patients < LEAST_FOR_INTERVAL:
            part[["se", "ci_low", "ci_high"]] = np.nan
        part = part.assign(basis="model", numerator=np.nan, denominator=np.nan)
        # At month 0 all are below by definition: nothing was counted.
        counted = known.all(axis=0) & ~late & (months > 0)
        part.loc[counted, "basis"] = "share"
        part.loc[counted, "numerator"] = reached.sum(axis=0)[counted]
        part.loc[counted, "denominator"] = len(own)
        parts.append(labelled(part, group, by))
    out = pd.concat(parts, ignore_index=True)
    return out.assign(term=term, unit="% of placements", level=level)


def _reached_or_not(rows: pd.DataFrame, months: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return which placements have reached by each month, and of which that is known, (n, m) each."""
    left, right = rows["left"].to_numpy()[:, None], rows["right"].to_numpy()[:, None]
    reached = right <= months
    return reached, reached | (left >= months)


def labelled(part: pd.DataFrame, group: GroupCurve, by: tuple[str, ...]) -> pd.DataFrame:
    """Return the rows of one group with its name and its counts."""
    return part.assign(
        **dict(zip(by, group.name, strict=True)), n_patients=group.n_patients, n_rows=group.rows.size
    )


def median_rows(
    groups: list[GroupCurve], drawn: Resamples, by: tuple[str, ...], *, term: str, level: float
) -> pd.DataFrame:
    """Return the month by which half have a first reading at or above, where the data tell it."""
    width = drawn.estimate.size // max(len(groups), 1)
    low, high = drawn.pointwise(level)
    parts = []
    for k, group in enumerate(groups):
        at = k * width + width - 1
        row = printable_median(drawn.estimate[at], low[at], high[at], group.last_month)
        row["se"] = drawn.se()[at] if np.isfinite(row["estimate"]) else np.nan
        if group.n_patients < LEAST_FOR_INTERVAL:
            row |= {"se": np.nan, "ci_low": np.nan, "ci_high": np.nan}
        row["flag"] = "; ".join(f for f in (row["flag"], group.flag) if f)
        parts.append(labelled(pd.DataFrame([row]), group, by))
    return pd.concat(parts, ignore_index=True).assign(term=term, unit="months", level=level, basis="quantile")


def printable_median(estimate: float, low: float, high: float, last_month: float) -> dict:
    """Return a median with its limits, or why it is not printed: most of its interval past the last visit.

    Examples
    --------
    Seen to month 12: 9 to 15 is half past it; 11 to 21 is nine tenths past it.

    >>> printable_median(11.0, 9.0, 15.0, 12.0)["estimate"]
    11.0
    >>> printable_median(13.0, 11.0, 21.0, 12.0)["estimate"]
    nan
    """
    unseen = not np.isfinite(high) or not np.isfinite(estimate)
    if not unseen and high > low:
        unseen = (high - max(low, last_month)) / (high - low) >= MOST_OF_INTERVAL
    if unseen:
        return {"estimate": np.nan, "ci_low": np.nan, "ci_high": np.nan, "flag": UNSEEN_MEDIAN}
    return {"estimate": estimate, "ci_low": low, "ci_high": high, "flag": ""}


def at_risk(
    groups: list[GroupCurve], table: pd.DataFrame, months: np.ndarray, by: tuple[str, ...]
) -> pd.DataFrame:
    """Return by group and month: placements still watched (n) and how many of their intervals hold the month.

    n counts those not yet seen to have reached and not yet gone: seen below at the month or later, or with an
    interval that holds it.
    """
    parts = []
    for group in groups:
        rows = table.iloc[group.rows]
        left, right = rows["left"].to_numpy()[:, None], rows["right"].to_numpy()[:, None]
        holds = (left < months) & (months <= right) & np.isfinite(right)
        part = pd.DataFrame(
            {"x": months, "n": ((left >= months) | holds).sum(axis=0), "n_intervals": holds.sum(axis=0)}
        )
        parts.append(part.assign(**dict(zip(by, group.name, strict=True))))
    return pd.concat(parts, ignore_index=True)[[*by, "x", "n", "n_intervals"]]


def steps(
    every: pd.DataFrame, groups: list[GroupCurve], table: pd.DataFrame, grid: np.ndarray, by: tuple[str, ...]
) -> pd.DataFrame:
    """Return the rows of `share_rows` to be drawn as steps: no band where fewer than 5 are still at risk."""
    drawn = every[every["x"].isin(grid) & every["estimate"].notna()]
    watched = at_risk(groups, table, grid, by)[[*by, "x", "n"]]
    n = drawn[[*by, "x"]].merge(watched, on=[*by, "x"], how="left", validate="1:1")["n"].to_numpy()
    has_band = pd.Series(n >= LEAST_AT_RISK, index=drawn.index)
    limits = ["ci_low", "ci_high"]
    return drawn.assign(**drawn[limits].where(has_band, np.nan, axis=0))


def refuse_empty(table: pd.DataFrame, where: str) -> None:
    """Say that no placement has an interval at all."""
    if table.empty:
        raise ParameterError(
            f"{where}: no placement with a baseline and a later reading; a milestone needs both; "
            "see rows() of yields.average for what was left out"
        )


def simultaneous(
    groups: list[GroupCurve],
    drawn: Resamples,
    months: np.ndarray,
    grid: np.ndarray,
    by: tuple[str, ...],
    *,
    level,
) -> pd.DataFrame:
    """Return by group a band of the observed curve that holds all of it at once with the stated level."""
    width = months.size + 1
    parts = []
    for k, group in enumerate(groups):
        wanted = np.flatnonzero(np.isin(months, grid) & (months <= group.known_to))
        own = Resamples(
            drawn.estimate[k * width + wanted],
            drawn.draws[:, k * width + wanted],
            drawn.seed,
            drawn.n_patients,
        )
        low, high = own.simultaneous(level)
        part = pd.DataFrame({"x": months[wanted], "ci_low": 100.0 * low, "ci_high": 100.0 * high})
        parts.append(part.assign(**dict(zip(by, group.name, strict=True))))
    return pd.concat(parts, ignore_index=True)[[*by, "x", "ci_low", "ci_high"]]


def undetermined(groups: list[GroupCurve], grid: np.ndarray, by: tuple[str, ...]) -> pd.DataFrame:
    """Return by group the lowest and highest share that fit equally well, where the data leave it open."""
    parts = []
    for group in groups:
        months = grid[grid <= group.known_to]
        low, high = group.fit.survival(months)
        part = pd.DataFrame({"x": months, "low": 100.0 * (1.0 - high), "high": 100.0 * (1.0 - low)})
        parts.append(part.assign(**dict(zip(by, group.name, strict=True))))
    return pd.concat(parts, ignore_index=True)[[*by, "x", "low", "high"]]
