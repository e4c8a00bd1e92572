"""Which counts were made twice, and what may be learnt from each pair?

A *repeat* is two or more counts of one region at one visit (patient, zone, region, session, month) under
different count numbers. Of marked regions they teach how a count repeats, of unmarked fields how counts
of fields vary. Repeats under other conditions (photographs, hair length, thinnest hair) than each other
are left out.
"""

import numpy as np
import pandas as pd

from analytics.records import Records

VISIT = ["patient_id", "zone", "region_id", "session_id", "month"]
WHY_NOT = {
    "no_reader": "the reader is not recorded",
    "conditions": "the repeats were not made under the same conditions, hair length and thinnest hair",
    "marking": "one of the repeats is of a marked region and one is not",
    "zero": "a count of zero has no ratio",
}


def repeats(records: Records) -> pd.DataFrame:
    """Return every count of a visit where a region was counted more than once, with a reason where left out.

    Adds `visit` (a code for each region and visit), `hairs` (density x counted area), `counted_area_cm2`,
    `log_density` (NaN for 0), `reason` (a code of WHY_NOT, empty where usable).
    """
    counts = records.measurements
    known = counts["density_hairs_cm2"].notna()
    again = counts.duplicated(VISIT, keep=False) & known
    rows = counts[again].copy()
    rows["visit"] = rows.groupby(VISIT, sort=False).ngroup().to_numpy() if len(rows) else np.array([], int)
    rows["counted_area_cm2"] = rows["roi_area_cm2"] * rows["n_fields"]
    rows["hairs"] = rows["density_hairs_cm2"] * rows["counted_area_cm2"]
    density = rows["density_hairs_cm2"].to_numpy(dtype=float)
    rows["log_density"] = np.log(np.where(density > 0, density, np.nan))
    rows["marked"] = rows["roi_marked"].fillna(False).astype(bool)
    return rows.assign(reason=_reasons(rows)).reset_index(drop=True)


def _reasons(rows: pd.DataFrame) -> np.ndarray:
    """Return the code of WHY_NOT of every count, (n,), empty where the repeat may be used."""
    if rows.empty:
        return np.array([], dtype=object)
    visit = rows["visit"]
    standard = rows["standard_conditions"].fillna(True).astype(bool)
    mixed = standard.groupby(visit).transform("nunique").gt(1)
    mixed |= rows["hair_length"].groupby(visit).transform("nunique").gt(1)
    mixed |= rows["thinnest_counted_um"].groupby(visit).transform("nunique").gt(1)
    unlike = rows["marked"].groupby(visit).transform("nunique").gt(1)
    unnamed = rows["reader_id"].isna().groupby(visit).transform("any")
    empty = rows["marked"] & rows["density_hairs_cm2"].le(0).groupby(visit).transform("any")
    return np.select(
        [mixed, unlike, unnamed, empty], ["conditions", "marking", "no_reader", "zero"], default=""
    )


def by_one_reader(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the usable repeats that one reader made with one device, under a common code `same`."""
    usable = rows[rows["reason"].eq("")]
    key = ["visit", "reader_id", "device_class"]
    again = usable[usable.duplicated(key, keep=False)]
    return again.assign(same=again.groupby(key, dropna=False, sort=False).ngroup())


def between(rows: pd.DataFrame, by: str) -> pd.DataFrame:
    """Return pairs of usable repeats that differ in one thing only: two readers, or two devices.

    Parameters
    ----------
    rows
        From `repeats`.
    by
        `reader_id` (on one device) or `device_class` (by one reader).

    Returns
    -------
    pandas.DataFrame
        One row per pair: `visit, patient_id, marked, first, second` (the names, in the order of the
        alphabet), `first_density, second_density, log_ratio` (second over first), `hairs_inverse` and
        `counts_inverse` (sums over the two of 1 / hairs and 1 / counts), `other` (the device or the reader
        they share).
    """
    other = "device_class" if by == "reader_id" else "reader_id"
    usable = rows[rows["reason"].eq("") & rows[by].notna() & rows["log_density"].notna()]
    means = usable.groupby(["visit", by, other], dropna=False, as_index=False).agg(
        patient_id=("patient_id", "first"),
        marked=("marked", "first"),
        density=("density_hairs_cm2", "mean"),
        hairs=("hairs", "sum"),
        n=("hairs", "size"),
    )
    pairs = means.merge(
        means[["visit", by, other, "density", "hairs", "n"]],
        on=["visit", other],
        suffixes=("", "_2"),
        validate="many_to_many",
    )
    pairs = pairs[pairs[by] < pairs[f"{by}_2"]]
    return pd.DataFrame(
        {
            "visit": pairs["visit"],
            "patient_id": pairs["patient_id"],
            "marked": pairs["marked"],
            "first": pairs[by].astype(str),
            "second": pairs[f"{by}_2"].astype(str),
            "first_density": pairs["density"],
            "second_density": pairs["density_2"],
            "log_ratio": np.log(pairs["density_2"].to_numpy() / pairs["density"].to_numpy()),
            "hairs_inverse": 1.0 / pairs["hairs"] + 1.0 / pairs["hairs_2"],
            "counts_inverse": 1.0 / pairs["n"] + 1.0 / pairs["n_2"],
            "other": pairs[other].astype("string").fillna(""),
        }
    ).reset_index(drop=True)
