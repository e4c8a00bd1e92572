"""What a chart signals: a point outside, a long run, few crossings; and whether it goes with the case mix."""

from dataclasses import replace
from typing import Any

import numpy as np

from analytics.numerics import control, run_rules
from analytics.review.charts.series import GAPS, Series
from analytics.review.kinds import Criterion
from analytics.review.periods import quarter_of

JUDGED = 24  # the last points, among which a signal counts: two years of months (our choice)
MOST_LEFT = 0.5  # of a signal's distance from the line, where it goes with the case mix (our choice)
FOUND = ["criterion", "rule", "direction", "register_month", "quarter", "weight", "n_units", "is_of_mix"]
POINT, RUN, CROSSINGS = "a point outside the limits", "a long run on one side", "few crossings of the centre"


def judged(chart: control.Chart) -> control.Chart:
    """Return the chart with only its last points outside: what stood outside before is no signal any more."""
    is_late = np.arange(len(chart.value)) >= len(chart.value) - JUDGED
    return replace(chart, outside=chart.outside & is_late)


def found_in(
    criterion: Criterion, chart: control.Chart, series: Series, median: float, runs: run_rules.Runs
) -> list[dict[str, Any]]:
    """Return every signal of a chart with its direction, the month it stands in, and its weight in sigmas."""

    def one(rule: str, i: int, above: bool, weight: float, span: tuple[int, int]) -> dict[str, Any]:
        # A long gap between events is good news where events are bad.
        is_worse = (above == (criterion.direction == "at most")) != (series.kind == GAPS)
        month = int(series.month[i])
        return {
            "criterion": criterion.id,
            "rule": rule,
            "direction": "worse" if is_worse else "better",
            "register_month": month,
            "quarter": int(quarter_of(month)),
            "weight": float(weight),
            "n_units": float(series.n_units[i]),
            "is_of_mix": False,
            "span": span,
        }

    half = np.maximum(np.where(chart.value > chart.centre, chart.high, 2 * chart.centre - chart.low), 0)
    sigma = np.maximum((half - chart.centre) / chart.width, 1e-12)
    away, n = chart.value - chart.centre, len(chart.value)
    out = [
        one(POINT, i, bool(away[i] > 0), abs(away[i]) / sigma[i], (i, i + 1))
        for i in np.flatnonzero(chart.outside).tolist()
    ]
    late = chart.value[-JUDGED:]
    begin = n - len(late)
    if runs.long_run:
        first, last, above = run_rules.longest_run(late, median)
        span = (begin + first, begin + last + 1)
        out.append(one(RUN, begin + first, above, float(runs.longest), span))
    if runs.few_crossings:
        latest = next((bool(v > median) for v in late[::-1] if v != median), True)
        out.append(one(CROSSINGS, n - 1, latest, float(runs.crossings), (begin, n)))
    return out


def with_mix(
    found: list[dict[str, Any]],
    chart: control.Chart,
    median: float,
    criterion: Criterion,
    equal: Series,
    at_equal_mix: control.Chart,
    stricter: int,
) -> list[dict[str, Any]]:
    """Return the signals of a chart, each with whether it goes with the case mix.

    It does where the chart at equal case mix, by lines of its own, has none such, and the points in question
    lie less than half as far from the line there: a signal that is only just lost is not explained.

    Parameters
    ----------
    found, chart, median
        Signals of the chart as it stands, the chart, and the line of its run rules.
    equal, at_equal_mix
        The series at equal case mix, and its chart, judged.
    stricter
        Of the run rules.
    """
    middle = control.rule_of(at_equal_mix).median
    runs = run_rules.run_tests(at_equal_mix.value[-JUDGED:], middle, stricter=stricter)
    stands = {
        (one["rule"], one["direction"]) for one in found_in(criterion, at_equal_mix, equal, middle, runs)
    }

    def is_of_mix(one: dict[str, Any]) -> bool:
        points = slice(*one["span"])
        is_close = abs(at_equal_mix.value[points].mean() - middle) < MOST_LEFT * abs(
            chart.value[points].mean() - median
        )
        return (one["rule"], one["direction"]) not in stands and bool(is_close)

    return [one | {"is_of_mix": is_of_mix(one)} for one in found]
