"""Who was due, who came, and do those who came differ from those who did not?

The planned visits and what became of each stand in `review_due`. Completeness of person-time is Clark's:
months observed over months that could have been observed up to the last planned visit. The usual count of
visits understates it (68 % against 92 to 93 % in one cohort: BMC Med Res Methodol 2017;17:155).
"""

import numpy as np
import pandas as pd

from analytics import review_due as due
from analytics.numerics import proportions
from analytics.records import Records
from analytics.results import LEVEL, Result
from analytics.review_criteria import Criteria
from analytics.review_periods import as_at, check

NONE_DUE = "none due yet"


def follow_up(records: Records, criteria: Criteria, *, quarter: int, level: float = LEVEL) -> Result:
    """Return follow-up by planned visit and zone as it stood at the end of a quarter.

    Returns
    -------
    Result
        `by` is (visit, zone): a row a planned visit (zone `all`, unit session) and a row a visit and zone
        (unit placement, seen meaning counted), the percent seen in window of those due with Wilson's
        interval; last the completeness of person-time. `extra["flow"]` holds the number of every status.

    Source
    ------
    Clark, Altman & De Stavola 2002, Lancet 359:1309-10.
    """
    check(quarter, records)
    known = as_at(records, quarter)
    rows = due.sessions_due(known, criteria, quarter=quarter)
    both = pd.concat([rows, due.counts_due(known, criteria, quarter=quarter)], ignore_index=True)
    flow = _flow(both)
    clark = _person_time_row(due.person_time(known, criteria, quarter=quarter))
    waiting = rows["status"].where(rows["status"].isin([due.NOT_YET, due.WITHDRAWN]), "")
    return Result(
        pd.concat([_seen_rows(flow, both, level), clark], ignore_index=True),
        rows.assign(reason=waiting),
        "share of due visits attended inside their window, by session (all) and by placement counted (zone), "
        f"Wilson {100 * level:g} % interval; completeness of person-time by Clark, Altman & De Stavola 2002",
        by=("visit", "zone"),
        picture="follow_up",
        extra={"flow": flow},
        notes=("A visit is due once its window has closed; who withdrew before is not counted as missed.",),
    )


def _flow(rows: pd.DataFrame) -> pd.DataFrame:
    counts = rows.groupby(["visit", "zone"], sort=False)["status"].value_counts().unstack(fill_value=0)
    counts = counts.reindex(columns=list(due.STATUSES), fill_value=0)
    counts.insert(0, "n_due", counts[list(due.COUNTED_AS_DUE)].sum(axis=1))
    named = {s: f"n_{s.replace(' ', '_')}" for s in due.STATUSES}
    flow = counts.rename(columns=named).reset_index().rename_axis(columns=None)
    return flow.assign(whole=flow["zone"].ne("all")).sort_values(
        ["visit", "whole", "zone"], ignore_index=True
    )[flow.columns]


def _seen_rows(flow: pd.DataFrame, rows: pd.DataFrame, level: float) -> pd.DataFrame:
    found = proportions.proportion(flow["n_seen_in_window"], flow["n_due"], level=level)
    counted = rows[rows["status"].isin(due.COUNTED_AS_DUE)]
    patients = counted.groupby(["visit", "zone"])["patient_id"].nunique()
    keys = list(zip(flow["visit"], flow["zone"], strict=True))
    return pd.DataFrame(
        {
            "visit": [f"month {v:g}" for v in flow["visit"]],
            "zone": flow["zone"],
            "term": "seen in window",
            "x": flow["visit"],
            "estimate": 100 * found.estimate,
            "ci_low": 100 * found.low,
            "ci_high": 100 * found.high,
            "level": level,
            "unit": "%",
            "n_patients": [int(patients.get(k, 0)) for k in keys],
            "n_rows": flow["n_due"],
            "flag": np.where(flow["n_due"] == 0, NONE_DUE, ""),
        }
    )


def _person_time_row(months: pd.DataFrame) -> pd.DataFrame:
    possible = float(months["possible"].sum())
    share = 100 * float(months["observed"].sum()) / possible if possible > 0 else np.nan
    return pd.DataFrame(
        {
            "visit": ["whole follow-up"],
            "zone": ["all"],
            "term": ["completeness of person-time"],
            "estimate": [share],
            "unit": ["%"],
            "n_patients": [months["patient_id"].nunique()],
            "n_rows": [len(months)],
            "flag": ["" if possible > 0 else NONE_DUE],
        }
    )
