"""Complications where not everybody was asked: the share among those asked, and what the others could do."""

import pandas as pd

from analytics import numbers
from analytics.results import Result, why_not

AMONG, LEAST, MOST = "among those asked", "all operated, at least", "all operated, at most"
ODDS = tuple(f"odds of those not asked {factor} times the asked's" for factor in ("0.25", "4"))


def complications_table(result: Result) -> pd.DataFrame:
    """Return one row per complication: operated, asked, share with interval, bounds, odds a quarter to four.

    Parameters
    ----------
    result
        Of `review.asked`, as it may be shown.
    """
    if why_not(result):
        return pd.DataFrame()
    table = result.table()
    declared = result.extra["counts"]
    names = dict(zip(declared["criterion"], declared["name"], strict=True))
    groups = table.groupby("criterion", sort=False)
    return pd.DataFrame([_row(names.get(name, name), rows) for name, rows in groups])


def _row(name: object, rows: pd.DataFrame) -> dict[str, object]:
    by_term = rows.drop_duplicates("term").set_index("term")
    low, high = (_percent(by_term, term, "") for term in ODDS)
    among = by_term.loc[AMONG]
    return {
        "complication": name,
        "operated": _count(by_term, MOST),
        "asked": _count(by_term, AMONG),
        "among_those_asked": numbers.full(among, counts=False),
        "if_all_had_been_asked": f"{_percent(by_term, LEAST)} to {_percent(by_term, MOST)}",
        "odds_of_the_others_a_quarter_to_four_times": f"{low} to {high}" if low and high else "",
    }


def _count(rows: pd.DataFrame, term: str) -> str:
    known = rows["denominator"].get(term) if "denominator" in rows else None
    return "" if known is None or pd.isna(known) else numbers.number(float(known))


def _percent(rows: pd.DataFrame, term: str, without: str = "not told") -> str:
    value = rows["estimate"].get(term)
    if value is None or pd.isna(value):
        return without
    return numbers.percent(float(value), 1)
