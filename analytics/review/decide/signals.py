"""Every signal of a review in one list: which way, since when, how weighty, and whether it is new.

A signal is a point or run of a control chart, a case-by-case chart at its limit, an operator apart from the
others, or attendance that fell. It is *better* or *worse*; only worse is an alarm. It is new when the last
review of an earlier quarter did not have it; where there was none, when it stands in the quarter under
review.
"""

from typing import Any

import pandas as pd

from analytics import followup
from analytics.numerics import proportions
from analytics.results import Result
from analytics.review.criteria import Criteria
from analytics.review.decide.archive import CLEARED, Remembered
from analytics.review.periods import MONTHS, View
from analytics.review.visits import sessions_due

NEW, KNOWN = "new", "known"
BETTER, WORSE = "better", "worse"
CHART, CASES, OPERATOR, FOLLOW_UP = "chart", "case by case", "operator", "follow-up"
OF_VISIT = "follow_up:"  # how the key of a signal about a visit begins
COLUMNS = [
    "key", "status", "direction", "source", "criterion", "name", "group", "rule", "register_month", "quarter",
    "weight", "n_units", "is_of_mix", "first_named_in", "is_staff",
]  # fmt: skip
NOW_QUARTERS, BEFORE_QUARTERS = 2, 8  # attendance of these quarters against that of those before


def collected(
    criteria: Criteria,
    *,
    quarter: int,
    charts: Result,
    others: tuple[Result, ...],
    falling: pd.DataFrame,
    remembered: Remembered,
) -> pd.DataFrame:
    """Return one row per signal, worse before better, new before known, the latest first."""
    found = [
        *_of_charts(charts),
        *(row for result in others for row in _of_cases(result)),
        *(row for result in others for row in _of_operators(criteria, result, quarter)),
        *_of_follow_up(falling, quarter),
    ]
    first = dict(remembered.first_named)
    for row in found:
        since = first.get(row["key"], quarter if remembered.quarter else row["quarter"])
        row["first_named_in"] = since
        is_new = row["key"] not in remembered.signals if remembered.quarter else row["quarter"] == quarter
        row["status"] = NEW if is_new else KNOWN
    found += _cleared({row["key"] for row in found}, remembered, first)
    titles = {c.id: c.title for c in criteria.criterion}
    frame = pd.DataFrame([{"group": "", "is_of_mix": False, **row} for row in found], columns=COLUMNS)
    frame["name"] = frame["criterion"].map(titles).fillna(frame["criterion"])
    frame["is_staff"] = frame["group"].ne("")
    order = frame.assign(
        a=frame["status"].map({NEW: 0, KNOWN: 1, CLEARED: 2}),
        b=frame["direction"].ne(WORSE),
        c=-frame["register_month"].astype(float),
    ).sort_values(["a", "b", "c", "key"], kind="stable")
    return order[COLUMNS].reset_index(drop=True)


def fell(view: View) -> pd.DataFrame:
    """Return planned visits whose attendance fell: these two quarters against the eight before, by session.

    Newcombe's interval of the difference lies wholly below 0; one visit in 40 does so by luck.
    """
    rows = sessions_due(view)
    rows = rows[rows["shown"].isin(followup.DUE_STATES)]
    ago = view.quarter - rows["quarter"]
    periods = [(0, NOW_QUARTERS - 1), (NOW_QUARTERS, NOW_QUARTERS + BEFORE_QUARTERS - 1)]
    out = []
    for visit, theirs in rows.groupby("visit"):
        came = theirs["shown"].isin(followup.SEEN_STATES)
        sides = [came[ago[theirs.index].between(*period)] for period in periods]
        (seen, due), (seen_before, due_before) = [(float(s.sum()), float(len(s))) for s in sides]
        if min(due, due_before) == 0:
            continue
        gap = proportions.difference(seen, due, seen_before, due_before)
        if float(gap.high) < 0:
            out.append(
                {
                    "visit": f"month {visit:g}",
                    "basis": "share",
                    "numerator": seen,
                    "denominator": due,
                    "estimate": 100 * seen / due,
                    "before_pct": 100 * seen_before / due_before,
                    "fell_points": -100 * float(gap.estimate),
                }
            )
    columns = ["visit", "basis", "numerator", "denominator", "estimate", "before_pct", "fell_points"]
    return pd.DataFrame(out, columns=columns)


def _of_charts(charts: Result) -> list[dict[str, Any]]:
    out = []
    for row in charts.extra["found"].to_dict("records"):
        is_point = str(row["rule"]).startswith("a point")
        place = "" if str(row["rule"]).startswith("few") else f":{row['register_month']}"
        kind = "point" if is_point else "run"
        out.append({**row, "key": f"{row['criterion']}:{kind}{place}:{row['direction']}", "source": CHART})
    return out


def _of_cases(result: Result) -> list[dict[str, Any]]:
    signals = result.extra.get("signals")
    if result.picture != "cases" or signals is None or signals.empty:
        return []
    criterion, group = str(result.extra["limits"]["criterion"].iloc[0]), result.by[0]
    is_whole = group == "practice"
    return [
        {
            "key": f"{criterion}:cases:{row[group]}:{row['register_month']}:{row['at_case']}",
            "source": CASES,
            "criterion": criterion,
            "group": "" if is_whole else str(row[group]),
            "direction": WORSE,
            "rule": f"the rise began in month {row['began_in_month']}",
            "register_month": int(row["register_month"]),
            "quarter": int(row["quarter"]),
            "weight": float(row["n_cases"]),
            "n_units": float(row["n_cases"]),
        }
        for row in signals.to_dict("records")
    ]


def _of_operators(criteria: Criteria, result: Result, quarter: int) -> list[dict[str, Any]]:
    table = result.table()
    if result.picture != "operators" or table.empty:
        return []
    criterion_id = str(result.extra["about"]["criterion"].iloc[0])
    by, at_most = result.by[0], criteria.named(criterion_id).direction == "at most"
    rows = table[
        table["term"].str.endswith("to the others") & table["flag"].fillna("").str.contains("than the others")
    ]
    out = []
    for row in rows.to_dict("records"):
        is_higher = str(row["flag"]).startswith("higher")
        direction = WORSE if is_higher == at_most else BETTER
        out.append(
            {
                "key": f"{criterion_id}:operator:{row[by]}:{direction}",
                "source": OPERATOR,
                "criterion": criterion_id,
                "group": str(row[by]),
                "direction": direction,
                "rule": str(row["flag"]).partition(";")[0],
                "register_month": MONTHS * quarter,
                "quarter": quarter,
                "weight": float(row["estimate"]),
                "n_units": float(row["n_rows"]),
            }
        )
    return out


def _of_follow_up(falling: pd.DataFrame, quarter: int) -> list[dict[str, Any]]:
    return [
        {
            "key": f"{OF_VISIT}{row['visit']}",
            "source": FOLLOW_UP,
            "criterion": _seen_at(row["visit"]),
            "direction": WORSE,
            "rule": "attendance fell",
            "register_month": MONTHS * quarter,
            "quarter": quarter,
            "weight": float(row["fell_points"]),
            "n_units": float(row["denominator"]),
        }
        for row in falling.to_dict("records")
    ]


def _seen_at(visit: str) -> str:
    return f"seen at {visit}"


def _is_of_visit(key: str) -> bool:
    return key.startswith(OF_VISIT)


def _cleared(now: set[str], remembered: Remembered, first: dict[str, int]) -> list[dict[str, Any]]:
    return [
        {
            "key": key,
            "status": CLEARED,
            "direction": WORSE if key.endswith(WORSE) or ":cases:" in key or _is_of_visit(key) else BETTER,
            "source": "",
            "criterion": _seen_at(key.removeprefix(OF_VISIT)) if _is_of_visit(key) else key.partition(":")[0],
            "group": key.split(":")[2] if ":operator:" in key or ":cases:" in key else "",
            "rule": "",
            "register_month": float("nan"),
            "quarter": float("nan"),
            "weight": float("nan"),
            "n_units": float("nan"),
            "first_named_in": first.get(key, remembered.quarter),
        }
        for key in remembered.signals
        if key not in now
    ]
