"""Is the model right enough? Residuals, odd patients, what hangs on one patient, zones and months missed.

A patient is judged whole: the distance of all of a patient's rows together. Influence is by leaving one
patient out and fitting again; Cook's distance uses the covariance of the whole fit (`numerics.resample`).
"""

import html
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import scipy

from analytics import regrowth, study
from analytics.errors import FitError
from analytics.numerics import mixed, resample

if TYPE_CHECKING:
    from analytics.bench.formula import Model

MOVES = 1.0  # named where a coefficient moves by more standard errors than this (common practice, no source)


@dataclass(frozen=True, slots=True, eq=False)
class Diagnosis:
    """What speaks for and against a model.

    `rows`: one per row (patient_id, fitted, residual, scaled by its error, independent, pit). `patients`: one
    per patient (n_rows, distance, p_value, effect, effect_sd, cook, moves: the most standard errors by which
    a coefficient moves without the patient). `moved`: per patient and term, the coefficient without the
    patient. `observed`: mean observed and expected by zone and by month. `flags` in words.
    """

    rows: pd.DataFrame
    patients: pd.DataFrame
    moved: pd.DataFrame = field(repr=False)
    observed: pd.DataFrame = field(repr=False)
    flags: tuple[str, ...] = ()

    def plot(self, ax=None):
        """Draw residuals against fitted values, and the quantiles of residuals and of patients; return axes.

        Parameters
        ----------
        ax
            Three matplotlib axes of one's own.
        """
        from matplotlib import pyplot as plt

        axes = plt.subplots(1, 3, figsize=(10, 3.2), layout="constrained")[1] if ax is None else ax
        axes[0].scatter(self.rows["fitted"], self.rows["scaled"], s=9, color="#4a5259")
        axes[0].axhline(0, color="#1b1f23", linewidth=0.8)
        axes[0].set(xlabel="fitted", title="Residual, in standard deviations")
        effects = (
            (self.patients["effect"] / self.patients["effect_sd"]).replace([np.inf, -np.inf], np.nan).dropna()
        )
        for place, (values, title) in enumerate(
            ((self.rows["independent"], "residuals"), (effects, "patients")), 1
        ):
            if len(values) > 1:
                scipy.stats.probplot(values, plot=axes[place])
            axes[place].set_title(f"Quantiles of {title}")
        return axes

    def __repr__(self) -> str:
        return f"Diagnosis of {len(self.patients)} patients: {'; '.join(self.flags) or 'nothing to look at'}"

    def _repr_html_(self) -> str:
        head = self.patients.sort_values("cook", ascending=False).head(5).round(3)
        return f"<p>{html.escape(repr(self))}</p>{head.to_html(index=False)}"


def diagnose(model: "Model") -> Diagnosis:
    """Return what speaks for and against a model.

    Parameters
    ----------
    model
        Of `bench.model`.

    Returns
    -------
    Diagnosis
        `rows` (residuals), `patients` (distance, Cook, moves), `without` (terms without each),
        `observed`, `flags`; `plot()`.

    Examples
    --------
    >>> from analytics import simulate
    >>> from analytics.bench.formula import model
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> list(diagnose(model("yield_pct ~ zone", clinic)).patients.columns[:3])
    ['patient_id', 'n_rows', 'distance']
    """
    parts = study.parts_of(_nested(model), model.y, model.X, model.variance)
    beta, cov, own = parts.beta, parts.beta_cov, parts.own_variance
    left = parts.left_over(model.y, model.X, model.patient)
    moved = resample.leave_one_out(
        lambda kept: (beta, cov) if kept.all() else _without(model, kept), model.patient
    )
    who = [str(model.frame["patient_id"].iloc[g[0]]) for g in left.rows]
    rows = pd.DataFrame(
        {
            "patient_id": model.frame["patient_id"],
            "fitted": model.y - left.conditional,
            "residual": left.conditional,
            "scaled": left.conditional / np.sqrt(own),
            "independent": left.independent,
            "pit": left.pit,
        }
    )
    patients = pd.DataFrame(
        {
            "patient_id": who,
            "n_rows": [len(g) for g in left.rows],
            "distance": left.distance,
            "p_value": left.p_value,
            "effect": left.effect[:, 0],
            "effect_sd": left.effect_sd[:, 0],
            "cook": moved.cook,
            "moves": np.abs((beta - moved.beta) / np.sqrt(np.diag(cov))).max(axis=1),
        }
    )
    terms = pd.DataFrame(moved.beta, index=pd.Index(who, name="patient_id"), columns=list(model.terms))
    without = terms.reset_index().melt(id_vars="patient_id", var_name="term", value_name="estimate")
    return Diagnosis(
        rows,
        patients,
        without,
        regrowth.observed(model.frame, model.y, model.X @ beta, month="reading_month"),
        _flags(patients),
    )


def _without(model: "Model", kept: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    X, y = model.X[kept], model.y[kept]
    if len(y) <= X.shape[1] or np.linalg.matrix_rank(X) < X.shape[1]:
        raise FitError("the rest does not determine the coefficients")
    fit, variance = _nested(model), None if model.variance is None else model.variance[kept]
    if fit is None:
        parts = study.parts_of(None, y, X, variance)
        return parts.beta, parts.beta_cov
    again = study.fitted(y, X, model.patient[kept], variance, fit.theta)
    return again.beta, again.beta_cov


def _nested(model: "Model") -> mixed.MixedFit | None:
    return model.mixed_fit if isinstance(model.mixed_fit, mixed.MixedFit) else None


def _flags(patients: pd.DataFrame) -> tuple[str, ...]:
    said = (
        (
            patients["p_value"] * len(patients) < regrowth.ODD,
            "{n} patients lie further from the model than chance allows",
        ),
        (
            patients["moves"] > MOVES,
            "without one of {n} patients a coefficient moves by more than its standard error",
        ),
        (patients["moves"].isna(), "{n} patients carry a term alone"),
    )
    return tuple(text.format(n=int(which.sum())) for which, text in said if which.any())
