"""A frame's counts, and the frame without what is withheld.

Every frame of a page is read the same way: columns named n, n_..., numerator, denominator, count, events,
at_risk count persons; text columns name groups; every other number of a row rests on the row's persons.
"""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from analytics.disclosure.cells import CountTable, Hidden
from analytics.disclosure.derived import tied_differences
from analytics.disclosure.rules import WITHHELD, Rule, hide_in_text, rounded, three_digits

STAFF = ("surgeon", "surgeon_id", "team", "team_id", "harvested_by", "planted_by", "reader_id", "operator")
PERSON_KEYS = ("patient_id", "session_id", "placement_id", "region_id")
COUNT_COLUMNS = ("n", "n_patients", "n_rows", "numerator", "denominator", "count", "events", "at_risk")
COUNT_COLUMNS_OF_FLOW = ("read", "used", "left_out", "due", "attended", "missed")
PERSON_UNITS = ("patients", "persons", "sessions", "placements", "cases", "visits", "counts", "events")
# Counts of other things than persons.
NOT_PERSONS = ("n_points", "n_baseline_points", "n_outside", "n_clinics", "n_draws", "n_fields", "n_months")
# Texts that follow from a row's numbers and say what they are like.
FOLLOWS = ("outcome", "year_outcome", "conclusion")
WILSON_WITHIN = 1e-6  # percentage points, within which an interval is Wilson's
STEPS = (1.0, 2.0, 5.0, 10.0)  # percentage points
MOST_DIMENSIONS = 4  # margins double with each
KEY_NUMBERS = ("x", "level", "month", "register_month", "quarter", "session_number", "window")


def count_table(frame: pd.DataFrame, by: Sequence[str]) -> CountTable:
    """Say which numbers of a frame count persons, and which rows belong to one population."""
    groups = _dimensions(frame, by)
    family = [c for c in ("term", "unit", *KEY_NUMBERS) if c in frame.columns and c not in groups]
    counts = {
        c: frame[c].to_numpy(dtype=float) for c in frame.columns if _is_count(c) and _is_numeric(frame[c])
    }
    shares = _shares(frame, counts)
    if "estimate" in frame and "unit" in frame:
        own = frame["unit"].astype(str).isin(PERSON_UNITS)
        counts["estimate"] = np.where(own, frame["estimate"].to_numpy(dtype=float), np.nan)
    return CountTable(
        groups=frame[groups].astype(object).where(frame[groups].notna(), "all").reset_index(drop=True),
        family=frame[family].astype(str).agg("|".join, axis=1).to_numpy()
        if family
        else np.full(len(frame), ""),
        counts=counts,
        shares=shares,
    )


def once(frame: pd.DataFrame, by: Sequence[str]) -> tuple[pd.DataFrame, np.ndarray]:
    """Return a curve's rows with each line said once where all its points repeat the same counts.

    A fitted line rests on the same persons at every x, so that its points are no populations of their own.
    Returned with it, (n,): which row of it stands for each row of the frame. Lines of shares are left as
    they are: each point is a count.
    """
    keys = [c for c in (*by, "term") if c in frame]
    counts = [c for c in frame.columns if _is_count(c) and _is_numeric(frame[c])]
    if not keys or not counts or "x" not in frame or len(frame) < 2:
        return frame, np.arange(len(frame))
    line = frame.groupby(keys, dropna=False, sort=False).ngroup().to_numpy()
    varies = frame[counts].groupby(line).transform("nunique", dropna=False).gt(1).any(axis=1).to_numpy()
    apart = pd.Series(varies | _is_share(frame)).groupby(line).transform("any").to_numpy()
    label = np.where(apart, len(frame) + np.arange(len(frame)), line)
    _, first, at = np.unique(label, return_index=True, return_inverse=True)
    kept = frame.iloc[first].copy()
    kept["x"] = kept["x"].astype(float).where(apart[first])
    return kept.reset_index(drop=True), at


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


def _shares(frame: pd.DataFrame, counts: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Find percentages that are a count over a printed count, and return their numerators.

    A percentage is taken as such when the printed denominator makes its numerator whole.
    """
    if not {"estimate", "unit"} <= set(frame.columns):
        return {}
    percent = frame["unit"].astype(str).str.contains("%", regex=False) & frame["estimate"].between(0, 100)
    found: dict[str, np.ndarray] = {}
    for name in ("denominator", "n_patients", "n_rows"):
        if name in counts:
            numerator = frame["estimate"].to_numpy(dtype=float) * counts[name] / 100.0
            whole = percent.to_numpy() & (np.abs(numerator - np.round(numerator)) < 1e-6)
            found[name] = np.where(whole, np.round(numerator), np.nan)
    return found


def _is_share(frame: pd.DataFrame) -> np.ndarray:
    """Tell which rows hold a count over a printed count."""
    found = list(_shares(frame, _printed_counts(frame)).values())
    return np.asarray(np.isfinite(found).any(axis=0)) if found else np.zeros(len(frame), dtype=bool)


def _printed_counts(frame: pd.DataFrame) -> dict[str, np.ndarray]:
    """Return the counts a percentage may be over; a column of counts written as text is none."""
    named = [c for c in frame if c in ("denominator", "n_patients", "n_rows") and _is_numeric(frame[c])]
    return {c: frame[c].to_numpy(dtype=float) for c in named}


def withhold(frame: pd.DataFrame, hidden: Hidden, by: Sequence[str], applied: Rule) -> pd.DataFrame:
    """Blank the withheld rows, then round what stays."""
    if frame.empty:
        return frame
    withheld = hidden.values | hidden.rows
    withheld = withheld | tied_differences(frame, withheld, by, _is_share(frame), applied)
    keys = {*by, *KEY_NUMBERS}
    numbers = [c for c in frame.columns if c not in keys and _is_numeric(frame[c])]
    counts = [c for c in numbers if _is_count(c)]
    shown = frame.copy()
    shown[numbers] = shown[numbers].astype(float)
    if applied.round_to > 1:
        shown = _rounded_shares(shown, applied)
    shown[counts] = rounded(shown[counts], applied.round_to)
    if "estimate" in shown and "unit" in shown:
        own = shown["unit"].astype(str).isin(PERSON_UNITS)
        shown.loc[own, "estimate"] = rounded(shown.loc[own, "estimate"], applied.round_to)
    values = [c for c in numbers if c not in counts]
    shown[values] = shown[values].map(three_digits)
    shown.loc[hidden.rows, numbers] = np.nan
    tied = [c for c in numbers if not _is_count(c) or c == "numerator"]
    shown.loc[withheld, tied] = np.nan
    shown = _texts(shown, withheld, applied)
    return flagged(shown, withheld).loc[~hidden.dropped].reset_index(drop=True)


def _texts(frame: pd.DataFrame, withheld: np.ndarray, applied: Rule) -> pd.DataFrame:
    """Take away what a text says of a withheld number, and small counts from the flags."""
    for column in (c for c in FOLLOWS if c in frame):
        said = withheld & frame[column].fillna("").astype(str).ne("").to_numpy()
        frame[column] = frame[column].where(~said, WITHHELD.split(",")[0])
    if "flag" in frame:
        frame["flag"] = [hide_in_text(f, applied) if isinstance(f, str) else f for f in frame["flag"]]
    return frame


def _rounded_shares(frame: pd.DataFrame, applied: Rule) -> pd.DataFrame:
    """Recompute a percentage from rounded counts, and its interval so that it gives no exact count back.

    A Wilson interval is computed again from the rounded counts: it says no more than they do. Another is
    rounded outward to steps as wide as half the rounding moves the percentage.
    """
    shares = _shares(
        frame,
        _printed_counts(frame),
    )
    changed = frame.copy()
    whole = np.zeros(len(frame), dtype=bool)
    for name, numerator in shares.items():
        denominator = rounded(frame[name], applied.round_to).to_numpy()
        here = ~whole & ~np.isnan(numerator) & (denominator > 0)
        kept = np.minimum(rounded(numerator, applied.round_to), denominator)
        changed.loc[here, "estimate"] = (100.0 * kept / np.where(here, denominator, 1.0))[here]
        if {"ci_low", "ci_high"} <= set(changed.columns):
            exact = (numerator, frame[name].to_numpy(dtype=float))
            _coarse_limits(changed, np.flatnonzero(here), exact, (kept, denominator), applied)
        whole |= here
    for column in ("se", "statistic", "p_value"):
        if column in changed:
            changed.loc[whole, column] = np.nan
    return changed


def _coarse_limits(
    frame: pd.DataFrame,
    rows: np.ndarray,
    exact: tuple[np.ndarray, np.ndarray],
    shown: tuple[np.ndarray, np.ndarray],
    applied: Rule,
) -> None:
    """Set the limits of shares, in place, to what the rounded counts (numerator, denominator) support."""
    # Half a second to import, and only where counts are rounded.
    from statsmodels.stats.proportion import proportion_confint

    places = [frame.columns.get_loc(c) for c in ("ci_low", "ci_high")]
    levels = frame["level"].fillna(0.95) if "level" in frame else pd.Series(0.95, index=frame.index)
    for row in rows:
        low, high = (float(frame.iloc[row, place]) for place in places)
        if not np.isfinite(low + high):
            continue
        alpha = 1.0 - float(levels.iloc[row])
        wilson = 100 * np.array(
            proportion_confint(exact[0][row], exact[1][row], alpha=alpha, method="wilson")
        )
        if np.allclose(wilson, (low, high), atol=WILSON_WITHIN):
            limits = 100 * np.array(
                proportion_confint(shown[0][row], shown[1][row], alpha=alpha, method="wilson")
            )
        else:
            moved = 50.0 * applied.round_to / shown[1][row]
            step = next((s for s in STEPS if s >= moved), STEPS[-1])
            limits = np.array([np.floor(low / step), np.ceil(high / step)]) * step
        for place, limit in zip(places, limits, strict=True):
            frame.iloc[row, place] = limit


def flagged(frame: pd.DataFrame, where: np.ndarray) -> pd.DataFrame:
    """Return the frame with the withheld rows marked in `flag`."""
    if not where.any():
        return frame
    changed = frame.copy()
    before = (
        changed["flag"].fillna("").astype(object) if "flag" in changed else pd.Series("", index=changed.index)
    )
    changed["flag"] = np.where(where, WITHHELD, before)
    return changed


def _is_count(name: str) -> bool:
    if name in NOT_PERSONS:
        return False
    return name in COUNT_COLUMNS or name in COUNT_COLUMNS_OF_FLOW or name.startswith("n_")


def _is_numeric(column: pd.Series) -> bool:
    return pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column)


def is_by_person(frame: pd.DataFrame) -> bool:
    """Tell whether the frame has a row for each person or session."""
    return bool(set(frame.columns) & set(PERSON_KEYS))


def text_columns(frame: pd.DataFrame) -> tuple[str, ...]:
    """Return the columns that name groups."""
    keys = ("term", "unit", "flag", "reason")
    return tuple(c for c in frame.columns if c not in keys and not _is_numeric(frame[c]))
