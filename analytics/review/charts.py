"""Has an indicator moved over time by more than chance?

One point a period (month or quarter), or one a gap between rare events. The kind of chart follows from the
data: a p chart for shares of sessions, widened (p') where points differ by more than counting error, which
ratios of grafts always are judged for; a g chart (sessions between events) where events are so rare that
most periods hold none; an individuals chart for means. The centre line and the limits come from the
declared baseline and are then left alone.

A yield stands at the month of its operation, because a change acts there, not at its reading a year later.

Two rules signal: a point outside three-sigma limits, and Anhøj's run rules against the median of the
baseline. How often the very chart shown would signal if nothing had changed is simulated with its own sizes
and printed with it; the classic set of four rules would signal on one stable chart in five.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from analytics.errors import ParameterError
from analytics.numerics import control, run_rules
from analytics.records import Records
from analytics.results import Curve
from analytics.review import growth
from analytics.review.criteria import (
    Criteria,
    HairsCriterion,
    MeanCriterion,
    PhotographCriterion,
    PoorGrowthCriterion,
    ShareCriterion,
    YieldCriterion,
)
from analytics.review.periods import as_at, check, quarter_of
from analytics.review.units import exception_codes, stacked, units

PERIODS = ("month", "quarter")
RARE_SHARE_EMPTY = 0.5  # more than half of the periods without an event: sessions between events instead
MIN_EVENTS = 4  # fewer: no chart can be drawn
LOW, CENTRE, HIGH = "lower limit", "centre", "upper limit"
OUTSIDE, RUN = "outside the limits", "run rule"


@dataclass(frozen=True, slots=True)
class Series:
    """Points of one chart; whole is None for individuals and g, scale turns a share into percent."""

    x: np.ndarray
    part: np.ndarray
    whole: np.ndarray | None
    n_patients: np.ndarray
    n_units: np.ndarray
    n_baseline: int
    kind: str
    scale: float


def run_charts(
    records: Records,
    criteria: Criteria,
    *,
    quarter: int,
    only: tuple[str, ...] = (),
    period: str = "month",
) -> Curve:
    """Return a chart of each criterion over time, with signals and its own false-alarm rate.

    Parameters
    ----------
    quarter
        The quarter under review; nothing later is seen.
    only
        Criteria to chart; all that can be charted if empty.
    period
        month or quarter, the time one point covers.

    Returns
    -------
    Curve
        `by` is (criterion,); a row a point (x the register month or quarter, or the running number of the
        event), flagged where it lies outside; `path` holds centre and limits; `extra["signals"]` one row a
        chart: kind, points, signals in words, false-alarm rate in percent; `extra["changes"]` the declared
        changes.

    Raises
    ------
    ParameterError
        When the period is unknown or a criterion is not declared.
    """
    check(quarter, records)
    if period not in PERIODS:
        raise ParameterError("review.run_charts(period): unknown; use month or quarter")
    known = as_at(records, quarter)
    chosen = [criteria.named(name) for name in only] if only else list(criteria.criterion)
    chosen = [c for c in chosen if not isinstance(c, PoorGrowthCriterion)]
    readings = (
        growth.readings(known) if any(isinstance(c, YieldCriterion) for c in chosen) else pd.DataFrame()
    )
    tables, paths, signals, used = [], [], [], []
    for criterion in chosen:
        rows = _rows(known, criteria, criterion, readings, quarter)
        used.append(rows.assign(criterion=criterion.id)[["criterion", "patient_id", "session_id", "reason"]])
        before = _last_before_change(criterion, criteria, quarter, period)
        series = _series(rows[rows["reason"].eq("")], criterion, before, period)
        if series is None:
            signals.append(_no_chart(criterion))
            continue
        chart = control.chart(series.kind, series.part, series.whole, n_baseline=series.n_baseline)
        tables.append(_points(criterion, chart, series))
        paths.append(_lines(criterion, chart, series))
        signals.append(_signal_row(criterion, chart, series))
    return Curve(
        stacked(tables) if tables else _no_points(),
        stacked(used),
        f"control charts by {period}, three-sigma limits and Anhøj's run rules, baseline frozen before a "
        "declared change; false-alarm rates by simulation of stable series of the same kind and sizes",
        by=("criterion",),
        picture="run_charts",
        extra={
            "signals": pd.DataFrame(signals),
            "declared": pd.DataFrame(
                {"criterion": [c.id for c in chosen], "name": [c.title for c in chosen]}
            ),
            "changes": _changes(criteria, quarter),
        },
        path=stacked(paths) if paths else _no_points(),
        x_name="register_month" if period == "month" else "quarter",
    )


def _last_before_change(criterion, criteria: Criteria, quarter: int, period: str) -> int | None:
    """Return the last month (or quarter) of the frozen baseline, or None where no change was declared."""
    months = [
        c.register_month
        for c in criteria.change
        if criterion.id in c.criteria and quarter_of(c.register_month) <= quarter
    ]
    if not months:
        return None
    return min(months) - 1 if period == "month" else int(quarter_of(min(months) - 1))


def _rows(
    known: Records, criteria: Criteria, criterion, readings: pd.DataFrame, quarter: int
) -> pd.DataFrame:
    if not isinstance(criterion, YieldCriterion):
        return units(known, criteria, criterion, quarter=quarter)
    rows = growth.of_criterion(readings, criterion, exception_codes(known.sessions, known, criterion))
    at = rows["session_month"]
    return rows.assign(register_month=at, quarter=quarter_of(at), part=rows["yield_pct"], whole=1.0)


def _series(rows: pd.DataFrame, criterion, before: int | None, period: str) -> Series | None:
    """Return the points of a chart, or None where there are too few for any."""
    at = rows["register_month"] if period == "month" else rows["quarter"]
    grouped = rows.assign(x=at.astype(int)).groupby("x")
    sums = grouped.agg(
        part=("part", "sum"), whole=("whole", "sum"), n_patients=("patient_id", "nunique"), n=("part", "size")
    )
    if len(sums) < 3:
        return None
    n_baseline = _n_before(sums.index.to_numpy(), before)
    x, n_patients, n = (v.to_numpy(dtype=float) for v in (sums.index, sums["n_patients"], sums["n"]))
    part, whole = sums["part"].to_numpy(dtype=float), sums["whole"].to_numpy(dtype=float)
    if isinstance(criterion, MeanCriterion | YieldCriterion | HairsCriterion):
        return Series(x, part / whole, None, n_patients, n, n_baseline, "individuals", 1.0)
    if isinstance(criterion, ShareCriterion | PhotographCriterion):
        return Series(x, part, whole, n_patients, n, n_baseline, "p_prime", 100.0)
    complement = min(part.sum(), whole.sum() - part.sum())
    if complement < MIN_EVENTS:
        return None
    if (part == 0).mean() > RARE_SHARE_EMPTY:
        return _between_events(rows, before, period)
    return Series(x, part, whole, n_patients, n, n_baseline, "p", 100.0)


def _n_before(x: np.ndarray, before: int | None) -> int:
    return len(x) if before is None else int(np.clip((x <= before).sum(), 2, len(x)))


def _between_events(rows: pd.DataFrame, before: int | None, period: str) -> Series | None:
    """Return sessions between events, in the order of register months."""
    ordered = rows.sort_values(["register_month", "session_id"]).reset_index(drop=True)
    at = ordered.index[ordered["part"] > 0].to_numpy()
    between = np.diff(at) - 1.0
    if len(between) < 3:
        return None
    when = ordered.loc[at[1:], "register_month" if period == "month" else "quarter"].to_numpy()
    n_baseline = _n_before(when, before)
    ones = np.ones(len(between))
    return Series(np.arange(1.0, len(between) + 1), between, None, ones, between + 1, n_baseline, "g", 1.0)


def _points(criterion, chart: control.Chart, series: Series) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "criterion": criterion.id,
            "term": _term(criterion, series),
            "x": series.x,
            "estimate": series.scale * chart.value,
            "unit": _unit(criterion, series),
            "n_patients": series.n_patients.astype(int),
            "n_rows": series.n_units.astype(int),
            "flag": np.where(chart.outside, OUTSIDE, ""),
        }
    )


def _lines(criterion, chart: control.Chart, series: Series) -> pd.DataFrame:
    median = np.full(len(series.x), float(run_rules.baseline_median(chart)[0]))
    lines = {LOW: chart.low, CENTRE: median, HIGH: chart.high}
    return pd.concat(
        [
            pd.DataFrame(
                {
                    "criterion": criterion.id,
                    "term": name,
                    "x": series.x,
                    "estimate": series.scale * np.asarray(values),
                    "unit": _unit(criterion, series),
                }
            )
            for name, values in lines.items()
        ],
        ignore_index=True,
    )


def _signal_row(criterion, chart: control.Chart, series: Series) -> dict:
    runs = run_rules.run_tests(chart.value, run_rules.baseline_median(chart))
    rates = run_rules.of_chart(chart, series.whole)
    n = len(chart.value)
    return {
        "criterion": criterion.id,
        "chart": series.kind,
        "points": n,
        "baseline_points": series.n_baseline,
        "points_outside": int(chart.outside.sum()),
        "longest_run": int(runs.longest),
        "longest_run_allowed": int(runs.longest_limit),
        "crossings": int(runs.crossings),
        "crossings_needed": int(runs.crossings_limit),
        "signal": _in_words(chart, runs, series),
        "is_trial": n < control.MIN_POINTS or series.n_baseline < control.MIN_POINTS,
        "false_alarm_pct": 100 * rates.either,
        "false_alarm_se": 100 * rates.se,
    }


def _in_words(chart: control.Chart, runs: run_rules.Runs, series: Series) -> str:
    said = []
    if chart.outside.any():
        n = int(chart.outside.sum())
        said.append(f"{n} point{'s' if n > 1 else ''} outside the limits")
    if runs.long_run:
        said.append(f"a run of {int(runs.longest)} on one side")
    if runs.few_crossings:
        said.append(f"only {int(runs.crossings)} crossings of the centre")
    return "; ".join(said) if said else "no signal"


def _no_chart(criterion) -> dict:
    return {
        "criterion": criterion.id,
        "chart": "none",
        "points": 0,
        "baseline_points": 0,
        "points_outside": 0,
        "signal": f"fewer than {MIN_EVENTS} events, or fewer than 3 points: nothing to chart yet",
        "is_trial": True,
        "false_alarm_pct": np.nan,
        "false_alarm_se": np.nan,
    }


def _no_points() -> pd.DataFrame:
    return pd.DataFrame(
        columns=["criterion", "term", "x", "estimate", "unit", "n_patients", "n_rows", "flag"]
    )


def _term(criterion, series: Series) -> str:
    return "sessions between events" if series.kind == "g" else criterion.id


def _unit(criterion, series: Series) -> str:
    return "sessions between" if series.kind == "g" else criterion.unit


def _changes(criteria: Criteria, quarter: int) -> pd.DataFrame:
    known = [
        (c, name) for c in criteria.change if quarter_of(c.register_month) <= quarter for name in c.criteria
    ]
    return pd.DataFrame(
        {
            "criterion": [name for _, name in known],
            "x": [c.register_month for c, _ in known],
            "label": [c.statement for c, _ in known],
            "declared_in_quarter": [c.declared_in_quarter for c, _ in known],
        }
    )
