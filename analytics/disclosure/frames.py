"""A frame's counts as they are declared, and the frame without what is withheld.

Columns n, n_..., numerator, denominator are counts; text columns name groups; every other number of a row
rests on the row's persons. A row's `basis` (`results.BASES`) says what its estimate is made of.
"""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from analytics.disclosure.rules import WITHHELD, Rule, is_few, rounded, three_digits
from analytics.disclosure.ties import CountTable, Hidden
from analytics.results import LEVEL

STAFF = ("surgeon", "surgeon_id", "team", "team_id", "harvested_by", "planted_by", "reader_id", "operator")
PERSON_KEYS = ("patient_id", "session_id", "placement_id", "region_id")
COUNTS = ("n", "numerator", "denominator")  # and every column n_...
# Counts of other things than persons.
NOT_PERSONS = ("n_points", "n_baseline_points", "n_outside", "n_clinics", "n_draws", "n_fields", "n_months")
# Texts that follow from a row's numbers and say what they are like.
FOLLOWS = ("outcome", "conclusion", "signal", "chart")
KEY_NUMBERS = ("x", "level", "month", "register_month", "quarter", "session_number", "window")
MOST_DIMENSIONS = 4  # margins double with each
MONTHS = 3  # of a quarter
WILSON_WITHIN = 1e-6  # percentage points, within which an interval is Wilson's
STEPS = (1.0, 2.0, 5.0, 10.0)  # percentage points


def count_table(frame: pd.DataFrame, by: Sequence[str]) -> CountTable:
    """Return the counts of a frame, and which rows belong to one population."""
    groups, basis = _dimensions(frame, by), basis_of(frame)
    # The points of a line of shares are populations of their own; a fitted line's are not.
    keys = [c for c in KEY_NUMBERS if c != "x" or not basis.eq("model").all()]
    family = [c for c in ("term", "unit", *keys) if c in frame.columns and c not in groups]
    # What a number computed from counts is made of is printed nowhere.
    own = ~basis.eq("counts").to_numpy()
    counts = {c: np.where(own, frame[c].to_numpy(dtype=float), np.nan) for c in _counts(frame)}
    if "estimate" in frame and basis.eq("count").any():
        counts["estimate"] = np.where(basis.eq("count"), frame["estimate"].to_numpy(dtype=float), np.nan)
    names = frame[family].astype(str).agg("|".join, axis=1).to_numpy() if family else np.full(len(frame), "")
    levels = frame[groups].astype(object).where(frame[groups].notna(), "all").reset_index(drop=True)
    quarter = frame.reindex(columns=["quarter"])["quarter"].to_numpy(dtype=float)
    return CountTable(levels, names, counts, None if _is_at_x(frame).any() else quarter)


def _dimensions(frame: pd.DataFrame, by: Sequence[str]) -> list[str]:
    """Return the columns over which counts add up: those named, else the texts that tell rows apart.

    A text that says the same as another in other words is no dimension of its own; of many, those with the
    fewest levels are taken.
    """
    named = [c for c in by if c in frame.columns and c not in FOLLOWS]
    if named or frame.empty:
        return named
    texts: dict[tuple, str] = {}
    for column in text_columns(frame) or tuple(c for c in ("reason",) if c in frame):
        codes = pd.factorize(frame[column].astype(str))[0]
        if codes.max() > 0:
            texts.setdefault(tuple(codes), column)
    return sorted(texts.values(), key=lambda c: frame[c].astype(str).nunique())[:MOST_DIMENSIONS]


def lines_once(frame: pd.DataFrame, by: Sequence[str]) -> tuple[np.ndarray, np.ndarray]:
    """Return which rows to ask about, and which of them stands for each row.

    A fitted line rests on the same persons at every x, so that its points are no populations of their own.
    """
    keys = [c for c in (*by, "term", *_counts(frame)) if c in frame]
    every = np.arange(len(frame))
    if "x" not in frame or "term" not in frame or frame.empty:
        return every, every
    same = frame.groupby(keys, dropna=False, sort=False).ngroup().to_numpy()
    is_model = basis_of(frame).eq("model").to_numpy()
    _, first, at = np.unique(
        np.where(is_model, same, len(frame) + every), return_index=True, return_inverse=True
    )
    return first, at


def spread(hidden: Hidden, places: np.ndarray) -> Hidden:
    """Return the same for rows that stand for others, `places` giving each row its place."""
    return Hidden(hidden.rows[places], hidden.values[places], hidden.dropped[places])


def whole_quarters(frame: pd.DataFrame, hidden: Hidden) -> Hidden:
    """Return the same with the months of a quarter withheld together, in a line of shares over months.

    The quarter's own count stands on the same page, and less the other months it would give the one back.
    """
    is_point = _is_at_x(frame) & basis_of(frame).eq("share").to_numpy()
    if not is_point.any():
        return hidden
    groups = [c for c in (*text_columns(frame), "term") if c in frame]
    quarter = ((frame["x"] - 1) // MONTHS).where(is_point, -1 - np.arange(len(frame)))
    of = frame[groups].assign(quarter=quarter).groupby([*groups, "quarter"], dropna=False).ngroup()
    rows, values = (
        pd.Series(one & is_point).groupby(of.to_numpy()).transform("any").to_numpy() | one
        for one in (hidden.rows, hidden.values)
    )
    return Hidden(rows, values, hidden.dropped)


def withheld(frame: pd.DataFrame, hidden: Hidden, by: Sequence[str], applied: Rule) -> pd.DataFrame:
    """Blank the withheld rows, then round what stays."""
    if frame.empty:
        return frame
    basis, counts = basis_of(frame).to_numpy(), _counts(frame)
    away = hidden.values | hidden.rows | _of_few(frame, basis, applied)
    away |= _gives_back(frame, away, basis, by, applied)
    numbers = [c for c in numbers_of(frame) if c not in {*by, *KEY_NUMBERS}]
    values = [c for c in numbers if c not in counts]
    shown = frame.copy()
    shown[numbers] = shown[numbers].astype(float)
    if applied.round_to > 1:
        _round_shares(shown, basis == "share", applied)
        shown[counts] = rounded(shown[counts], applied.round_to)
        if "estimate" in shown:
            own = basis == "count"
            shown.loc[own, "estimate"] = rounded(shown.loc[own, "estimate"], applied.round_to)
        # The degrees of freedom of a mean are its number less 1: they would give a rounded count back.
        shown[[c for c in ("df",) if c in shown]] = np.nan
    shown[values] = shown[values].map(three_digits)
    shown.loc[hidden.rows, numbers] = np.nan
    shown.loc[away, [*values, *(c for c in counts if c == "numerator")]] = np.nan
    shown.loc[basis == "counts", [c for c in ("numerator", "denominator") if c in counts]] = np.nan
    for column in (c for c in FOLLOWS if c in shown):
        said = away & shown[column].fillna("").astype(str).ne("").to_numpy()
        shown[column] = shown[column].where(~said, WITHHELD.split(",")[0])
    if away.any():
        before = shown["flag"].fillna("").astype(object) if "flag" in shown else ""
        shown["flag"] = np.where(away, WITHHELD, before)
    # As many rows as events: a chart of what lies between few of them says how many there were.
    gone = hidden.dropped | (away & (basis == "counts") & _is_at_x(frame))
    return shown.loc[~gone].reset_index(drop=True)


def _of_few(frame: pd.DataFrame, basis: np.ndarray, applied: Rule) -> np.ndarray:
    """Tell of which rows the number is made of few: computed from a small count, or a quantile of few."""
    made_of = frame[numbers_of(frame)].reindex(columns=["numerator", "denominator", "n_patients", "n_rows"])
    part, whole, *n = made_of.to_numpy(dtype=float).T
    few = np.any([is_few(count, applied) for count in (part, whole, whole - part, *n)], axis=0)
    return ((basis == "counts") & few) | ((basis == "quantile") & (n[0] < applied.quantiles_from))


def _gives_back(
    frame: pd.DataFrame, away: np.ndarray, basis: np.ndarray, by: Sequence[str], applied: Rule
) -> np.ndarray:
    """Tell which numbers computed from counts would give back a withheld or rounded share of their group.

    `by[0]` names what is compared with what. A line of a chart follows its point instead (`_rebuilt`).
    """
    computed = (basis == "counts") & ~_is_at_x(frame)
    unsafe = (away | ((basis == "share") & (applied.round_to > 1))) & ~computed
    groups = frame[by[0]].astype(str) if by and by[0] in frame else pd.Series("", index=frame.index)
    return computed & groups.isin(set(groups[unsafe])).to_numpy()


def _round_shares(frame: pd.DataFrame, is_share: np.ndarray, applied: Rule) -> None:
    """Recompute shares, in place, from rounded counts, and their limits so that no exact count comes back.

    A Wilson interval is computed again from the rounded counts: it says no more than they do. Another is
    rounded outward to steps as wide as half the rounding moves the percentage.
    """
    if not is_share.any():
        return
    # Half a second to import, and only where counts are rounded.
    from statsmodels.stats.proportion import proportion_confint

    has_limits = {"ci_low", "ci_high"} <= set(frame)
    level = frame["level"].fillna(LEVEL) if "level" in frame else pd.Series(LEVEL, index=frame.index)
    for row in frame.index[is_share]:
        part, whole = frame.loc[row, ["numerator", "denominator"]].astype(float)
        n = rounded(whole, applied.round_to)
        if not (np.isfinite(part) and n > 0):
            continue
        k = min(rounded(part, applied.round_to), n)
        frame.loc[row, "estimate"] = 100.0 * k / n
        if not has_limits or frame.loc[row, ["ci_low", "ci_high"]].isna().any():
            continue
        alpha = 1.0 - float(level[row])
        low, high = frame.loc[row, ["ci_low", "ci_high"]].astype(float)
        exact = 100 * np.array(proportion_confint(part, whole, alpha=alpha, method="wilson"))
        if np.allclose(exact, (low, high), atol=WILSON_WITHIN):
            ends = 100 * np.array(proportion_confint(k, n, alpha=alpha, method="wilson"))
        else:
            moved = 50.0 * applied.round_to / n
            step = next((s for s in STEPS if s >= moved), STEPS[-1])
            ends = np.array([np.floor(low / step), np.ceil(high / step)]) * step
        frame.loc[row, ["ci_low", "ci_high"]] = ends
    frame.loc[is_share, [c for c in ("se", "statistic", "p_value") if c in frame]] = np.nan


def names_persons(frame: pd.DataFrame) -> bool:
    """Tell whether the frame has a row per person or session."""
    return bool(set(frame.columns) & set(PERSON_KEYS))


def names_staff(frame: pd.DataFrame, applied: Rule) -> bool:
    """Tell whether the frame has a row per member of staff, where the rule lists none."""
    return not applied.by_staff and bool(set(frame.columns) & set(STAFF))


def text_columns(frame: pd.DataFrame) -> tuple[str, ...]:
    """Return the columns that name groups."""
    keys = ("term", "unit", "basis", "flag", "reason")
    return tuple(c for c in frame.columns if c not in keys and c not in numbers_of(frame))


def basis_of(frame: pd.DataFrame) -> pd.Series:
    """Return what each row's estimate is made of; what says nothing is a model's."""
    return frame["basis"].fillna("model") if "basis" in frame else pd.Series("model", index=frame.index)


def numbers_of(frame: pd.DataFrame) -> list[str]:
    """Return the columns that hold numbers."""
    numeric, truth = pd.api.types.is_numeric_dtype, pd.api.types.is_bool_dtype
    return [c for c in frame.columns if numeric(frame[c]) and not truth(frame[c])]


def _counts(frame: pd.DataFrame) -> list[str]:
    return [c for c in numbers_of(frame) if c in COUNTS or (str(c).startswith("n_") and c not in NOT_PERSONS)]


def _is_at_x(frame: pd.DataFrame) -> np.ndarray:
    """Tell which rows are points or lines of a chart."""
    return frame["x"].notna().to_numpy() if "x" in frame else np.zeros(len(frame), dtype=bool)
