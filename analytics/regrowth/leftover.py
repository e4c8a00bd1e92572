"""What does a fitted model leave over? Patients far off, zones and months missed, residuals beside normal.

A patient is judged whole: the distance r' V^-1 r of all of a patient's readings together, V being the model's
covariance of them. Zones, months and quarters of what is expected: the mean observed less the mean expected.
Quantiles of residuals made independent (L^-1 r with V^-1 = L L') stand against those of a normal
distribution; only between the 5th and the 95th centile, so that no reading is told.

Sources: Houseman, Ryan & Coull 2004, J Am Stat Assoc 99:383-394 (independent residuals); Pinheiro & Bates
2000, Mixed-Effects Models in S and S-PLUS, ch. 4.
"""

from collections.abc import Mapping
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from analytics.records import Records
from analytics.regrowth.emergence import Emergence
from analytics.regrowth.questions import rows_for
from analytics.results import Curve, limits, line

ODD = 0.01  # named where a patient's p-value times the number of patients is under this (Bonferroni)
MONTHS = (0.0, 9.0, 12.0, 15.0, 18.0, 24.0, np.inf)
SPANS = tuple(
    f"from {low:g} to under {high:g} months" if np.isfinite(high) else f"from {low:g} months"
    for low, high in pairwise(MONTHS)
)
QUARTERS = ("lowest quarter", "second quarter", "third quarter", "highest quarter")
FEWEST_FOR_QUANTILES = 20  # no source: a centile then rests on more than one
CENTILES = np.linspace(0.05, 0.95, 37)


def leftover(records: Records, *, fit: Emergence) -> Curve:
    """Return what the emergence model leaves over of each count; `path` holds the quantiles.

    Parameters
    ----------
    fit
        `regrowth.fit_emergence` of the same records.

    Returns
    -------
    Curve
        By part: the share of patients further off than chance allows; observed less expected density by
        zone, month after the session and quarter of what is expected, with errors by patient.
    """
    rows = rows_for(records, fit)
    frame, white = rows.frame, fit.independent
    codes = pd.factorize(frame["patient_id"])[0]
    distance, n_rows = np.bincount(codes, white**2), np.bincount(codes)
    p = stats.chi2.sf(distance, n_rows)
    after = ~frame["is_baseline"].to_numpy(dtype=bool)
    density = frame["density"].to_numpy(dtype=float)
    seen = observed(frame[after], density[after], fit.expected[after], month="month")
    table = [far_off(p), *gaps(seen, "hairs/cm2", 0.95)]
    # A sum of n squares as one normal number: below 0 where a patient lies nearer than most.
    whole = stats.norm.isf(np.clip(p, 1e-12, 1 - 1e-12))
    return Curve(
        pd.DataFrame(table), rows.used,
        f"{fit.likelihood}; observed less expected with errors by patient, coefficients taken as known",
        checks={"no_patient_further_off_than_chance_allows": bool(np.all(p * len(p) >= ODD))}, by=("part",),
        picture="quantiles", path=quantiles({"residuals": white, "patients": whole}, len(p)),
        x_name="normal quantile",
    )  # fmt: skip


def far_off(p: np.ndarray) -> dict[str, Any]:
    """Return the line of how many patients (p-value each) are further off than chance allows."""
    far, n = int((p * len(p) < ODD).sum()), len(p)
    return line(
        "further off than chance allows", 100 * far / n, "% of patients", by={"part": "patients"},
        basis="share", numerator=far, denominator=n, n_patients=n,
    )  # fmt: skip


def observed(frame: pd.DataFrame, y: np.ndarray, expected: np.ndarray, *, month: str) -> pd.DataFrame:
    """Return the mean observed and expected outcome by zone, month of the reading and quarter of expected.

    Columns: by, group, observed, expected, se (of observed less expected, by patient), n_rows, n_patients.
    """
    rows = []
    own = frame.assign(seen=y, expected=expected).reset_index(drop=True)
    sides = {"zone": own.get("zone")}
    if month in own:
        sides["month"] = pd.cut(own[month], MONTHS, right=False, labels=SPANS)
    if len(own) >= FEWEST_FOR_QUANTILES:
        rank = own["expected"].rank(method="average", pct=True)
        sides["what is expected"] = pd.cut(rank, np.linspace(0, 1, len(QUARTERS) + 1), labels=QUARTERS)
    for by, groups in sides.items():
        if groups is None or groups.isna().all():
            continue
        for group, some in own.groupby(groups, observed=True):
            gap = (some["seen"] - some["expected"]).groupby(some["patient_id"]).sum()
            rows.append(
                {
                    "by": by, "group": str(group), "observed": some["seen"].mean(),
                    "expected": some["expected"].mean(), "se": np.sqrt((gap**2).sum()) / len(some),
                    "n_rows": len(some), "n_patients": some["patient_id"].nunique(),
                }
            )  # fmt: skip
    columns = ["by", "group", "observed", "expected", "se", "n_rows", "n_patients"]
    return pd.DataFrame(rows, columns=columns)


def gaps(seen: pd.DataFrame, unit: str, level: float) -> list[dict]:
    """Return the lines of `observed`: observed less expected, with its interval."""
    rows = []
    for one in seen.itertuples():
        gap = float(one.observed - one.expected)
        counts: dict[str, Any] = {"n_patients": int(one.n_patients), "n_rows": int(one.n_rows)}
        ci = limits(gap, float(one.se), level=level) if one.n_patients > 1 else None
        by = {"part": f"observed less expected, by {one.by}"}
        rows.append(line(one.group, gap, unit, by=by, se=one.se, ci=ci, level=level, basis="model", **counts))
    return rows


def quantiles(shown: Mapping[str, np.ndarray], n_patients: int) -> pd.DataFrame:
    """Return quantiles against normal ones, and the line on which they would lie."""
    z = stats.norm.ppf(CENTILES)
    made = []
    for part, values in shown.items():
        if len(values) < FEWEST_FOR_QUANTILES:
            continue
        for term, at in (("observed", np.quantile(values, CENTILES)), ("normal distribution", z)):
            made.append(pd.DataFrame({"part": part, "term": term, "x": z, "estimate": at}))
    if not made:
        return pd.DataFrame(columns=["part", "term", "x", "estimate", "unit", "basis", "n_patients"])
    return pd.concat(made, ignore_index=True).assign(
        unit="standard deviations", basis="model", n_patients=n_patients
    )
