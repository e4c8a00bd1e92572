"""Which share of the photographs failed, by visit and by who counted on them?

The unit is an attendance as one reader saw it: the regions counted on one day stand on the same photographs
and fail together, so that a region is no unit of its own. An attendance failed if any of its counts was taken
under non-standard conditions (light, wet hair, dye, distance); a count that does not say is taken as
standard, as everywhere in the workbook. Limits are Wilson's, one attendance a patient and visit as a rule.

Source: Wilson 1927, J Am Stat Assoc 22:209.
"""

from collections.abc import Sequence

import numpy as np
import pandas as pd

from analytics.errors import ParameterError
from analytics.numerics import proportions
from analytics.records import Records
from analytics.results import LEVEL, Result
from analytics.yields_average import FEW, MIN_PATIENTS

# Months by which readings are tabulated, each to the nearest; common practice, no source.
VISITS = (0.0, 1.0, 3.0, 6.0, 9.0, 12.0, 15.0, 18.0, 24.0)
GROUPS = ("visit", "reader_id", "device_class")
NOT_SAID = "not recorded"


def photograph_failures(
    records: Records, *, by: Sequence[str] = ("reader_id", "visit"), level: float = LEVEL
) -> Result:
    """Return the share of attendances whose photographs failed, with Wilson limits.

    Parameters
    ----------
    by
        Any of `visit` (month since the session, nearest of VISITS), `reader_id`, `device_class`.
    level
        Of the intervals, 0.5 to 0.999.

    Returns
    -------
    Result
        Term `photographs failed`, percent of attendances; `n_rows` is the denominator. `extra["counts"]` is
        the same with numerator and denominator. `rows()` has one row an attendance with its first
        `condition_reason`.

    Raises
    ------
    ParameterError
        When a group is unknown or the level out of range.
    """
    if not by or not set(by) <= set(GROUPS) or not 0.5 <= level <= 0.999:
        raise ParameterError(
            f"yields.photograph_failures(by, level): out of range; use any of {', '.join(GROUPS)}, and a "
            "level of 0.5 to 0.999"
        )
    seen = _attendances(records)
    groups = seen.groupby(list(by), sort=True)
    counts = groups.agg(
        numerator=("failed", "sum"), denominator=("failed", "size"), n_patients=("patient_id", "nunique")
    ).reset_index()
    found = proportions.proportion(counts["numerator"], counts["denominator"], level=level)
    shares = counts[list(by)].assign(
        term="photographs failed",
        estimate=100 * np.asarray(found.estimate, dtype=float),
        ci_low=100 * np.asarray(found.low, dtype=float),
        ci_high=100 * np.asarray(found.high, dtype=float),
        level=level,
        unit="% of attendances",
        n_patients=counts["n_patients"],
        n_rows=counts["denominator"],
        flag=np.where(counts["n_patients"] < MIN_PATIENTS, FEW, ""),
    )
    shown = counts.assign(
        share_pct=shares["estimate"], ci_low=shares["ci_low"], ci_high=shares["ci_high"]
    ).drop(columns="n_patients")
    method = (
        "share of attendances, as one reader saw them, with any count under non-standard conditions; "
        f"Wilson limits, {100 * level:g} %"
    )
    return Result(shares, seen.assign(reason=""), method, by=tuple(by), extra={"counts": shown})


def _attendances(records: Records) -> pd.DataFrame:
    counts = records.measurements
    counts = counts[counts["zone"].ne("donor")]
    months = counts["month"].to_numpy(dtype=float)
    nearest = np.abs(months[:, None] - np.array(VISITS)).argmin(axis=1)
    rows = counts.assign(
        failed=~counts["standard_conditions"].fillna(True).astype(bool),
        visit=np.array(VISITS)[nearest],
        reader_id=counts["reader_id"].fillna(NOT_SAID),
        device_class=counts["device_class"].fillna(NOT_SAID),
        said=counts["condition_reason"].replace("", pd.NA),
    )
    key = ["patient_id", "session_id", "month", "reader_id", "device_class"]
    return rows.groupby(key, as_index=False, sort=False).agg(
        failed=("failed", "max"), visit=("visit", "first"), condition_reason=("said", "first")
    )
