"""Where does one placement stand among this practice's cases, given all that was read of it?

All readings of the case, weighed by how much they tell of the placement's true yield at its last one, are
held against those of the practice's own cases read alike: `z` is standard normal over cases that belong to
the practice (`regrowth.case`).

 * *behind* below the 5th centile of z, *ahead* above the 95th: of 100 cases that belong to the practice 5 are
   called behind and 5 ahead. That is the rule's stated rate of false alarms, a look.
 * *usual* where the true yield lies between the practice's 10th and 90th centiles with probability 90 % or
   more; else *cannot tell*. Before any reading that probability is 80 %, so that readings must add to it.
 * *cannot tell* too where the readings say less than a fifth of how far cases differ, and where the last lies
   beyond the months this practice has followed.
 * after maturity *low*, before all others, where the true yield lies under 70 % with probability 95 % or
   more: of those called low no more than 5 in 100 should be 70 % or above.

The chance of being among the lowest tenth stands beside the state; slow (log tempo in the slowest tenth) and
low (plateau in the lowest tenth) split it. All limits are ours. `course.false_alarms` counts, and
`tests/bench/course_coverage.py` counts where the truth is known.

How are true yields and readings spread over a practice's cases, month by month?

From the emergence model: given log tempo t, a case's true yield at month m is normal about (plateau + slope
t) F(m / half e^-t); a reading adds its counting error. The mixture over t is summed on 21 Gauss-Hermite
nodes.
"""

import numpy as np
import pandas as pd
from scipy import optimize, stats
from scipy.special import ndtr

from analytics import measurement, regrowth
from analytics.errors import FitError
from analytics.numerics.nonlinear import share
from analytics.records import Records
from analytics.regrowth import (
    FRONT_NAME,
    CasePrediction,
    Emergence,
    mean_yield,
    parameters,
    variances,
    weights_of,
)
from analytics.results import LEVEL, Result, line

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(21)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
CENTILES = (5, 25, 50, 75, 95)
_LOW, _HIGH = -150.0, 350.0
_STEPS = 60
_CURVE_DRAWS = 2000


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
    plateau, log_half, log_k = (v[k] for v in parameters(fit, fit.beta))
    total, tempo, covariance = variances(fit, fit.beta, fit.spread)
    slope = covariance / tempo if tempo > 1e-12 else 0.0
    left = max(total - slope * covariance, 0.25)
    t = np.sqrt(max(tempo, 0.0)) * _NODES
    ratio = np.atleast_1d(np.asarray(months, dtype=float))[:, None] * np.exp(-log_half - t)
    emerged = share(fit.curve, ratio, log_k)[0]
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


def bounds_of_standing(
    fit: Emergence, *, low: float, high: float, step: float = 0.25
) -> dict[str, np.ndarray]:
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
    mean = mean_yield(fit, k, np.asarray(months, dtype=float), fit.beta, fit.spread)
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
    draws = rng.multivariate_normal(fit.beta, fit.beta_cov, size=_CURVE_DRAWS, method="svd")
    found = np.array([_same_month(fit, zone, month, beta) for beta in draws])
    estimate = _same_month(fit, zone, month, fit.beta)
    tail = (1 - level) / 2
    low, high = (
        np.nanquantile(found, [tail, 1 - tail]) if np.isfinite(found).mean() > 0.9 else (np.nan, np.nan)
    )
    flag = "" if np.isfinite(low) else "not determined by these records"
    row = line(
        f"frontal month that a {zone} at month {month:g} corresponds to",
        estimate,
        "months",
        x=month,
        se=float(np.nanstd(found)),
        ci=(low, high),
        level=level,
        n_patients=int(fit.n_patients[fit.zone_index(zone)]),
        flag=flag,
    )
    method = (
        f"month at which the front's mean yield equals the {zone}'s at month {month:g}; limits from "
        f"{_CURVE_DRAWS:,} draws of the fixed "
        f"effects, seed {seed}"
    )
    return Result(pd.DataFrame([row]), pd.DataFrame({"reason": []}), method)


def _same_month(fit: Emergence, zone: str, month: float, beta: np.ndarray) -> float:
    k = fit.zone_index(zone)
    level = float(mean_yield(fit, k, np.array([month]), beta, fit.spread)[0])
    weights = weights_of(fit, FRONT_NAME)

    def gap(m: float) -> float:
        at = np.array([m])
        front = sum(
            w * float(mean_yield(fit, i, at, beta, fit.spread)[0]) for i, w in enumerate(weights) if w > 0
        )
        return front - level

    try:
        return float(optimize.brentq(gap, 0.05, 60.0))
    except ValueError:
        return float("nan")


BEHIND_CENTILE, AHEAD_CENTILE = 10.0, 90.0
# What may be said of a case that belongs to the practice, by chance alone, on either side.
FALSE_ALARMS = 0.05
DECIDES_USUAL = 0.9
FEWEST_TOLD = 0.2
LOW_YIELD_PCT = 70.0
DECIDES_LOW = 0.95
_DRAWS = 4000


def practice_bounds(fit: Emergence) -> dict[str, np.ndarray]:
    """Return the centiles of true yield between which a case is usual, by zone and month."""
    return bounds_of_standing(fit, low=BEHIND_CENTILE, high=AHEAD_CENTILE)


def standing(
    fit: Emergence,
    rows: pd.DataFrame,
    placement_id: str,
    *,
    bounds: dict[str, np.ndarray],
    found: CasePrediction | None = None,
) -> dict:
    """Return where one placement stands at its last reading, given all of the patient's rows.

    `state` is low, behind, cannot tell, usual or ahead; `chance_behind`, `chance_ahead`, `chance_low` are
    probabilities of the true yield, `slow_only, low_only, both, neither` those of its two causes; `z` is the
    standardised deviation, whose lower tail is uniform over the practice's cases, and `told` the share of the
    differences between cases that readings like these show, 0 to 1.
    """
    own = rows[rows["placement_id"].eq(placement_id)]
    follow = own[~own["is_baseline"].astype(bool)]
    zone = str(own["group"].iloc[0])
    month = float(follow["month"].max()) if len(follow) else 0.0
    is_beyond = month > float(fit.last_month[fit.zone_index(zone)])
    if not len(follow) or month <= 0 or is_beyond:
        return {
            "state": "cannot tell",
            "month": month,
            "zone": zone,
            "n_readings": len(follow) if is_beyond else 0,
            "is_beyond": is_beyond,
            "z": np.nan,
            "told": 0.0,
            "chance_behind": np.nan,
        }
    found = regrowth.predict_case(fit, rows, [month]) if found is None else found
    at = found.path["placement_id"].eq(placement_id) & np.isclose(found.path["month"], month)
    here = found.path[at].iloc[0]
    mean, sd = float(here["yield_pct"]), float(np.sqrt(here["yield_var"]))
    edges = bounds[zone]
    lowest, highest = (float(np.interp(month, edges[:, 0], edges[:, c])) for c in (1, 2))
    behind = float(stats.norm.cdf((lowest - mean) / sd))
    ahead = float(stats.norm.sf((highest - mean) / sd))
    low = float(stats.norm.cdf((LOW_YIELD_PCT - mean) / sd))
    is_mature = month >= float(fit.maturity_month[fit.zone_index(zone)]) - 1
    effect = found.effects[found.effects["placement_id"].eq(placement_id)].iloc[0]
    z, told = regrowth.deviation(fit, rows, placement_id)
    return {
        "state": state_of(z, told, usual=1 - behind - ahead, low=low if is_mature else 0.0),
        "zone": zone,
        "month": month,
        "n_readings": len(follow),
        "is_mature": is_mature,
        "is_beyond": False,
        "yield_now": mean,
        "yield_sd": sd,
        "chance_behind": behind,
        "chance_ahead": ahead,
        "chance_low": low,
        **_slow_or_low(effect),
        "z": z,
        "told": told,
    }


def state_of(z: float, told: float, *, usual: float, low: float) -> str:
    """Return the state of a placement by the rule of this module; `low` is 0 before maturity.

    Examples
    --------
    >>> state_of(-1.7, 0.5, usual=0.6, low=0.0), state_of(-1.7, 0.1, usual=0.7, low=0.0)
    ('behind', 'cannot tell')
    """
    edge = stats.norm.isf(FALSE_ALARMS)
    if low >= DECIDES_LOW:
        return "low"
    if told < FEWEST_TOLD:
        return "cannot tell"
    if abs(z) >= edge:
        return "ahead" if z > 0 else "behind"
    return "usual" if usual >= DECIDES_USUAL else "cannot tell"


def _slow_or_low(effect: pd.Series) -> dict:
    """Return the chances of slow only, low only, both and neither, from the normal posterior."""
    covariance = np.array(
        [
            [effect["plateau_var"], effect["plateau_log_tempo_cov"]],
            [effect["plateau_log_tempo_cov"], effect["log_tempo_var"]],
        ]
    )
    draws = np.random.default_rng(1).multivariate_normal(
        [effect["plateau"], effect["log_tempo"]], covariance, size=_DRAWS, method="svd"
    )
    tenth = stats.norm.ppf(BEHIND_CENTILE / 100)
    low = draws[:, 0] < tenth * np.sqrt(effect["prior_plateau_var"])
    slow = draws[:, 1] > -tenth * np.sqrt(effect["prior_log_tempo_var"])
    return {
        "slow_only": float((slow & ~low).mean()),
        "low_only": float((low & ~slow).mean()),
        "both": float((low & slow).mean()),
        "neither": float((~low & ~slow).mean()),
    }
