"""Every declared test of a study as it is read: its interval, its p-values and what it lets one say."""

import pandas as pd

from analytics import numbers
from analytics.results import LEVEL, Result, plain


def declared_tests(result: Result) -> pd.DataFrame:
    """Return one row per declared test: estimate with interval, p, adjusted p, patients, conclusion."""
    table = result.table()
    if table.empty:
        return table
    listed = result.extra["tests"]
    return pd.DataFrame(
        {
            "role": table["role"],
            "analysis": table["analysis"],
            "estimate (interval)": [_estimate(row) for _, row in table.iterrows()],
            "n_patients": table["n_patients"].map(numbers.number),
            "adjusted": [
                "alone" if not by or pd.isna(p) else numbers.p_value(p, places=3)
                for p, by in zip(listed["p_adjusted"], listed["adjusted_by"], strict=True)
            ],
            "conclusion": [numbers.title_case(plain(word)) for word in listed["conclusion"]],
            "p_value": [
                numbers.NOT_AVAILABLE if pd.isna(p) else numbers.p_value(p) for p in table["p_value"]
            ],
            "patients_needed": [
                "" if pd.isna(n) else f"about {numbers.number(n)}" for n in listed["patients_needed"]
            ],
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
    ends = numbers.limits(row["ci_low"], row["ci_high"], places)
    return f"{value} ({100 * float(level):g}{numbers.THIN}%: {ends})"
