"""Every declared test of a study as it is read: its interval, its p-values and what it lets one say.

Tables of a case as they are read at the chair: one row a month, one row a placement to call back.
"""

import re

import pandas as pd

from analytics import numbers
from analytics.results import LEVEL, Result

READING, CENTILE = "reading", "centile of the reading"
YIELD, DENSITY = "predicted yield", "predicted density"


def readings_table(result: Result) -> pd.DataFrame:
    """Return a row a reading: month, reading and its centile in the practice, each with its interval."""
    return _by_month(result, {READING: f"reading ({_level(result)})", CENTILE: f"centile ({_level(result)})"})


def forecast_table(result: Result) -> pd.DataFrame:
    """Return a row a month to come: the yield and the density that a count would show, with limits."""
    level = _level(result, "limits")
    return _by_month(result, {YIELD: f"yield ({level})", DENSITY: f"density ({level})"})


def call_back_table(named: pd.DataFrame) -> pd.DataFrame:
    """Return the placements named as behind or low, with the model's yield and what may be the cause."""
    if named.empty:
        return named
    limits = [
        f"{_percent(mean)} ({numbers.limits(low, high)})"
        for mean, low, high in zip(named["yield_now"], named["yield_low"], named["yield_high"], strict=True)
    ]
    chances = {name: [_percent(100 * p) for p in named[name]] for name in ("slow_only", "low_only", "both")}
    kept = named[["patient_id", "zone", "session_number", "month", "n_readings"]]
    return kept.assign(
        **{f"true_yield (95{numbers.THIN}% interval)": limits}, state=named["state"], **chances
    ).rename(columns={"month": "month_read"})


def overdue_table(overdue: pd.DataFrame) -> pd.DataFrame:
    """Return the placements without a count when one was due; month 0 is the count before the session."""
    if overdue.empty:
        return overdue
    last = overdue["last_count"].map(lambda m: "none" if pd.isna(m) else numbers.number(m, 1))
    return overdue.assign(last_count=last).rename(
        columns={"due_month": "due_at_month", "last_count": "last_count_at_month"}
    )


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


ADJUSTED = re.compile(r"; adjusted p ([^;(]*?)(?: \([^;]*\))?(?=;|$)")
NEEDED = re.compile(r": (about [\d,]+) patients with an outcome would be needed")
INTERVAL = re.compile(r"; interval of [^;]*")


def declared_tests(result: Result) -> pd.DataFrame:
    """Return a row a declared test: estimate with interval and level, p, adjusted p, patients, conclusion.

    Made from the table alone, so that what it withholds is withheld here.
    """
    table = result.table()
    if table.empty:
        return table
    adjusted = table["flag"].str.extract(ADJUSTED, expand=False)
    needed = table["flag"].str.extract(NEEDED, expand=False)
    said = table["flag"].str.replace(
        "|".join(p.pattern for p in (ADJUSTED, INTERVAL, NEEDED)), "", regex=True
    )
    return pd.DataFrame(
        {
            "role": table["role"],
            "analysis": table["analysis"],
            "estimate (interval)": [_estimate(row) for _, row in table.iterrows()],
            "n_patients": table["n_patients"].map(numbers.number),
            "p_value": table["p_value"].map(_p_value),
            "adjusted": adjusted.fillna("alone").str.replace("under", "below"),
            "conclusion": said.str.capitalize(),
            "patients_needed": needed.fillna(""),
        }
    )


def _estimate(row: pd.Series) -> str:
    if pd.isna(row["estimate"]):
        return numbers.words_for_missing(row)
    unit, se = str(row["unit"]), row.get("se", float("nan"))
    places = numbers.decimals(float(se) if pd.notna(se) else float("nan"), unit, [row["estimate"]])
    value = numbers.with_unit(numbers.number(row["estimate"], places), unit)
    if pd.isna(row["ci_low"]):
        return value
    level = row["level"] if pd.notna(row["level"]) else LEVEL
    limits = numbers.limits(row["ci_low"], row["ci_high"], places)
    return f"{value} ({100 * float(level):g}{numbers.THIN}%: {limits})"


def _p_value(p: float) -> str:
    if pd.isna(p):
        return numbers.NOT_AVAILABLE
    return "below 0.001" if p < 0.001 else numbers.number(p, 3 if p < 0.1 else 2)
