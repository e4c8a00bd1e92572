"""Does an operator differ from the others by more than chance and case mix?

Each operator stands against *the others* at equal case mix (`review.operators`), never in a ranking. With
eight operators or more a funnel shows who lies outside limits that allow for over-dispersion; with fewer,
how far operators truly differ cannot be told from the data, and intervals are shown instead.

Beside each operator stand the estimate shrunk towards the whole, and the chance that this chart would have
flagged truly doubled odds (or a yield 5 points lower) at that volume: without it *no signal* is taken for
*acceptable* (Walker et al. 2013, Lancet 382:1674-7, on public reporting of surgeons' outcomes).

How far is one operator from the others at equal case mix, and would a difference have been seen?

The patient is the cluster of error; the degrees of freedom follow from how few sessions an operator has
(`numerics.clustered`). The expected value is what the others' model says for this operator's own cases.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special, stats

from analytics.errors import FitError, ParameterError
from analytics.numerics import funnel, proportions, regression
from analytics.records import Records
from analytics.results import LEVEL, Curve, Result
from analytics.review.criteria import (
    Criteria,
    HairsCriterion,
    MeanCriterion,
    PoorGrowthCriterion,
    YieldCriterion,
)
from analytics.review.growth import of_criterion, readings
from analytics.review.periods import as_at, check
from analytics.review.units import columns, exception_codes, not_yet, units, with_case_mix

YIELD_SHIFT_POINTS = 5.0
DOUBLING = 2.0
FEW_EVENTS = 5


@dataclass(frozen=True, slots=True)
class Compared:
    """One operator: counts, raw value, what the others would have had, difference, power (0 to 1)."""

    name: str
    n_sessions: int
    n_patients: int
    n_events: float
    raw: proportions.Mean
    expected: float
    versus: regression.Contrast
    power: float


def shares(rows: pd.DataFrame, by: str, case_mix: tuple[str, ...], level: float) -> list[Compared]:
    """Compare shares on the logit scale; no difference where one side has no event."""
    part, whole = rows["part"].to_numpy(dtype=float), rows["whole"].to_numpy(dtype=float)
    who = rows["patient_id"].to_numpy()
    design, _ = columns(rows, case_mix)
    overall = regression.shares(part, whole, design, who)

    def fit(X: np.ndarray) -> regression.Fit:
        return regression.shares(part, whole, X, who)

    found = []
    for name, mine in _each(rows, by):
        decided = 0 < part[mine].sum() < whole[mine].sum() and 0 < part[~mine].sum() < whole[~mine].sum()
        versus, others = _contrast(fit, design, mine, level) if decided else (_none(level), None)
        expected = np.nan
        if others is not None:
            expected = float(np.average(special.expit(design[mine] @ others), weights=whole[mine]))
        raw = _raw_share(part[mine], whole[mine], who[mine], level)
        df = versus.df if np.isfinite(versus.df) else max(float(mine.sum()) - 1.0, 1.0)
        power = _power_of_doubling(overall, whole, mine, df)
        found.append(_compared(name, rows, mine, part[mine].sum(), raw, expected, versus, power))
    return found


def own_values(rows: pd.DataFrame, by: str, case_mix: tuple[str, ...], level: float) -> list[Compared]:
    """Compare yields (percent) by weighted least squares, weights from counting error and spread."""
    y = rows["part"].to_numpy(dtype=float)
    who = rows["patient_id"].to_numpy()
    weights = 1 / (rows["yield_pct_se"].to_numpy(dtype=float) ** 2 + np.var(y))
    design, _ = columns(rows, case_mix)

    def fit(X: np.ndarray) -> regression.Fit:
        return regression.values(y, X, who, weights=weights)

    found = []
    for name, mine in _each(rows, by):
        versus, _ = _contrast(fit, design, mine, level)
        raw = proportions.mean(pd.Series(y[mine]).groupby(who[mine]).mean(), level=level)
        power = _chance(YIELD_SHIFT_POINTS, versus.se, versus.df)
        expected = raw.estimate - versus.estimate
        found.append(_compared(name, rows, mine, np.nan, raw, expected, versus, power))
    return found


def shrunken(found: list[Compared], of_shares: bool, level: float) -> list[tuple[float, float, float]]:
    """Return raw values drawn towards the whole (logit scale for shares); NaN where there is no error."""
    value = np.array([c.raw.estimate for c in found])
    se = np.array([c.raw.se for c in found])
    if of_shares:
        with np.errstate(divide="ignore", invalid="ignore"):
            se, value = se / (value * (1 - value)), special.logit(value)
    usable = np.isfinite(value) & np.isfinite(se) & (se > 0)
    out = [(np.nan, np.nan, np.nan)] * len(found)
    if usable.sum() < 2:
        return out
    drawn = funnel.shrink(value[usable], se[usable], level=level)
    for i, k in enumerate(np.flatnonzero(usable)):
        three = np.array([drawn.estimate[i], drawn.low[i], drawn.high[i]])
        a, b, c = special.expit(three) if of_shares else three
        out[k] = (float(a), float(b), float(c))
    return out


def _raw_share(part: np.ndarray, whole: np.ndarray, who: np.ndarray, level: float) -> proportions.Mean:
    """Return the plain share: Wilson's interval for sessions counted yes or no, else the session as unit."""
    if not np.all(whole == 1):
        return proportions.ratio_of_totals(part, whole, clusters=who, level=level)
    found = proportions.proportion(part.sum(), len(part), level=level)
    p, n = float(found.estimate), len(part)
    se = float(np.sqrt(p * (1 - p) / n))
    return proportions.Mean(p, se, n - 1.0, float(found.low), float(found.high), level, n)


def _each(rows: pd.DataFrame, by: str) -> list[tuple[str, np.ndarray]]:
    return [(str(name), rows[by].eq(name).to_numpy(dtype=bool)) for name in sorted(rows[by].unique())]


def _contrast(
    fit: Callable[[np.ndarray], regression.Fit], design: np.ndarray, mine: np.ndarray, level: float
) -> tuple[regression.Contrast, np.ndarray | None]:
    try:
        found = fit(np.column_stack([design, mine.astype(float)]))
    except FitError:
        return _none(level), None
    picked = regression.contrast(found, [*np.zeros(design.shape[1]), 1.0], level=level)
    return picked, found.beta[:-1]


def _none(level: float) -> regression.Contrast:
    return regression.Contrast(np.nan, np.nan, np.nan, np.nan, np.nan, np.nan, level)


def _power_of_doubling(overall: regression.Fit, whole: np.ndarray, mine: np.ndarray, df: float) -> float:
    """Return the chance that doubled odds would have been flagged, at this operator's sessions.

    Variance of a logit rate over sessions: sum of n (1 + (n - 1) rho) / (N^2 p q).
    """
    p = float(np.average(overall.fitted[mine], weights=whole[mine]))
    doubled = DOUBLING * p / (1 + (DOUBLING - 1) * p)
    rho = overall.correlation

    def variance(chosen: np.ndarray, share: float) -> float:
        n = whole[chosen]
        return float((n * (1 + (n - 1) * rho)).sum() / (n.sum() ** 2 * share * (1 - share)))

    return _chance(float(np.log(DOUBLING)), float(np.sqrt(variance(mine, doubled) + variance(~mine, p))), df)


def _chance(shift: float, se: float, df: float) -> float:
    """Return the chance that a 95 % interval excludes no difference, on the side of a true shift."""
    if not (np.isfinite(se) and np.isfinite(df) and se > 0):
        return np.nan
    return float(stats.nct.sf(stats.t.ppf(0.975, df), df, shift / se))


def _compared(name, rows, mine, n_events, raw, expected, versus, power) -> Compared:
    here = rows[mine]
    n_sessions, n_patients = int(here["session_id"].nunique()), int(here["patient_id"].nunique())
    return Compared(name, n_sessions, n_patients, float(n_events), raw, expected, versus, power)


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
    found = (own_values if of_yield else shares)(counted, by, case_mix, level)
    drawn = shrunken(found, not of_yield, level)
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
        rows = of_criterion(readings(known), criterion, codes)
        rows = rows.assign(part=rows["yield_pct"], whole=1.0)
    else:
        rows = units(known, criteria, criterion, quarter=quarter)
    return rows[rows["quarter"].between(quarter - quarters + 1, quarter)].reset_index(drop=True)


def _lines(unit: Compared, drawn: tuple[float, float, float], by: str, of_yield: bool) -> list[dict]:
    """Return the table rows of one operator."""
    scale = 1.0 if of_yield else 100.0
    few = f"fewer than {FEW_SESSIONS} sessions" if unit.n_sessions < FEW_SESSIONS else ""
    if unit.n_events < FEW_EVENTS:
        few = "; ".join(w for w in (few, f"fewer than {FEW_EVENTS} events") if w)
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
    shift = f"{YIELD_SHIFT_POINTS:g} points less yield" if of_yield else "doubled odds"
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
