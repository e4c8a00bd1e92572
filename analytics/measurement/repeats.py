"""Which counts were made twice, and what may be learnt from each pair?

A *repeat* is two or more counts of one region at one visit (patient, zone, region, session, month) under
different count numbers. Of marked regions they teach how a count repeats, of unmarked fields how counts
of fields vary. Repeats under other conditions (photographs, hair length, thinnest hair) than each other
are left out.
"""

import numpy as np
import pandas as pd

from analytics.records import Records, numbered, paired, pairs

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
    (visit,) = numbered(VISIT, counts)
    again = pd.Index(visit).duplicated(keep=False) & (visit >= 0) & known.to_numpy()
    rows = counts[again].copy()
    rows["visit"] = pd.factorize(visit[again])[0]
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
    visit, reader = rows["visit"].to_numpy(), rows["reader_id"]
    standard = rows["standard_conditions"].fillna(True).to_numpy(dtype=bool)
    mixed = _differs(standard, visit)
    for name in ("hair_length", "thinnest_counted_um"):
        mixed |= _differs(pd.factorize(rows[name])[0], visit)
    marked = rows["marked"].to_numpy()
    unlike = _differs(marked, visit)
    unnamed = np.isin(visit, visit[reader.isna()])
    empty = marked & np.isin(visit, visit[rows["density_hairs_cm2"].le(0)])
    return np.select(
        [mixed, unlike, unnamed, empty], ["conditions", "marking", "no_reader", "zero"], default=""
    )


def _differs(codes: np.ndarray, visit: np.ndarray) -> np.ndarray:
    """Return whether the counts of a visit have different codes, (n,); -1 is no code."""
    least, most = np.full(len(codes), len(codes)), np.full(len(codes), -1)
    known = codes >= 0
    np.minimum.at(least, visit[known], codes[known])
    np.maximum.at(most, visit[known], codes[known])
    return most[visit] > least[visit]


def by_one_reader(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the usable repeats that one reader made with one device, under a common code `same`."""
    usable = rows[rows["reason"].eq("")]
    (same,) = numbered(["visit", "reader_id", "device_class"], usable.fillna({"device_class": ""}))
    again = pd.Index(same).duplicated(keep=False)
    return usable[again].assign(same=pd.factorize(same[again])[0])


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
    name, names = pd.factorize(usable[by].to_numpy(object), sort=True)
    shared, others = pd.factorize(usable[other].astype("string").fillna("").to_numpy(object), sort=True)
    order = np.lexsort((shared, name, usable["visit"].to_numpy()))
    usable, name, shared = usable.iloc[order], name[order], shared[order]
    visit = usable["visit"].to_numpy()
    of, is_first = _means(usable, paired(paired(visit, name), shared))
    visit, name, shared = visit[is_first], name[is_first], shared[is_first]
    first, second = pairs(paired(visit, shared))
    density, hairs, n = (of[c].to_numpy() for c in ("density", "hairs", "n"))
    one = usable[is_first]
    return pd.DataFrame(
        {
            "visit": visit[first],
            "patient_id": one["patient_id"].array[first],
            "marked": one["marked"].array[first],
            "first": names[name[first]],
            "second": names[name[second]],
            "first_density": density[first],
            "second_density": density[second],
            "log_ratio": np.log(density[second] / density[first]),
            "hairs_inverse": 1.0 / hairs[first] + 1.0 / hairs[second],
            "counts_inverse": 1.0 / n[first] + 1.0 / n[second],
            "other": pd.array(others[shared[first]], dtype="string"),
        }
    )


def _means(rows: pd.DataFrame, code: np.ndarray) -> tuple[pd.DataFrame, np.ndarray]:
    """Return mean density, sum of hairs and counts of each code, in their order, and their first rows."""
    of = rows.groupby(code, sort=False)
    means = {"density": of["density_hairs_cm2"].mean(), "hairs": of["hairs"].sum(), "n": of.size()}
    return pd.DataFrame(means), ~pd.Index(code).duplicated()
