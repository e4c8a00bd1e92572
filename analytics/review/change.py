"""Did a declared change do what was hoped, beyond what was already under way?

Level and slope before and after the declared month, from every session (or reading) at equal case mix: a
segmented regression, not a comparison of two means, which takes any trend for the effect of the change. Time
is the month of the operation. The month was written down before its effect was looked at, and is printed.

Errors allow for patients with several rows (clustered, bias-reduced) and for months that share a shock
(clustered by month of operation); the wider of the two is used. The correlation of neighbouring months'
residuals is tested and printed.

Source: Wagner, Soumerai, Zhang & Ross-Degnan 2002, J Clin Pharm Ther 27:299-309 (segmented regression).
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import scipy

from analytics.errors import ParameterError
from analytics.numerics import diagnostics, regression
from analytics.records import Records
from analytics.results import LEVEL, Curve, Result, counted, line
from analytics.review.criteria import Criteria
from analytics.review.declared import Change
from analytics.review.kinds import Criterion
from analytics.review.periods import View
from analytics.review.units import columns, none_declared, not_yet, with_case_mix

MIN_EACH_SIDE = 8  # rows; fewer cannot carry a level
MIN_MONTHS = 6  # months with operations; fewer after the change cannot carry a slope of their own
MIN_MONTH_DF = 6.0  # an error by month from fewer is no better than none
BEFORE, AFTER, STEP, BEND = "slope before", "slope after", "step at the change", "change of slope"
AT_END, DETECTABLE = "at the end, against the trend before", "smallest step found 8 times in 10"


@dataclass(frozen=True, slots=True)
class _Segmented:
    """A fit: constant, month, after, month after (where it bends), case mix; months from the change.

    `of_odds` where fitted as log odds of part in whole, else in the criterion's own unit.
    """

    by_patient: regression.Fit
    by_month: regression.Fit
    of_odds: bool
    bends: bool
    n_before: int
    n_after: int
    lag_1: float
    lag_1_p: float


def before_after(
    records: Records,
    criteria: Criteria,
    *,
    quarter: int,
    change_id: str,
    criterion_id: str,
    month: float | None = None,
    level: float = LEVEL,
) -> Result:
    """Return level and slope before and after a declared change, with intervals.

    Parameters
    ----------
    change_id
        A declared change whose month has been reached.
    criterion_id
        A criterion the change was declared to act on.
    month
        Register month at whose end one looks; the end of the quarter if not given.

    Returns
    -------
    Result
        A Curve, or where one side has fewer than 8 rows a sentence. Terms: slope before (points a year; for
        shares the slope of log odds as a ratio a year), step at the change, change of slope, slope after,
        and *at the end* (after against what the trend before would have given in the last month). `path`
        over register months holds *fitted* and *had nothing changed*.

    Raises
    ------
    ParameterError
        When the change was not declared for that criterion, or not reached.
    FitError
        When the design cannot be fitted.

    Examples
    --------
    >>> from analytics import simulate
    >>> from analytics.review.criteria import read
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> asked = {"quarter": 12, "change_id": "medium", "criterion_id": "yield_all"}
    >>> before_after(clinic, read("data_demo/criteria.toml"), **asked).by
    ('criterion', 'change')
    """
    if not (change_id and criterion_id):
        return none_declared(records, by="criterion", term=STEP, what="no change of practice")
    view = View.at(records, criteria.schedule, quarter=quarter, month=month)
    change = _declared(criteria, change_id, criterion_id)
    criterion = criteria.named(criterion_id)
    rows = _rows(view, criterion)
    counted = rows[rows["reason"].eq("")].reset_index(drop=True)
    since = counted["operated"].to_numpy(dtype=float) - change.register_month
    used = rows[["patient_id", "session_id", "reason"]]
    if why := _waiting(since):
        by = {"criterion": criterion.id, "change": change.id}
        method = (
            f"segmented regression of {criterion.title} around month {change.register_month}, not fitted yet"
        )
        return not_yet(used, method, by=by, term=STEP, unit="points", why=why)
    mix = (*criteria.monitor.case_mix, *criterion.own_case_mix)
    fit = _fit(with_case_mix(counted, view.records, mix), since, mix, of_odds=criterion.scale == "odds")
    return Curve(
        pd.DataFrame(_lines(fit, since, criterion, change, counted, level)),
        used,
        _method(fit, criterion, change, level),
        by=("criterion", "change"),
        checks={"no_autocorrelation": bool(fit.lag_1_p > 0.05)},
        picture="before_after",
        notes=(
            f"{change.statement}, from register month {change.register_month}; declared in quarter "
            f"{change.declared_in_quarter}.",
            "Anything else that changed in that month is in these numbers too.",
        ),
        extra={"points": _points(counted, criterion), "changes": _mark(change)},
        path=pd.DataFrame(_path(fit, since, criterion, change, level)),
        x_name="register_month",
    )


def _declared(criteria: Criteria, change_id: str, criterion_id: str) -> Change:
    change = next((c for c in criteria.change if c.id == change_id), None)
    if change is None:
        raise ParameterError(
            "review.before_after(change_id): not declared; the file has "
            + (", ".join(c.id for c in criteria.change) or "no change")
        )
    if criterion_id not in change.criteria:
        raise ParameterError(
            "review.before_after(criterion_id): the change was not declared to act on it; use one of "
            + ", ".join(change.criteria)
        )
    return change


def _rows(view: View, criterion: Criterion) -> pd.DataFrame:
    if not criterion.has_rows_of_its_own:
        raise ParameterError(
            "review.before_after(criterion_id): poor growth has no row a session; use a yield"
        )
    return criterion.rows(view)


def _waiting(since: np.ndarray) -> str:
    """Say what is missing for a level before and a step after; empty where nothing is."""
    n_before, n_after = int((since < 0).sum()), int((since >= 0).sum())
    if min(n_before, n_after) < MIN_EACH_SIDE:
        return (
            f"{counted(n_before)} rows before and {counted(n_after)} after the change; {MIN_EACH_SIDE} on "
            "each side are needed"
        )
    if len(np.unique(since[since < 0])) < 3:
        return "operations before the change lie in fewer than 3 months"
    return ""


def _fit(rows: pd.DataFrame, since: np.ndarray, mix: tuple[str, ...], *, of_odds: bool) -> _Segmented:
    case_mix, _ = columns(rows, mix)
    after = (since >= 0).astype(float)
    bends = len(np.unique(since[since >= 0])) >= MIN_MONTHS
    segments = [np.ones(len(since)), since, after, *([since * after] if bends else [])]
    X = np.column_stack([*segments, *(case_mix[:, 1:] - case_mix[:, 1:].mean(axis=0)).T])
    X = X[:, diagnostics.independent(X)]
    part, whole = rows["part"].to_numpy(dtype=float), rows["whole"].to_numpy(dtype=float)
    y = part / whole

    def fit(clusters) -> regression.Fit:
        if of_odds:
            return regression.shares(part, whole, X, clusters)
        return regression.values(y, X, clusters)

    by_patient, by_month = fit(rows["patient_id"].to_numpy()), fit(rows["operated"].to_numpy())
    lag, p = _lag_1(y - by_patient.fitted, rows["operated"].to_numpy())
    n_before, n_after = int((since < 0).sum()), int((since >= 0).sum())
    return _Segmented(by_patient, by_month, of_odds, bends, n_before, n_after, lag, p)


def _lag_1(residual: np.ndarray, month: np.ndarray) -> tuple[float, float]:
    """Return the correlation of mean residuals of neighbouring months, and its p-value (Fisher's z)."""
    means = pd.Series(residual).groupby(month).mean()
    after = means.reindex(means.index + 1)
    pairs = np.column_stack([means.to_numpy(), after.to_numpy()])
    pairs = pairs[~np.isnan(pairs).any(axis=1)]
    if len(pairs) < 6 or pairs.std(axis=0).min() == 0:
        return np.nan, 1.0
    r = float(np.corrcoef(pairs.T)[0, 1])
    return r, float(2 * scipy.stats.norm.sf(abs(np.arctanh(r)) * np.sqrt(len(pairs) - 3)))


def _wider(fit: _Segmented, combination: np.ndarray, level: float) -> regression.Contrast:
    """Return a combination of the segments with the wider of its two errors."""
    n_segments = 4 if fit.bends else 3
    c = np.zeros(len(fit.by_patient.beta))
    c[:n_segments] = combination[:n_segments]
    patient = regression.contrast(fit.by_patient, c, level=level)
    month = regression.contrast(fit.by_month, c, level=level)
    usable = np.isfinite(month.se) and month.df >= MIN_MONTH_DF
    return month if usable and month.high - month.low > patient.high - patient.low else patient


def _lines(
    fit: _Segmented,
    since: np.ndarray,
    criterion: Criterion,
    change: Change,
    rows: pd.DataFrame,
    level: float,
) -> list[dict[str, Any]]:
    end = float(since.max())
    wanted = {
        BEFORE: ([0, 12, 0, 0], " a year"),
        STEP: ([0, 0, 1, 0], ""),
        BEND: ([0, 0, 0, 12], " a year"),
        AFTER: ([0, 12, 0, 12], " a year"),
        AT_END: ([0, 0, 1, end], ""),
    }
    common: dict[str, Any] = {
        "by": {"criterion": criterion.id, "change": change.id},
        "basis": "model",
        "n_patients": int(rows["patient_id"].nunique()),
        "n_rows": len(rows),
    }
    lines = []
    for term, (combination, per) in wanted.items():
        contrast = _wider(fit, np.array(combination, dtype=float), level)
        if not fit.bends and term in (BEND, AFTER):
            contrast = regression.Contrast(np.nan, np.nan, np.nan, np.nan, np.nan, np.nan, level)
        lines.append(_line(term, contrast, fit, _unit(criterion, fit, per), common))
    step = _wider(fit, np.array([0.0, 0.0, 1.0, 0.0]), level)
    return [*lines, _line_of_detectable(step, fit, _unit(criterion, fit, ""), common)]


def _unit(criterion: Criterion, fit: _Segmented, per: str) -> str:
    if fit.of_odds:
        return f"odds ratio{per}" if per else "ratio"
    return criterion.unit_of_difference + per


def _line(
    term: str, contrast: regression.Contrast, fit: _Segmented, unit: str, common: dict[str, Any]
) -> dict[str, Any]:
    value = np.array([contrast.estimate, contrast.low, contrast.high])
    value = np.exp(value) if fit.of_odds else value
    missing = f"operations in fewer than {MIN_MONTHS} months after the change: slope held"
    return line(
        term,
        float(value[0]),
        unit,
        se=np.nan if fit.of_odds else contrast.se,
        ci=(float(value[1]), float(value[2])),
        level=contrast.level,
        df=contrast.df,
        p_value=contrast.p_value,
        flag="" if np.isfinite(contrast.estimate) else missing,
        **common,
    )


def _line_of_detectable(
    step: regression.Contrast, fit: _Segmented, unit: str, common: dict[str, Any]
) -> dict[str, Any]:
    """Return the step whose 95 % interval would exclude none 8 times in 10."""
    can_tell = np.isfinite(step.se) and np.isfinite(step.df)
    size = (
        (scipy.stats.t.ppf(0.975, step.df) + scipy.stats.t.ppf(0.8, step.df)) * step.se
        if can_tell
        else np.nan
    )
    value = float(np.exp(size) if fit.of_odds else size)
    return line(DETECTABLE, value, unit, flag="" if can_tell else "too few to tell", **common)


def _path(
    fit: _Segmented, since: np.ndarray, criterion: Criterion, change: Change, level: float
) -> list[dict[str, Any]]:
    """Return the fitted line in two pieces and the old trend carried on, at the mean case mix."""
    months = np.arange(since.min(), since.max() + 1)
    pieces = {
        "before": (months[months < 0], 0.0),
        "after": (months[months >= 0], 1.0),
        "had nothing changed": (months[months >= 0], 0.0),
    }
    lines = []
    for term, (at, after) in pieces.items():
        for month in at:
            fitted = _wider(fit, np.array([1.0, month, after, month * after]), level)
            value = np.array([fitted.estimate, fitted.low, fitted.high])
            value = 100 * scipy.special.expit(value) if fit.of_odds else value
            lines.append(
                line(
                    term,
                    float(value[0]),
                    criterion.unit,
                    by={"criterion": criterion.id, "change": change.id},
                    x=month + change.register_month,
                    ci=(float(value[1]), float(value[2])),
                    basis="model",
                )
            )
    return lines


def _points(rows: pd.DataFrame, criterion: Criterion) -> pd.DataFrame:
    """Return a point per month of operation: part over whole, with its counts."""
    sums = rows.groupby("operated").agg(
        part=("part", "sum"), whole=("whole", "sum"), n_patients=("patient_id", "nunique")
    )
    is_share = criterion.scale == "odds"
    points = pd.DataFrame(
        {
            "x": sums.index.to_numpy(dtype=float),
            "y": ((100.0 if is_share else 1.0) * sums["part"] / sums["whole"]).to_numpy(),
            "n_patients": sums["n_patients"].to_numpy(),
            "basis": "share" if is_share else "model",
        }
    )
    if not is_share:
        return points
    return points.assign(numerator=sums["part"].to_numpy(), denominator=sums["whole"].to_numpy())


def _mark(change: Change) -> pd.DataFrame:
    return pd.DataFrame({"x": [float(change.register_month)], "label": [change.statement]})


def _method(fit: _Segmented, criterion: Criterion, change: Change, level: float) -> str:
    scale = "log odds" if fit.of_odds else criterion.unit
    return (
        f"segmented regression of {criterion.title} ({scale}) on the month of operation at equal case mix, "
        f"{counted(fit.n_before)} rows before and {counted(fit.n_after)} after month "
        f"{change.register_month}; errors by patient, or by month where wider and months are enough; level "
        f"{level:g}; neighbouring months correlate {fit.lag_1:.2f} (p {fit.lag_1_p:.2f})"
    )
