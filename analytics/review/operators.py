"""Does an operator differ from the others by more than chance and case mix?

Each operator stands against *the others* at equal case mix, never in a ranking: the expected value is what
the others' model says for this operator's own cases. One who lies far off is no yardstick: who is beyond
99.8 % is left out of the others of everybody else, and everybody is compared anew. The patient is the
cluster of error; the degrees of freedom follow from how few sessions an operator has
(`numerics.regression`). With eight operators or more a funnel shows who lies outside limits that allow for
over-dispersion; with fewer, how far operators truly differ cannot be told from the data, and intervals are
shown instead.

Beside each operator stand the estimate shrunk towards the whole, and the chance that this chart would have
flagged truly doubled odds (or a yield 5 points lower) at that volume: without it *no signal* is taken for
*acceptable* (Walker et al. 2013, Lancet 382:1674-7, on public reporting of surgeons' outcomes).
"""

from typing import Any

import numpy as np
import pandas as pd
import scipy

from analytics.errors import ParameterError
from analytics.numerics import funnel, regression
from analytics.records import Records
from analytics.results import LEVEL, Curve, Result, line
from analytics.review.compared import (
    BEYOND,
    YIELD_SHIFT_POINTS,
    Compared,
    shares,
    shrunken,
    values,
)
from analytics.review.criteria import Criteria
from analytics.review.kinds import Criterion
from analytics.review.periods import View
from analytics.review.units import OPERATORS, none_declared, not_yet, with_case_mix

NO_SIGNAL, LOOK, SIGNAL = "no signal", "than the others at 95 %", "than the others at 99.8 %"
OBSERVED, EXPECTED, DRAWN, POWER = "observed", "expected of the others", "shrunken", "chance to be flagged"
FEW_SESSIONS = 5
FEW_EVENTS = 5


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
    if not criterion_id:
        return none_declared(records, by=by, term="comparison", what="no criterion of this kind")
    view = View.at(records, criteria.schedule, quarter=quarter)
    criterion = criteria.named(criterion_id)
    _check_question(criterion, by, quarters)
    rows = criterion.rows(view)
    rows = rows[rows["quarter"].between(quarter - quarters + 1, quarter)].reset_index(drop=True)
    counted = rows[rows["reason"].eq("") & rows[by].notna()].reset_index(drop=True)
    used = rows[["patient_id", "session_id", by, "reason"]]
    if why := _waiting(counted, by, criterion):
        method = f"{criterion.title} by {by.replace('_id', '')}, not compared yet"
        return not_yet(used, method, by={by: "all"}, term="comparison", unit=criterion.unit, why=why)
    of_odds = criterion.scale == "odds"
    case_mix = (*criteria.monitor.case_mix, *criterion.own_case_mix)
    counted = with_case_mix(counted, view.records, case_mix)
    compared = (shares if of_odds else values)(counted, by, case_mix, level)
    drawn = shrunken(compared, of_odds, level)
    lines = [
        row
        for one, three in zip(compared, drawn, strict=True)
        for row in _lines(one, three, by, of_odds, level)
    ]
    return _result(pd.DataFrame(lines), used, compared, counted, by, criterion, quarters)


def _check_question(criterion: Criterion, by: str, quarters: int) -> None:
    if by not in OPERATORS or not 1 <= quarters <= 40:
        raise ParameterError("review.operators: by is surgeon_id or harvested_by, quarters 1 to 40")
    if not criterion.compares_operators:
        raise ParameterError(
            "review.operators(criterion_id): not a share, a complication, a visit or a yield; poor growth is "
            "watched case by case"
        )


def _waiting(counted: pd.DataFrame, by: str, criterion: Criterion) -> str:
    """Say why operators cannot be compared yet; empty where they can."""
    if counted.empty or counted[by].nunique() < 2:
        return "fewer than two operators have cases in this time"
    if criterion.scale == "odds" and not 0 < counted["part"].sum() < counted["whole"].sum():
        return "no event in this time, or nothing else: there is nothing to compare"
    return ""


def _lines(
    one: Compared, drawn: tuple[float, float, float], by: str, of_odds: bool, level: float
) -> list[dict[str, Any]]:
    """Return the table rows of one operator."""
    scale = 100.0 if of_odds else 1.0
    few = f"fewer than {FEW_SESSIONS} sessions" if one.n_sessions < FEW_SESSIONS else ""
    if one.part < FEW_EVENTS:
        few = "; ".join(w for w in (few, f"fewer than {FEW_EVENTS} events") if w)
    raw, versus = one.raw, one.versus
    share: dict[str, Any] = {}
    if of_odds:
        share = {"basis": "share", "numerator": one.part, "denominator": one.whole}
    common: dict[str, Any] = {
        "by": {by: one.name},
        "level": level,
        "basis": "model",
        "n_patients": one.n_patients,
        "n_rows": one.n_sessions,
    }

    def percent(term: str, value: float, low: float = np.nan, high: float = np.nan, **more) -> dict:
        flag = _flag(value, few)
        return line(term, scale * value, "%", ci=(scale * low, scale * high), flag=flag, **(common | more))

    return [
        percent(OBSERVED, raw.estimate, raw.low, raw.high, se=scale * raw.se, **share),
        percent(EXPECTED, one.expected),
        _line_of_difference(versus, of_odds, few, common),
        percent(DRAWN, *drawn),
        line(POWER, 100 * one.power, "%", flag=_flag(one.power, few), **common),
    ]


def _line_of_difference(
    versus: regression.Contrast, of_odds: bool, few: str, common: dict[str, Any]
) -> dict[str, Any]:
    test: dict[str, Any] = {"df": versus.df, "p_value": versus.p_value}
    flag = "; ".join(w for w in (_verdict(versus), _flag(versus.estimate, few)) if w)
    if of_odds:
        ratio, low, high = (float(v) for v in np.exp([versus.estimate, versus.low, versus.high]))
        return line("odds ratio to the others", ratio, "ratio", ci=(low, high), flag=flag, **test, **common)
    limits = (versus.low, versus.high)
    term = "difference to the others"
    return line(term, versus.estimate, "points", se=versus.se, ci=limits, flag=flag, **test, **common)


def _flag(value: float, few: str) -> str:
    missing = "" if np.isfinite(value) else "cannot be told from so few"
    return "; ".join(w for w in (few, missing) if w)


def _verdict(versus: regression.Contrast) -> str:
    if not np.isfinite(versus.p_value):
        return ""
    side = "higher" if versus.estimate > 0 else "lower"
    return (
        f"{side} {SIGNAL}"
        if versus.p_value < BEYOND
        else f"{side} {LOOK}"
        if versus.p_value < 0.05
        else NO_SIGNAL
    )


def _result(
    table: pd.DataFrame,
    used: pd.DataFrame,
    compared: list[Compared],
    rows: pd.DataFrame,
    by: str,
    criterion: Criterion,
    quarters: int,
) -> Result:
    of_odds = criterion.scale == "odds"
    about = pd.DataFrame({"criterion": [criterion.id]})
    shift = "doubled odds" if of_odds else f"{YIELD_SHIFT_POINTS:g} points less yield"
    by_luck = 100 * (1 - 0.95 ** len(compared))
    notes = [
        f"With {len(compared)} compared, one differs at 95 % by luck in {by_luck:.0f} of 100 such charts.",
        f"Chance to be flagged: of truly {shift}, at this volume. No signal is not a clean bill.",
        "Who lies beyond 99.8 % is left out of the others of everybody else.",
    ]
    method = (
        f"{criterion.title} by {by.replace('_id', '').replace('_', ' ')} over {quarters} quarters, each "
        "against the others at equal case mix; patient-clustered, bias-reduced errors, Satterthwaite "
        "degrees of freedom; shrunken with a half-normal prior of how far operators differ"
    )
    if len(compared) < funnel.MIN_UNITS:
        notes.append(f"Fewer than {funnel.MIN_UNITS} operators: intervals, no funnel.")
    if len(compared) < funnel.MIN_UNITS or not of_odds:
        return Result(
            table, used, method, by=(by,), picture="operators", notes=tuple(notes), extra={"about": about}
        )
    path, phi = _funnel_path(compared, rows, by)
    notes.append(f"Over-dispersion factor {phi:.2f} (winsorised), in the limits where above 1.")
    return Curve(
        _with_funnel_flags(table, compared, rows, by, phi),
        used,
        method,
        by=(by,),
        picture="operators",
        notes=tuple(notes),
        extra={"about": about},
        path=path,
        x_name="sessions",
    )


def _funnel_path(compared: list[Compared], rows: pd.DataFrame, by: str) -> tuple[pd.DataFrame, float]:
    """Return funnel limits by number of sessions around the pooled share, and the over-dispersion factor."""
    target, sd = _of_one_session(compared, rows)
    n = np.array([c.n_sessions for c in compared], dtype=float)
    z = (np.array([c.raw.estimate for c in compared]) - target) / (sd / np.sqrt(n))
    phi = max(1.0, funnel.dispersion(z).phi)
    x = np.unique(np.round(np.linspace(max(1.0, 0.7 * n.min()), 1.1 * n.max(), 60)))
    lines = {"the whole": np.full(len(x), target)}
    for level in funnel.LEVELS:
        low, high = _limits(target, sd, x, rows, level, phi)
        lines |= {f"{100 * level:g} % lower": low, f"{100 * level:g} % upper": high}
    counts: dict[str, Any] = {
        "numerator": float(rows["part"].sum()),
        "denominator": float(rows["whole"].sum()),
    }
    path = [
        line(
            term,
            100 * value,
            "%",
            by={by: "all"},
            x=n_sessions,
            basis="share" if term == "the whole" else "counts",
            **counts,
        )
        for term, values in lines.items()
        for n_sessions, value in zip(x, values, strict=True)
    ]
    return pd.DataFrame(path), phi


def _limits(
    target: float, sd: float, x: np.ndarray, rows: pd.DataFrame, level: float, phi: float
) -> tuple[np.ndarray, np.ndarray]:
    """Return exact binomial limits for sessions counted yes or no, else limits from their spread."""
    if phi == 1.0 and rows["whole"].eq(1).all():
        return funnel.binomial_limits(x, target, level=level)
    low, high = funnel.normal_limits(sd / np.sqrt(x), target, level=level, phi=phi)
    return np.maximum(low, 0.0), np.minimum(high, 1.0)


def _of_one_session(compared: list[Compared], rows: pd.DataFrame) -> tuple[float, float]:
    """Return the funnel's centre, and the standard deviation that one session brings to an operator's share.

    The centre is that of the operators without the extreme ones.
    """
    part, whole = rows["part"].to_numpy(dtype=float), rows["whole"].to_numpy(dtype=float)
    pooled = float(part.sum() / whole.sum())
    is_yes_or_no = bool(np.all(whole == 1))
    sd = np.sqrt((((part - pooled * whole) / whole.mean()) ** 2).mean())
    n = np.array([c.n_sessions for c in compared], dtype=float)
    target, _ = funnel.robust_centre(
        [c.part for c in compared], [c.whole for c in compared], None if is_yes_or_no else sd / np.sqrt(n)
    )
    return target, float(np.sqrt(target * (1 - target)) if is_yes_or_no else sd)


def _with_funnel_flags(
    table: pd.DataFrame, compared: list[Compared], rows: pd.DataFrame, by: str, phi: float
) -> pd.DataFrame:
    target, sd = _of_one_session(compared, rows)
    flagged = table.assign(x=np.nan)
    for one in compared:
        here = flagged[by].eq(one.name) & flagged["term"].eq(OBSERVED)
        z = (one.raw.estimate - target) / (sd * np.sqrt(phi / one.n_sessions))
        flagged.loc[here, "x"] = float(one.n_sessions)
        flagged.loc[here, "flag"] = _outside(z)
    return flagged


def _outside(z: float) -> str:
    for level, name in ((0.999, "99.8 %"), (0.975, "95 %")):
        if abs(z) > scipy.stats.norm.ppf(level):
            return f"{'above' if z > 0 else 'below'} the {name} limits"
    return ""
