"""Case by case: has something gone wrong lately, and with which cases did it begin?

Two pictures of one series. Observed less expected is easy to read but has no rule for when it means
something; behind it runs the risk-adjusted CUSUM, which has one: it signals when it reaches a limit set so
that a practice without any change would see a false alarm once in a stated number of cases, on its own mix
of risks (Steiner et al. 2000, Biostatistics 1:441-452; Steiner & Woodall 2016, BMC Surg 16:15).

*Grafts*: a case is a session, its risk the baseline's share at equal case mix, its score a beta-binomial
likelihood ratio. *Readings*: a case is a session at the visit at which zones of it were first read as mature;
the outcome is a mean reading below the threshold, its risk the chance of that in control given zones, case
mix and the error of that reading, so that a careless count is expected to fall below more often.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import scipy

from analytics.errors import ParameterError
from analytics.numerics import cusum, diagnostics, regression
from analytics.records import Records
from analytics.results import Curve, Result, counted, line
from analytics.review.criteria import Criteria
from analytics.review.declared import Monitor
from analytics.review.kinds import Criterion
from analytics.review.periods import View, quarter_of
from analytics.review.units import (
    OPERATORS,
    columns,
    none_declared,
    not_yet,
    stacked,
    with_case_mix,
)

WHOLE = "whole practice"
MIN_BASELINE = 30
EXCESS, CUSUM, LIMIT = "observed less expected", "cusum", "limit"
LEAST_RISK = 1e-4


GRAFTS = "grafts of a session"  # way of watching, as a kind of criterion declares it; the other: readings


@dataclass(frozen=True, slots=True)
class _Watched:
    """Cases in order (observed of whole, expected, score added), the limit, and what a case is called."""

    cases: pd.DataFrame
    limit: cusum.Limit
    odds_ratio: float
    unit: str
    n_baseline: int
    what: str


@dataclass(frozen=True, slots=True)
class _Chart:
    """One chart: lines of the table, path, one row per signal, the cases of each rise."""

    table: pd.DataFrame
    path: pd.DataFrame
    signals: pd.DataFrame
    cases: pd.DataFrame


def case_by_case(
    records: Records,
    criteria: Criteria,
    *,
    quarter: int,
    criterion_id: str,
    by: str = "",
    kept: tuple[tuple[str, float, int], ...] = (),
) -> Result:
    """Return observed less expected and the risk-adjusted CUSUM of every case up to a quarter.

    Parameters
    ----------
    criterion_id
        A criterion of a share of grafts (transection), or of poor growth.
    by
        surgeon_id or harvested_by for a chart per operator, each with the practice's limit; empty for the
        whole.
    kept
        Criterion, limit and quarter of the limits that earlier reviews set: they stay, and the risks are
        those of the baseline as it was known then.

    Returns
    -------
    Result
        A Curve, or a sentence where the baseline has fewer than 30 cases. `by` is (by,) or (practice,).
        Terms: observed, expected, signals; `path` over case numbers holds observed less expected, cusum and
        limit; `extra["signals"]` one row per signal; `extra["cases"]` the cases of each rise that signalled;
        `extra["limits"]` the limit and the quarter of the review that set it.

    Raises
    ------
    ParameterError
        When the criterion is of another kind.
    FitError
        When the baseline holds no event at all.

    Examples
    --------
    >>> from analytics import simulate
    >>> from analytics.review.criteria import read
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> criteria = read("data_demo/criteria.toml")
    >>> case_by_case(clinic, criteria, quarter=8, criterion_id="transection").by
    ('practice',)
    """
    if not criterion_id:
        return none_declared(records, by="practice", term="signals", what="no criterion that is watched so")
    view = View.at(records, criteria.schedule, quarter=quarter)
    criterion = criteria.named(criterion_id)
    _check_question(criterion, by)
    rows = _in_order(view, criterion, criteria.monitor)
    limit_kept, set_in = next(((v, q) for name, v, q in kept if name == criterion.id), (None, quarter))
    known_then = rows["quarter"].le(set_in) if set_in < quarter else True
    is_base = (rows["operated"] <= criteria.monitor.baseline_through_month) & known_then
    base = is_base.to_numpy(dtype=bool)
    if base.sum() < MIN_BASELINE:
        why = f"{counted(base.sum())} cases in the declared baseline; {MIN_BASELINE} are needed"
        method = f"risk-adjusted CUSUM of {criterion.title}, not begun yet"
        used = rows[["patient_id", "session_id", "reason"]]
        return not_yet(used, method, by={"practice": WHOLE}, term="signals", unit="count", why=why)
    watched = _watched(rows, base, criterion, criteria.monitor, limit_kept)
    group = by or "practice"
    cases = watched.cases if by else watched.cases.assign(practice=WHOLE)
    charts = [
        _chart(str(name), theirs, watched, group)
        for name, theirs in cases[cases[group].notna()].groupby(group, sort=True)
    ]
    return Curve(
        stacked([chart.table for chart in charts]),
        cases[["patient_id", "session_id", *([by] if by else []), "reason"]],
        _method(criterion, watched),
        by=(group,),
        picture="cases",
        notes=_notes(watched),
        extra={
            "signals": stacked([chart.signals for chart in charts]),
            "cases": stacked([chart.cases for chart in charts]),
            "limits": pd.DataFrame(
                {"criterion": [criterion.id], "limit": [watched.limit.limit], "set_in_quarter": [set_in]}
            ),
        },
        checks={"run_length_as_asked": _as_asked(watched.limit)},
        path=stacked([chart.path for chart in charts]),
        x_name="case",
    )


def _check_question(criterion: Criterion, by: str) -> None:
    if by not in ("", *OPERATORS):
        raise ParameterError("review.case_by_case(by): use surgeon_id, harvested_by or nothing")
    if criterion.watched == "not":
        raise ParameterError(
            "review.case_by_case(criterion_id): use a criterion of a share of grafts or of poor growth"
        )


def _in_order(view: View, criterion: Criterion, monitor: Monitor) -> pd.DataFrame:
    """Return the counted rows by month, with the case mix their risk depends on."""
    rows = criterion.rows(view)
    rows = rows[rows["reason"].eq("")].reset_index(drop=True)
    if criterion.watched == GRAFTS:
        rows = rows.sort_values(["register_month", "session_id"], ignore_index=True)
    return with_case_mix(rows, view.records, _case_mix(criterion, monitor))


def _case_mix(criterion: Criterion, monitor: Monitor) -> tuple[str, ...]:
    return (*monitor.case_mix, *criterion.own_case_mix)


def _watched(
    rows: pd.DataFrame, base: np.ndarray, criterion: Criterion, monitor: Monitor, given: float | None
) -> _Watched:
    score = _grafts if criterion.watched == GRAFTS else _mature_readings
    return score(rows, base, criterion, monitor, given)


def _grafts(
    rows: pd.DataFrame, base: np.ndarray, criterion: Criterion, monitor: Monitor, given: float | None
) -> _Watched:
    """Score each session by its grafts."""
    part, whole = rows["part"].to_numpy(dtype=float), rows["whole"].to_numpy(dtype=float)
    design = _baseline_design(rows, _case_mix(criterion, monitor), base)
    fit = regression.shares(part[base], whole[base], design[base], rows["patient_id"].to_numpy()[base])
    risk = scipy.special.expit(design @ fit.beta)
    odds = monitor.odds_ratio_transection
    added = cusum.count_weights(part, whole, risk, odds, fit.correlation)
    steps = cusum.in_control_counts(whole, risk, odds, fit.correlation)
    limit = cusum.limit_for(steps, monitor.run_length, given=given)
    cases = rows.assign(observed=part, expected=whole * risk, added=added)
    return _Watched(cases, limit, odds, "grafts", int(base.sum()), "session")


def _mature_readings(
    rows: pd.DataFrame, base: np.ndarray, criterion: Criterion, monitor: Monitor, given: float | None
) -> _Watched:
    """Score each session by whether its mean reading lies below the threshold."""
    design = _baseline_design(rows, _case_mix(criterion, monitor), base)
    y = rows["yield_pct"].to_numpy(dtype=float)
    fit = regression.values(y[base], design[base], rows["patient_id"].to_numpy()[base])
    expected = design @ fit.beta
    rows = rows.assign(residual=y - expected, mean=expected, at=np.floor(rows["register_month"] + 0.5))
    cases = _visits(rows, criterion.poor_below_pct, *_spread(rows[base]))
    odds = monitor.odds_ratio_poor_growth
    added = cusum.weights(cases["observed"], cases["expected"], odds)
    steps = cusum.in_control(cases["expected"], odds)
    limit = cusum.limit_for(steps, monitor.run_length, given=given)
    cases = cases.assign(added=added, whole=1.0)
    return _Watched(cases, limit, odds, "cases", int(base.sum()), "session read as mature")


def _visits(rows: pd.DataFrame, threshold: float, tau2: float, shared2: float) -> pd.DataFrame:
    """Return one row per session and reading visit, with its chance to lie below the threshold."""
    keys = ["patient_id", "session_id", "surgeon_id", "harvested_by", "at"]
    cases = (
        rows.assign(se2=rows["yield_pct_se"] ** 2)
        .groupby(keys, as_index=False, dropna=False)
        .agg(value=("yield_pct", "mean"), mean=("mean", "mean"), se2=("se2", "mean"), k=("se2", "size"))
        .sort_values(["at", "session_id"], ignore_index=True)
    )
    sd = np.sqrt(shared2 + (tau2 - shared2 + cases["se2"]) / cases["k"])
    risk = np.clip(scipy.stats.norm.cdf((threshold - cases["mean"]) / sd), LEAST_RISK, 1 - LEAST_RISK)
    return cases.assign(
        observed=(cases["value"] < threshold).astype(float),
        expected=risk,
        register_month=cases["at"].astype(int),
        reason="",
    )


def _spread(rows: pd.DataFrame) -> tuple[float, float]:
    """Return the variance of true yields about their mean and the part a patient's share, by moments."""
    r, se2 = rows["residual"].to_numpy(dtype=float), rows["yield_pct_se"].to_numpy(dtype=float) ** 2
    tau2 = max(1.0, float((r**2 - se2).mean()))
    by_patient = rows.groupby("patient_id")["residual"]
    pairs = by_patient.sum() ** 2 - by_patient.apply(lambda v: float((v**2).sum()))
    n_pairs = by_patient.size() * (by_patient.size() - 1)
    shared = float(pairs.sum() / n_pairs.sum()) if n_pairs.sum() > 0 else 0.0
    return tau2, float(np.clip(shared, 0.0, tau2))


def _baseline_design(rows: pd.DataFrame, mix: tuple[str, ...], base: np.ndarray) -> np.ndarray:
    """Return the design of all rows, of the columns that the baseline can estimate."""
    design, _ = columns(rows, mix)
    return design[:, diagnostics.independent(design[base])]


def _chart(name: str, rows: pd.DataFrame, watched: _Watched, group: str) -> _Chart:
    rows = rows.reset_index(drop=True).assign(case=np.arange(1, len(rows) + 1))
    running = cusum.path(rows["added"], watched.limit.limit)
    signals, cases = _signals(name, rows, running, group)
    lines = _counts(name, rows, running, watched, group)
    return _Chart(pd.DataFrame(lines), _path(name, rows, running, watched, group), signals, cases)


def _path(name: str, rows: pd.DataFrame, running: cusum.Path, watched: _Watched, group: str) -> pd.DataFrame:
    score = "log likelihood ratio"
    lines = {
        EXCESS: (np.cumsum(rows["observed"] - rows["expected"]), watched.unit, "counts"),
        CUSUM: (running.total, score, "counts"),
        LIMIT: (np.full(len(rows), watched.limit.limit), score, "model"),
    }
    return pd.DataFrame(
        [
            line(term, value, unit, by={group: name}, x=case, basis=basis)
            for term, (values, unit, basis) in lines.items()
            for case, value in zip(rows["case"], values, strict=True)
        ]
    )


def _counts(
    name: str, rows: pd.DataFrame, running: cusum.Path, watched: _Watched, group: str
) -> list[dict[str, Any]]:
    observed, n_signals = float(rows["observed"].sum()), len(running.signals)
    common: dict[str, Any] = {
        "by": {group: name},
        "n_patients": int(rows["patient_id"].nunique()),
        "n_rows": len(rows),
    }
    of: dict[str, Any] = {"numerator": observed, "denominator": float(rows["whole"].sum())}
    expected, flag = float(rows["expected"].sum()), "signalled" if n_signals else ""
    return [
        line("observed", observed, watched.unit, basis="count", **of, flag="", **common),
        line("expected", expected, watched.unit, basis="model", flag="", **common),
        line("signals", float(n_signals), "count", basis="counts", flag=flag, **common),
    ]


def _signals(
    name: str, rows: pd.DataFrame, running: cusum.Path, group: str
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return one row per signal, and the cases between the beginning of each rise and its signal."""
    months = rows["register_month"].to_numpy(dtype=int)
    signals = pd.DataFrame(
        {
            group: name,
            "signal": np.arange(1, len(running.signals) + 1),
            "at_case": running.signals + 1,
            "register_month": months[running.signals],
            "quarter": quarter_of(months[running.signals]).astype(int),
            "began_at_case": running.began + 1,
            "began_in_month": months[running.began],
            "n_cases": running.signals - running.began + 1,
        }
    )
    named = [
        rows.iloc[a : b + 1].assign(**{group: name}, signal=i)
        for i, (a, b) in enumerate(zip(running.began, running.signals, strict=True), start=1)
    ]
    wanted = [group, "signal", "case", "session_id", "register_month", "observed", "expected", "added"]
    return signals, stacked(named)[wanted] if named else pd.DataFrame(columns=wanted)


def _as_asked(limit: cusum.Limit) -> bool:
    """Tell whether simulation gives the run length asked for, within 5 % and its own error."""
    return bool(abs(limit.by_simulation - limit.asked) <= 0.05 * limit.asked + 3 * limit.simulation_se)


def _method(criterion: Criterion, watched: _Watched) -> str:
    limit = watched.limit
    return (
        f"{criterion.title}, one case a {watched.what}; risk-adjusted CUSUM for odds {watched.odds_ratio:g} "
        f"times higher (Steiner et al. 2000), risks from {counted(watched.n_baseline)} baseline rows; limit "
        f"{limit.limit:.2f} for a false alarm every {limit.asked:g} cases in control, by simulation "
        f"{limit.by_simulation:.0f} (SE {limit.simulation_se:.0f}; {limit.n_charts} charts, seed "
        f"{limit.seed})"
    )


def _notes(watched: _Watched) -> tuple[str, ...]:
    return (
        f"Without any change a chart gives a false alarm once in {watched.limit.asked:g} cases on average; "
        "the risks are themselves estimated, which makes false alarms somewhat more frequent.",
        "A signal says where to look, not what is wrong.",
    )
