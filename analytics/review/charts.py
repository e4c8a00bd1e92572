"""Has an indicator moved over time by more than chance?

One point per period (month or quarter), or one per gap between rare events. The kind of chart follows from
the criterion and the data: a p chart for shares of sessions, widened (p') where points differ by more than
counting error, which ratios of grafts always are judged for; a g chart (sessions between events) where events
are so rare that most periods hold none; an individuals chart for means. The centre line and the limits come
from the declared baseline and are then left alone.

Two rules signal: a point outside three-sigma limits, and Anhøj's run rules against the median of the
baseline. How often the very chart shown would signal if nothing had changed is simulated with its own sizes
and printed with it; the classic set of four rules would signal on one stable chart in five.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analytics.errors import ParameterError
from analytics.numerics import control, run_rules
from analytics.records import Records
from analytics.results import Curve, line
from analytics.review.criteria import Criteria
from analytics.review.kinds import Criterion
from analytics.review.periods import View, quarter_of
from analytics.review.units import stacked

PERIODS = ("month", "quarter")
RARE_SHARE_EMPTY = 0.5  # more than half of the periods without an event: sessions between events instead
MIN_EVENTS = 4  # fewer: no chart can be drawn
MIN_POINTS = 3  # likewise
LOW, CENTRE, HIGH = "lower limit", "centre", "upper limit"
OUTSIDE = "outside the limits"
SHARES, GAPS = ("p", "p_prime"), "g"  # charts of counts; the others are of means
NO_POINTS = pd.DataFrame(
    columns=["criterion", "term", "x", "estimate", "unit", "n_patients", "n_rows", "flag"]
)


@dataclass(frozen=True, slots=True)
class Series:
    """Points of one chart: where, parts, wholes (None for individuals and g), patients, units; its baseline.

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
        `by` is (criterion,); a row per point (x the register month or quarter, or the running number of the
        event), flagged where it lies outside; `path` holds centre and limits; `extra["signals"]` one row per
        chart: kind, points, signals in words, false-alarm rate in percent; `extra["changes"]` the declared
        changes.

    Raises
    ------
    ParameterError
        When the period is unknown or a criterion is not declared.
    """
    view = View.at(records, criteria.schedule, quarter=quarter)
    if period not in PERIODS:
        raise ParameterError("review.run_charts(period): unknown; use month or quarter")
    named = [criteria.named(name) for name in only] if only else criteria.criterion
    chosen = [criterion for criterion in named if criterion.chart != "none"]
    points, paths, signals, used = [], [], [], []
    for criterion in chosen:
        rows = criterion.rows(view)
        used.append(rows.assign(criterion=criterion.id)[["criterion", "patient_id", "session_id", "reason"]])
        before = _last_before_change(criterion, criteria, quarter, period)
        series = _series(rows[rows["reason"].eq("")], criterion, before, period)
        if series is None:
            signals.append(_no_chart(criterion, rows[rows["reason"].eq("")]))
            continue
        chart = control.chart(series.kind, series.part, series.whole, n_baseline=series.n_baseline)
        points += _points(criterion, chart, series)
        paths += _lines(criterion, chart, series)
        signals.append(_signal_row(criterion, chart, series))
    return Curve(
        pd.DataFrame(points) if points else NO_POINTS,
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
        path=pd.DataFrame(paths) if paths else NO_POINTS,
        x_name="register_month" if period == "month" else "quarter",
    )


def _last_before_change(criterion: Criterion, criteria: Criteria, quarter: int, period: str) -> int | None:
    """Return the last month (or quarter) of the frozen baseline, or None where no change was declared."""
    months = [
        c.register_month
        for c in criteria.change
        if criterion.id in c.criteria and quarter_of(c.register_month) <= quarter
    ]
    if not months:
        return None
    return min(months) - 1 if period == "month" else int(quarter_of(min(months) - 1))


def _series(rows: pd.DataFrame, criterion: Criterion, before: int | None, period: str) -> Series | None:
    """Return the points of a chart, or None where there are too few for any."""
    at = rows[criterion.clock] if period == "month" else quarter_of(rows[criterion.clock])
    rows = rows.assign(x=np.asarray(at).astype(int))
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
        if (part == 0).mean() > RARE_SHARE_EMPTY:
            return _between_events(rows, before)
    return Series(
        criterion.id,
        criterion.unit,
        kind,
        100.0 if kind in SHARES else 1.0,
        sums.index.to_numpy(dtype=float),
        part if kind in SHARES else part / whole,
        whole if kind in SHARES else None,
        sums["n_patients"].to_numpy(dtype=float),
        sums["n"].to_numpy(dtype=float),
        _n_before(sums.index.to_numpy(), before),
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
    )


def _points(criterion: Criterion, chart: control.Chart, series: Series) -> list[dict[str, Any]]:
    return [
        line(
            series.term,
            series.scale * chart.value[i],
            series.unit,
            by={"criterion": criterion.id},
            x=series.x[i],
            **_made_of(series, i, "share"),
            n_patients=int(series.n_patients[i]),
            n_rows=int(series.n_units[i]),
            flag=OUTSIDE if chart.outside[i] else "",
        )
        for i in range(len(series.x))
    ]


def _lines(criterion: Criterion, chart: control.Chart, series: Series) -> list[dict[str, Any]]:
    """Return limits and centre at each point; a limit may say how many a point rests on, and goes with it."""
    median = np.full(len(series.x), float(run_rules.baseline_median(chart)[0]))
    return [
        line(
            term,
            series.scale * float(values[i]),
            series.unit,
            by={"criterion": criterion.id},
            x=series.x[i],
            **_made_of(series, i, "model" if term == CENTRE else "counts"),
        )
        for term, values in ((LOW, chart.low), (CENTRE, median), (HIGH, chart.high))
        for i in range(len(series.x))
    ]


def _made_of(series: Series, i: int, basis: str) -> dict[str, Any]:
    """Return what a point of the chart, or its line there, is made of."""
    if series.kind == GAPS:
        # As many points as gaps: the length of the chart is the number of events.
        return {"basis": "counts", "numerator": len(series.part) + 1}
    if series.whole is None or basis == "model":
        return {"basis": "model" if basis == "share" else basis}
    return {"basis": basis, "numerator": series.part[i], "denominator": series.whole[i]}


def _signal_row(criterion: Criterion, chart: control.Chart, series: Series) -> dict[str, Any]:
    runs = run_rules.run_tests(chart.value, run_rules.baseline_median(chart))
    rates = run_rules.of_chart(chart, series.whole)
    n = len(chart.value)
    return {
        "criterion": criterion.id,
        "basis": "counts" if series.kind == GAPS else "model",
        "numerator": float(n + 1) if series.kind == GAPS else np.nan,
        "chart": series.kind,
        "points": n,
        "baseline_points": series.n_baseline,
        "points_outside": int(chart.outside.sum()),
        "longest_run": int(runs.longest),
        "longest_run_allowed": int(runs.longest_limit),
        "crossings": int(runs.crossings),
        "crossings_needed": int(runs.crossings_limit),
        "signal": _in_words(chart, runs),
        "is_trial": n < control.MIN_POINTS or series.n_baseline < control.MIN_POINTS,
        "false_alarm_pct": 100 * rates.either,
        "false_alarm_se": 100 * rates.se,
    }


def _in_words(chart: control.Chart, runs: run_rules.Runs) -> str:
    """Return the flag of a chart."""
    flags = []
    if chart.outside.any():
        n = int(chart.outside.sum())
        flags.append(f"{n} point{'s' if n > 1 else ''} outside the limits")
    if runs.long_run:
        flags.append(f"a run of {int(runs.longest)} on one side")
    if runs.few_crossings:
        flags.append(f"only {int(runs.crossings)} crossings of the centre")
    return "; ".join(flags) if flags else "no signal"


def _no_chart(criterion: Criterion, rows: pd.DataFrame) -> dict[str, Any]:
    n_events = float((rows["part"] > 0).sum()) if criterion.chart in SHARES else np.nan
    return {
        "criterion": criterion.id,
        "basis": "counts",
        "numerator": n_events,
        "chart": "none",
        "points": 0,
        "baseline_points": 0,
        "points_outside": 0,
        "signal": f"fewer than {MIN_EVENTS} events, or fewer than {MIN_POINTS} points: nothing to chart yet",
        "is_trial": True,
        "false_alarm_pct": np.nan,
        "false_alarm_se": np.nan,
    }


def _changes(criteria: Criteria, quarter: int) -> pd.DataFrame:
    reached = [
        (c, name) for c in criteria.change if quarter_of(c.register_month) <= quarter for name in c.criteria
    ]
    return pd.DataFrame(
        {
            "criterion": [name for _, name in reached],
            "x": [c.register_month for c, _ in reached],
            "label": [c.statement for c, _ in reached],
            "declared_in_quarter": [c.declared_in_quarter for c, _ in reached],
        }
    )
