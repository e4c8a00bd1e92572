"""A formula's model with a crossed factor: surgeons, technicians or readers who each had many patients.

Patient and factor each have a random intercept. Errors are by Satterthwaite's method. A label is one group
wherever it stands. Where no patient links the groups of a factor, their differences rest on different
patients, and that is said. A variance is never given without its limits.
"""

import numpy as np
import pandas as pd

from analytics.errors import ParameterError
from analytics.numerics import mixed
from analytics.results import LEVEL

METHOD = (
    "mixed model with crossed intercepts and known sampling variances where there are any, REML, "
    "Satterthwaite degrees of freedom"
)
FEW = 5  # groups under which a variance is said to tell little (common practice, no source)


def checked(frame: pd.DataFrame, factor: str) -> pd.DataFrame:
    """Return the rows that have the factor.

    Raises
    ------
    ParameterError
        When there is no such column, it is the patient, or fewer than two groups have rows.
    """
    if factor not in frame or factor == "patient_id":
        raise ParameterError(
            "model: crossed names a column of the set other than patient_id, such as surgeon_id; "
            "units(records).codebook() lists them"
        )
    kept = frame[frame[factor].notna()]
    if kept[factor].nunique() < 2:
        raise ParameterError(
            f"model: {factor} has {kept[factor].nunique()} groups in the set; two are the least that "
            "can differ; fit without crossed"
        )
    return kept


def fit(y: np.ndarray, X: np.ndarray, frame: pd.DataFrame, variance, factor: str) -> mixed.CrossedFit:
    """Return the fit; the patient is left out where no patient has two units."""
    patient = pd.factorize(frame["patient_id"])[0]
    levels = [(patient, np.ones((len(y), 1)))] if patient.max() + 1 < len(y) else []
    group = frame[factor].astype(str).to_numpy()
    return mixed.fit(y, X, levels, known_variance=variance, crossed=[group])


def variances(found: mixed.CrossedFit, factor: str, *, level: float = LEVEL) -> pd.DataFrame:
    """Return one row per component: n_groups, variance, its profile limits, whether it is zero."""
    names = ["patient_id", factor][-len(found.groups) :]
    rows = [
        (
            name,
            len(found.groups[i]),
            found.theta[i],
            *found.variance_limits(i, level=level),
            found.on_boundary[i],
        )
        for i, name in enumerate(names)
    ]
    rows.append(("residual", len(found.rows.y), found.theta[-1], np.nan, np.nan, found.sigma == 0))
    columns = ["component", "n_groups", "variance", "conf_low", "conf_high", "is_zero"]
    return pd.DataFrame(rows, columns=columns)


def effects(found: mixed.CrossedFit, factor: str) -> pd.DataFrame:
    """Return one row per group of the factor: what it adds, drawn towards zero, and its standard error.

    Without errors where the factor's variance is estimated at zero.
    """
    # A variance estimated at zero tells nothing of its groups: no error, rather than an error of zero.
    error = np.nan if found.on_boundary[-1] else found.random_se[-1][:, 0]
    return pd.DataFrame(
        {factor: found.groups[-1], "effect": found.random[-1][:, 0] + 0.0, "std_error": error}
    )


def said(found: mixed.CrossedFit, frame: pd.DataFrame, factor: str) -> tuple[str, ...]:
    """Return what is to be known of a crossed factor, in sentences."""
    n = len(found.groups[-1])
    linked = int(frame.groupby("patient_id")[factor].nunique().gt(1).sum())
    n_patients = int(frame["patient_id"].nunique())
    out = [f"{linked} of {n_patients} patients have units of more than one {factor}"]
    if found.n_components > 1:
        out.append(
            f"the {n} groups of {factor} fall into {found.n_components} parts that share no patient: "
            "differences between the parts rest on different patients and cannot be told from who was treated"
        )
    if n < FEW:
        out.append(
            f"{n} groups tell little of a variance; read its limits, or enter C({factor}) in the formula"
        )
    if found.on_boundary[-1]:
        out.append(f"the variance of {factor} is estimated at zero")
    return tuple(out)
