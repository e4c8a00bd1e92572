"""By what factor is one group later than another? Time-ratio models for interval-censored times.

log(time) = design . beta + scale * error: a group's coefficient is the log of the factor by which its times
are stretched (accelerated failure time). Errors: `exponential` (scale 1), `weibull`, `log-normal`,
`log-logistic`, and the generalised `gamma` with one shape more, which holds the first two at shape 1 and 0
(Prentice 1974, Biometrika 61). A share that never reaches the event can be added: survival = never + (1 -
never) S, with its own design on the logit scale (mixture form: Boag 1949, JRSS B 11; Farewell 1982,
Biometrics 38).

Intervals are (left, right], an infinite right is censored, equal ends are exact. The fit takes Newton
steps on the likelihood of `numerics.time_ratios.likelihood`: lifelines stops short, knows no share that never
reaches and no errors clustered in patients.
Standard errors come in two kinds: from the curvature, and robust with the scores summed over each patient
(Huber's sandwich, times G / (G - 1) for G patients). Citations from memory.
"""

from dataclasses import dataclass

import numpy as np
import scipy
from scipy.special import expit, logit

from analytics.errors import FitError, ParameterError
from analytics.numerics import turnbull
from analytics.numerics.time_ratios import likelihood
from analytics.numerics.time_ratios.likelihood import FAMILIES, Rows

# Newton decrement at which the maximum is reached: the log-likelihood still to be gained.
DECREMENT = 1e-11
MAX_STEPS = 100
# A never-reaching share under this is none, to more digits than any register can tell.
NO_SHARE = 1e-5
# Shares tried as starts of a never-reaching share.
STARTS = (0.05, 0.25)


@dataclass(frozen=True, slots=True)
class TimeRatioFit:
    """A fitted time-ratio model.

    `beta` (p,) on the log-time scale; `scale`; `shape` of the generalised gamma, else NaN; `never_logit`
    (k,), empty without a never-reaching share. `parameters`, `cov`, `cov_robust` hold beta, log scale,
    shape, never, in that order. `loglik`, `aic`; `n_patients`; `checks`.
    """

    family: str
    beta: np.ndarray
    scale: float
    shape: float
    never_logit: np.ndarray
    parameters: np.ndarray
    cov: np.ndarray
    cov_robust: np.ndarray
    loglik: float
    aic: float
    n_patients: int
    checks: dict[str, bool]

    def survival(self, t, design, never_design=None) -> np.ndarray:
        """Return the share without the event after each t (m,), for each row of a design (r, p): (r, m)."""
        t = np.atleast_1d(np.asarray(t, dtype=float))
        place = (np.atleast_2d(design) @ self.beta)[:, None]
        z = (np.log(np.maximum(t, likelihood.TINY)) - place) / self.scale
        share = likelihood.survival(z, self.family, self.shape)
        if not self.never_logit.size:
            return share
        never = expit(np.atleast_2d(never_design) @ self.never_logit)[:, None]
        return never + (1.0 - never) * share

    def time_ratio(
        self, direction, *, level: float = 0.95, robust: bool = True, df: float | None = None
    ) -> tuple[float, float, float]:
        """Return the factor exp(direction . beta) with t limits; df is patients less one unless given."""
        direction = np.asarray(direction, dtype=float)
        padded = np.pad(direction, (0, self.parameters.size - direction.size))
        centre, low, high = np.exp(self._limits(padded, level, robust, df))
        return float(centre), float(low), float(high)

    def never_share(
        self, direction=(1.0,), *, level: float = 0.95, robust: bool = True
    ) -> tuple[float, float, float]:
        """Return the share that never reaches, with its limits (on the logit scale)."""
        direction = np.asarray(direction, dtype=float)
        padded = np.pad(direction, (self.parameters.size - direction.size, 0))
        centre, low, high = expit(self._limits(padded, level, robust))
        return float(centre), float(low), float(high)

    def _limits(self, direction, level, robust, df=None) -> np.ndarray:
        cov = self.cov_robust if robust else self.cov
        centre, spread = float(direction @ self.parameters), float(np.sqrt(direction @ cov @ direction))
        freedom = max(self.n_patients - 1, 1) if df is None else df
        reach = float(scipy.stats.t.ppf((1.0 + level) / 2.0, freedom)) * spread
        return np.array([centre, centre - reach, centre + reach])


@dataclass(frozen=True, slots=True)
class NeverTest:
    """Is there a share that never reaches? The likelihood ratio against none, which is a boundary.

    `statistic` is twice the gain in log-likelihood; `scaled` divides it by robust over plain variance, for
    patients with several rows; `p_value` is that of `scaled` under an equal mixture of 0 and chi-squared
    with 1 df (Self and Liang 1987, JASA 82).
    """

    statistic: float
    scaled: float
    p_value: float


def fit(
    left, right, design, *, family: str = "log-logistic", patient=None, never_design=None, starts=None
) -> TimeRatioFit:
    """Fit a time-ratio model to times known to lie in (left, right].

    Parameters
    ----------
    left, right
        Shape (n,), as in `turnbull.fit`; an exact time is above 0.
    design
        Shape (n, p), with its constant.
    family
        One of FAMILIES.
    patient
        Shape (n,), labels for the robust errors; None takes each row as its own.
    never_design
        Shape (n, k), for the logit of the never-reaching share; None for no such share.
    starts
        Parameters to start from, several where the best is wanted: beta, log scale, shape, without the share.
        By default least squares on the middles of the intervals.

    Raises
    ------
    ParameterError
        For intervals `turnbull.fit` refuses, an unknown family, or a design of another length.
    FitError
        Where no row reached the event, or the columns of a design repeat each other.

    Source
    ------
    Kalbfleisch and Prentice 2002, *The Statistical Analysis of Failure Time Data*, chapter 3 (from memory).

    Examples
    --------
    Intervals doubled in length take twice as long: one time ratio of 2.

    >>> left, right = np.array([1.0, 2.0, 3.0, 2.0, 4.0, 6.0]), np.array([2.0, 3.0, 4.0, 4.0, 6.0, 8.0])
    >>> found = fit(left, right, np.column_stack([np.ones(6), [0, 0, 0, 1, 1, 1]]))
    >>> round(float(np.exp(found.beta[1])), 2)
    2.0
    """
    rows = _checked_rows(left, right, design, never_design, family)
    codes = (
        np.arange(rows.left.size)
        if patient is None
        else np.unique(np.asarray(patient), return_inverse=True)[1]
    )
    reached = [_maximise(rows, start) for start in _starts(rows, starts)]
    return _describe(rows, codes, *max(reached, key=lambda one: one[1]))


def never_test(without: TimeRatioFit, with_share: TimeRatioFit) -> NeverTest:
    """Test one never-reaching share against none.

    Parameters
    ----------
    without, with_share
        Fits of the same rows, design and family; the second with a never-reaching share of one column.

    Examples
    --------
    No gain in log-likelihood is no evidence at all.

    >>> rows = ([0.0, 1.0, 2.0], [1.0, 2.0, 3.0], [[1.0], [1.0], [1.0]])
    >>> never_test(fit(*rows), fit(*rows, never_design=[[1.0], [1.0], [1.0]])).p_value
    1.0
    """
    statistic = max(2.0 * (with_share.loglik - without.loglik), 0.0)
    if not with_share.checks["not_on_boundary"] or statistic < 1e-6:
        return NeverTest(statistic, 0.0, 1.0)
    plain, robust = with_share.cov[-1, -1], with_share.cov_robust[-1, -1]
    scaled = statistic * min(plain / robust, 1.0) if robust > 0 else statistic
    return NeverTest(statistic, scaled, 0.5 * float(scipy.stats.chi2.sf(scaled, 1)))


def _checked_rows(left, right, design, never_design, family) -> Rows:
    left, right = np.asarray(left, dtype=float), np.asarray(right, dtype=float)
    turnbull.refuse_intervals(left, right, "time_ratios.fit(left, right)")
    if family not in FAMILIES:
        raise ParameterError(
            f"time_ratios.fit(family): 1 unknown value; use one of {', '.join(FAMILIES)}; correct it"
        )
    design = np.asarray(design, dtype=float)
    never = np.empty((left.size, 0)) if never_design is None else np.asarray(never_design, dtype=float)
    for name, matrix in (("design", design), ("never_design", never)):
        if matrix.ndim != 2 or matrix.shape[0] != left.size or not np.isfinite(matrix).all():
            raise ParameterError(
                f"time_ratios.fit({name}): not one finite row per interval; a design is (n, columns); fix it"
            )
        if matrix.shape[1] and np.linalg.matrix_rank(matrix) < matrix.shape[1]:
            raise FitError(
                f"time_ratios.fit({name}): columns repeat each other, or a group is empty; leave one out"
            )
    if not np.isfinite(right).any():
        raise FitError(
            "time_ratios.fit(right): no row reached the event; at least 1 must; use a lower milestone"
        )
    return Rows(left, right, design, never, family)


def _starts(rows: Rows, given=None) -> list[np.ndarray]:
    """Return starting parameters: of a fit without the share, those given, or rough ones."""
    if rows.never.shape[1]:
        whole = Rows(rows.left, rows.right, rows.design, rows.never[:, :0], rows.family)
        reached = _maximise(whole, _starts(whole, given)[0])[0]
        shares = [logit(share) * _constant(rows.never) for share in STARTS]
        return [np.concatenate([reached, share]) for share in shares]
    if given is not None:
        return [np.asarray(start, dtype=float) for start in given]
    return _rough_starts(rows)


def _rough_starts(rows: Rows) -> list[np.ndarray]:
    """Return least squares on the log of interval middles, censored rows at their left end; two shapes."""
    middle = np.where(np.isfinite(rows.right), (rows.left + rows.right) / 2.0, rows.left * 1.3)
    month = np.log(np.maximum(middle, 0.05 * np.median(np.maximum(middle, 1e-6))))
    beta, *_ = np.linalg.lstsq(rows.design, month, rcond=None)
    spread = max(float(np.std(month - rows.design @ beta)), 0.1)
    # Wide: under a narrow start the log-normal of a row far off is 0 to rounding.
    scale = [] if rows.family == "exponential" else [np.log(1.5 * spread)]
    shapes = [[0.5], [1.0]] if rows.family == "gamma" else [[]]
    return [np.concatenate([beta, scale, shape]) for shape in shapes]


def _constant(design: np.ndarray) -> np.ndarray:
    """Return the coefficients that give every row nearly 1."""
    return np.linalg.lstsq(design, np.ones(design.shape[0]), rcond=None)[0]


def _maximise(rows: Rows, start: np.ndarray) -> tuple[np.ndarray, float, bool]:
    """Return parameters, log-likelihood and whether it converged, by damped Newton steps."""
    at, value = start, float(likelihood.loglik(rows, start).sum())
    for _ in range(MAX_STEPS):
        slope = likelihood.scores(rows, at).sum(axis=0)
        move = _ascent(likelihood.curvature(rows, at), slope)
        if not np.isfinite(move).all():
            return at, value, False
        if float(slope @ move) < DECREMENT:
            return at, value, True
        new, new_value = _halved(rows, at, value, move, float(slope @ move))
        if new_value <= value:
            return at, value, float(slope @ move) < 1e-7
        if _share_gone(rows, new):
            return new, new_value, True
        at, value = new, new_value
    return at, value, False


def _ascent(bend: np.ndarray, slope: np.ndarray) -> np.ndarray:
    """Return the Newton step, bent uphill where the likelihood is not concave."""
    values, vectors = np.linalg.eigh(-bend)
    floor = 1e-10 * max(float(np.abs(values).max()), 1e-12)
    return vectors @ ((vectors.T @ slope) / np.maximum(np.abs(values), floor))


def _halved(rows, at, value, move, rise):
    length = min(1.0, 3.0 / max(float(np.abs(move).max()), 1e-12))
    for _ in range(40):
        new = at + length * move
        new_value = float(likelihood.loglik(rows, new).sum())
        if np.isfinite(new_value) and new_value >= value + 1e-4 * length * rise:
            return new, new_value
        length /= 2.0
    return at, value


def _share_gone(rows: Rows, parameters: np.ndarray) -> bool:
    """Say whether the never-reaching share has run to none in every row."""
    k = rows.never.shape[1]
    return bool(k) and bool((expit(rows.never @ parameters[parameters.size - k :]) < NO_SHARE).all())


def _describe(rows, codes, parameters, value, converged) -> TimeRatioFit:
    hessian, scores = likelihood.curvature(rows, parameters), likelihood.scores(rows, parameters)
    on_boundary = _share_gone(rows, parameters)
    free = np.arange(parameters.size - (rows.never.shape[1] if on_boundary else 0))
    cov, robust = np.full((2, parameters.size, parameters.size), np.nan)
    n_patients = int(codes.max()) + 1
    summed = np.zeros((n_patients, parameters.size))
    np.add.at(summed, codes, scores)
    inner = np.linalg.pinv(-hessian[np.ix_(free, free)])
    cov[np.ix_(free, free)] = inner
    # Where all reached between the same two visits the scale runs to nothing, and scores with it past all
    # bounds: there is no standard error then.
    with np.errstate(over="ignore", invalid="ignore"):
        meat = summed[:, free].T @ summed[:, free] * (n_patients / max(n_patients - 1, 1))
        sandwich = inner @ meat @ inner
    # A group that all reached before they were first seen has no least ratio: its variance is rounding alone.
    gone = np.diag(sandwich) < 0
    sandwich[gone], sandwich[:, gone] = np.nan, np.nan
    robust[np.ix_(free, free)] = np.where(np.isfinite(sandwich), sandwich, np.nan)
    p, with_scale, with_shape = rows.design.shape[1], rows.family != "exponential", rows.family == "gamma"
    checks = {
        "converged": bool(converged),
        "no_warnings": True,
        "not_on_boundary": not on_boundary,
        "finite_se": bool((np.diag(inner) > 0).all() and np.isfinite(inner + sandwich).all()),
    }
    return TimeRatioFit(
        family=rows.family,
        beta=parameters[:p],
        scale=float(np.exp(parameters[p])) if with_scale else 1.0,
        shape=float(parameters[p + 1]) if with_shape else np.nan,
        never_logit=parameters[p + with_scale + with_shape :],
        parameters=parameters,
        cov=cov,
        cov_robust=robust,
        loglik=value,
        aic=2.0 * parameters.size - 2.0 * value,
        n_patients=n_patients,
        checks=checks,
    )
