"""By what factor does the rate of an event differ? Cox's model, with the treatment of ties named.

An adapter over statsmodels: Breslow's and Efron's likelihoods from its hazard regression, the exact one from
its conditional logistic model of each risk set. Added here: whether the likelihood has a maximum at all (it
has none where one group has every event), and the score test, which with exact ties is the log-rank test.

Times that are seen to happen, or are censored on the right: curves, tests, restricted means.

Kaplan-Meier comes from statsmodels, whose objects stay here. What libraries lack or get wrong is computed:
limits with a named transform, the log-rank table with its observed, expected and variance, the standard error
of a restricted mean (lifelines returns the variance of min(T, tau), not of its mean).

Times that differ by rounding alone (differences of dates in years) are one time, as a person would read them;
both libraries would treat them as two. Sources: Kaplan and Meier 1958, JASA 53; Kalbfleisch and Prentice
2002, *The Statistical Analysis of Failure Time Data*; Klein and Moeschberger 2003, *Survival Analysis*, eq.
4.5.2 for the restricted mean (from memory).
"""

import warnings
from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2, norm

from analytics.errors import FitError, ParameterError

TRANSFORMS = ("plain", "log", "log-log")
LOG_RANK_WEIGHTS = ("log-rank", "gehan", "tarone-ware", "fleming-harrington", "peto")
# Times closer than this, in their own unit, are one time.
SAME_TIME = 1e-9


@dataclass(frozen=True, slots=True)
class KaplanMeierFit:
    """A survival curve at its event times: Greenwood's standard error, limits on the named transform."""

    time: np.ndarray
    at_risk: np.ndarray
    events: np.ndarray
    survival: np.ndarray
    se: np.ndarray
    ci_low: np.ndarray
    ci_high: np.ndarray
    median: float
    median_low: float
    median_high: float
    transform: str
    level: float
    last_time: float

    def at(self, t) -> np.ndarray:
        """Return the survival after each time t."""
        steps = np.concatenate([[1.0], self.survival])
        return steps[np.searchsorted(self.time, np.asarray(t, dtype=float), side="right")]


@dataclass(frozen=True, slots=True)
class RestrictedMean:
    """The mean of min(time, tau) with its standard error."""

    estimate: float
    se: float
    tau: float


@dataclass(frozen=True, slots=True)
class LogRankTest:
    """A weighted log-rank test: sums over event times of weight times (observed - expected) by group."""

    groups: np.ndarray
    observed: np.ndarray
    expected: np.ndarray
    covariance: np.ndarray
    statistic: float
    df: int
    p_value: float
    weights: str


def kaplan_meier(time, event, *, level: float = 0.95, transform: str = "log-log") -> KaplanMeierFit:
    """Estimate the share still without the event over time.

    Parameters
    ----------
    time, event
        Shape (n,): months, at least 0, and whether the event was seen.
    level
        Level of the limits.
    transform
        Scale of the limits: plain, log or log-log. Software differs in its default, so it is always named.

    Raises
    ------
    ParameterError
        For times that are missing or negative, or an unknown transform.

    Source
    ------
    Kaplan and Meier 1958, JASA 53; Greenwood's variance.

    Examples
    --------
    >>> kaplan_meier([1.0, 2.0, 3.0, 4.0], [1, 0, 0, 1]).survival.tolist()
    [0.75, 0.0]
    """
    from statsmodels.duration.survfunc import SurvfuncRight

    time, event = checked_times(time, event, "survival.kaplan_meier")
    check_choice(transform, TRANSFORMS, "survival.kaplan_meier(transform)")
    with np.errstate(divide="ignore", invalid="ignore"):
        curve = SurvfuncRight(time, event.astype(int))
    keep = curve.n_events > 0
    at, survival = curve.surv_times[keep], curve.surv_prob[keep]
    se = np.nan_to_num(curve.surv_prob_se[keep], nan=0.0)
    low, high = _limits(survival, se, level, transform)
    return KaplanMeierFit(
        at, curve.n_risk[keep], curve.n_events[keep], survival, se, low, high,
        _first_at_most(at, survival), _first_at_most(at, low), _first_at_most(at, high),
        transform, level, float(time.max()),
    )  # fmt: skip


def _limits(survival, se, level, transform) -> tuple[np.ndarray, np.ndarray]:
    z = norm.isf((1.0 - level) / 2.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        if transform == "plain":
            low, high = survival - z * se, survival + z * se
        elif transform == "log":
            low, high = survival * np.exp(-z * se / survival), survival * np.exp(z * se / survival)
        else:
            spread = np.exp(z * se / (survival * np.log(survival)))
            low, high = survival ** (1.0 / spread), survival**spread
    at_zero = survival <= 0
    return np.where(at_zero, np.nan, np.clip(low, 0.0, 1.0)), np.where(
        at_zero, np.nan, np.clip(high, 0.0, 1.0)
    )


def _first_at_most(time, curve, share: float = 0.5) -> float:
    """Return the first time at which a falling curve is at or under a share; infinite where it never is."""
    below = curve <= share + 1e-12
    return float(time[below][0]) if below.any() else np.inf


def restricted_mean(fit: KaplanMeierFit, tau: float) -> RestrictedMean:
    """Return the area under a survival curve up to tau, with the standard error of that area.

    Parameters
    ----------
    fit
        A curve from `kaplan_meier`.
    tau
        Months, above 0, at most the last time seen unless the curve has reached 0.

    Raises
    ------
    ParameterError
        Where tau lies past what was seen.

    Source
    ------
    Klein and Moeschberger 2003, *Survival Analysis*, eq. 4.5.2 and following (from memory).

    Examples
    --------
    >>> restricted_mean(kaplan_meier([1.0, 2.0, 3.0, 4.0], [1, 1, 1, 1]), 4.0).estimate
    2.5
    """
    seen = fit.last_time if fit.survival[-1] > 0 else np.inf
    if not 0 < tau <= seen:
        raise ParameterError(
            f"survival.restricted_mean(tau): 1 value outside what was seen, 0 to {seen:g}; the area needs "
            "the curve up to tau; choose an earlier tau"
        )
    steps = fit.time < tau
    knots = np.concatenate([[0.0], fit.time[steps], [tau]])
    heights = np.concatenate([[1.0], fit.survival[steps]])
    areas = heights * np.diff(knots)
    beyond = areas.sum() - np.cumsum(areas)[:-1]
    at_risk, events = fit.at_risk[steps].astype(float), fit.events[steps].astype(float)
    left = at_risk - events
    weight = np.divide(events, at_risk * left, out=np.zeros_like(left), where=left > 0)
    return RestrictedMean(float(areas.sum()), float(np.sqrt(np.sum(beyond**2 * weight))), float(tau))


def log_rank(time, event, group, *, weights: str = "log-rank", stratum=None) -> LogRankTest:
    """Test whether the event comes at different times between groups.

    Parameters
    ----------
    time, event, group
        Shape (n,).
    weights
        One of LOG_RANK_WEIGHTS: 1; the number at risk; its square root; the pooled Kaplan-Meier just before;
        Peto and Prentice's survival estimate with one added to those at risk.
    stratum
        Shape (n,), labels; comparisons are made within strata.

    Raises
    ------
    ParameterError
        For fewer than two groups, or an unknown weight.

    Source
    ------
    Kalbfleisch and Prentice 2002; Tarone and Ware 1977, Biometrika 64; Fleming and Harrington 1982.

    Examples
    --------
    >>> test = log_rank([1.0, 2.0, 3.0, 4.0], [1, 1, 1, 1], ["a", "b", "a", "b"])
    >>> test.observed.tolist(), test.expected.round(4).tolist()
    ([2.0, 2.0], [1.3333, 2.6667])
    """
    time, event = checked_times(time, event, "survival.log_rank")
    check_choice(weights, LOG_RANK_WEIGHTS, "survival.log_rank(weights)")
    groups, group_of = np.unique(np.asarray(group), return_inverse=True)
    if groups.size < 2:
        raise ParameterError(
            "survival.log_rank(group): fewer than 2 groups with rows; a test compares; "
            "check what was left out"
        )
    strata = np.zeros(time.size, dtype=int) if stratum is None else np.unique(stratum, return_inverse=True)[1]
    observed, expected = np.zeros(groups.size), np.zeros(groups.size)
    distance, covariance = np.zeros(groups.size), np.zeros((groups.size, groups.size))
    for label in np.unique(strata):
        rows = strata == label
        part = _log_rank_sums(time[rows], event[rows], group_of[rows], groups.size, weights)
        observed, expected = observed + part[0], expected + part[1]
        distance, covariance = distance + part[2], covariance + part[3]
    values, vectors = np.linalg.eigh(covariance)
    moved = values > 1e-10 * max(values.max(), np.finfo(float).tiny)
    along = vectors[:, moved].T @ distance
    statistic = float(np.sum(along**2 / values[moved]))
    df = int(moved.sum())
    return LogRankTest(
        groups,
        observed,
        expected,
        covariance,
        statistic,
        df,
        float(chi2.sf(statistic, df)) if df else np.nan,
        weights,
    )


def _log_rank_sums(time, event, group_of, n_groups, weights):
    at = np.unique(time[event])
    risk = np.array(
        [[np.sum((group_of == g) & (time >= t)) for g in range(n_groups)] for t in at], dtype=float
    )
    died = np.array(
        [[np.sum((group_of == g) & (time == t) & event) for g in range(n_groups)] for t in at], dtype=float
    )
    risk, died = risk.reshape(-1, n_groups), died.reshape(-1, n_groups)
    n, d = risk.sum(axis=1), died.sum(axis=1)
    weight = _log_rank_weight(n, d, weights)
    share = risk / n[:, None]
    expected = d[:, None] * share
    spread = np.divide(d * (n - d), n - 1.0, out=np.zeros_like(n), where=n > 1) * weight**2
    covariance = np.diag(spread @ share) - np.einsum("t,tg,th->gh", spread, share, share)
    return died.sum(axis=0), expected.sum(axis=0), weight @ (died - expected), covariance


def _log_rank_weight(n, d, weights) -> np.ndarray:
    if weights == "gehan":
        return n
    if weights == "tarone-ware":
        return np.sqrt(n)
    if weights == "fleming-harrington":
        return np.concatenate([[1.0], np.cumprod(1.0 - d / n)[:-1]])
    if weights == "peto":
        return np.cumprod(1.0 - d / (n + 1.0))
    return np.ones_like(n)


def checked_times(time, event, where: str) -> tuple[np.ndarray, np.ndarray]:
    """Return times and events as arrays, equal times made equal; `where` is the caller, for refusals."""
    time, event = np.asarray(time, dtype=float), np.asarray(event).astype(bool)
    if time.ndim != 1 or time.shape != event.shape or time.size == 0:
        raise ParameterError(
            f"{where}(time, event): no rows, or shapes that differ; one value a row in "
            "each; give equal lengths"
        )
    bad = ~(np.isfinite(time) & (time >= 0))
    if bad.any():
        raise ParameterError(
            f"{where}(time): {int(bad.sum())} missing or negative, first at row "
            f"{int(np.flatnonzero(bad)[0]) + 1}; times are 0 or more; leave the row out with a reason"
        )
    ordered = np.unique(time)
    leaders = ordered[np.concatenate([[True], np.diff(ordered) > SAME_TIME * max(1.0, float(ordered[-1]))])]
    return leaders[np.searchsorted(leaders, time, side="right") - 1], event


def check_choice(value: str, choices: tuple[str, ...], where: str) -> None:
    """Refuse a value that is not one of the choices (`where` is the caller and argument)."""
    if value not in choices:
        raise ParameterError(f"{where}: 1 unknown value; use one of {', '.join(choices)}; correct it")


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
