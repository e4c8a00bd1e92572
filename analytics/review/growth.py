"""What share of placements truly grows poorly? The emergence model's share, not a count of low readings.

A reading strays by counting error, so that low readings are more often noise than poor growth. The model
separates the two: its share of placements whose true yield at maturity lies under the threshold, zone by
zone, weighted by the placements of each zone. It rests on everything known at the end of a quarter, so that
one quarter's share and the next one's rest mostly on the same placements: their difference is shown without
an interval.

Growth as the review sees it: one reading a placement, in the quarter it was made.

Rows are those of `yields.by_visit` narrowed to the reading nearest its zone's maturity; means are those of
`yields.average`. A single case is named as poor growth only when the upper limit of its reading lies under
the threshold: counting lower limits flags most of a healthy practice.
"""

import numpy as np
import pandas as pd
from scipy import stats

from analytics import regrowth, yields
from analytics.dictionary import MATURITY_MONTH
from analytics.errors import FitError
from analytics.records import Records
from analytics.results import LEVEL
from analytics.review.measures import NOTHING, Measured
from analytics.review.periods import as_at, quarter_of
from analytics.yields import one_reading

# A zone is due once the last month at which its reading still counts as one at maturity has passed.
LAST_USABLE_MONTH = {zone: month + 3 for zone, month in MATURITY_MONTH.items()}
PERIOD = "period"
PLACE = ["placement_id", "region_id"]


def readings(known: Records, rows: pd.DataFrame | None = None, *, month: float | None = None) -> pd.DataFrame:
    """Return one row a placement with a usable reading at maturity, and the quarter of that reading.

    Parameters
    ----------
    rows
        Rows of `yields.by_visit`, where the caller has them already.
    month
        Take the reading nearest this month after the session instead (6 or later; provisional before
        maturity).

    Returns
    -------
    pandas.DataFrame
        Columns of `yields.by_visit` and: harvested_by, quarter, upper (upper limit of the reading,
        percent), smoker, scarring, curl, age_years of the patient, session_month (register month of the
        operation).
    """
    picked = one_reading(yields.by_visit(known) if rows is None else rows, month=month)
    wanted = known.patients[["patient_id", "smoker", "scarring", "curl", "age_years"]]
    rows = picked.drop(columns=[c for c in wanted if c in picked and c != "patient_id"]).merge(
        wanted, on="patient_id", validate="many_to_one"
    )
    operated = known.sessions.set_index("session_id")
    z = stats.norm.ppf(0.5 + LEVEL / 2)
    return rows.assign(
        harvested_by=rows["session_id"].map(operated["harvested_by"]),
        session_month=rows["session_id"].map(operated["register_month"]).astype(int),
        quarter=quarter_of(np.floor(rows["register_month"] + 0.5)).astype(int),
        upper=rows["yield_pct"] + z * rows["yield_pct_se"],
    )


def of_criterion(rows: pd.DataFrame, criterion, codes: pd.Series) -> pd.DataFrame:
    """Return the readings a criterion is about, with the reason of those declared as exceptions."""
    here = rows[rows["zone"].isin(criterion.zones) & rows["method"].isin(criterion.methods)]
    return here.assign(reason=here["session_id"].map(codes).fillna(""))


def mean_by_period(
    known: Records, counts: pd.DataFrame, rows: pd.DataFrame, *, level: float
) -> dict[str, Measured]:
    """Return the mean yield of each period named in column `period` of the readings, by one mixed model.

    `counts` are the rows of `yields.by_visit` that the readings were picked from.
    """
    counted = rows.loc[rows["reason"].eq("") & rows[PERIOD].ne(""), [*PLACE, PERIOD]]
    if counted.empty:
        return {}
    theirs = counts.merge(counted, on=PLACE, validate="many_to_one")
    try:
        found = yields.average(known, by=(PERIOD,), rows=theirs, level=level).table()
    except FitError:
        return {}
    return {
        str(row[PERIOD]): Measured(
            np.nan,
            float(row["n_rows"]),
            float(row["estimate"]),
            float(row["se"]),
            _df(row),
            float(row["ci_low"]),
            float(row["ci_high"]),
            int(row["n_patients"]),
            int(row["n_rows"]),
            False,
            "mixed model of one reading a placement, patient intercept",
        )
        for _, row in found.iterrows()
        if np.isfinite(row["estimate"])
    }


def poor(rows: pd.DataFrame, threshold_pct: float) -> pd.DataFrame:
    """Return the readings whose upper limit lies under the threshold, lowest first."""
    return rows[rows["upper"] < threshold_pct].sort_values("yield_pct")


def _df(row: pd.Series) -> float:
    value = float(row.get("df", np.nan))
    return value if np.isfinite(value) and value > 0 else max(float(row["n_patients"]) - 1.0, 1.0)


METHOD = (
    "emergence model with an empirical-Bayes distribution of plateaus, share of true yields under the "
    "threshold, all placements followed so far"
)


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
        plateaus = regrowth.fit_plateaus(as_at(records, quarter))
    except FitError:
        return NOTHING
    fit = plateaus.fit
    zones = [z for z in criterion.zones if z in fit.zones]
    if not zones:
        return NOTHING
    found = regrowth.share_below(plateaus, zones, criterion.threshold_pct, level=level)
    places = [fit.zone_index(z) for z in zones]
    placed = int(plateaus.n_placements[places].sum())
    return Measured(
        np.nan,
        float(placed),
        100 * found.estimate,
        100 * found.se,
        found.df,
        100 * found.ci_low,
        100 * found.ci_high,
        int(max(fit.n_patients[places])),
        placed,
        False,
        METHOD,
    )
