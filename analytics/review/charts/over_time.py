"""Has an indicator moved over time by more than chance?

One point per period (month or quarter), or one per gap between rare events. The kind of chart follows from
the criterion and the data: a p chart for shares of sessions, widened (p') where points differ by more than
counting error, which ratios of grafts always are judged for; a g chart (sessions between events) where events
are so rare that most periods hold none; an individuals chart for means, its limits by how many a point is the
mean of. The centre line and the limits come from the declared baseline; once an earlier review has set them
(`kept`), they stay as they were until the practice declares a new baseline.

Two rules signal, among the last two years of points: a point outside three-sigma limits (past the baseline
wider by what its points leave unknown), and Anhøj's run rules against the median of the baseline. Over all
points 20 to 25 of 100 stable charts of five years signalled, lines set after three, and no signal cleared.
How often the very chart shown would signal if nothing had changed is simulated with its own sizes and
baseline and printed with it; the classic set of four rules would signal on one stable chart in five. Every
signal has a direction, better or worse, the month in which it stands, and a weight, and says whether it is
gone once cases are adjusted for case mix: repeat sessions, say, grow more frequent as a register ages.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from analytics.errors import ParameterError
from analytics.numerics import control, run_rules
from analytics.records import Records
from analytics.results import Curve, line
from analytics.review.charts.series import (
    GAPS,
    MIN_EVENTS,
    MIN_POINTS,
    SHARES,
    Series,
    at_equal_mix,
    last_before_change,
    series_of,
)
from analytics.review.charts.signals import FOUND, JUDGED, found_in, judged, with_mix
from analytics.review.criteria import Criteria
from analytics.review.kinds import Criterion
from analytics.review.periods import View, quarter_of
from analytics.review.units import stacked, with_case_mix

PERIODS = ("month", "quarter")
LOW, CENTRE, HIGH = "lower limit", "centre", "upper limit"
OUTSIDE, OUTSIDE_BETTER = "outside the limits, worse", "outside the limits, better"
# Share of stable series that may break the run rules, which are made stricter where the baseline is short or
# points take few values (our choice; around their own median 3 % of series of 24 break them).
RUNS_AT_MOST = 0.06
LIMITS = ["criterion", "kind", "centre", "sigma", "median", "n_baseline_points", "set_in_quarter"]
Kept = tuple[str, str, float, float, float, int, int]  # the columns LIMITS of one chart
NO_POINTS = pd.DataFrame(
    columns=["criterion", "term", "x", "estimate", "unit", "n_patients", "n_rows", "flag"]
)


@dataclass(frozen=True, slots=True)
class _Lines:
    """What the lines of a chart follow from, and the quarter of the review that set them."""

    criterion: str
    kind: str
    rule: control.Rule
    set_in_quarter: int

    def row(self) -> Kept:
        """Return it as it is remembered."""
        rule = self.rule
        return (
            self.criterion, self.kind, rule.centre, rule.sigma, rule.median, rule.n_baseline,
            self.set_in_quarter,
        )  # fmt: skip


def run_charts(
    records: Records,
    criteria: Criteria,
    *,
    quarter: int,
    only: tuple[str, ...] = (),
    period: str = "month",
    kept: tuple[Kept, ...] = (),
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
    kept
        Lines that earlier reviews set: of `extra["limits"]`.

    Returns
    -------
    Curve
        `by` is (criterion,); a row per point (x the register month or quarter, or the running number of the
        event), flagged where it lies outside; `path` holds centre and limits; `extra["signals"]` one row
        per chart: kind, points, signals in words, false-alarm rate in percent; `extra["found"]` one row per
        signal with direction, month, weight, and whether it is gone at equal case mix; `extra["limits"]`
        what the lines follow from;
        `extra["changes"]` the declared changes.

    Raises
    ------
    ParameterError
        When the period is unknown or a criterion is not declared.

    Examples
    --------
    >>> from analytics import simulate
    >>> from analytics.review.criteria import read
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> run_charts(clinic, read("data_demo/criteria.toml"), quarter=8, only=("transection",)).by
    ('criterion',)
    """
    view = View.at(records, criteria.schedule, quarter=quarter)
    if period not in PERIODS:
        raise ParameterError("review.run_charts(period): unknown; use month or quarter")
    named = [criteria.named(name) for name in only] if only else criteria.criterion
    chosen = [criterion for criterion in named if criterion.chart != "none"]
    points, paths, signals, used, found, lines = [], [], [], [], [], []
    of_old = {each[0]: each for each in kept}
    changes = _changes(criteria, quarter)
    for criterion in chosen:
        rows = criterion.rows(view)
        used.append(rows.assign(criterion=criterion.id)[["criterion", "patient_id", "session_id", "reason"]])
        before = last_before_change(changes, criterion.id, period)
        old = of_old.get(criterion.id)
        counted = rows[rows["reason"].eq("")]
        series = series_of(counted, criterion, before, period, old[1] if old else "")
        if series is None:
            signals.append(_no_chart(criterion, counted))
            continue
        chart, line_kept = _charted(criterion, series, old, quarter)
        rates = run_rules.of_chart(
            chart, series.whole, values=series.values, judged=JUDGED, runs_at_most=RUNS_AT_MOST
        )
        runs = run_rules.run_tests(chart.value[-JUDGED:], line_kept.rule.median, stricter=rates.stricter)
        here = found_in(criterion, chart, series, line_kept.rule.median, runs)
        if here and series.kind != GAPS:
            mix = (*criteria.monitor.case_mix, *criterion.own_case_mix)
            equal = at_equal_mix(with_case_mix(counted, records, mix), mix, of_shares=series.kind in SHARES)
            other = series_of(equal, criterion, before, period, series.kind) or series
            there = control.chart(
                other.kind, other.part, other.whole, n_baseline=min(line_kept.rule.n_baseline, len(other.x))
            )
            here = with_mix(
                here, chart, line_kept.rule.median, criterion, other, judged(there), rates.stricter
            )
        found += here
        lines.append(line_kept)
        points += _points(criterion, chart, series)
        paths += _lines(criterion, chart, series, line_kept.rule.median)
        signals.append(_signal_row(criterion, chart, series, line_kept, rates, runs))
    return Curve(
        pd.DataFrame(points) if points else NO_POINTS,
        stacked(used),
        f"control charts by {period}, three-sigma limits and Anhøj's run rules, baseline frozen before a "
        "declared change; false-alarm rates by simulation of stable series of the same kind and sizes",
        by=("criterion",),
        picture="run_charts",
        extra={
            "signals": pd.DataFrame(signals),
            "found": pd.DataFrame(found, columns=FOUND),
            "limits": pd.DataFrame([each.row() for each in lines], columns=LIMITS),
            "declared": pd.DataFrame(
                {"criterion": [c.id for c in chosen], "name": [c.title for c in chosen]}
            ),
            "changes": changes,
        },
        path=pd.DataFrame(paths) if paths else NO_POINTS,
        x_name="register_month" if period == "month" else "quarter",
    )


def _charted(
    criterion: Criterion, series: Series, old: Kept | None, quarter: int
) -> tuple[control.Chart, _Lines]:
    """Return the chart by the lines kept, where an earlier review set some of this kind, or by its own."""
    if old is not None and old[1] == series.kind:
        rule = control.Rule(old[2], old[3], old[4], min(old[5], len(series.part)))
        chart = control.chart(series.kind, series.part, series.whole, rule=rule)
        return judged(chart), _Lines(criterion.id, series.kind, rule, old[6])
    chart = control.chart(series.kind, series.part, series.whole, n_baseline=series.n_baseline)
    return judged(chart), _Lines(criterion.id, series.kind, control.rule_of(chart), quarter)


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
            flag=_flag(criterion, chart, series, i),
        )
        for i in range(len(series.x))
    ]


def _flag(criterion: Criterion, chart: control.Chart, series: Series, i: int) -> str:
    if not chart.outside[i]:
        return ""
    above = bool(chart.value[i] > chart.centre[i])
    is_worse = (above == (criterion.direction == "at most")) != (series.kind == GAPS)
    return OUTSIDE if is_worse else OUTSIDE_BETTER


def _lines(criterion: Criterion, chart: control.Chart, series: Series, middle: float) -> list[dict[str, Any]]:
    """Return limits and centre at each point; a limit may say how many a point rests on, and goes with it."""
    median = np.full(len(series.x), middle)
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
    if series.whole is None or series.kind not in SHARES or basis == "model":
        return {"basis": "model" if basis == "share" else basis}
    return {"basis": basis, "numerator": series.part[i], "denominator": series.whole[i]}


def _signal_row(
    criterion: Criterion,
    chart: control.Chart,
    series: Series,
    lines: _Lines,
    rates: run_rules.Rates,
    runs: run_rules.Runs,
) -> dict[str, Any]:
    n, n_baseline = len(chart.value), lines.rule.n_baseline
    return {
        "criterion": criterion.id,
        "basis": "counts" if series.kind == GAPS else "model",
        "numerator": float(n + 1) if series.kind == GAPS else np.nan,
        "chart": series.kind,
        # As many points as gaps between events: there the number of points is a count of persons.
        "points": n if series.kind != GAPS else np.nan,
        "n_gaps": float(n) if series.kind == GAPS else np.nan,
        "set_in_quarter": lines.set_in_quarter,
        "baseline_points": n_baseline if series.kind != GAPS else np.nan,
        "points_outside": int(chart.outside.sum()),
        "longest_run": int(runs.longest),
        "longest_run_allowed": int(runs.longest_limit),
        "crossings": int(runs.crossings),
        "crossings_needed": int(runs.crossings_limit),
        "signal": _in_words(chart, runs),
        "is_drawn": True,
        "is_trial": n < control.MIN_POINTS or n_baseline < control.MIN_POINTS,
        "is_mute": _is_mute(criterion, chart),
        "false_alarm_pct": 100 * rates.either,
        "false_alarm_se": 100 * rates.se,
    }


def _is_mute(criterion: Criterion, chart: control.Chart) -> bool:
    """Tell whether at most of the points judged not even all of them, or none, would stand outside."""
    if chart.kind not in SHARES:
        return False
    low, high = chart.low[-JUDGED:], chart.high[-JUDGED:]
    return float(np.mean(high >= 1 if criterion.direction == "at most" else low <= 0)) > 0.5


def _in_words(chart: control.Chart, runs: run_rules.Runs) -> str:
    """Return the flag of a chart."""
    flags = []
    if n := int(chart.outside.sum()):
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
        "n_gaps": np.nan,
        "set_in_quarter": np.nan,
        "baseline_points": 0,
        "points_outside": 0,
        "signal": f"fewer than {MIN_EVENTS} events, or fewer than {MIN_POINTS} points: nothing to chart yet",
        "is_drawn": False,
        "is_trial": True,
        "is_mute": False,
        "false_alarm_pct": np.nan,
        "false_alarm_se": np.nan,
    }


def _changes(criteria: Criteria, quarter: int) -> pd.DataFrame:
    """Return a row per declared change and criterion that shows by a quarter; `x`: in which month."""
    shows = [
        (c, name, c.register_month + criteria.named(name).lag_months)
        for c in criteria.change
        for name in c.criteria
    ]
    reached = [(c, name, month) for c, name, month in shows if quarter_of(month) <= quarter]
    return pd.DataFrame(
        {
            "criterion": [name for _, name, _ in reached],
            "x": [month for *_, month in reached],
            "label": [
                c.statement + (": first readings" if month > c.register_month else "")
                for c, _, month in reached
            ],
            "declared_in_quarter": [c.declared_in_quarter for c, *_ in reached],
        }
    )
