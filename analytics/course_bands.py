"""How are true yields and readings spread over a practice's cases, month by month?

From the emergence model: given log tempo t, a case's true yield at month m is normal about (plateau + slope
t) F(m / half e^-t); a reading adds its counting error. The mixture over t is summed on 21 Gauss-Hermite
nodes.
"""

import numpy as np
import pandas as pd
from scipy import optimize, stats
from scipy.special import ndtr

from analytics import measurement, regrowth
from analytics import regrowth_quantities as quantities
from analytics.errors import FitError
from analytics.numerics import curves
from analytics.records import Records
from analytics.regrowth import Emergence
from analytics.results import LEVEL, Result

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(21)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
CENTILES = (5, 25, 50, 75, 95)
_LOW, _HIGH = -150.0, 350.0
_STEPS = 60
_DRAWS = 2000


def below(fit: Emergence, zone: str, months, yield_pct, error_sd=0.0) -> np.ndarray:
    """Return the share of a zone's cases whose reading lies below a yield, (n,) values 0 to 1.

    Parameters
    ----------
    months, yield_pct
        Months since the session and yields in percent, (n,).
    error_sd
        Standard error of the reading in points of yield, (n,) or one number; 0 for the true yield.
    """
    k = fit.zone_index(zone)
    plateau, log_half, log_k = (v[k] for v in quantities.parameters(fit, fit.beta))
    total, tempo, covariance = quantities.variances(fit, fit.beta, fit.spread)
    slope = covariance / tempo if tempo > 1e-12 else 0.0
    left = max(total - slope * covariance, 0.25)
    t = np.sqrt(max(tempo, 0.0)) * _NODES
    ratio = np.atleast_1d(np.asarray(months, dtype=float))[:, None] * np.exp(-log_half - t)
    emerged = curves.share(fit.curve, ratio, log_k)[0]
    sd = np.sqrt(left * emerged**2 + np.atleast_1d(np.asarray(error_sd, dtype=float))[:, None] ** 2 + 1e-12)
    y = np.atleast_1d(np.asarray(yield_pct, dtype=float))[:, None]
    return ndtr((y - (plateau + slope * t) * emerged) / sd) @ _WEIGHTS


def centile(fit: Emergence, zone: str, months, percent, error_sd=0.0) -> np.ndarray:
    """Return the yield below which `percent` of a zone's cases read at each month, by bisection, (n,)."""
    months = np.atleast_1d(np.asarray(months, dtype=float))
    low, high = np.full(len(months), _LOW), np.full(len(months), _HIGH)
    for _ in range(_STEPS):
        middle = (low + high) / 2
        under = below(fit, zone, months, middle, error_sd) < percent / 100
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return (low + high) / 2


def bounds(fit: Emergence, *, low: float, high: float, step: float = 0.25) -> dict[str, np.ndarray]:
    """Return, by zone, months and two centiles of true yield there, (m, 3): a table to interpolate in."""
    tables = {}
    for zone, last in zip(fit.zones, fit.last_month, strict=True):
        months = np.arange(step, float(last) + 12.0, step)
        columns = [months, centile(fit, zone, months, low), centile(fit, zone, months, high)]
        tables[zone] = np.column_stack(columns)
    return tables


def bands(
    fit: Emergence, zone: str, months, *, planted: float, native: float, area_cm2: float = 1.0
) -> pd.DataFrame:
    """Return the centile bands of a standard reading by month: columns x, p5, p25, p50, p75, p95."""
    months = np.asarray(months, dtype=float)
    error = reading_error(fit, zone, months, planted=planted, native=native, area_cm2=area_cm2)
    columns = {f"p{p}": centile(fit, zone, months, p, error) for p in CENTILES}
    return pd.DataFrame({"x": months, **columns})


def reading_error(
    fit: Emergence,
    zone: str,
    months,
    *,
    planted: float,
    native: float,
    area_cm2: float = 1.0,
    marked: bool = True,
) -> np.ndarray:
    """Return the counting error of a yield reading in points, baseline's count included, (n,)."""
    k = fit.zone_index(zone)
    mean = quantities.mean_yield(fit, k, np.asarray(months, dtype=float), fit.beta, fit.spread)
    after = np.maximum(native + planted * mean / 100, 1.0)
    both = np.stack([after, np.full(len(after), max(native, 1.0))])
    variance = measurement.count_variance(
        both, area_cm2, marked=marked, reader_changed=False, error=fit.count_error
    )
    return 100 * np.sqrt(variance.sum(axis=0)) / planted


def front_month(
    records: Records,
    *,
    fit: Emergence | None = None,
    zone: str = "crown",
    month: float = 6.0,
    level: float = LEVEL,
    seed: int = 1,
) -> Result:
    """Return the month at which the front's mean yield equals that of a zone at `month`, in this practice.

    Limits come from draws of the fixed effects (normal, their robust covariance); where the front never was
    so low or the draws leave the data, the flag says so.

    Raises
    ------
    FitError
        When the fit has no front or not the zone.
    """
    fit = regrowth.fit_emergence(records) if fit is None else fit
    if zone not in fit.zones or not any(z in fit.zones for z in ("hairline", "frontal")):
        raise FitError(f"course.front_month: the fit needs the {zone} and a zone of the front")
    rng = np.random.default_rng(seed)
    draws = rng.multivariate_normal(fit.beta, fit.beta_cov, size=_DRAWS, method="svd")
    found = np.array([_same_month(fit, zone, month, beta) for beta in draws])
    estimate = _same_month(fit, zone, month, fit.beta)
    tail = (1 - level) / 2
    low, high = (
        np.nanquantile(found, [tail, 1 - tail]) if np.isfinite(found).mean() > 0.9 else (np.nan, np.nan)
    )
    flag = "" if np.isfinite(low) else "not determined by these records"
    row = {
        "term": f"frontal month that a {zone} at month {month:g} corresponds to",
        "x": month,
        "estimate": estimate,
        "se": float(np.nanstd(found)),
        "ci_low": low,
        "ci_high": high,
        "level": level,
        "unit": "months",
        "n_patients": float(fit.n_patients[fit.zone_index(zone)]),
        "flag": flag,
    }
    method = (
        f"month at which the front's mean yield equals the {zone}'s at month {month:g}; limits from "
        f"{_DRAWS:,} draws of the fixed "
        f"effects, seed {seed}"
    )
    return Result(pd.DataFrame([row]), pd.DataFrame({"reason": []}), method)


def _same_month(fit: Emergence, zone: str, month: float, beta: np.ndarray) -> float:
    k = fit.zone_index(zone)
    level = float(quantities.mean_yield(fit, k, np.array([month]), beta, fit.spread)[0])
    weights = quantities.weights_of(fit, quantities.FRONT_NAME)

    def gap(m: float) -> float:
        at = np.array([m])
        front = sum(
            w * float(quantities.mean_yield(fit, i, at, beta, fit.spread)[0])
            for i, w in enumerate(weights)
            if w > 0
        )
        return front - level

    try:
        return float(optimize.brentq(gap, 0.05, 60.0))
    except ValueError:
        return float("nan")


def normal_limits(mean: np.ndarray, sd: np.ndarray, level: float) -> tuple[np.ndarray, np.ndarray]:
    """Return lower and upper normal limits."""
    z = stats.norm.ppf((1 + level) / 2)
    return mean - z * sd, mean + z * sd
