"""What is computed from counts gives them back too: limits of charts, differences, gaps of events, pairs.

* The limits of a share chart at one time are centre ± 3 sqrt(p (1 - p) / n): they give n. They are shown only
  where the point is.
* A difference of two shares, one of which is withheld, gives the withheld one; where shares are recomputed
  from rounded counts, it gives the counts.
* A chart of the gaps between events has a point an event: its length is their number.
* Shares of two groups side by side (`seen`, `absent`) rest on the counts `n_seen` and `n_seen_with`.
"""

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.disclosure.rules import WITHHELD, Rule, rounded
from analytics.results import Curve, Result

DIFFERENCE = re.compile(r"^difference\b")
LIMITS = ("lower limit", "upper limit")
OVER_TIME = ("register_month", "quarter")
GAP_UNIT = "sessions between"
# Columns of the review's audit that repeat rows of its table, by the term of the row.
REPEATED = {
    "last four quarters": {"year_estimate": "estimate", "year_low": "ci_low", "year_high": "ci_high"},
    "last quarter": {"last_estimate": "estimate"},
    "difference to last quarter": {"change": "estimate", "change_low": "ci_low", "change_high": "ci_high"},
}
REASONS_TO = 5  # assumed, as the rounding of published counts
STAFF_ROW = re.compile(r"^(?:surgeon|team|reader|operator|harvested by|planted by)\b", re.IGNORECASE)


def tied_differences(
    frame: pd.DataFrame, hidden: np.ndarray, by: Sequence[str], is_share: np.ndarray, applied: Rule
) -> np.ndarray:
    """Return True (n,) at differences that would give back a withheld or rounded share of their group.

    Parameters
    ----------
    frame
        A result's rows with `term`.
    hidden
        Rows whose values are withheld, (n,).
    by
        Grouping columns; the first names what is compared with what.
    is_share
        Rows that hold a share of persons, (n,).

    Examples
    --------
    >>> rows = pd.DataFrame({"criterion": "a", "term": ["now", "when set", "difference"]})
    >>> from analytics.disclosure.rules import rule
    >>> hidden, none = np.array([False, True, False]), np.zeros(3, bool)
    >>> tied_differences(rows, hidden, ("criterion",), none, rule("shared"))
    array([False, False,  True])
    """
    nothing = np.zeros(len(frame), dtype=bool)
    if "term" not in frame or frame.empty:
        return nothing
    differs = frame["term"].astype(str).str.contains(DIFFERENCE).to_numpy()
    unsafe = hidden | (is_share if applied.round_to > 1 else nothing)
    unsafe = unsafe & ~differs
    groups = frame[by[0]].astype(str) if by and by[0] in frame else pd.Series("", index=frame.index)
    touched = set(groups[unsafe])
    return differs & groups.isin(touched).to_numpy()


def chart_lines(result: Result) -> Result:
    """Return a chart over time without limits where its point is withheld."""
    if not isinstance(result, Curve) or result.x_name not in OVER_TIME or result.path.empty:
        return result
    keys = [*result.by, "x"]
    if not {*keys, "term"} <= set(result.path.columns) or not set(keys) <= set(result.estimates.columns):
        return result
    points = result.estimates[result.estimates["estimate"].notna()]
    there = set(points[keys].astype(str).itertuples(index=False, name=None))
    at = result.path[keys].astype(str).itertuples(index=False, name=None)
    kept = ~result.path["term"].isin(LIMITS).to_numpy() | np.array([place in there for place in at])
    return replace(result, path=result.path[kept].reset_index(drop=True))


def repeated(result: Result) -> Result:
    """Return a result whose audit shows no number its table withholds, and the rounded ones as rounded."""
    audit = result.extra.get("audit", pd.DataFrame())
    if "criterion" not in audit or not {"criterion", "term"} <= set(result.estimates.columns):
        return result
    changed = audit.copy()
    for term, columns in REPEATED.items():
        rows = result.estimates[result.estimates["term"].eq(term)].set_index("criterion")
        for column, source in columns.items():
            if column in changed:
                shown = changed["criterion"].map(rows[source])
                changed[column] = shown.where(changed[column].notna())
    return replace(result, extra={**result.extra, "audit": changed})


def flow_steps(shown: pd.DataFrame, frame: pd.DataFrame, applied: Rule) -> pd.DataFrame:
    """Return a flow (one row a stage, each within the one before) whose steps are no few persons.

    Who was left out between two stages is the difference of their counts. From the last stage, which other
    tables repeat, upwards, a stage is shown only where none or at least the threshold were lost since.

    >>> from analytics.disclosure.rules import rule
    >>> flow = pd.DataFrame({"stage": ["all", "asked", "seen"], "n": [240.0, 236.0, 108.0]})
    >>> flow_steps(flow, flow, rule("shared"))["n"].tolist()
    [nan, 236.0, 108.0]
    """
    if "stage" not in frame or len(shown) != len(frame):
        return shown
    changed = shown.copy()
    for column in _numbers(frame):
        counts, last = frame[column].to_numpy(dtype=float), -np.inf
        for i in range(len(counts) - 1, -1, -1):
            if not np.isfinite(counts[i]) or pd.isna(shown[column].iloc[i]):
                continue
            if 0 < counts[i] - last < applied.threshold:
                changed[column] = changed[column].astype(float)
                changed.iloc[i, changed.columns.get_loc(column)] = np.nan
            else:
                last = counts[i]
    return changed


def coarse_reasons(frame: pd.DataFrame, applied: Rule) -> pd.DataFrame:
    """Return a table of reasons with its counts rounded: exact ones add up to what one total withholds."""
    if "reason" not in frame or frame.empty:
        return frame
    changed = frame.copy()
    for column in _numbers(frame):
        changed[column] = rounded(changed[column].astype(float), max(applied.round_to, REASONS_TO))
    return changed


def without_few_gaps(result: Result, applied: Rule) -> Result:
    """Return a chart result without charts of gaps between fewer events than the threshold."""
    if not isinstance(result, Curve) or "unit" not in result.estimates or not result.by:
        return result
    name = result.by[0]
    gaps = result.estimates[result.estimates["unit"].eq(GAP_UNIT)]
    points = gaps.groupby(name).size()
    few = set(points[points + 1 < applied.threshold].index)
    changed = replace(result, extra=_without_signals(result.extra, name, few))
    if not few:
        return changed
    estimates, path = (f[~f[name].isin(few)].reset_index(drop=True) for f in (result.estimates, result.path))
    return replace(changed, estimates=estimates, path=path)


def _without_signals(extra: dict[str, pd.DataFrame], name: str, few: set) -> dict[str, pd.DataFrame]:
    """Return the tables with what charts say of few events withheld; too few for any chart is one of them."""
    signals = extra.get("signals", pd.DataFrame())
    if not {name, "points", "signal", "chart"} <= set(signals.columns):
        return extra
    unsaid = signals[name].isin(few) | signals["points"].eq(0)
    numbers = _numbers(signals)
    changed = signals.astype(dict.fromkeys(numbers, float))
    changed.loc[unsaid, numbers] = np.nan
    changed["points"] = changed["points"].fillna(0.0)
    changed.loc[unsaid, "signal"] = WITHHELD
    changed.loc[unsaid, "chart"] = "none"
    return {**extra, "signals": changed}


def _numbers(frame: pd.DataFrame) -> list[str]:
    numeric, truth = pd.api.types.is_numeric_dtype, pd.api.types.is_bool_dtype
    return [c for c in frame.columns if numeric(frame[c]) and not truth(frame[c])]


def without_staff_rows(frame: pd.DataFrame, applied: Rule) -> pd.DataFrame:
    """Return a table of characteristics without those that name staff, where the rule lists no staff."""
    if applied.by_staff or "characteristic" not in frame:
        return frame
    return frame[~frame["characteristic"].astype(str).str.contains(STAFF_ROW)].reset_index(drop=True)


def paired_shares(frame: pd.DataFrame, applied: Rule) -> pd.DataFrame:
    """Return shares side by side, small ones and their complements blank, the others from rounded counts.

    Examples
    --------
    >>> from analytics.disclosure.rules import rule
    >>> rows = pd.DataFrame({"seen": [2.0, 50.0], "n_seen_with": [2, 50], "n_seen": 100, "unit": "%"})
    >>> paired_shares(rows, rule("shared"))["seen"].tolist()
    [nan, 50.0]
    """
    names = [c for c in frame.columns if f"n_{c}" in frame and f"n_{c}_with" in frame and "unit" in frame]
    if not names:
        return frame
    numbers = _numbers(frame)
    shown = frame.astype(dict.fromkeys(numbers, float))
    share = shown["unit"].astype(str).eq("%")
    small = pd.Series(False, index=shown.index)
    for name in names:
        n, k = shown[f"n_{name}"], shown[f"n_{name}_with"]
        small |= share & (k.between(1, applied.threshold - 1) | (n - k).between(1, applied.threshold - 1))
        small |= n.between(1, applied.threshold - 1)
        if applied.round_to > 1:
            whole = rounded(n, applied.round_to)
            part = np.minimum(rounded(k, applied.round_to), whole)
            shown.loc[share, name] = (100.0 * part / whole)[share]
    # One of several classes would be 100 less the others: all classes of a characteristic go together.
    stem = pd.Series(shown.index.astype(str), index=shown.index)
    if "characteristic" in shown:
        stem = shown["characteristic"].astype(str).str.partition(":")[0]
    together = small.groupby(stem).transform("any")
    shown.loc[together, numbers] = np.nan
    return shown.drop(columns=[f"n_{name}_with" for name in names])
