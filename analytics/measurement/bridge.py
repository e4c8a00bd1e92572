"""Did the reader, the device or the way of counting change in mid-series, and by how much do readings shift?

A series is one region timed from one session. A change against its first count is flagged, never
corrected unseen. `bridge` estimates the shift of each reader or device against the most frequent one from
regions that both counted at the same visit; `bridged` hands back the records with densities brought to
that one's scale.

Log density of a count = its visit + its reader (or device) + error, by weighted least squares on pairs;
the variance of a pair is the counting error of its two counts, and the standard error is bias-reduced and
clustered by patient (Bell & McCaffrey 2002). Assumption: a reader's or device's shift is a constant share
of the density.
"""

from dataclasses import replace

import numpy as np
import pandas as pd

from analytics.errors import FitError, ParameterError
from analytics.measurement.agreement import FEW, error_model
from analytics.measurement.error import CountError
from analytics.measurement.repeats import WHY_NOT, between, repeats
from analytics.numerics import regression
from analytics.records import Records
from analytics.results import LEVEL, Result, line

BRIDGES = ("reader_id", "device_class")
SERIES = ["patient_id", "zone", "region_id", "session_id"]
WATCHED = {
    "reader_id": "reader changed",
    "device_class": "device changed",
    "hair_length": "hair length changed",
    "thinnest_counted_um": "thinnest hair counted changed",
    "roi_marked": "marking changed",
    "roi_area_cm2": "field size changed",
}


def series_changes(records: Records) -> Result:
    """Flag the counts made otherwise than the first count of their series.

    Returns
    -------
    Result
        One row per thing watched: the share of follow-up counts where it differs from the series' first
        count (percent of counts), with both numbers. `rows()` has one row per count with `changed`, the
        things that changed in words.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> series_changes(clinic).table()["term"].unique().tolist()[:3]
    ['reader changed', 'device changed', 'hair length changed']
    """
    counts = records.measurements.sort_values([*SERIES, "month", "count_number"], kind="stable")
    later = counts.duplicated(SERIES)
    first = counts.groupby(SERIES, sort=False)
    words = pd.Series("", index=counts.index)
    lines = []
    for column, what in WATCHED.items():
        start = first[column].transform("first")
        differs = counts[column].ne(start) & counts[column].notna() & start.notna()
        differs = differs.fillna(False).astype(bool)
        words = words.where(~differs, words + np.where(words.eq(""), "", ", ") + what)
        is_recorded = bool(counts[column].notna().any())
        lines.append(_share_changed(what, counts[differs], differs[later], is_recorded=is_recorded))
    used = counts.assign(is_first=~later, changed=words, reason="").reset_index(drop=True)
    return Result(
        pd.DataFrame(lines), used, "counts compared with the first count of their region and session"
    )


def _share_changed(what: str, changed: pd.DataFrame, differs: pd.Series, *, is_recorded: bool) -> dict:
    """Return the line of one thing watched; `differs` (n,) says it of the follow-up counts."""
    n, n_changed = len(differs), int(differs.sum())
    known = n > 0 and is_recorded
    why = "" if is_recorded else "not recorded, so that no change can be seen"
    return line(
        what,
        100.0 * n_changed / n if known else np.nan,
        "%",
        basis="share",
        numerator=n_changed if known else np.nan,
        denominator=n,
        n_patients=int(changed["patient_id"].nunique()),
        n_rows=n,
        flag=why if n else "no region was counted more than once",
    )


def bridge(records: Records, *, by: str = "reader_id", level: float = LEVEL) -> Result:
    """Estimate how each reader (or device) reads against the most frequent one.

    Parameters
    ----------
    by
        `reader_id` or `device_class`.

    Returns
    -------
    Result
        `by` the reader or device; term "reads against <reference>", percent. `extra["shifts"]` has the
        log ratio and its standard error, NaN where nothing links a reader to the reference.

    Raises
    ------
    ParameterError
        When `by` is neither of the two.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> sorted(bridge(clinic, by="device_class").table()["device_class"].unique())
    ['D1']
    """
    if by not in BRIDGES:
        raise ParameterError(f"measurement.bridge(by): 1 unknown word; use one of {', '.join(BRIDGES)}")
    rows = repeats(records)
    pairs = between(rows, by)
    counted = records.measurements[by].dropna().astype(str).value_counts()
    if counted.empty:
        raise ParameterError(f"measurement.bridge(by): {by} is recorded nowhere; record it to compare")
    names = list(counted.index)
    shifts = _shifts(pairs, names, error_model(records), level)
    table = pd.DataFrame(
        {
            by: shifts["name"],
            "term": f"reads against {names[0]}",
            "estimate": 100 * np.expm1(shifts["log_ratio"]),
            "ci_low": 100 * np.expm1(shifts["low"]),
            "ci_high": 100 * np.expm1(shifts["high"]),
            "level": level,
            "unit": "%",
            "basis": "model",
            "n_patients": shifts["n_patients"],
            "n_rows": shifts["n_pairs"],
            "df": shifts["df"],
            "p_value": shifts["p_value"],
            "flag": shifts["flag"],
        }
    )
    method = (
        f"weighted regression of log ratios of the same region and visit on {by}, reference {names[0]}, "
        "standard errors clustered by patient (Bell & McCaffrey 2002)"
    )
    used = rows.assign(reason=rows["reason"].map(WHY_NOT).fillna(""))
    linked = bool(shifts["log_ratio"].notna().all())
    return Result(
        table,
        used,
        method,
        by=(by,),
        checks={"all_linked": linked},
        extra={"shifts": shifts[["name", "log_ratio", "se"]]},
    )


def bridged(records: Records, *, by: str = "reader_id") -> Records:
    """Return the records with densities brought to the scale of the most frequent reader or device.

    Readers or devices that no repeat links to it stay as they are. The bridge's own error is no counting
    error and not in it: `yields.by_visit` (`Choices(bridge=)`) carries it on as an error that all its
    readings share.

    Parameters
    ----------
    by
        `reader_id` or `device_class`.

    Returns
    -------
    Records
        With every `density_hairs_cm2` divided by how high its reader (or device) reads; nothing else is
        changed.

    Raises
    ------
    ParameterError
        When `by` is neither reader_id nor device_class.

    Examples
    --------
    Nothing changes where all was counted with one device:

    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> bridged(clinic, by="device_class").measurements.equals(clinic.measurements)
    True
    """
    shifts = bridge(records, by=by).extra["shifts"].set_index("name")["log_ratio"].fillna(0.0)
    counts = records.measurements
    factor = np.exp(-counts[by].astype("string").map(shifts).astype(float).fillna(0.0))
    return replace(
        records, measurements=counts.assign(density_hairs_cm2=counts["density_hairs_cm2"] * factor)
    )


def _shifts(pairs: pd.DataFrame, names: list[str], error: CountError, level: float) -> pd.DataFrame:
    """Return one row per name: log ratio against the first, standard error, limits; NaN where not linked."""
    linked = _linked(pairs, names)
    inside = pairs[pairs["first"].isin(linked) & pairs["second"].isin(linked)]
    others = [n for n in names if n in linked and n != names[0]]
    out = [_shift(names[0], 0.0, 0.0, flag="the reference", pairs=inside)]
    fit = _fit(inside, others, error)
    for i, name in enumerate(others):
        mine = inside[inside["first"].eq(name) | inside["second"].eq(name)]
        if fit is None:
            out.append(_shift(name, np.nan, np.nan, flag="cannot be estimated", pairs=mine))
            continue
        shift = regression.contrast(fit, np.eye(len(others))[i], level=level)
        flag = f"fewer than {FEW} pairs" if len(mine) < FEW else ""
        tested = {"low": shift.low, "high": shift.high, "df": shift.df, "p_value": shift.p_value}
        out.append(_shift(name, shift.estimate, shift.se, flag=flag, pairs=mine) | tested)
    alone = "never counted beside another"
    out += [_shift(n, np.nan, np.nan, flag=alone, pairs=pairs[:0]) for n in names if n not in linked]
    return pd.DataFrame(out)


def _fit(pairs: pd.DataFrame, others: list[str], error: CountError) -> regression.Fit | None:
    """Return the regression of log ratios on who counted; None where it cannot be fitted."""
    if not others:
        return None
    signs = [(pairs["second"].eq(n).astype(float) - pairs["first"].eq(n).astype(float)) for n in others]
    design = np.column_stack([sign.to_numpy() for sign in signs])
    recounted = error.within_cv**2 * pairs["counts_inverse"]
    variance = np.where(pairs["marked"], recounted, error.phi * pairs["hairs_inverse"])
    try:
        return regression.values(pairs["log_ratio"], design, pairs["patient_id"], weights=1.0 / variance)
    except FitError:
        return None


def _shift(name: str, log_ratio: float, se: float, *, flag: str, pairs: pd.DataFrame) -> dict:
    """Return what is known of one name, without limits but those of the reference."""
    same = {"low": log_ratio, "high": log_ratio} if se == 0 else {"low": np.nan, "high": np.nan}
    return {
        "name": name,
        "log_ratio": log_ratio,
        "se": se,
        **same,
        "df": np.nan,
        "p_value": np.nan,
        "n_pairs": len(pairs),
        "n_patients": int(pairs["patient_id"].nunique()),
        "flag": flag,
    }


def _linked(pairs: pd.DataFrame, names: list[str]) -> set[str]:
    """Return the names that a chain of common counts joins to the first."""
    joined, grows = {names[0]}, True
    while grows:
        touching = pairs["first"].isin(joined) | pairs["second"].isin(joined)
        reached = set(pairs.loc[touching, "first"]) | set(pairs.loc[touching, "second"])
        grows = bool(reached - joined)
        joined |= reached
    return joined
