"""Is the model of the answer right enough? Patients far off, zones and months missed, quantiles.

A patient is judged whole: the distance of all of a patient's units together (`numerics.diagnostics`). Zones
and months: the mean observed less the mean expected, its error by patient with the coefficients taken as
known. Quantiles of residuals made independent, and of patients' effects over their own scatter, stand
against those of a normal distribution; only between the 5th and the 95th centile, so that no unit is told.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from analytics.numerics import diagnostics
from analytics.numerics.mixed import MixedFit
from analytics.results import Curve, Result, limits, line
from analytics.study.answer import BINARY, Answer
from analytics.study.effects import CLUSTERED, MIXED, arrays, fitted, of_plan
from analytics.study.plan import RATIOS, Plan

ODD = 0.01  # named where a patient's p-value times the number of patients is under this (Bonferroni)
MONTHS = (0.0, 9.0, 12.0, 15.0, 18.0, 24.0, np.inf)
SPANS = tuple(
    f"from {low:g} to under {high:g} months" if np.isfinite(high) else f"from {low:g} months"
    for low, high in pairwise(MONTHS)
)
FEWEST_FOR_QUANTILES = 20  # no source: a centile then rests on more than one
CENTILES = np.linspace(0.05, 0.95, 37)


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """Coefficients (p,), their covariance, the variance between patients, and each row's own (n,)."""

    beta: np.ndarray
    beta_cov: np.ndarray
    between: float
    own_variance: np.ndarray

    def left_over(self, y: np.ndarray, X: np.ndarray, patient: np.ndarray) -> diagnostics.Leftover:
        """Return residuals, distances and effects of a patient intercept."""
        return diagnostics.leftover(
            y, X, patient, np.ones((len(y), 1)), beta=self.beta, beta_cov=self.beta_cov,
            covariance=self.between, own_variance=self.own_variance,
        )  # fmt: skip


def parts_of(fit: MixedFit | None, y: np.ndarray, X: np.ndarray, variance: np.ndarray | None) -> Parts:
    """Return the parts of a patient-intercept model; of least squares where there is none."""
    if fit is not None:
        known = np.zeros(len(y)) if variance is None else variance
        return Parts(fit.beta, fit.beta_cov, float(fit.covariances[0][0, 0]), fit.sigma**2 + known)
    beta = np.linalg.lstsq(X, y, rcond=None)[0]
    rest = y - X @ beta
    own = float(rest @ rest) / max(len(rest) - X.shape[1], 1)
    return Parts(beta, own * np.linalg.inv(X.T @ X), 0.0, np.full(len(y), own))


def observed(frame: pd.DataFrame, y: np.ndarray, expected: np.ndarray, *, month: str) -> pd.DataFrame:
    """Return the mean observed and expected outcome by zone and by month of the reading.

    Columns: by, group, observed, expected, se (of observed less expected, by patient), n_rows, n_patients.
    """
    rows = []
    own = frame.assign(seen=y, expected=expected).reset_index(drop=True)
    sides = {"zone": own.get("zone")}
    if month in own:
        sides["month"] = pd.cut(own[month], MONTHS, right=False, labels=SPANS)
    for by, groups in sides.items():
        if groups is None or groups.isna().all():
            continue
        for group, some in own.groupby(groups, observed=True):
            gaps = (some["seen"] - some["expected"]).groupby(some["patient_id"]).sum()
            rows.append(
                {
                    "by": by, "group": str(group), "observed": some["seen"].mean(),
                    "expected": some["expected"].mean(), "se": np.sqrt((gaps**2).sum()) / len(some),
                    "n_rows": len(some), "n_patients": some["patient_id"].nunique(),
                }
            )  # fmt: skip
    columns = ["by", "group", "observed", "expected", "se", "n_rows", "n_patients"]
    return pd.DataFrame(rows, columns=columns)


def leftover(found: Answer, plan: Plan) -> Result:
    """Return what the declared model leaves over; `path` holds the quantiles."""
    units, analysis = found.units, found.analysis
    used = found.given.units[["patient_id", "unit_id", "zone", "reason"]]
    made = analysis.outcome.kind not in (*RATIOS, *BINARY) and found.effect.is_known
    if not made or found.effect.method not in (MIXED, CLUSTERED):
        why = "made for numbers measured once per unit and compared by a model"
        none = line("none", np.nan, analysis.unit, by={"part": "model"}, flag=why)
        return Result(pd.DataFrame([none]), used, "not made for this answer", by=("part",))
    y, variance, patient = arrays(units)
    X = of_plan(units, found.given, plan).X
    fit = fitted(y, X, patient, variance) if found.effect.method == MIXED else None
    parts = parts_of(fit, y, X, variance)
    left = parts.left_over(y, X, patient)
    n = len(left.rows)
    far = int((left.p_value * n < ODD).sum())
    rows = [
        line(
            "further off than chance allows", 100 * far / n, "% of patients", by={"part": "patients"},
            basis="share", numerator=far, denominator=n, n_patients=n,
        )
    ]  # fmt: skip
    rows += _gaps(observed(units, y, X @ parts.beta, month="month"), analysis.unit, 1 - plan.alpha)
    known = left.effect_sd[:, 0] > 0
    shown = {"residuals": left.independent, "patients": left.effect[known, 0] / left.effect_sd[known, 0]}
    return Curve(
        pd.DataFrame(rows), used,
        f"{found.effect.method}; observed less expected with errors by patient, coefficients taken as known",
        checks={"no_patient_further_off_than_chance_allows": far == 0}, by=("part",), picture="curve",
        path=_quantiles(shown, n), x_name="normal quantile",
    )  # fmt: skip


def _gaps(seen: pd.DataFrame, unit: str, level: float) -> list[dict]:
    rows = []
    for row in seen.itertuples():
        gap = float(row.observed - row.expected)
        counts: dict[str, Any] = {"n_patients": int(row.n_patients), "n_rows": int(row.n_rows)}
        ci = limits(gap, float(row.se), level=level) if row.n_patients > 1 else None
        by = {"part": f"observed less expected, by {row.by}"}
        rows.append(line(row.group, gap, unit, by=by, se=row.se, ci=ci, level=level, basis="model", **counts))
    return rows


def _quantiles(shown: dict[str, np.ndarray], n_patients: int) -> pd.DataFrame:
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
