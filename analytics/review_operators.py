"""Does an operator differ from the others by more than chance and case mix?

Each operator stands against *the others* at equal case mix (`review_against`), never in a ranking. With
eight operators or more a funnel shows who lies outside limits that allow for over-dispersion; with fewer,
how far operators truly differ cannot be told from the data, and intervals are shown instead.

Beside each operator stand the estimate shrunk towards the whole, and the chance that this chart would have
flagged truly doubled odds (or a yield 5 points lower) at that volume: without it *no signal* is taken for
*acceptable* (Walker et al. 2013, Lancet 382:1674-7, on public reporting of surgeons' outcomes).
"""

import numpy as np
import pandas as pd
from scipy import stats

from analytics import review_against as against
from analytics import review_growth as growth
from analytics.errors import ParameterError
from analytics.numerics import funnel
from analytics.records import Records
from analytics.results import LEVEL, Curve, Result
from analytics.review_against import Compared
from analytics.review_criteria import (
    Criteria,
    HairsCriterion,
    MeanCriterion,
    PoorGrowthCriterion,
    YieldCriterion,
)
from analytics.review_design import with_case_mix
from analytics.review_periods import as_at, check
from analytics.review_units import exception_codes, units
from analytics.review_words import not_yet

BY = ("surgeon_id", "harvested_by")
NO_SIGNAL, LOOK, SIGNAL = "no signal", "than the others at 95 %", "than the others at 99.8 %"
FEW_SESSIONS = 5
MIN_FOR_LIMITS = 3  # patients; a t interval from two is no information
OBSERVED, EXPECTED, DRAWN, POWER = "observed", "expected of the others", "shrunken", "chance to be flagged"


def operators(
    records: Records,
    criteria: Criteria,
    *,
    quarter: int,
    criterion_id: str,
    by: str = "surgeon_id",
    quarters: int = 4,
    level: float = LEVEL,
) -> Result:
    """Return each operator against the others over the last quarters, for one criterion.

    Parameters
    ----------
    quarter, quarters
        The quarter under review and how many quarters up to it are taken (1 to 40).
    criterion_id
        Of the declared criteria: a share, a complication, a visit or a yield.
    by
        surgeon_id or harvested_by.

    Returns
    -------
    Result
        `by` is (by,). Terms: observed; expected of the others, at the operator's own case mix; odds ratio to
        the others (for yield: difference to the others, points); shrunken; chance to be flagged, percent. A
        Curve with funnel limits in `path` where there are eight operators or more.

    Raises
    ------
    ParameterError
        When `by`, the number of quarters or the criterion cannot be used.
    """
    check(quarter, records)
    criterion = criteria.named(criterion_id)
    _check_question(criterion, by, quarters)
    known = as_at(records, quarter)
    rows = _rows(known, criteria, criterion, quarter, quarters)
    counted = rows[rows["reason"].eq("") & rows[by].notna()].reset_index(drop=True)
    used = rows[["patient_id", "session_id", by, "reason"]]
    if why := _waiting(counted, by, criterion):
        method = f"{criterion.title} by {by.replace('_id', '')}, not compared yet"
        return not_yet(used, method, by={by: "all"}, term="comparison", unit=criterion.unit, why=why)
    of_yield = isinstance(criterion, YieldCriterion)
    case_mix = (*criteria.monitor.case_mix, "zone") if of_yield else criteria.monitor.case_mix
    counted = with_case_mix(counted, known, case_mix)
    found = (against.values if of_yield else against.shares)(counted, by, case_mix, level)
    drawn = against.shrunken(found, not of_yield, level)
    table = pd.DataFrame(
        [row for unit, d in zip(found, drawn, strict=True) for row in _lines(unit, d, by, of_yield)]
    )
    return _result(table.assign(level=level), used, found, counted, by, criterion, quarters)


def _waiting(counted: pd.DataFrame, by: str, criterion) -> str:
    """Say why operators cannot be compared yet; empty where they can."""
    if counted.empty or counted[by].nunique() < 2:
        return "fewer than two operators have cases in this time"
    if not isinstance(criterion, YieldCriterion) and not 0 < counted["part"].sum() < counted["whole"].sum():
        return "no event in this time, or nothing else: there is nothing to compare"
    return ""


def _check_question(criterion, by: str, quarters: int) -> None:
    if by not in BY or not 1 <= quarters <= 40:
        raise ParameterError("review.operators: by is surgeon_id or harvested_by, quarters 1 to 40")
    if isinstance(criterion, PoorGrowthCriterion | MeanCriterion | HairsCriterion):
        raise ParameterError(
            "review.operators(criterion_id): not a share, a complication, a visit or a yield; poor growth is "
            "watched case by case"
        )


def _rows(known: Records, criteria: Criteria, criterion, quarter: int, quarters: int) -> pd.DataFrame:
    if isinstance(criterion, YieldCriterion):
        codes = exception_codes(known.sessions, known, criterion)
        rows = growth.of_criterion(growth.readings(known), criterion, codes)
        rows = rows.assign(part=rows["yield_pct"], whole=1.0)
    else:
        rows = units(known, criteria, criterion, quarter=quarter)
    return rows[rows["quarter"].between(quarter - quarters + 1, quarter)].reset_index(drop=True)


def _lines(unit: Compared, drawn: tuple[float, float, float], by: str, of_yield: bool) -> list[dict]:
    """Return the table rows of one operator."""
    scale = 1.0 if of_yield else 100.0
    few = f"fewer than {FEW_SESSIONS} sessions" if unit.n_sessions < FEW_SESSIONS else ""
    if unit.n_events < against.FEW_EVENTS:
        few = "; ".join(w for w in (few, f"fewer than {against.FEW_EVENTS} events") if w)
    common = {by: unit.name, "n_patients": unit.n_patients, "n_rows": unit.n_sessions}
    raw, v = unit.raw, unit.versus
    low, high = (raw.low, raw.high) if raw.n >= MIN_FOR_LIMITS or not of_yield else (np.nan, np.nan)
    rows = [
        _line(OBSERVED, scale * raw.estimate, scale * low, scale * high, "%", few) | {"se": scale * raw.se},
        _line(EXPECTED, scale * unit.expected, np.nan, np.nan, "%", few),
        _versus(v, of_yield, few) | {"df": v.df, "p_value": v.p_value},
        _line(DRAWN, scale * drawn[0], scale * drawn[1], scale * drawn[2], "%", few),
        _line(POWER, 100 * unit.power, np.nan, np.nan, "%", few),
    ]
    return [common | row for row in rows]


def _versus(v, of_yield: bool, few: str) -> dict:
    flag = "; ".join(w for w in (_verdict(v), few) if w)
    if of_yield:
        return _line("difference to the others", v.estimate, v.low, v.high, "points", flag) | {"se": v.se}
    ratio, low, high = np.exp([v.estimate, v.low, v.high])
    return _line("odds ratio to the others", float(ratio), float(low), float(high), "ratio", flag)


def _line(term: str, estimate: float, low: float, high: float, unit: str, flag: str) -> dict:
    missing = "" if np.isfinite(estimate) else "cannot be told from so few"
    return {
        "term": term,
        "estimate": estimate,
        "ci_low": low,
        "ci_high": high,
        "unit": unit,
        "flag": "; ".join(w for w in (flag, missing) if w),
    }


def _verdict(v) -> str:
    if not np.isfinite(v.p_value):
        return ""
    side = "higher" if v.estimate > 0 else "lower"
    return f"{side} {SIGNAL}" if v.p_value < 0.002 else f"{side} {LOOK}" if v.p_value < 0.05 else NO_SIGNAL


def _result(
    table: pd.DataFrame,
    used: pd.DataFrame,
    found: list[Compared],
    rows: pd.DataFrame,
    by: str,
    criterion,
    quarters,
) -> Result:
    of_yield = isinstance(criterion, YieldCriterion)
    shift = f"{against.YIELD_SHIFT_POINTS:g} points less yield" if of_yield else "doubled odds"
    by_luck = 100 * (1 - 0.95 ** len(found))
    notes = [
        f"With {len(found)} compared, one differs at 95 % by luck in {by_luck:.0f} of 100 such charts.",
        f"Chance to be flagged: of truly {shift}, at this volume. No signal is not a clean bill.",
        "One operator far off moves the yardstick of the others: read the largest difference first.",
    ]
    method = (
        f"{criterion.title} by {by.replace('_id', '').replace('_', ' ')} over {quarters} quarters, each "
        "against the others at equal case mix; patient-clustered, bias-reduced errors, Satterthwaite "
        "degrees of freedom; shrunken by moments (DerSimonian & Laird 1986)"
    )
    if len(found) < funnel.MIN_UNITS:
        notes.append(f"Fewer than {funnel.MIN_UNITS} operators: intervals, no funnel.")
    if len(found) < funnel.MIN_UNITS or of_yield:
        return Result(table, used, method, by=(by,), picture="operators", notes=tuple(notes))
    path, phi = _funnel_path(found, rows, by)
    notes.append(f"Over-dispersion factor {phi:.2f} (winsorised), in the limits where above 1.")
    return Curve(
        _with_funnel_flags(table, found, rows, by, phi),
        used,
        method,
        by=(by,),
        picture="operators",
        notes=tuple(notes),
        path=path,
        x_name="sessions",
    )


def _funnel_path(found: list[Compared], rows: pd.DataFrame, by: str) -> tuple[pd.DataFrame, float]:
    """Return funnel limits by number of sessions around the pooled share, and the over-dispersion factor."""
    target, sd = _of_one_session(rows)
    n = np.array([c.n_sessions for c in found], dtype=float)
    z = (np.array([c.raw.estimate for c in found]) - target) / (sd / np.sqrt(n))
    phi = max(1.0, funnel.dispersion(z).phi)
    x = np.unique(np.round(np.linspace(max(1.0, 0.7 * n.min()), 1.1 * n.max(), 60)))
    lines = {"the whole": np.full(len(x), target)}
    for level in funnel.LEVELS:
        low, high = _limits(target, sd, x, rows, level, phi)
        lines |= {f"{100 * level:g} % lower": low, f"{100 * level:g} % upper": high}
    parts = [
        pd.DataFrame({by: "all", "term": name, "x": x, "estimate": 100 * values, "unit": "%"})
        for name, values in lines.items()
    ]
    return pd.concat(parts, ignore_index=True), phi


def _limits(target: float, sd: float, x: np.ndarray, rows: pd.DataFrame, level: float, phi: float):
    """Return exact binomial limits for sessions counted yes or no, else limits from their spread."""
    if phi == 1.0 and rows["whole"].eq(1).all():
        return funnel.binomial_limits(x, target, level=level)
    low, high = funnel.normal_limits(sd / np.sqrt(x), target, level=level, phi=phi)
    return np.maximum(low, 0.0), np.minimum(high, 1.0)


def _of_one_session(rows: pd.DataFrame) -> tuple[float, float]:
    """Return the pooled share and the standard deviation that one session brings to an operator's share."""
    part, whole = rows["part"].to_numpy(dtype=float), rows["whole"].to_numpy(dtype=float)
    target = float(part.sum() / whole.sum())
    if np.all(whole == 1):
        return target, float(np.sqrt(target * (1 - target)))
    return target, float(np.sqrt((((part - target * whole) / whole.mean()) ** 2).mean()))


def _with_funnel_flags(
    table: pd.DataFrame, found: list[Compared], rows: pd.DataFrame, by: str, phi: float
) -> pd.DataFrame:
    target, sd = _of_one_session(rows)
    flagged = table.assign(x=np.nan)
    for unit in found:
        here = flagged[by].eq(unit.name) & flagged["term"].eq(OBSERVED)
        z = (unit.raw.estimate - target) / (sd * np.sqrt(phi / unit.n_sessions))
        level = (
            "99.8 %" if abs(z) > stats.norm.ppf(0.999) else "95 %" if abs(z) > stats.norm.ppf(0.975) else ""
        )
        said = f"{'above' if z > 0 else 'below'} the {level} limits" if level else ""
        flagged.loc[here, "x"] = float(unit.n_sessions)
        flagged.loc[here, "flag"] = said
    return flagged
