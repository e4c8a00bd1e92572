"""By what factor does the rate of an event differ? Cox's model, with the treatment of ties named.

An adapter over statsmodels: Breslow's and Efron's likelihoods from its hazard regression, the exact one from
its conditional logistic model of each risk set. Added here: whether the likelihood has a maximum at all (it
has none where one group has every event), and the score test, which with exact ties is the log-rank test.
"""

import warnings
from dataclasses import dataclass

import numpy as np
from scipy.stats import norm

from analytics.errors import FitError
from analytics.numerics.survival import check_choice, checked_times

TIES = ("breslow", "efron", "exact")
# A hazard ratio whose log has moved this far without a maximum has none.
NO_MAXIMUM = 1e-6
# The library's own optimiser stops four digits short; Newton steps from there, which is ample.
EXACT_STEPS = 4


@dataclass(frozen=True, slots=True)
class CoxFit:
    """Log hazard ratios.

    `is_finite` is False where the likelihood has no maximum, and then the estimate is infinite.
    `score_statistic` tests all of them at once without leaving zero; with exact ties it is the log-rank test.
    """

    beta: np.ndarray
    se: np.ndarray
    ci_low: np.ndarray
    ci_high: np.ndarray
    loglik: float
    loglik_null: float
    score_statistic: float
    ties: str
    is_finite: bool
    checks: dict[str, bool]


def cox(time, event, design, *, ties: str = "efron", level: float = 0.95) -> CoxFit:
    """Estimate log hazard ratios.

    Parameters
    ----------
    time, event
        Shape (n,).
    design
        Shape (n,) or (n, p), without a constant.
    ties
        `breslow`, `efron`, or `exact` (the conditional logistic likelihood of each risk set; slow with many
        ties).
    level
        Level of the normal limits.

    Raises
    ------
    ParameterError
        For shapes that differ or an unknown treatment of ties.
    FitError
        Where the library cannot fit at all.

    Source
    ------
    Cox 1972, JRSS B 34; Efron 1977, JASA 72; Therneau and Grambsch 2000, chapter 3 (from memory).
    """
    time, event = checked_times(time, event, "hazards.cox")
    check_choice(ties, TIES, "hazards.cox(ties)")
    design = np.asarray(design, dtype=float).reshape(time.size, -1)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        if ties == "exact":
            beta, cov, model = _exact_ties(time, event, design)
        else:
            beta, cov, model = _partial_likelihood(time, event, design, ties)
    loglik, zero = float(model.loglike(beta)), np.zeros(beta.size)
    null, has_maximum = float(model.loglike(zero)), _has_maximum(model.loglike, beta)
    slope = model.score(zero)
    score_statistic = float(slope @ np.linalg.solve(-np.atleast_2d(model.hessian(zero)), slope))
    se = np.sqrt(np.maximum(np.diag(cov), 0.0)) if has_maximum else np.full(beta.size, np.nan)
    if not has_maximum:
        beta = np.where(np.abs(beta) * design.std(axis=0) > 1.0, np.sign(beta) * np.inf, beta)
    z = norm.isf((1.0 - level) / 2.0)
    checks = {
        "converged": has_maximum,
        "no_warnings": not caught,
        "not_on_boundary": has_maximum,
        "finite_se": bool(np.isfinite(se).all()),
    }
    return CoxFit(
        beta, se, beta - z * se, beta + z * se, loglik, null, score_statistic, ties, has_maximum, checks
    )


def _partial_likelihood(time, event, design, ties):
    from statsmodels.duration.hazard_regression import PHReg

    model = PHReg(time, design, status=event.astype(int), ties=ties)
    try:
        fitted = model.fit(disp=0)
    except np.linalg.LinAlgError as error:
        raise FitError(
            "hazards.cox(design): the columns repeat each other; leave one out; check the design"
        ) from error
    return np.asarray(fitted.params), np.asarray(fitted.cov_params()), model


def _exact_ties(time, event, design):
    """Fit the conditional logistic likelihood: in each risk set, which of them had the event."""
    from statsmodels.discrete.conditional_models import ConditionalLogit

    at = np.unique(time[event])
    rows = [np.flatnonzero(time >= t) for t in at]
    outcome = np.concatenate([(time[r] == t) & event[r] for t, r in zip(at, rows, strict=True)]).astype(int)
    sets = np.repeat(np.arange(at.size), [r.size for r in rows])
    model = ConditionalLogit(outcome, design[np.concatenate(rows)], groups=sets)
    beta = np.asarray(model.fit(disp=0, method="BFGS").params)
    if _has_maximum(model.loglike, beta):
        for _ in range(EXACT_STEPS):
            beta = beta - np.linalg.solve(np.atleast_2d(model.hessian(beta)), model.score(beta))
    return beta, np.linalg.pinv(-np.atleast_2d(model.hessian(beta))), model


def _has_maximum(loglike, beta) -> bool:
    """Say whether the log-likelihood falls again further out along the estimate."""
    if np.max(np.abs(beta)) < 1.0:
        return True
    return bool(loglike(beta) - loglike(beta * 1.5) > NO_MAXIMUM)
