"""Where does one placement stand among this practice's cases, given all that was read of it?

All readings of the case, weighed by how much they tell of the placement's true yield at its last one, are
held against those of the practice's own cases of regular growth read alike: `z` is standard normal over
cases that belong to it (`regrowth.deviations`).

 * *behind* below the 5th centile of z, *ahead* above the 95th: of 100 cases that belong to the practice 5 are
   called behind and 5 ahead. That is the rule's stated rate of false alarms, a look.
 * *usual* where the true yield lies between the practice's 10th and 90th centiles with probability 90 % or
   more; else *cannot tell*. Before any reading that probability is 80 %, so that readings must add to it.
 * *cannot tell* too where the readings say less than a fifth of how far cases differ, and where the last lies
   beyond the months this practice has followed.
 * *cannot tell* instead of all that reassures (*usual*, *not low*, *not behind*) where the last reading's own
   95 % limits end below the true yield: reading and series disagree, mostly by the count before the session.
   Among 7,000 mature cases drawn with a known truth 1 in 60 of those called usual or not low was under 70 %;
   of the 59 with such a reading 6 were (`tests/bench/worlds.py`).
 * after maturity *low*, before all others, where the true yield lies under 70 % with probability 95 % or
   more: of those called low no more than 5 in 100 should be 70 % or above. *Not low*, after all others,
   where that probability is 5 % or less; before maturity *not behind*, where the one of being among the
   lowest tenth is.

The chance of being among the lowest tenth stands beside the state; slow (log tempo in the slowest tenth) and
low (plateau in the lowest tenth) split it. All limits are ours. `course.false_alarms` counts, and
`tests/bench/course_coverage.py` counts where the truth is known.

How true yields and readings are spread over a practice's cases, month by month, and the true yield of one
case, come from the distribution of plateaus (`regrowth.fit_plateaus`, `regrowth.single_cases`): its limits
are quantiles, not estimate and error, because a failed placement's are lopsided.
"""

from typing import Any

import numpy as np
import pandas as pd
import scipy
from scipy.special import ndtr

from analytics import measurement, regrowth
from analytics.errors import FitError
from analytics.numerics.nonlinear import share
from analytics.records import Records
from analytics.regrowth import (
    CENTRES,
    FRONT_NAME,
    Emergence,
    PlateauDistribution,
    mean_yield,
    parameters,
    weights_of,
)
from analytics.results import LEVEL, Result, limits, line

CENTILES = (5, 25, 50, 75, 95)
_LOW, _HIGH = -150.0, 350.0
_STEPS = 30
_CURVE_DRAWS = 2000
MONTHS_AT_ONCE = 200  # on the grid of plateau and tempo: what a processor's cache holds


def below(plateaus: PlateauDistribution, zone: str, months, yield_pct, error_sd=0.0) -> np.ndarray:
    """Return the share of a zone's cases whose reading lies below a yield, (n,) values 0 to 1.

    Parameters
    ----------
    months, yield_pct
        Months since the session and yields in percent, (n,).
    error_sd
        Standard error of the reading in points of yield, (n,) or one number; 0 for the true yield.
    """
    fit = plateaus.fit
    k = fit.zone_index(zone)
    _, log_half, log_k = (v[k] for v in parameters(fit, fit.beta))
    cells, half = plateaus.cells(zone), plateaus.grid.half_width
    months = np.atleast_1d(np.asarray(months, dtype=float))
    y, error = np.broadcast_arrays(
        np.atleast_1d(np.asarray(yield_pct, dtype=float)), np.asarray(error_sd, dtype=float)
    )
    grown = share(fit.shape, months[:, None] * np.exp(-log_half - plateaus.tempos), log_k)[0]
    grown, y, error = np.maximum(grown, 1e-12)[:, None], y[:, None, None], error[:, None, None]
    is_read = error[:, 0, 0] > 0
    out = np.empty(len(months))
    for at in np.array_split(np.flatnonzero(is_read), is_read.sum() // MONTHS_AT_ONCE + 1):
        spread = np.hypot(error[at], half * grown[at] / np.sqrt(3))
        out[at] = np.tensordot(ndtr((y[at] - CENTRES[:, None] * grown[at]) / spread), cells)
    for at in np.array_split(np.flatnonzero(~is_read), (~is_read).sum() // MONTHS_AT_ONCE + 1):
        inside = np.clip((y[at] / grown[at] - CENTRES[:, None] + half) / (2 * half), 0.0, 1.0)
        out[at] = np.tensordot(inside, cells)
    return out


def centile(plateaus: PlateauDistribution, zone: str, months, percent, error_sd=0.0) -> np.ndarray:
    """Return the yield below which `percent` of a zone's cases read at each month, by bisection, (n,)."""
    months = np.atleast_1d(np.asarray(months, dtype=float))
    low, high = np.full(len(months), _LOW), np.full(len(months), _HIGH)
    for _ in range(_STEPS):
        middle = (low + high) / 2
        under = below(plateaus, zone, months, middle, error_sd) < percent / 100
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return (low + high) / 2


def bounds_of_standing(
    plateaus: PlateauDistribution, *, low: float, high: float, step: float = 0.5
) -> dict[str, np.ndarray]:
    """Return, by zone, months and two centiles of true yield there, (m, 3): a table to interpolate in."""
    tables = {}
    for zone, last in zip(plateaus.fit.zones, plateaus.fit.last_month, strict=True):
        months = np.arange(step, float(last) + 12.0, step)
        columns = [months, centile(plateaus, zone, months, low), centile(plateaus, zone, months, high)]
        tables[zone] = np.column_stack(columns)
    return tables


def bands(
    plateaus: PlateauDistribution, zone: str, months, *, planted: float, native: float, area_cm2: float = 1.0
) -> pd.DataFrame:
    """Return the centile bands of a standard reading by month: columns x, p5, p25, p50, p75, p95."""
    months = np.asarray(months, dtype=float)
    error = reading_error(plateaus.fit, zone, months, planted=planted, native=native, area_cm2=area_cm2)
    columns = {f"p{p}": centile(plateaus, zone, months, p, error) for p in CENTILES}
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

    Parameters
    ----------
    fit
        Of `regrowth.fit_emergence` on the same records; fitted here if not given.
    zone
        The zone set against the front.
    month
        Month of the zone, above 0.
    seed
        Of the draws.

    Returns
    -------
    Result
        One line: the frontal month, in months since the session, with limits; x is the zone's month.

    Raises
    ------
    FitError
        When the fit has no front or not the zone.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(20)[0])
    >>> front_month(clinic, zone="crown", month=6.0).table()[["x", "unit"]].values.tolist()
    [[6.0, 'months']]
    """
    fit = regrowth.fit_emergence(records) if fit is None else fit
    if zone not in fit.zones or not any(z in fit.zones for z in ("hairline", "frontal")):
        raise FitError(f"course.front_month: the fit needs the {zone} and a zone of the front")
    rng = np.random.default_rng(seed)
    draws = rng.multivariate_normal(fit.beta, fit.beta_cov, size=_CURVE_DRAWS, method="svd")
    estimate, *found = _same_months(fit, zone, month, np.vstack([fit.beta, draws]))
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


def _same_months(fit: Emergence, zone: str, month: float, betas: np.ndarray) -> np.ndarray:
    """Return the month for each row of fixed effects (n, p); missing where the front was never so low."""
    level = mean_yield(fit, fit.zone_index(zone), np.array([month]), betas, fit.spread)[:, 0]
    front = [(k, w) for k, w in enumerate(weights_of(fit, FRONT_NAME)) if w > 0]

    def gap(months: np.ndarray, which: np.ndarray) -> np.ndarray:
        each = (w * mean_yield(fit, k, months[:, None], betas[which], fit.spread)[:, 0] for k, w in front)
        return sum(each) - level[which]

    # Not an attribute of `scipy.optimize` until it has been imported by its own name.
    from scipy.optimize import elementwise

    found = elementwise.find_root(gap, (0.05, 60.0), args=(np.arange(len(betas)),))
    return np.where(found.success, found.x, np.nan)


BEHIND_CENTILE, AHEAD_CENTILE = 10.0, 90.0
# What may be said of a case that belongs to the practice, by chance alone, on either side.
FALSE_ALARMS = 0.05
DECIDES_USUAL = 0.9
FEWEST_TOLD = 0.2
LOW_YIELD_PCT = 70.0
DECIDES_LOW = 0.95
CANNOT_TELL = "cannot tell"
REASSURING = ("usual", "not low", "not behind")


def practice_bounds(plateaus: PlateauDistribution) -> dict[str, np.ndarray]:
    """Return the centiles of true yield between which a case is usual, by zone and month."""
    return bounds_of_standing(plateaus, low=BEHIND_CENTILE, high=AHEAD_CENTILE)


def _true_yields(
    plateaus: PlateauDistribution, rows: pd.DataFrame, bounds: dict[str, np.ndarray], level: float
) -> pd.DataFrame:
    """Return the true yield of every placement with a reading, at its last one, and what it may be."""
    after = rows[~rows["is_baseline"].astype(bool) & rows["month"].gt(0)]
    last = after.groupby("placement_id")["month"].max()
    post = regrowth.posterior(plateaus, rows)
    which = np.flatnonzero(np.isin(post.of.names.astype(str), last.index.to_numpy(dtype=str)))
    names = post.of.names[which].astype(str)
    months = last.loc[names].to_numpy(dtype=float)[:, None]
    zones = [plateaus.fit.zones[k] for k in post.of.zone[which]]
    edges = np.array(
        [
            [float(np.interp(m, bounds[z][:, 0], bounds[z][:, c])) for c in (1, 2)]
            for z, m in zip(zones, months[:, 0], strict=True)
        ]
    ).reshape(-1, 2)
    found = regrowth.yields_at(post, months, levels=(level,), which=which)

    def chance(edge, *, of_practice: bool = True) -> np.ndarray:
        return regrowth.chance_below(post, months, edge, which=which, of_practice=of_practice)[:, 0]

    split = regrowth.slow_or_low(post, tail=BEHIND_CENTILE / 100)
    return pd.DataFrame(
        {
            "yield_now": found["mean"][:, 0],
            "yield_low": found["low"][0, :, 0],
            "yield_high": found["high"][0, :, 0],
            "chance_behind": chance(edges[:, :1]),
            "chance_ahead": 1 - chance(edges[:, 1:]),
            "chance_low": chance(LOW_YIELD_PCT, of_practice=False),
            **{name: values[which] for name, values in split.items()},
        },
        index=pd.Index(names, name="placement_id"),
    )


def standings_of(
    plateaus: PlateauDistribution, rows: pd.DataFrame, *, bounds: dict[str, np.ndarray], level: float = LEVEL
) -> pd.DataFrame:
    """Return where every placement stands at its last reading, given all of its patient's rows.

    Parameters
    ----------
    rows
        Rows of one patient or of many, with all of a patient's rows.
    bounds
        From `practice_bounds`.

    Returns
    -------
    pandas.DataFrame
        By placement_id, in the order of `rows`: `state` by `state_of`; `zone, month, n_readings, is_mature,
        is_beyond`; the last `reading` in percent with its standard error `reading_se`, and whether it
        `is_far_below` the true yield; of the true yield `yield_now` (mean), `yield_low, yield_high`, the
        chances `chance_behind, chance_ahead, chance_low` and `slow_only, low_only, both, neither`; `z`, the
        standardised deviation, whose lower tail is uniform over the practice's cases of regular growth, and
        `told`, the share of the differences between cases that readings like these show, 0 to 1. What
        cannot be told of a placement is missing.
    """
    fit = plateaus.fit
    follow = rows[~rows["is_baseline"].astype(bool)].groupby("placement_id")["month"]
    table = rows.drop_duplicates("placement_id").set_index("placement_id")[["group"]].astype(str)
    table.index = table.index.astype(object)
    table = table.rename(columns={"group": "zone"}).assign(
        month=follow.max(), n_readings=follow.size().astype(float)
    )
    table = table.fillna({"month": 0.0, "n_readings": 0.0})
    zone = [fit.zone_index(z) for z in table["zone"]]
    table["is_mature"] = table["month"] >= fit.maturity_month[zone] - 1
    table["is_beyond"] = table["month"] > fit.last_month[zone]
    table["n_readings"] = table["n_readings"].where(table["month"].gt(0) | table["is_beyond"], 0).astype(int)
    is_judged = table["month"].gt(0) & ~table["is_beyond"]
    found = _true_yields(plateaus, rows, bounds, level).join(regrowth.deviations(plateaus, rows))
    table = table.join(found[found.index.isin(table.index[is_judged])])
    table["told"] = table["told"].fillna(0.0)
    table = table.join(_last_readings(rows))
    _, highest = limits(table["reading"], table["reading_se"], level=LEVEL)
    table["is_far_below"] = highest < table["yield_now"]
    return table.assign(state=[_state(row) for row in table.itertuples()])


def _last_readings(rows: pd.DataFrame) -> pd.DataFrame:
    """Return by placement the last reading as it is read from its own baseline, percent, and its error."""
    columns = {"yield_pct": "reading", "yield_pct_se": "reading_se"}
    after = rows[~rows["is_baseline"].astype(bool)].sort_values("month", kind="stable")
    after = after.reindex(columns=["placement_id", *columns]).dropna()
    last = after.drop_duplicates("placement_id", keep="last")
    return last.set_index("placement_id").rename(columns=columns)


def _state(row: Any) -> str:
    """Return the state of a placement by its line of `standings_of`."""
    usual = 1 - row.chance_behind - row.chance_ahead
    if row.is_mature:
        found = state_of(row.z, row.told, usual=usual, low=row.chance_low)
    else:
        found = state_of(row.z, row.told, usual=usual, low=np.nan, behind=row.chance_behind)
    return CANNOT_TELL if row.is_far_below and found in REASSURING else found


def state_of(z: float, told: float, *, usual: float, low: float, behind: float = np.nan) -> str:
    """Return the state of a placement by the rule of this module, where reading and series agree.

    `low` is missing before maturity, `behind` from then on.

    Examples
    --------
    >>> state_of(-1.7, 0.5, usual=0.6, low=0.0), state_of(-1.7, 0.1, usual=0.7, low=0.0)
    ('behind', 'cannot tell')
    >>> state_of(0.6, 0.9, usual=0.8, low=0.0), state_of(0.6, 0.9, usual=0.8, low=np.nan)
    ('not low', 'cannot tell')
    """
    edge = scipy.stats.norm.isf(FALSE_ALARMS)
    if low >= DECIDES_LOW:
        return "low"
    if told < FEWEST_TOLD:
        return CANNOT_TELL
    if abs(z) >= edge:
        return "ahead" if z > 0 else "behind"
    if usual >= DECIDES_USUAL:
        return "usual"
    if low <= 1 - DECIDES_LOW:
        return "not low"
    return "not behind" if behind <= 1 - DECIDES_LOW else CANNOT_TELL
