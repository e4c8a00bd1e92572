"""Where does one placement stand among this practice's cases, given all that was read of it?

All readings of the case, weighed by how much they tell of the placement's true yield at its last one, are
held against those of the practice's own cases read alike: `z` is standard normal over cases that belong to
the practice (`regrowth_case_deviation`).

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
"""

import numpy as np
import pandas as pd
from scipy import stats

from analytics import course_bands, regrowth
from analytics.regrowth import CasePrediction, Emergence

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
    return course_bands.bounds(fit, low=BEHIND_CENTILE, high=AHEAD_CENTILE)


def standing(
    fit: Emergence,
    rows: pd.DataFrame,
    placement_id: str,
    *,
    bounds: dict[str, np.ndarray],
    found: CasePrediction | None = None,
) -> dict:
    """Return where one placement stands at its last reading, given all of the patient's rows.

    `state` is one of course_case.WORDS; `chance_behind`, `chance_ahead`, `chance_low` are probabilities of
    the true yield, `slow_only, low_only, both, neither` those of its two causes; `z` is the standardised
    deviation, whose lower tail is uniform over the practice's cases, and `told` the share of the differences
    between cases that readings like these show, 0 to 1.
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
