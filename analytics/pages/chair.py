"""Tables of a case as they are read at the chair: its readings, its forecast, and whom to call back."""

import pandas as pd

from analytics import numbers
from analytics.results import Result

READING, CENTILE = "reading", "centile of the reading"
YIELD, DENSITY = "predicted yield", "predicted density"


def readings_table(result: Result) -> pd.DataFrame:
    """Return one row per reading: month, reading and its centile in the practice, each with its interval."""
    return _by_month(result, {READING: f"reading ({_level(result)})", CENTILE: f"centile ({_level(result)})"})


def forecast_table(result: Result) -> pd.DataFrame:
    """Return one row per month to come: the yield and the density that a count would show, with limits."""
    level = _level(result, "limits")
    return _by_month(result, {YIELD: f"yield ({level})", DENSITY: f"density ({level})"})


def call_back_table(result: Result) -> pd.DataFrame:
    """Return the placements named as behind or low, with the model's yield and what may be the cause."""
    named = result.extra["behind"]
    if named.empty:
        return named
    said = [
        f"{_percent(mean)} ({numbers.limits(low, high)})"
        for mean, low, high in zip(named["yield_now"], named["yield_low"], named["yield_high"], strict=True)
    ]
    chances = {name: [_percent(100 * p) for p in named[name]] for name in ("slow_only", "low_only", "both")}
    columns = named[["patient_id", "zone", "session_number", "month", "n_readings"]]
    return columns.assign(
        **{f"true_yield (95{numbers.THIN}% interval)": said}, state=named["state"], **chances
    ).rename(columns={"month": "month_read"})


def overdue_table(result: Result) -> pd.DataFrame:
    """Return the placements without a count when one was due; month 0 is the count before the session."""
    overdue = result.extra["overdue"]
    if overdue.empty:
        return overdue
    last = overdue["last_count"].map(lambda m: "none" if pd.isna(m) else numbers.number(m, 1))
    return overdue.assign(last_count=last).rename(
        columns={
            "due_month": "due_at_month",
            "last_count": "last_count_at_month",
            "state": "what_became_of_it",
        }
    )


def no_growth_table(result: Result) -> pd.DataFrame:
    """Return the placements without visible growth: what was counted, before and last, and how often."""
    named = result.extra["no_growth"]
    if named.empty:
        return named
    hairs = {c: named[c].map(numbers.number) for c in ("baseline_density", "density", "planted_hairs_cm2")}
    shown = named[["patient_id", "zone", "session_number"]].assign(
        last_month=[numbers.number(m, 1) for m in named["month"]],
        hairs_before=hairs["baseline_density"],
        hairs_at_last_count=hairs["density"],
        hairs_planted=hairs["planted_hairs_cm2"],
        grown_of_planted=[_percent(y) for y in named["yield_pct"]],
        n_counts=named["n_counts"],
        n_usable=named["n_usable"],
    )
    return shown.assign(earlier_session_growing=named["is_overlap"].map({True: "yes", False: "no"}))


def _by_month(result: Result, columns: dict[str, str]) -> pd.DataFrame:
    table = result.table()
    rows = []
    for (place, month), lines in table.groupby(["place", "x"], sort=False):
        by_term = lines.set_index("term")
        said = {head: _said(by_term.loc[t]) for t, head in columns.items() if t in by_term.index}
        rows.append({"place": place, "month": f"{month:g}", **said})
    return pd.DataFrame(rows)


def _said(row: pd.Series) -> str:
    if pd.isna(row["estimate"]):
        return numbers.words_for_missing(row)
    unit = "" if row.name == CENTILE else str(row["unit"])
    value = numbers.with_unit(numbers.number(row["estimate"]), unit)
    return f"{value} ({numbers.limits(row['ci_low'], row['ci_high'])})"


def _percent(value: float) -> str:
    return f"{numbers.number(value)}{numbers.THIN}%"


def _level(result: Result, name: str = "interval") -> str:
    known = result.table().get("level", pd.Series(dtype=float)).dropna()
    return f"{100 * float(known.iloc[0]) if len(known) else 95:g}{numbers.THIN}% {name}"
