"""What might the missing readings have been, and what does not knowing them cost?

`rubin` combines the answers of several completed data sets: their mean, the variance within plus that
between, and degrees of freedom that allow for a small study (Barnard & Rubin). `Imputer` draws missing
values from a mixed model of the observed ones, each time with fresh parameters (proper imputation): fixed
effects normal about their estimate, the two variances scaled by chi-squared draws, a patient's own effect
given the readings of his that exist.

Sources: Rubin 1987, Multiple Imputation for Nonresponse in Surveys; Barnard & Rubin 1999, Biometrika
86:948-955; van Buuren 2018, Flexible Imputation of Missing Data, 2nd ed., section 2.3 (df) and 7.4 (draws;
from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from analytics.errors import FitError, ParameterError
from analytics.numerics import mixed


@dataclass(frozen=True, slots=True)
class Pooled:
    """One answer from several completed data sets.

    `within`, `between`, `total` variances; `df`; `increase` the relative increase of variance by what is
    missing (r); `missing_share` total variance due to it (lambda); `missing_information` the same with the
    df taken into account (fmi).
    """

    estimate: float
    se: float
    df: float
    within: float
    between: float
    total: float
    increase: float
    missing_share: float
    missing_information: float
    n_imputations: int

    def limits(self, level: float = 0.95) -> tuple[float, float]:
        """Return the limits at this level."""
        half = float(scipy.stats.t.ppf(0.5 + level / 2, self.df)) * self.se
        return self.estimate - half, self.estimate + half

    @property
    def p_value(self) -> float:
        """Two-sided p-value against 0."""
        return float(2 * scipy.stats.t.sf(abs(self.estimate) / self.se, self.df)) if self.se > 0 else np.nan


def rubin(estimates: ArrayLike, variances: ArrayLike, *, complete_df: float = np.inf) -> Pooled:
    """Combine the estimates of completed data sets.

    Parameters
    ----------
    estimates, variances
        Shape (m,), m 2 or more; variances are squared standard errors.
    complete_df
        Degrees of freedom had nothing been missing; infinite for a large study (Rubin's own df).

    Raises
    ------
    ParameterError
        When there are fewer than two, or a variance is negative.

    Source
    ------
    Rubin 1987, section 3.3; Barnard & Rubin 1999, Biometrika 86:948-955.

    Examples
    --------
    >>> pooled = rubin([1.0, 3.0], [4.0, 4.0])
    >>> pooled.estimate, pooled.total
    (2.0, 7.0)
    """
    q, u = np.asarray(estimates, dtype=float), np.asarray(variances, dtype=float)
    m = len(q)
    if m < 2 or q.shape != u.shape or (u < 0).any():
        raise ParameterError(
            "imputation.rubin: expected two or more estimates, each with its variance of 0 or more"
        )
    within, between = float(u.mean()), float(q.var(ddof=1))
    total = within + (1 + 1 / m) * between
    share = (1 + 1 / m) * between / total if total > 0 else 0.0
    increase = (1 + 1 / m) * between / within if within > 0 else np.inf
    df = _barnard_rubin(m, share, complete_df)
    information = (increase + 2 / (df + 3)) / (increase + 1) if np.isfinite(increase) else 1.0
    return Pooled(
        float(q.mean()), float(np.sqrt(total)), df, within, between, total, increase, share, information, m
    )


def _barnard_rubin(m: int, share: float, complete_df: float) -> float:
    old = (m - 1) / share**2 if share > 0 else np.inf
    if not np.isfinite(complete_df):
        return float(old)
    observed = (complete_df + 1) / (complete_df + 3) * complete_df * (1 - share)
    return float(1 / (1 / old + 1 / observed)) if np.isfinite(old) else float(observed)


@dataclass(frozen=True, slots=True)
class Imputer:
    """A mixed model of the observed values, and the rows to be filled.

    `X` (n, p) all rows, `patient` (n,) codes, `known_variance` (n,), `y` (n,) with NaN where missing;
    `beta`, `beta_cov`, `between` and `residual` variances, `df_between` and `df_residual` as estimated.
    """

    y: np.ndarray
    X: np.ndarray
    patient: np.ndarray
    known_variance: np.ndarray
    beta: np.ndarray
    beta_cov: np.ndarray
    between: float
    residual: float
    df_between: int
    df_residual: int

    @property
    def is_missing(self) -> np.ndarray:
        """Which rows are to be filled."""
        return np.isnan(self.y)

    def draw(self, rng: np.random.Generator) -> np.ndarray:
        """Return all values, the missing ones drawn anew with fresh parameters."""
        between = self.between * self.df_between / rng.chisquare(self.df_between)
        residual = self.residual * self.df_residual / rng.chisquare(self.df_residual)
        beta = rng.multivariate_normal(self.beta, self.beta_cov, method="eigh")
        mean = self.X @ beta
        seen = ~self.is_missing
        precision = np.where(seen, 1.0 / (residual + self.known_variance), 0.0)
        n = int(self.patient.max()) + 1
        own = np.bincount(self.patient, weights=precision, minlength=n)
        pull = np.bincount(self.patient, weights=precision * np.where(seen, self.y - mean, 0.0), minlength=n)
        variance = 1.0 / (own + 1.0 / max(between, 1e-12))
        effect = variance * pull + np.sqrt(variance) * rng.standard_normal(n)
        noise = np.sqrt(residual + self.known_variance) * rng.standard_normal(len(mean))
        return np.where(seen, self.y, mean + effect[self.patient] + noise)


def imputer(y: ArrayLike, X: ArrayLike, patient: ArrayLike, *, known_variance: ArrayLike) -> Imputer:
    """Fit the model that missing values are drawn from.

    Parameters
    ----------
    y
        Shape (n,), NaN where missing.
    X
        Shape (n, p), complete, with a constant or indicators that add up to one.
    patient
        Shape (n,), labels.
    known_variance
        Shape (n,): sampling variance of each value, for missing ones that of a reading like it.

    Raises
    ------
    FitError
        When there are too few observed values for the columns of X.

    Examples
    --------
    Twelve values of which one is missing, and no patient seen twice:

    >>> y = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 11.0, np.nan])
    >>> made = imputer(y, np.ones((12, 1)), np.arange(12), known_variance=np.zeros(12))
    >>> type(made).__name__
    'Imputer'
    """
    values, design = np.asarray(y, dtype=float), np.asarray(X, dtype=float)
    known = np.asarray(known_variance, dtype=float)
    codes = np.unique(np.asarray(patient), return_inverse=True)[1]
    seen = ~np.isnan(values)
    if seen.sum() <= design.shape[1] + 2 or np.linalg.matrix_rank(design[seen]) < design.shape[1]:
        raise FitError(
            f"imputation.imputer: {int(seen.sum())} observed values cannot carry {design.shape[1]} columns; "
            "adjust for fewer"
        )
    n_patients = len(np.unique(codes[seen]))
    if n_patients == int(seen.sum()):
        return _without_repeats(values, design, codes, known, seen)
    fit = mixed.fit(
        values[seen], design[seen], [(codes[seen], np.ones((int(seen.sum()), 1)))], known_variance=known[seen]
    )
    between = float(fit.covariances[0][0, 0])
    df_between = max(n_patients - 1, 1)
    df_residual = max(int(seen.sum()) - n_patients - design.shape[1] + 1, 1)
    return Imputer(
        values, design, codes, known, fit.beta, fit.beta_cov, between, fit.sigma**2, df_between, df_residual
    )


def _without_repeats(values, design, codes, known, seen) -> Imputer:
    """Return the imputer where each patient has one value: one variance, and no patient effect."""
    x, y = design[seen], values[seen]
    bread = np.linalg.inv(x.T @ x)
    beta = bread @ x.T @ y
    df = len(y) - x.shape[1]
    spread = float(((y - x @ beta) ** 2).sum() / df)
    residual = max(spread - float(known[seen].mean()), 0.0)
    return Imputer(values, design, codes, known, beta, spread * bread, 0.0, residual, max(df, 1), max(df, 1))
