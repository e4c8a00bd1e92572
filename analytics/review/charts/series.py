"""The points of a chart over time: which rows make a point, which chart they suit, and at equal case mix."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.review.kinds import Criterion
from analytics.review.periods import MONTHS, quarter_of
from analytics.review.units import columns

RARE_SHARE_EMPTY = 0.5  # more than half of the periods without an event: sessions between events instead
MIN_EVENTS = 4  # fewer: no chart can be drawn
MIN_POINTS = 3  # likewise
SHARES, GAPS = ("p", "p_prime"), "g"  # charts of counts; the others are of means


@dataclass(frozen=True, slots=True)
class Series:
    """Points of one chart: where, parts, wholes (units of a mean; None for g), patients, units; its baseline.

    `term` and `unit` name the points; `scale` turns a share into percent.
    """

    term: str
    unit: str
    kind: str
    scale: float
    x: np.ndarray
    part: np.ndarray
    whole: np.ndarray | None
    n_patients: np.ndarray
    n_units: np.ndarray
    n_baseline: int
    month: np.ndarray  # register month in which each point stands
    values: np.ndarray  # of a mean: the single values that its points are made of


def last_before_change(changes: pd.DataFrame, criterion: str, period: str) -> int | None:
    """Return the last month (or quarter) of the frozen baseline, or None where no change has shown yet.

    `changes`: a row per declared change and criterion; `x` the register month in which it first shows.
    """
    months = changes.loc[changes["criterion"].eq(criterion), "x"]
    if months.empty:
        return None
    first = int(months.min())
    return first - 1 if period == "month" else int(quarter_of(first - 1))


def series_of(
    rows: pd.DataFrame, criterion: Criterion, before: int | None, period: str, kind_kept: str
) -> Series | None:
    """Return the points of a chart, or None where there are too few for any."""
    month = np.floor(rows["register_month"] + 0.5)
    rows = rows.assign(x=np.asarray(month if period == "month" else quarter_of(month)).astype(int))
    sums = rows.groupby("x").agg(
        part=("part", "sum"), whole=("whole", "sum"), n_patients=("patient_id", "nunique"), n=("part", "size")
    )
    if len(sums) < MIN_POINTS:
        return None
    part, whole = sums["part"].to_numpy(dtype=float), sums["whole"].to_numpy(dtype=float)
    kind = criterion.chart
    if kind == "p":
        if min(part.sum(), whole.sum() - part.sum()) < MIN_EVENTS:
            return None
        if (part == 0).mean() > RARE_SHARE_EMPTY if not kind_kept else kind_kept == GAPS:
            return _between_events(rows, before)
    return Series(
        criterion.id,
        criterion.unit,
        kind,
        100.0 if kind in SHARES else 1.0,
        sums.index.to_numpy(dtype=float),
        part if kind in SHARES else part / whole,
        whole if kind in SHARES else sums["n"].to_numpy(dtype=float),
        sums["n_patients"].to_numpy(dtype=float),
        sums["n"].to_numpy(dtype=float),
        _n_before(sums.index.to_numpy(), before),
        sums.index.to_numpy() if period == "month" else MONTHS * sums.index.to_numpy(),
        np.empty(0) if kind in SHARES else (rows["part"] / rows["whole"]).to_numpy(dtype=float),
    )


def _n_before(x: np.ndarray, before: int | None) -> int:
    return len(x) if before is None else int(np.clip((x <= before).sum(), 2, len(x)))


def _between_events(rows: pd.DataFrame, before: int | None) -> Series | None:
    """Return sessions between events, in the order of register months."""
    ordered = rows.sort_values(["register_month", "session_id"]).reset_index(drop=True)
    at = ordered.index[ordered["part"] > 0].to_numpy()
    between = np.diff(at) - 1.0
    if len(between) < MIN_POINTS:
        return None
    return Series(
        "sessions between events",
        "sessions between",
        GAPS,
        1.0,
        np.arange(1.0, len(between) + 1),
        between,
        None,
        np.ones(len(between)),
        between + 1,
        _n_before(ordered.loc[at[1:], "x"].to_numpy(), before),
        ordered.loc[at[1:], "register_month"].to_numpy(dtype=int),
        np.empty(0),
    )


def at_equal_mix(rows: pd.DataFrame, mix: tuple[str, ...], *, of_shares: bool) -> pd.DataFrame:
    """Return the counted rows as they would be at the average case mix of all of them.

    What a case mix is worth comes from cases of the same quarter alone (least squares, weighted by what a
    unit is of), so that a change over time is never taken for one of the mix that came with it.

    Parameters
    ----------
    rows
        Counted rows of one criterion, with the columns of `mix`.
    mix
        Columns of the case mix.
    of_shares
        The part lies between 0 and the whole.

    Returns
    -------
    pandas.DataFrame
        The rows, their part moved.
    """
    design, whole = columns(rows, mix)[0][:, 1:], rows["whole"].to_numpy(dtype=float)
    share = rows["part"].to_numpy(dtype=float) / whole
    quarter, n = np.unique(rows["quarter"], return_inverse=True)[1], whole[:, None]
    both = np.column_stack([design, share])
    sums, total = np.zeros((quarter.max() + 1, both.shape[1])), np.bincount(quarter, whole)
    np.add.at(sums, quarter, both * n)
    within = (both - (sums / total[:, None])[quarter]) * np.sqrt(n)
    worth = np.linalg.lstsq(within[:, :-1], within[:, -1], rcond=None)[0]
    moved = (share - (design - np.average(design, axis=0, weights=whole)) @ worth) * whole
    return rows.assign(part=np.clip(moved, 0, whole) if of_shares else moved)
