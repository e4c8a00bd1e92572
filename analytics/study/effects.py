"""How far apart are the groups? One number with its error, whatever the outcome.

Yield and satisfaction: mixed model with a patient intercept, known sampling variances where there are any,
REML, Kenward and Roger's errors and degrees of freedom. Where no patient has two units, least squares with
bias-reduced errors by patient (CR2). Pairs (two sides of one zone in one session, or both groups in one
patient): the mean of the patients' own differences, t interval.

The columns of a model come from the words of a plan: the exposure first, then what is held equal. Numbers
are centred; words become indicators. A missing value of something adjusted for is set to the mean
and marked by an indicator of its own, so that no unit is lost for it. A column that the ones before it
determine is left out and named.

Sources: Kenward & Roger 1997, Biometrics 53:983-997; Bell & McCaffrey 2002, Surv Methodol 28:169-181.
"""

import contextlib
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd
import scipy

from analytics.errors import FitError
from analytics.numerics import diagnostics, mixed, proportions, regression
from analytics.results import counted
from analytics.study.plan import Plan
from analytics.study.rows import Sample, as_words, is_number

# An indicator carried by fewer units than this explains them away; they go with the rest (no source).
FEWEST_UNITS = 5
FEWEST_PATIENTS = 3
FEWEST_PAIRS = 5
MIXED = (
    "mixed model with a patient intercept and known sampling variances, REML, Kenward-Roger errors and "
    "degrees of freedom"
)
WEIGHTED = "ratio of totals: sessions weighted by grafts taken out, "
CLUSTERED = "least squares with bias-reduced errors by patient (CR2) and Satterthwaite degrees of freedom"


@dataclass(frozen=True, slots=True)
class Columns:
    """A design matrix (n, p): the exposure in column 0, the constant in column 1, then what is held equal.

    `left_out` names what could not be held equal, `held` what is.
    """

    X: np.ndarray
    names: tuple[str, ...]
    held: tuple[str, ...]
    left_out: tuple[str, ...]

    @property
    def without_exposure(self) -> np.ndarray:
        """The columns held equal, without exposure and constant (n, p - 2)."""
        return self.X[:, 2:]


def of_plan(units: pd.DataFrame, given: Sample, plan: Plan, *, adjusted: bool = True) -> Columns:
    """Return the design of units of a sample under a plan.

    Parameters
    ----------
    adjusted
        False for exposure and constant alone.
    """
    wanted = tuple(v for v in plan.adjusted_for if adjusted and v != given.exposure.variable)
    usable = tuple(v for v in wanted if given.has(v))
    return design(units, usable, not_usable=tuple(v for v in wanted if v not in usable))


def design(units: pd.DataFrame, variables: tuple[str, ...], *, not_usable: tuple[str, ...] = ()) -> Columns:
    """Return the design of units: exposure `x`, a constant, and the variables."""
    columns = [units["x"].to_numpy(dtype=float), np.ones(len(units))]
    names, of = ["exposure", "constant"], ["exposure", "constant"]
    for variable in variables:
        made, labels = coded(units[variable], variable)
        columns += list(made.T)
        names += labels
        of += [variable] * len(labels)
    X = np.column_stack(columns)
    kept = diagnostics.independent(X)
    held = tuple(v for v in variables if any(of[j] == v for j in kept))
    lost = tuple(v for v in variables if v not in held and units[v].nunique(dropna=False) > 1)
    return Columns(X[:, kept], tuple(names[j] for j in kept), held, (*not_usable, *lost))


def coded(values: pd.Series, variable: str) -> tuple[np.ndarray, list[str]]:
    """Return the columns (n, k) a variable becomes, and their names."""
    if is_number(values):
        number = pd.to_numeric(values, errors="coerce").to_numpy(dtype=float)
        return _with_missing(number, variable)
    words = common_words(values)
    codes, names = pd.factorize(words)
    rarer = np.argsort(-np.bincount(codes), kind="stable")[1:]  # others stand against the most frequent
    if not len(rarer):
        return np.zeros((len(words), 1)), [variable]
    made = (codes[:, None] == rarer).astype(float)
    return made - made.mean(axis=0), [f"{variable}: {w}" for w in names[rarer]]


def common_words(values: pd.Series) -> np.ndarray:
    """Return the words of a variable, (n,), those of few units joined to *other or rare*."""
    codes, different = pd.factorize(values)
    words = np.append(as_words(pd.Series(different)).to_numpy(dtype=object), "not recorded")[codes]
    codes, names = pd.factorize(words)
    rare = np.bincount(codes, minlength=len(names)) < FEWEST_UNITS
    return np.where(rare[codes], "other or rare", words) if rare.sum() > 1 else words


def _with_missing(number: np.ndarray, variable: str) -> tuple[np.ndarray, list[str]]:
    missing = np.isnan(number)
    if missing.all():
        return np.zeros((len(number), 1)), [variable]
    filled = np.where(missing, np.nanmean(number), number)
    spread = filled.std() or 1.0
    made = [(filled - filled.mean()) / spread]
    if missing.any():
        made.append(missing - missing.mean())
        return np.column_stack(made), [variable, f"{variable}: not recorded"]
    return np.column_stack(made), [variable]


@dataclass(frozen=True, slots=True)
class Effect:
    """Compared less reference (or per unit of a number), with its error.

    For a ratio `estimate` and `se` are on the log scale and `is_ratio` is True. `df` degrees of freedom of
    the t limits. `method` in words, `checks` named, `notes` to print. `held` is what could be held equal,
    where that is not all of a design.
    """

    estimate: float
    se: float
    df: float
    n_patients: int
    n_rows: int
    method: str
    is_ratio: bool = False
    p_value: float | None = None
    checks: dict[str, bool] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    more: dict[str, float] = field(default_factory=dict)
    counts: tuple[float, ...] = ()
    held: tuple[str, ...] | None = None

    def limits(self, level: float) -> tuple[float, float]:
        """Return the limits on the scale of `estimate`; Newcombe's, in points, for two shares (`counts`)."""
        if self.counts:
            found = proportions.difference(*self.counts, level=level)
            return 100 * float(found.low), 100 * float(found.high)
        half = float(scipy.stats.t.ppf(0.5 + level / 2, self.df)) * self.se
        return self.estimate - half, self.estimate + half

    @property
    def p(self) -> float:
        """Two-sided p-value against no effect."""
        if self.p_value is not None:
            return self.p_value
        return float(2 * scipy.stats.t.sf(abs(self.estimate) / self.se, self.df)) if self.se > 0 else np.nan

    @property
    def made_of(self) -> dict[str, Any]:
        """What it is made of, as a line declares it: for yes or no the fewest it may give back."""
        if "fewest" not in self.more:
            return {"basis": "model"}
        return {"basis": "counts", "numerator": int(self.more["fewest"]), "denominator": self.n_rows}

    @property
    def is_known(self) -> bool:
        """Whether there is an estimate with an error."""
        return bool(np.isfinite(self.estimate) and np.isfinite(self.se) and self.se > 0)


def unknown(why: str, units: pd.DataFrame, *, is_ratio: bool = False) -> Effect:
    """Return the effect of an analysis that could not be made, and why."""
    n = int(units["patient_id"].nunique()) if len(units) else 0
    return Effect(np.nan, np.nan, np.nan, n, len(units), "not estimated", is_ratio, np.nan, {}, (why,))


def too_few(units: pd.DataFrame, *, is_number: bool) -> str:
    """Return why the groups cannot be compared, empty where they can."""
    if is_number:
        n = int(units["patient_id"].nunique())
        return (
            ""
            if n >= 2 * FEWEST_PATIENTS
            else f"{counted(n)} patients with an outcome; {2 * FEWEST_PATIENTS} are needed"
        )
    counts = [int(units.loc[units["x"].eq(g), "patient_id"].nunique()) for g in (0.0, 1.0)]
    if min(counts) >= FEWEST_PATIENTS:
        return ""
    return (
        f"{counted(counts[1])} patient{'' if counts[1] == 1 else 's'} in the compared group and "
        f"{counted(counts[0])} in the reference have an outcome; {FEWEST_PATIENTS} in each are needed"
    )


def why_short(given: Sample, seen: pd.DataFrame) -> str:
    """Return why a sample cannot be compared, or why its units seen are too few; empty where neither."""
    return given.short or too_few(seen, is_number=given.exposure.is_number)


def normal(
    units: pd.DataFrame,
    columns: Columns,
    *,
    contrast: np.ndarray | None = None,
) -> Effect:
    """Return the effect on a number; of a share of many (`weight`), on the ratio of totals.

    Parameters
    ----------
    units
        Rows of the design: patient_id, y, variance (NaN where not known), weight where y is a share of many
        (1 where it is that of one alone).
    contrast
        Combination of coefficients; the exposure's own if not given.

    Raises
    ------
    FitError
        When neither model can be fitted.
    """
    y, variance, patient = arrays(units)
    wanted = np.eye(columns.X.shape[1])[0] if contrast is None else contrast
    if "weight" in units:
        method = CLUSTERED if units["weight"].eq(1.0).all() else f"{WEIGHTED}{CLUSTERED}"
        effect = weighted(units, columns.X, np.ones(len(y)), method, wanted)
        if "chance" not in units:
            return effect
        most = proportions.df_of_events(units["chance"], units["x"])
        return replace(effect, df=min(effect.df, most))
    n, n_patients = len(y), len(np.unique(patient))
    if _has_patient_effects(patient, columns):
        try:
            fit = fitted(y, columns.X, patient, variance)
            found = fit.contrast(wanted, method="kenward-roger")
        except (FitError, np.linalg.LinAlgError):
            return _clustered(y, columns, patient, wanted)
        df = found.df if isinstance(found.df, float) else float(np.min(found.df))
        if np.isfinite(df) and df > 0 and np.isfinite(found.se):
            return Effect(
                float(found.estimate), float(found.se), df, n_patients, n, MIXED,
                checks=dict(fit.checks),
            )  # fmt: skip
    return _clustered(y, columns, patient, wanted)


def normals(units: pd.DataFrame, columns: Columns, outcomes: np.ndarray) -> np.ndarray:
    """Return estimate, error and df of the effect (`normal`) on each of many outcomes (b, n), as (3, b)."""
    _, variance, patient = arrays(units)
    found = np.full((3, len(outcomes)), np.nan)
    if _has_patient_effects(patient, columns) and "weight" not in units:
        wanted = np.eye(columns.X.shape[1])[0]
        with contextlib.suppress(np.linalg.LinAlgError):
            found = np.array(mixed.contrasts(outcomes, columns.X, patient, wanted, known_variance=variance))
    for k in np.flatnonzero(~np.isfinite(found).all(axis=0)):
        one = normal(units.assign(y=outcomes[k]), columns)
        found[:, k] = one.estimate, one.se, one.df
    return found


def _has_patient_effects(patient: np.ndarray, columns: Columns) -> bool:
    """Return whether units tell how patients differ: some patient has two, and there are units to spare."""
    n, p = columns.X.shape
    return len(np.unique(patient)) < n and n > p + 2


def arrays(units: pd.DataFrame) -> tuple[np.ndarray, np.ndarray | None, np.ndarray]:
    """Return outcome, known variances (None where there are none) and patient codes of units."""
    variance = units["variance"].to_numpy(dtype=float)
    known = None if np.isnan(variance).any() else variance
    return units["y"].to_numpy(dtype=float), known, pd.factorize(units["patient_id"])[0]


def fitted(
    y: np.ndarray, X: np.ndarray, patient: np.ndarray, variance: np.ndarray | None, start=None
) -> mixed.MixedFit:
    """Return the mixed model of a study: a patient intercept, known variances where given.

    Parameters
    ----------
    y
        Outcome, (n,).
    X
        Design, (n, p), of full rank.
    patient
        Codes from 0, (n,).
    variance
        Known sampling variances, (n,), in units of y squared; None where there are none.
    start
        Where the search begins; of an earlier fit alike.

    Returns
    -------
    MixedFit
        Of `numerics.mixed.fit`, REML.
    """
    return mixed.fit(y, X, [(patient, np.ones((len(y), 1)))], known_variance=variance, start=start)


def _clustered(y: np.ndarray, columns: Columns, patient: np.ndarray, wanted: np.ndarray) -> Effect:
    fit = regression.values(y, columns.X, patient)
    found = regression.contrast(fit, wanted)
    n_patients = len(np.unique(patient))
    return Effect(found.estimate, found.se, found.df, n_patients, len(y), CLUSTERED, checks=dict(fit.checks))


def weighted(
    units: pd.DataFrame, X: np.ndarray, weight: np.ndarray, method: str, wanted: np.ndarray | None = None
) -> Effect:
    """Return the effect (column 0, or a combination of columns) with weights, errors by patient.

    What a share is of (`weight` of the units) weighs too.
    """
    y, _, patient = arrays(units)
    of = units["weight"].to_numpy(dtype=float) if "weight" in units else 1.0
    fit = regression.values(y, X, patient, weights=weight * of)
    found = regression.contrast(fit, np.eye(X.shape[1])[0] if wanted is None else wanted)
    return Effect(
        found.estimate, found.se, found.df, len(np.unique(patient)), len(y), method, checks=dict(fit.checks)
    )


def pairs(units: pd.DataFrame, within: tuple[str, ...]) -> pd.DataFrame:
    """Return the differences (compared less reference) of pairs, one row a pair, with its patient.

    Parameters
    ----------
    within
        What makes a pair beside the patient: `session_id, zone` for two sides of one zone, nothing for both
        groups in one patient.
    """
    key = ["patient_id", *within]
    means_ = units.groupby([*key, "x"], sort=True)["y"].mean().unstack("x")
    if not {0.0, 1.0} <= set(means_.columns):
        return pd.DataFrame(columns=[*key, "difference"])
    both = means_.dropna(subset=[0.0, 1.0])
    return (both[1.0] - both[0.0]).rename("difference").reset_index()


def paired(units: pd.DataFrame, within: tuple[str, ...]) -> Effect:
    """Return the mean of the patients' own differences; a patient with several pairs counts once.

    Source
    ------
    Altman et al. 2000, Statistics with Confidence, p. 31 (paired mean).
    """
    found = pairs(units, within)
    own = found.groupby("patient_id")["difference"].mean().to_numpy(dtype=float)
    if len(own) < 2:
        return unknown(f"{counted(len(own))} patients hold both groups; {FEWEST_PAIRS} are needed", units)
    mean = proportions.mean(own)
    sides = "two sides of one zone in one session" if within else "both groups in one patient"
    method = f"pairs ({sides}): mean of the patients' own differences, t interval"
    notes = () if len(own) >= FEWEST_PAIRS else (f"fewer than {FEWEST_PAIRS} pairs",)
    return Effect(mean.estimate, mean.se, mean.df, len(own), 2 * len(found), method, notes=notes, held=())


def recognised(units: pd.DataFrame) -> str:
    """Return the design that the units have, from what was compared alone.

    Split scalp where sides of one zone in one session differ in 5 patients or more; within patients where 8
    in 10 patients hold both groups; else between patients.
    """
    if "site" in units and units["site"].notna().any():
        sided = units[units["site"].ne("whole")]
        if sided["patient_id"].nunique() >= FEWEST_PAIRS:
            groups = sided.groupby(["patient_id", "session_id", "zone"])["x"].nunique()
            if groups[groups > 1].index.get_level_values("patient_id").nunique() >= FEWEST_PAIRS:
                return "split scalp"
    groups = units.groupby("patient_id")["x"].nunique()
    return (
        "within patients"
        if len(groups) >= FEWEST_PAIRS and (groups > 1).mean() >= 0.8
        else "between patients"
    )


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

    def simulated(self, X: np.ndarray, patient: np.ndarray, n_sets: int, *, seed: int = 1) -> np.ndarray:
        """Return outcomes (n_sets, n) that the fitted model would make; `patient` holds codes from 0."""
        rng = np.random.default_rng(seed)
        own = np.sqrt(self.between) * rng.standard_normal((n_sets, int(patient.max()) + 1))
        return (
            X @ self.beta
            + own[:, patient]
            + np.sqrt(self.own_variance) * rng.standard_normal((n_sets, len(X)))
        )


def parts_of(fit: mixed.MixedFit | None, y: np.ndarray, X: np.ndarray, variance: np.ndarray | None) -> Parts:
    """Return the parts of a patient-intercept model; of least squares where there is none.

    Parameters
    ----------
    fit
        Of `fitted`, or None.
    y
        Outcome, (n,).
    X
        Design, (n, p), of full rank.
    variance
        Known sampling variances, (n,), or None.

    Returns
    -------
    Parts
        Coefficients (p,), their covariance (p, p), variance between patients, variance of each row (n,).

    Examples
    --------
    Least squares through 1, 2 and 3:

    >>> parts = parts_of(None, np.array([1.0, 2.0, 3.0]), np.ones((3, 1)), None)
    >>> float(parts.beta[0])
    2.0
    """
    if fit is not None:
        known = np.zeros(len(y)) if variance is None else variance
        return Parts(fit.beta, fit.beta_cov, float(fit.covariances[0][0, 0]), fit.sigma**2 + known)
    beta = np.linalg.lstsq(X, y, rcond=None)[0]
    rest = y - X @ beta
    own = float(rest @ rest) / max(len(rest) - X.shape[1], 1)
    return Parts(beta, own * np.linalg.inv(X.T @ X), 0.0, np.full(len(y), own))
