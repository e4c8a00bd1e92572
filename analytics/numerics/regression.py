"""Do groups differ when rows of one patient or session are alike? Regression with errors by cluster.

`shares` fits counts out of many on the logit scale, `values` fits single values; both take the variance
of the coefficients from residuals summed by cluster, bias-reduced (CR2), and `contrast` its degrees of
freedom from Satterthwaite's match, so that a comparison resting on three sessions is given about two
degrees of freedom.

`logistic` asks a yes or no of patients who count several times: generalised estimating equations with equally
correlated answers of a patient, through statsmodels; errors from residuals summed over each patient, plain
(Liang & Zeger) or enlarged for few patients (Mancl & DeRouen). `standardised` turns odds into what a reader
wants: the risk if everyone were in the one group, less the risk if everyone were in the other, and their
ratio. `least_squares` is the plain line with errors clustered one way or two.

Sources: Bell & McCaffrey 2002, Surv Methodol 28:169-181 (bias reduction and degrees of freedom); Pustejovsky
& Tipton 2018, J Bus Econ Stat 36:672-683; Imbens & Kolesár 2016, Rev Econ Stat 98:701-712 (two-group
formula); Liang & Zeger 1986, Biometrika 73:13-22; Mancl & DeRouen 2001, Biometrics 57:126-134; Greenland
2004, Am J Epidemiol 160:301-305 (standardised risks); Petersen 2009, Rev Financ Stud 22:435-480 (two ways).
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike
from scipy.special import expit

from analytics.errors import FitError

# A risk under 1 in 160,000 for a unit that was seen is no estimate but a group without events.
LARGEST_LOG_ODDS = 12.0
COVARIANCES = {"robust": "robust", "few patients": "bias_reduced"}
# Below this eigenvalue of I - H a cluster is fitted exactly in that direction.
EIGEN_FLOOR = 1e-10
# A contrast that rests on such directions by more than this share of its variance has no visible error.
MOST_UNSEEN = 0.05


@dataclass(frozen=True, slots=True)
class Fit:
    """Coefficients, their cluster-robust covariance, and what a contrast needs.

    `fitted` is the share or value of each row. `phi` is the Pearson dispersion, `correlation` the moment
    estimate of the intra-row correlation of counts (NaN for values). With x the rows of a cluster in the
    units of their weights, A = (I - H)^(-1/2) and `bread` the inverse cross-product: `outer` holds x'Ax,
    `inner` x'AAx of each cluster, shape (m, p, p), and `lost` the directions a cluster fits exactly, shape
    (any, p).
    """

    beta: np.ndarray
    cov: np.ndarray
    fitted: np.ndarray
    phi: float
    correlation: float
    n_clusters: int
    bread: np.ndarray
    outer: np.ndarray
    inner: np.ndarray
    lost: np.ndarray
    checks: dict[str, bool]


@dataclass(frozen=True, slots=True)
class Contrast:
    """A linear combination of coefficients with its error, degrees of freedom, limits and p-value."""

    estimate: float
    se: float
    df: float
    low: float
    high: float
    p_value: float
    level: float


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


def shares(events: ArrayLike, sizes: ArrayLike, X: ArrayLike, clusters: ArrayLike) -> Fit:
    """Fit shares of counts on the logit scale.

    Parameters
    ----------
    events, sizes
        Counts of each row (a session), shape (n,).
    X
        Design with its constant, shape (n, p).
    clusters
        Label of the independent unit of each row (the patient), shape (n,).

    Raises
    ------
    FitError
        When X has dependent columns, or there are no events or nothing but events.

    Source
    ------
    Bell & McCaffrey 2002, Surv Methodol 28:169-181.

    Examples
    --------
    One of ten and three of ten: log odds of 4 in 20.

    >>> fit = shares([1, 3], [10, 10], [[1.0], [1.0]], ["a", "b"])
    >>> fit.beta.round(4).tolist(), fit.fitted.round(4).tolist()
    ([-1.3863], [0.2, 0.2])
    """
    from statsmodels.genmod import families
    from statsmodels.genmod.generalized_linear_model import GLM

    y, n, design = np.asarray(events, float), np.asarray(sizes, float), np.asarray(X, float)
    _check_rank(design)
    if y.sum() == 0 or y.sum() == n.sum():
        raise FitError(
            "regression.shares: no event, or nothing but events; a rate with its exact limit is all there is"
        )
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        model = GLM(y / n, design, family=families.Binomial(), var_weights=n)
        fit = model.fit()
    mu = np.asarray(fit.fittedvalues)
    weight = n * mu * (1 - mu)
    working = (y / n - mu) / (mu * (1 - mu))
    pearson = float((n * (y / n - mu) ** 2 / (mu * (1 - mu))).sum())
    rows, columns = design.shape
    phi = pearson / max(rows - columns, 1)
    correlation = max(0.0, (phi - 1) * rows / max((n - 1).sum(), 1))
    checks = {"converged": bool(fit.converged), "no_warnings": not caught}
    return _sandwich(
        np.asarray(fit.params),
        design,
        working,
        weight,
        clusters,
        fitted=mu,
        phi=phi,
        rho=correlation,
        checks=checks,
    )


def values(y: ArrayLike, X: ArrayLike, clusters: ArrayLike, *, weights: ArrayLike | None = None) -> Fit:
    """Fit single values by weighted least squares.

    Parameters
    ----------
    y
        Shape (n,).
    X
        Design with its constant, shape (n, p).
    clusters
        Label of the independent unit of each row, shape (n,).
    weights
        Shape (n,), above 0; all alike if not given.

    Raises
    ------
    FitError
        When X has dependent columns.

    Source
    ------
    Bell & McCaffrey 2002, Surv Methodol 28:169-181.

    Examples
    --------
    >>> fit = values([1.0, 3.0], [[1.0], [1.0]], ["a", "b"])
    >>> round(float(fit.beta[0]), 6), round(float(fit.cov[0, 0]), 6)
    (2.0, 1.0)
    """
    out, design = np.asarray(y, float), np.asarray(X, float)
    _check_rank(design)
    weight = np.ones(len(out)) if weights is None else np.asarray(weights, float)
    root = np.sqrt(weight)
    beta = np.linalg.lstsq(design * root[:, None], out * root, rcond=None)[0]
    fitted = design @ beta
    rows, columns = design.shape
    phi = float((weight * (out - fitted) ** 2).sum() / max(rows - columns, 1))
    return _sandwich(
        beta,
        design,
        out - fitted,
        weight,
        clusters,
        fitted=fitted,
        phi=phi,
        rho=np.nan,
        checks={"converged": True},
    )


def _check_rank(design: np.ndarray) -> None:
    if np.linalg.matrix_rank(design) < design.shape[1]:
        raise FitError(
            "regression: columns of X depend on each other; drop a group that is empty or always with another"
        )


def _sandwich(beta, design, residual, weight, clusters, *, fitted, phi, rho, checks) -> Fit:
    root = np.sqrt(weight)
    scaled, error = design * root[:, None], residual * root
    bread = np.linalg.inv(scaled.T @ scaled)
    _, codes = np.unique(np.asarray(clusters), return_inverse=True)
    scores, outer, inner, lost = _pieces(scaled, error, bread, codes)
    cov = bread @ (scores.T @ scores) @ bread
    checks = checks | {"finite_se": bool(np.isfinite(cov).all())}
    return Fit(beta, cov, fitted, phi, rho, len(scores), bread, outer, inner, lost, checks)


def _pieces(scaled, error, bread, codes) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return, by cluster, the adjusted score x'Ae, x'Ax, x'AAx, and the directions fitted exactly."""
    size = np.bincount(codes)
    p = scaled.shape[1]
    scores = np.zeros((len(size), p))
    outer, inner = np.zeros((len(size), p, p)), np.zeros((len(size), p, p))
    alone = size[codes] == 1
    x, who = scaled[alone], codes[alone]
    left = 1 - np.einsum("ij,jk,ik->i", x, bread, x)
    a = np.where(left > EIGEN_FLOOR, 1 / np.sqrt(np.maximum(left, EIGEN_FLOOR)), 0.0)
    scores[who] = x * (a * error[alone])[:, None]
    square = x[:, :, None] * x[:, None, :]
    outer[who], inner[who] = square * a[:, None, None], square * (a**2)[:, None, None]
    lost = [x[left <= EIGEN_FLOOR]]
    order = np.argsort(codes, kind="stable")
    for k, rows in enumerate(np.split(order, np.cumsum(size)[:-1])):
        if len(rows) > 1:
            adjusted, gone = _adjusted(scaled[rows], bread)
            scores[k] = adjusted.T @ error[rows]
            outer[k], inner[k] = scaled[rows].T @ adjusted, adjusted.T @ adjusted
            lost.append(gone)
    return scores, outer, inner, np.concatenate(lost)


def _adjusted(x: np.ndarray, bread: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return (I - H)^(-1/2) x of one cluster, and the directions it fits exactly, which are left out."""
    eigenvalue, vector = np.linalg.eigh(np.eye(len(x)) - x @ bread @ x.T)
    kept = eigenvalue > EIGEN_FLOOR
    half = (vector[:, kept] / np.sqrt(eigenvalue[kept])) @ vector[:, kept].T
    return half @ x, vector[:, ~kept].T @ x


def contrast(fit: Fit, combination: ArrayLike, *, level: float = 0.95) -> Contrast:
    """Return a combination of coefficients with Satterthwaite degrees of freedom.

    Where the combination rests on a cluster that the design fits exactly (a group with a single cluster),
    its error cannot be seen in the residuals: standard error, limits and p-value are NaN.

    Parameters
    ----------
    fit
        From `shares` or `values`.
    combination
        Factors of the coefficients, shape (p,).
    level
        Coverage of the t limits, between 0 and 1.

    Source
    ------
    Bell & McCaffrey 2002, Surv Methodol 28:169-181; Imbens & Kolesár 2016, Rev Econ Stat 98:701-712.

    Examples
    --------
    >>> fit = values([1.0, 3.0], [[1.0], [1.0]], ["a", "b"])
    >>> found = contrast(fit, [1.0])
    >>> round(found.df, 6)
    1.0
    """
    c = np.asarray(combination, dtype=float)
    estimate = float(c @ fit.beta)
    se = float(np.sqrt(max(c @ fit.cov @ c, 0.0)))
    # Under equal variances this is the share of the variance that clusters fitted exactly would contribute.
    whole = float(c @ fit.bread @ c)
    unseen = float(((fit.lost @ fit.bread @ c) ** 2).sum()) / whole if whole > 0 else 0.0
    df = _satterthwaite(fit, c) if unseen < MOST_UNSEEN else np.nan
    if not (se > 0 and np.isfinite(df)):
        return Contrast(estimate, np.nan, df, np.nan, np.nan, np.nan, level)
    half = float(scipy.stats.t.ppf(0.5 + level / 2, df)) * se
    p_value = float(2 * scipy.stats.t.sf(abs(estimate / se), df))
    return Contrast(estimate, se, df, estimate - half, estimate + half, p_value, level)


def _satterthwaite(fit: Fit, c: np.ndarray) -> float:
    v = fit.bread @ c
    projected = fit.outer @ v
    products = -projected @ fit.bread @ projected.T
    products[np.diag_indices_from(products)] += np.einsum("i,kij,j->k", v, fit.inner, v)
    total = float((products**2).sum())
    return float(np.trace(products) ** 2 / total) if total > 0 else np.nan


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

    Source
    ------
    Liang & Zeger 1986, Biometrika 73:13-22; Mancl & DeRouen 2001, Biometrics 57:126-134.

    Examples
    --------
    One yes in four: log odds of 1 to 3.

    >>> logistic([1, 0, 0, 0], [[1.0]] * 4, [1, 2, 3, 4]).beta.round(4).tolist()
    [-1.0986]
    """
    from statsmodels.genmod import cov_struct, families
    from statsmodels.genmod.generalized_estimating_equations import GEE

    answers, design = np.asarray(y, dtype=float), np.asarray(X, dtype=float)
    if answers.min() == answers.max():
        raise FitError("regression.logistic: all answers are alike; there is no odds ratio to estimate")
    if np.linalg.matrix_rank(design) < design.shape[1]:
        raise FitError("regression.logistic: columns of X depend on each other; adjust for fewer")
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
            raise FitError("regression.logistic: the equations have no solution; adjust for fewer") from None
    beta, cov = np.asarray(fit.params), np.asarray(fit.cov_params())
    if not np.isfinite(beta).all() or np.abs(design @ beta).max() > LARGEST_LOG_ODDS:
        raise FitError(
            "regression.logistic: a column tells yes from no wholly (a group without events); use bounds"
        )
    finite = bool(np.isfinite(cov).all())
    checks = {"converged": bool(fit.converged), "no_warnings": not caught, "finite_se": finite}
    correlation = 0.0 if single else float(structure.dep_params)
    return MarginalFit(beta, cov, correlation, int(codes.max()) + 1, checks)


def standardised(fit: MarginalFit, X: ArrayLike, column: int) -> Standardised:
    """Return the risks with one column set to 1 for all and to 0 for all, errors by the delta method.

    Parameters
    ----------
    fit
        Of `logistic`.
    X
        Shape (n, p): the rows of the fit.
    column
        Which column holds the group.

    Source
    ------
    Greenland 2004, Am J Epidemiol 160:301-305.
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
    y, X
        Outcome, (n,), and design with its constant, (n, p).
    clusters
        One or two sets of labels, shape (n,) each.
    small_sample
        Multiply by G / (G - 1) x (n - 1) / (n - p).

    Returns
    -------
    tuple of numpy.ndarray
        Coefficients (p,), covariance (p, p).

    Source
    ------
    Petersen 2009, Rev Financ Stud 22:435-480.

    Examples
    --------
    >>> beta, cov = least_squares([1.0, 3.0], [[1.0], [1.0]], ["a", "b"], small_sample=False)
    >>> beta.round(6).tolist(), cov.round(6).tolist()
    ([2.0], [[0.5]])
    """
    from statsmodels.regression.linear_model import OLS

    codes = [np.unique(np.asarray(c), return_inverse=True)[1] for c in clusters]
    groups = codes[0] if len(codes) == 1 else np.column_stack(codes)
    fit = OLS(np.asarray(y, dtype=float), np.asarray(X, dtype=float)).fit(
        cov_type="cluster", cov_kwds={"groups": groups, "use_correction": small_sample}
    )
    return np.asarray(fit.params), np.asarray(fit.cov_params())
