"""What does the donor lose for each graft taken, and is it harvested evenly?

A pair is a donor region counted before a session and again from month 6 after it (shed donor hair is back by
then: usual practice, no source), by standard photographs. Single-unit excision alone: a strip narrows the
donor and does not thin it.

    loss per graft  = slope of hairs/cm2 lost on grafts/cm2 taken, adjusted for age, curl and months between
    unevenness      = SD between regions of one session of the share of density lost, counting error taken out

The loss per graft stands beside the hairs a graft that these donors offer: above it more is lost than is
taken out. What is lost whatever was taken (readers, hair cycle, ageing) is in the constant, not in the slope.
The unevenness has limits of chi-square on the spread within sessions, with counting error a third of its
variance larger or smaller: a clinic's own figure is used from 20 repeats on, which know an SD to a sixth. All
grafts are taken as from the whole donor area.
"""

from typing import Any

import numpy as np
import pandas as pd
import scipy

from analytics import bench, measurement, results
from analytics.errors import FitError
from analytics.factors.adjusted import (
    CANNOT_TELL,
    FEWEST_A_SIDE,
    NO_MORE,
    adjusted_for,
    difference,
    formula,
    too_few,
    would_do,
)
from analytics.records import Records
from analytics.results import LEVEL, Result, line

FROM_MONTH = 6.0
PER = 10.0  # grafts/cm2 that a change of calibre is given for
# Choices of ours: half of a usual graft, 3 micrometres for 10 grafts/cm2, 10 points of density.
LESS_DENSE, THINNER, UNEVEN = 1.0, 3.0, 10.0
COUNTING_TO = 1 / 3  # how well the variance of counting is known
CASE_MIX = ("age_years", "curl")
STRIP = "not single-unit excision from the scalp"
NO_AREA = "donor area or grafts taken not recorded"
NOT_AFTER = f"no donor count from month {FROM_MONTH:g} after the session"
HAIRS, CALIBRE = "hairs lost for each graft taken", f"calibre lost for each {PER:g} grafts/cm2 taken"
OFFERED, SPREAD = "hairs a graft offered", "spread of the loss between regions"
IS_UNEVEN = "uneven beyond counting error"


def donor(records: Records, *, level: float = LEVEL) -> Result:
    """Return what the donor loses for each graft taken, and how unevenly its regions lose it.

    Returns
    -------
    Result
        Lines: hairs lost for each graft taken, hairs a graft offered, calibre lost for each 10 grafts/cm2
        taken, spread of the loss between regions. `rows()` has one row per region and session.

    Examples
    --------
    >>> from analytics import simulate
    >>> donor(simulate.as_records(simulate.register(40)[0])).gap.why.startswith("Cannot be told")
    True
    """
    frame = pairs(records)
    told = frame[frame["reason"].eq("")].reset_index(drop=True)
    if gap := too_few(told, "what the donor loses"):
        return gap
    lines, method = [], ""
    for name, outcome, matters, unit in (
        (HAIRS, "lost", LESS_DENSE, "hairs a graft"),
        (CALIBRE, "thinner", THINNER, "µm"),
    ):
        rows = told[told[outcome].notna()].assign(taken=told["taken"] / (PER if outcome == "thinner" else 1))
        if too_few(rows, name):
            continue
        try:
            fitted = bench.model(formula(rows, outcome, "months", "taken", mix=CASE_MIX), rows)
        except FitError:
            continue
        lines.append(difference(fitted, "taken", name, unit, matters=matters, level=level))
        method = method or adjusted_for(fitted, matters=f"{LESS_DENSE:g} hair a graft")
    lines.insert(1, _offered(told, level))
    lines += _spread(told, measurement.error_model(records), level)
    used = frame[["patient_id", "session_id", "region_id", "lost", "taken", "reason"]]
    return Result(pd.DataFrame(lines), used, f"donor counts before and after a session; {method}")


def pairs(records: Records) -> pd.DataFrame:
    """Return one row per donor region counted before a session: lost, taken, and why it is left out."""
    counts = records.measurements[records.measurements["zone"].eq("donor")]
    counts = counts[counts["standard_conditions"].fillna(True).astype(bool)]
    counts = counts.assign(area=counts["roi_area_cm2"] * counts["n_fields"])
    key = ["patient_id", "session_id", "region_id"]
    before = _last(counts[counts["month"].le(0)], key)
    after = _last(counts[counts["month"].ge(FROM_MONTH)], key)
    rows = before.merge(after, on=key, how="left", suffixes=("", "_after"), validate="one_to_one")
    session = ["session_id", "method", "donor_source", "grafts_out", "session_number"]
    rows = rows.merge(records.sessions[session], on="session_id", how="left", validate="many_to_one")
    of = ["patient_id", "donor_area_cm2", "donor_hairs_cm2", "donor_fu_cm2", "age_years", "curl"]
    rows = rows.merge(records.patients[of], on="patient_id", how="left", validate="many_to_one")
    same = rows["calibre_method"].eq(rows["calibre_method_after"]).fillna(False).astype(bool)
    rows = rows.assign(
        taken=rows["grafts_out"].astype(float) / rows["donor_area_cm2"].astype(float),
        lost=rows["density_hairs_cm2"] - rows["density_hairs_cm2_after"],
        thinner=(rows["hair_calibre_um"] - rows["hair_calibre_um_after"]).where(same),
        months=rows["month_after"] - rows["month"],
        offered=(rows["donor_hairs_cm2"] / rows["donor_fu_cm2"]).astype(float),
        age_years=rows["age_years"].astype(float),
        curl=rows["curl"].astype(object).where(rows["curl"].notna(), None),
        zone="donor",
    )
    punched = rows["method"].eq("FUE") & rows["donor_source"].fillna("scalp").eq("scalp")
    why = np.select(
        [~punched.to_numpy(dtype=bool), rows["taken"].isna(), rows["lost"].isna()],
        [STRIP, NO_AREA, NOT_AFTER],
        "",
    )
    return rows.assign(reason=why)


def _last(counts: pd.DataFrame, key: list[str]) -> pd.DataFrame:
    """Return the last visit's counts of each region, its repeats averaged."""
    last = counts[counts["month"].eq(counts.groupby(key)["month"].transform("max"))]
    return last.groupby(key, as_index=False).agg(
        month=("month", "first"),
        density_hairs_cm2=("density_hairs_cm2", "mean"),
        hair_calibre_um=("hair_calibre_um", "mean"),
        calibre_method=("calibre_method", "first"),
        area=("area", "sum"),
        marked=("roi_marked", "first"),
    )


def _offered(told: pd.DataFrame, level: float) -> dict:
    """Return the mean of what these donors offer, patients equal."""
    each = told.drop_duplicates("patient_id")["offered"].dropna()
    mean, error = float(each.mean()), float(each.std(ddof=1) / np.sqrt(max(len(each), 1)))
    ci = results.limits(mean, error, level=level, df=max(len(each) - 1, 1))
    return line(OFFERED, mean, "hairs a graft", se=error, ci=ci, level=level, basis="model",
                n_patients=len(each), n_rows=len(each))  # fmt: skip


def _spread(told: pd.DataFrame, error: measurement.CountError, level: float) -> list[dict]:
    """Return the spread of the share lost between regions of a session, counting error taken out."""
    session = told.groupby("session_id")
    rows = told[session["region_id"].transform("nunique").gt(1)]
    n = int(rows["patient_id"].nunique())
    known: dict[str, Any] = {"level": level, "basis": "model"}
    unit = "points of density"
    if n < FEWEST_A_SIDE:
        needs = f"needs {FEWEST_A_SIDE} patients with two donor regions counted before and after"
        return [
            line(
                SPREAD, np.nan, unit, n_patients=n, n_rows=len(rows), flag=f"{CANNOT_TELL}; {needs}", **known
            )
        ]
    by = rows.groupby("session_id")
    density = by["density_hairs_cm2"].transform("mean")
    left = by["density_hairs_cm2_after"].transform("mean")
    share = 100 * rows["lost"] / rows["density_hairs_cm2"]
    df = len(rows) - by.ngroups
    within = float(((share - share.groupby(rows["session_id"]).transform("mean")) ** 2).sum() / df)
    counting = float((1e4 * _counting(rows, density, left, error)).mean())
    low, high = (within * df / scipy.stats.chi2.ppf(q, df) for q in (0.5 + level / 2, 0.5 - level / 2))
    taken_out = ((within, 1.0), (low, 1 + COUNTING_TO), (high, 1 - COUNTING_TO))
    sd, sd_low, sd_high = (float(np.sqrt(max(v - k * counting, 0.0))) for v, k in taken_out)
    flag = IS_UNEVEN if sd_low > 0 else NO_MORE if sd_high < UNEVEN else ""
    flag = flag or f"{CANNOT_TELL}; {would_do(sd_high - sd, n, UNEVEN - min(sd, UNEVEN / 2))}"
    return [
        line(
            SPREAD, sd, unit, ci=(sd_low, sd_high), n_patients=n, n_rows=len(rows), df=df, flag=flag, **known
        )
    ]


def _counting(rows: pd.DataFrame, before, after, error: measurement.CountError) -> np.ndarray:
    """Return the counting variance of after over before, (n,), at the densities of the session's mean."""
    same = np.zeros(len(rows), dtype=bool)
    marked = rows["marked"].fillna(False).to_numpy(dtype=bool)
    v_before, v_after = (
        measurement.count_variance(
            np.maximum(d, 1.0), rows[a], marked=marked, reader_changed=same, error=error
        )
        for d, a in ((before, "area"), (after, "area_after"))
    )
    ratio = (after / before).to_numpy(dtype=float)
    return (v_after + ratio**2 * v_before) / before.to_numpy(dtype=float) ** 2
