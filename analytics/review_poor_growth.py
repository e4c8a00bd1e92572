"""What share of placements truly grows poorly? The emergence model's share, not a count of low readings.

A reading strays by counting error, so that low readings are more often noise than poor growth. The model
separates the two: its share of placements whose true yield at maturity lies under the threshold, zone by
zone, weighted by the placements of each zone. It rests on everything known at the end of a quarter, so that
one quarter's share and the next one's rest mostly on the same placements: their difference is shown without
an interval.
"""

import numpy as np
from scipy import stats

from analytics import regrowth
from analytics.errors import FitError
from analytics.records import Records
from analytics.review_measures import NOTHING, Measured
from analytics.review_periods import as_at

METHOD = "emergence model, share of true yields under the threshold, all placements followed so far"


def share_of_poor_growth(records: Records, criterion, *, quarter: int, level: float) -> dict[str, Measured]:
    """Return the model's share as known at the end of this quarter and of the last.

    The share of the last four quarters is that of this quarter: the model uses all placements followed so
    far.
    """
    now = _share(records, criterion, quarter, level)
    last = _share(records, criterion, quarter - 1, level) if quarter > 1 else NOTHING
    return {"this quarter": now, "last quarter": last, "last four quarters": now}


def _share(records: Records, criterion, quarter: int, level: float) -> Measured:
    try:
        fit = regrowth.fit_emergence(as_at(records, quarter))
    except FitError:
        return NOTHING
    zones = [z for z in criterion.zones if z in fit.zones]
    if not zones:
        return NOTHING
    found = [regrowth.share_below(fit, zone, criterion.threshold_pct, level=level) for zone in zones]
    placed = np.array([fit.n_placements[fit.zone_index(z)] for z in zones], dtype=float)
    weight = placed / placed.sum()
    estimate = float(weight @ [q.estimate for q in found])
    # Zones share patients and spreads, so their errors are taken as moving together, which errs on the wide
    # side.
    se = float(weight @ [q.se for q in found])
    low, high = _on_logit(estimate, se, level)
    n_patients = int(max(fit.n_patients[fit.zone_index(z)] for z in zones))
    return Measured(
        np.nan,
        float(placed.sum()),
        100 * estimate,
        100 * se,
        float(np.min([q.df for q in found])),
        100 * low,
        100 * high,
        n_patients,
        int(placed.sum()),
        False,
        METHOD,
    )


def _on_logit(share: float, se: float, level: float) -> tuple[float, float]:
    if not 0 < share < 1 or not np.isfinite(se):
        return np.nan, np.nan
    centre, half = np.log(share / (1 - share)), stats.norm.ppf(0.5 + level / 2) * se / (share * (1 - share))
    return float(1 / (1 + np.exp(half - centre))), float(1 / (1 + np.exp(-half - centre)))
