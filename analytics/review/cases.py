"""Case by case: has something gone wrong lately, and with which cases did it begin?

Two pictures of one series. Observed less expected is easy to read but has no rule for when it means
something; behind it runs the risk-adjusted CUSUM, which has one: it signals when it reaches a limit set so
that a practice without any change would see a false alarm once in a stated number of cases, on its own mix
of risks (Steiner et al. 2000, Biostatistics 1:441-452; Steiner & Woodall 2016, BMC Surg 16:15).

*Transection*: a case is a session, its risk the baseline's share at equal case mix, its score a beta-binomial
likelihood ratio. *Poor growth*: a case is a session at the visit at which zones of it were first read as
mature; the outcome is a mean reading below the threshold, its risk the chance of that in control given
zones, case mix and the error of that reading, so that a careless count is expected to fall below more often.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from analytics.errors import ParameterError
from analytics.numerics import cusum, regression
from analytics.records import Records
from analytics.results import Curve, Result
from analytics.review.criteria import Criteria, PoorGrowthCriterion, ShareCriterion
from analytics.review.growth import of_criterion, readings
from analytics.review.periods import as_at, check, quarter_of
from analytics.review.units import (
    columns,
    exception_codes,
    independent,
    not_yet,
    stacked,
    units,
    with_case_mix,
)

WHOLE = "whole practice"
MIN_BASELINE = 30
EXCESS, CUSUM, LIMIT = "observed less expected", "cusum", "limit"
LEAST_RISK = 1e-4


@dataclass(frozen=True, slots=True)
class _Watched:
    """Cases in order with risk and score, the limit with its run length, and what one is called."""

    cases: pd.DataFrame
    limit: cusum.Limit
    odds_ratio: float
    unit: str
    n_baseline: int
    what: str


def case_by_case(
    records: Records, criteria: Criteria, *, quarter: int, criterion_id: str, by: str = ""
) -> Result:
    """Return observed less expected and the risk-adjusted CUSUM of every case up to a quarter.

    Parameters
    ----------
    criterion_id
        A criterion of a share of grafts (transection), or of poor growth.
    by
        surgeon_id or harvested_by for a chart an operator, each with the practice's limit; empty for the
        whole.

    Returns
    -------
    Result
        A Curve, or a sentence where the baseline has fewer than 30 cases. `by` is (by,) or (practice,).
        Terms: observed, expected, signals; `path` over case numbers holds observed less expected, cusum and
        limit; `extra["signals"]` one row a signal; `extra["cases"]` the cases of each rise that signalled.

    Raises
    ------
    ParameterError
        When the criterion is of another kind.
    FitError
        When the baseline holds no event at all.
    """
    check(quarter, records)
    criterion = criteria.named(criterion_id)
    if by not in ("", "surgeon_id", "harvested_by"):
        raise ParameterError("review.case_by_case(by): use surgeon_id, harvested_by or nothing")
    known = as_at(records, quarter)
    if not isinstance(criterion, PoorGrowthCriterion | ShareCriterion):
        raise ParameterError(
            "review.case_by_case(criterion_id): use a criterion of a share of grafts or of poor growth"
        )
    if isinstance(criterion, PoorGrowthCriterion):
        rows, base = _readings(known, criteria, criterion)
    else:
        rows, base = _sessions(known, criteria, criterion, quarter)
    if base.sum() < MIN_BASELINE:
        why = f"{int(base.sum())} cases in the declared baseline; {MIN_BASELINE} are needed"
        method = f"risk-adjusted CUSUM of {criterion.title}, not begun yet"
        used = rows[["patient_id", "session_id", "reason"]]
        return not_yet(used, method, by={"practice": WHOLE}, term="signals", unit="count", why=why)
    if isinstance(criterion, PoorGrowthCriterion):
        watched = _poor_growth(rows, base, criteria, criterion)
    else:
        watched = _grafts(rows, base, criteria)
    group = by or "practice"
    cases = watched.cases if by else watched.cases.assign(practice=WHOLE)
    parts = [
        _chart(str(name), rows, watched, group)
        for name, rows in cases[cases[group].notna()].groupby(group, sort=True)
    ]
    return Curve(
        stacked([p[0] for p in parts]),
        cases[["patient_id", "session_id", *([by] if by else []), "reason"]],
        _method(criterion, watched),
        by=(group,),
        picture="cases",
        notes=_notes(watched),
        extra={
            "signals": stacked([p[2] for p in parts]),
            "cases": stacked([p[3] for p in parts]),
        },
        checks={"run_length_as_asked": _as_asked(watched.limit)},
        path=stacked([p[1] for p in parts]),
        x_name="case",
    )


def _sessions(
    known: Records, criteria: Criteria, criterion: ShareCriterion, quarter: int
) -> tuple[pd.DataFrame, np.ndarray]:
    """Return the sessions in order and which of them are baseline."""
    rows = units(known, criteria, criterion, quarter=quarter)
    rows = rows[rows["reason"].eq("")].sort_values(["register_month", "session_id"], ignore_index=True)
    rows = with_case_mix(rows, known, criteria.monitor.case_mix)
    return rows, (rows["register_month"] <= criteria.monitor.baseline_through_month).to_numpy(dtype=bool)


def _readings(
    known: Records, criteria: Criteria, criterion: PoorGrowthCriterion
) -> tuple[pd.DataFrame, np.ndarray]:
    """Return the readings at maturity and which belong to baseline operations."""
    codes = exception_codes(known.sessions, known, criterion)
    rows = of_criterion(readings(known), criterion, codes)
    rows = rows[rows["reason"].eq("")].reset_index(drop=True)
    rows = with_case_mix(rows, known, (*criteria.monitor.case_mix, "zone"))
    return rows, (rows["session_month"] <= criteria.monitor.baseline_through_month).to_numpy(dtype=bool)


def _grafts(rows: pd.DataFrame, base: np.ndarray, criteria: Criteria) -> _Watched:
    part, whole = rows["part"].to_numpy(dtype=float), rows["whole"].to_numpy(dtype=float)
    design, kept = _baseline_design(rows, criteria.monitor.case_mix, base)
    fit = regression.shares(
        part[base], whole[base], design[base][:, kept], rows["patient_id"].to_numpy()[base]
    )
    risk = 1 / (1 + np.exp(-design[:, kept] @ fit.beta))
    odds = criteria.monitor.odds_ratio_transection
    added = cusum.count_weights(part, whole, risk, odds, fit.correlation)
    steps = cusum.in_control_counts(whole, risk, odds, fit.correlation)
    limit = cusum.limit_for(steps, criteria.monitor.run_length)
    cases = rows.assign(observed=part, expected=whole * risk, added=added)
    return _Watched(cases, limit, odds, "grafts", int(base.sum()), "session")


def _poor_growth(
    rows: pd.DataFrame, base: np.ndarray, criteria: Criteria, criterion: PoorGrowthCriterion
) -> _Watched:
    mix = (*criteria.monitor.case_mix, "zone")
    design, kept = _baseline_design(rows, mix, base)
    y = rows["yield_pct"].to_numpy(dtype=float)
    who = rows["patient_id"].to_numpy()
    fit = regression.values(y[base], design[base][:, kept], who[base])
    expected = design[:, kept] @ fit.beta
    rows = rows.assign(residual=y - expected, mean=expected, at=np.floor(rows["register_month"] + 0.5))
    tau2, shared2 = _spread(rows[base])
    cases = _visits(rows, criterion.threshold_pct, tau2, shared2)
    odds = criteria.monitor.odds_ratio_poor_growth
    added = cusum.weights(cases["observed"], cases["expected"], odds)
    steps = cusum.in_control(cases["expected"], odds)
    limit = cusum.limit_for(steps, criteria.monitor.run_length)
    return _Watched(
        cases.assign(added=added), limit, odds, "cases", int(base.sum()), "session read as mature"
    )


def _visits(rows: pd.DataFrame, threshold: float, tau2: float, shared2: float) -> pd.DataFrame:
    """Return one row a session and reading visit, with its chance to lie below the threshold."""
    keys = ["patient_id", "session_id", "surgeon_id", "harvested_by", "at"]
    cases = (
        rows.assign(se2=rows["yield_pct_se"] ** 2)
        .groupby(keys, as_index=False, dropna=False)
        .agg(value=("yield_pct", "mean"), mean=("mean", "mean"), se2=("se2", "mean"), k=("se2", "size"))
        .sort_values(["at", "session_id"], ignore_index=True)
    )
    sd = np.sqrt(shared2 + (tau2 - shared2 + cases["se2"]) / cases["k"])
    risk = np.clip(stats.norm.cdf((threshold - cases["mean"]) / sd), LEAST_RISK, 1 - LEAST_RISK)
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


def _baseline_design(
    rows: pd.DataFrame, mix: tuple[str, ...], base: np.ndarray
) -> tuple[np.ndarray, list[int]]:
    """Return the design of all rows and the columns that the baseline can estimate."""
    design, _ = columns(rows, mix)
    return design, independent(design[base])


def _chart(name: str, rows: pd.DataFrame, watched: _Watched, group: str) -> tuple[pd.DataFrame, ...]:
    """Return the table rows, the path, the signals and the cases of one chart."""
    rows = rows.reset_index(drop=True).assign(case=np.arange(1, len(rows) + 1))
    running = cusum.path(rows["added"], watched.limit.limit)
    excess = np.cumsum(rows["observed"] - rows["expected"])
    lines = {EXCESS: excess, CUSUM: running.total, LIMIT: np.full(len(rows), watched.limit.limit)}
    units_ = {EXCESS: watched.unit, CUSUM: "log likelihood ratio", LIMIT: "log likelihood ratio"}
    path = pd.concat(
        [
            pd.DataFrame({group: name, "term": t, "x": rows["case"], "estimate": v, "unit": units_[t]})
            for t, v in lines.items()
        ],
        ignore_index=True,
    )
    return _counts(name, rows, running, watched, group), path, *_signals(name, rows, running, group)


def _counts(name: str, rows: pd.DataFrame, running, watched: _Watched, group: str) -> pd.DataFrame:
    n_signals = len(running.signals)
    values = {
        "observed": (rows["observed"].sum(), watched.unit),
        "expected": (rows["expected"].sum(), watched.unit),
        "signals": (float(n_signals), "count"),
    }
    return pd.DataFrame(
        [
            {
                group: name,
                "term": term,
                "estimate": float(value),
                "unit": unit,
                "n_patients": int(rows["patient_id"].nunique()),
                "n_rows": len(rows),
                "flag": "signalled" if term == "signals" and n_signals else "",
            }
            for term, (value, unit) in values.items()
        ]
    )


def _signals(name: str, rows: pd.DataFrame, running, group: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return one row a signal, and the cases between the beginning of each rise and its signal."""
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
    kept = [group, "signal", "case", "session_id", "register_month", "observed", "expected", "added"]
    return signals, stacked(named)[kept] if named else pd.DataFrame(columns=kept)


def _as_asked(limit: cusum.Limit) -> bool:
    """Tell whether simulation gives the run length asked for, within 5 % and its own error."""
    return bool(abs(limit.by_simulation - limit.asked) <= 0.05 * limit.asked + 3 * limit.simulation_se)


def _method(criterion, watched: _Watched) -> str:
    limit = watched.limit
    return (
        f"{criterion.title}, one case a {watched.what}; risk-adjusted CUSUM for odds {watched.odds_ratio:g} "
        f"times higher (Steiner et al. 2000), risks from {watched.n_baseline} baseline rows; limit "
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
