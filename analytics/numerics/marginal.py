"""Does a yes or no differ between groups, when patients count several times? Marginal logistic regression.

Generalised estimating equations with equally correlated answers of a patient, through statsmodels; errors
from residuals summed over each patient, plain (Liang & Zeger) or enlarged for few patients (Mancl &
DeRouen). `standardised` turns odds into what a reader wants: the risk if everyone were in the one group,
less the risk if everyone were in the other, and their ratio. `least_squares` is the plain line with errors
clustered one way or two.

Sources: Liang & Zeger 1986, Biometrika 73:13-22; Mancl & DeRouen 2001, Biometrics 57:126-134; Greenland
2004, Am J Epidemiol 160:301-305 (standardised risks); Petersen 2009, Rev Financ Stud 22:435-480 (two ways).
"""

import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy import stats
from scipy.special import expit
from statsmodels.genmod import cov_struct, families
from statsmodels.genmod.generalized_estimating_equations import GEE
from statsmodels.regression.linear_model import OLS

from analytics.errors import FitError

# A risk under 1 in 160,000 for a unit that was seen is no estimate but a group without events.
LARGEST_LOG_ODDS = 12.0
COVARIANCES = {"robust": "robust", "few patients": "bias_reduced"}


@dataclass(frozen=True, slots=True)
class MarginalFit:
    """Log odds (p,) with their covariance (p, p); `correlation` of two answers of a patient."""

    beta: np.ndarray
    cov: np.ndarray
    correlation: float
    n_clusters: int
    checks: dict[str, bool]

    @property
    def df(self) -> float:
        """Patients less coefficients: what t limits are taken from."""
        return float(max(self.n_clusters - len(self.beta), 1))


@dataclass(frozen=True, slots=True)
class Standardised:
    """Risks (0 to 1) if everyone were in either group, their difference and log ratio, with errors."""

    compared: float
    reference: float
    difference: float
    difference_se: float
    log_ratio: float
    log_ratio_se: float


def logistic(
    y: ArrayLike, X: ArrayLike, clusters: ArrayLike, *, covariance: str = "few patients"
) -> MarginalFit:
    """Fit log odds with exchangeable correlation within a cluster.

    Parameters
    ----------
    y
        Shape (n,), 0 or 1.
    X
        Shape (n, p), with its constant.
    clusters
        Shape (n,), labels.
    covariance
        One of COVARIANCES.

    Raises
    ------
    FitError
        When all answers are alike, columns repeat each other, or a column tells yes from no wholly.
    """
    answers, design = np.asarray(y, dtype=float), np.asarray(X, dtype=float)
    if answers.min() == answers.max():
        raise FitError("marginal.logistic: all answers are alike; there is no odds ratio to estimate")
    if np.linalg.matrix_rank(design) < design.shape[1]:
        raise FitError("marginal.logistic: columns of X depend on each other; adjust for fewer")
    codes = np.unique(np.asarray(clusters), return_inverse=True)[1]
    order = np.argsort(codes, kind="stable")
    single = np.bincount(codes).max() == 1
    structure = cov_struct.Independence() if single else cov_struct.Exchangeable()
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        model = GEE(
            answers[order],
            design[order],
            groups=codes[order],
            family=families.Binomial(),
            cov_struct=structure,
        )
        try:
            fit = model.fit(cov_type=COVARIANCES[covariance], maxiter=200)
        except (np.linalg.LinAlgError, ValueError):
            raise FitError("marginal.logistic: the equations have no solution; adjust for fewer") from None
    beta, cov = np.asarray(fit.params), np.asarray(fit.cov_params())
    if not np.isfinite(beta).all() or np.abs(design @ beta).max() > LARGEST_LOG_ODDS:
        raise FitError(
            "marginal.logistic: a column tells yes from no wholly (a group without events); use bounds"
        )
    finite = bool(np.isfinite(cov).all())
    checks = {"converged": bool(fit.converged), "no_warnings": not caught, "finite_se": finite}
    correlation = 0.0 if single else float(structure.dep_params)
    return MarginalFit(beta, cov, correlation, int(codes.max()) + 1, checks)


def standardised(fit: MarginalFit, X: ArrayLike, column: int) -> Standardised:
    """Return the risks with one column set to 1 for all and to 0 for all, errors by the delta method.

    Parameters
    ----------
    X
        Shape (n, p): the rows of the fit.
    column
        Which column holds the group.
    """
    sets = []
    for value in (1.0, 0.0):
        design = np.array(X, dtype=float)
        design[:, column] = value
        risk = expit(design @ fit.beta)
        sets.append((float(risk.mean()), (risk * (1 - risk)) @ design / len(design)))
    (one, slope_one), (none, slope_none) = sets
    gap = slope_one - slope_none
    ratio = slope_one / one - slope_none / none
    return Standardised(
        one,
        none,
        one - none,
        float(np.sqrt(gap @ fit.cov @ gap)),
        float(np.log(one / none)),
        float(np.sqrt(ratio @ fit.cov @ ratio)),
    )


def least_squares(
    y: ArrayLike, X: ArrayLike, *clusters: ArrayLike, small_sample: bool = True
) -> tuple[np.ndarray, np.ndarray]:
    """Return coefficients (p,) and their covariance (p, p), errors clustered one way or two.

    Parameters
    ----------
    clusters
        One or two labels a row, shape (n,).
    small_sample
        Multiply by G / (G - 1) x (n - 1) / (n - p).
    """
    codes = [np.unique(np.asarray(c), return_inverse=True)[1] for c in clusters]
    groups = codes[0] if len(codes) == 1 else np.column_stack(codes)
    fit = OLS(np.asarray(y, dtype=float), np.asarray(X, dtype=float)).fit(
        cov_type="cluster", cov_kwds={"groups": groups, "use_correction": small_sample}
    )
    return np.asarray(fit.params), np.asarray(fit.cov_params())


@dataclass(frozen=True, slots=True)
class Dose:
    """The x at which a share is reached, with its error and limits by two methods.

    `low`, `high` by Fieller's method; `g` its check: at 1 or more the limits do not exist and are NaN.
    """

    estimate: float
    se: float
    low: float
    high: float
    g: float


def dose(
    beta: ArrayLike, cov: ArrayLike, *, intercept: int, slope: int, share: float = 0.5, level: float = 0.95
) -> Dose:
    """Return where a logistic line reaches a share: (logit(share) - intercept) / slope.

    Parameters
    ----------
    beta, cov
        Coefficients (p,) and covariance (p, p).
    intercept, slope
        Which coefficients make the line.
    share
        0 to 1.

    Raises
    ------
    FitError
        When the slope is 0.

    Source
    ------
    Venables & Ripley 2002, Modern Applied Statistics with S, section 7.2 (delta method); Finney 1971,
    Probit Analysis, chapter 4 (Fieller; from memory).
    """
    b, v = np.asarray(beta, dtype=float), np.asarray(cov, dtype=float)
    if b[slope] == 0:
        raise FitError("marginal.dose: the slope is 0, so no x reaches the share")
    wanted = np.log(share / (1 - share))
    x = (wanted - b[intercept]) / b[slope]
    gradient = np.zeros(len(b))
    gradient[intercept], gradient[slope] = -1 / b[slope], -x / b[slope]
    v11, v12, v22 = v[intercept, intercept], v[intercept, slope], v[slope, slope]
    z = float(stats.norm.ppf(0.5 + level / 2))
    g = z**2 * v22 / b[slope] ** 2
    low = high = np.nan
    if g < 1:
        centre = x + g / (1 - g) * (x + v12 / v22)
        root = v11 + 2 * x * v12 + x**2 * v22 - g * (v11 - v12**2 / v22)
        half = z / (abs(b[slope]) * (1 - g)) * np.sqrt(max(root, 0.0))
        low, high = centre - half, centre + half
    return Dose(float(x), float(np.sqrt(gradient @ v @ gradient)), float(low), float(high), float(g))
