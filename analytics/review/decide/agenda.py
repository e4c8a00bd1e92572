"""What is wrong, what is new, and what is to be decided? The agenda of a review, from its other panels."""

from collections.abc import Mapping
from typing import Any

import pandas as pd

from analytics.records import Records
from analytics.results import Result, line
from analytics.review.criteria import Criteria
from analytics.review.decide.archive import Remembered
from analytics.review.decide.signals import NEW, WORSE, collected, fell
from analytics.review.measures import CANNOT_TELL, MET, NO_DATA, NOT_MET
from analytics.review.periods import View

OVERDUE, DUE = "overdue", "due now"
SINCE_LAST = ["criterion", "name", "standard_before", "standard", "change"]
DECISIONS = ["kind", "criterion", "name", "group", "is_staff"]
MISSED, WORSE_SIGNAL, LATE, FELL, NEVER_TOLD, UNKNOWN = (
    "not met", "worse signal", "overdue action", "follow-up falling", "never told", "many unknown",
)  # fmt: skip
TIGHTER, LOOSER = "tightened", "loosened"
FIRST_REVIEW = Remembered()
UNKNOWN_SHARE = 0.3  # of those that should count; convention, no source


def agenda(
    records: Records,
    criteria: Criteria,
    panels: Mapping[str, Result],
    *,
    quarter: int,
    remembered: Remembered = FIRST_REVIEW,
) -> Result:
    """Return the agenda: counts of what is on it, and its lists.

    Parameters
    ----------
    panels
        Of the same quarter, before anything is withheld: indicators, all_charts, actions, and any
        comparison of operators and case-by-case chart.
    remembered
        Of `recall`.

    Returns
    -------
    Result
        Terms: criteria met, not met, cannot tell, without data; new signals, worse and better; actions
        overdue; planned visits less attended. `extra["signals"]` one row per signal; `extra["falling"]`
        visits less attended; `extra["standards"]` standards changed since the last review;
        `extra["decisions"]` what is to be decided, the most urgent first.

    Examples
    --------
    Page 02 puts it together from all panels of a quarter.
    """
    view = View.at(records, criteria.schedule, quarter=quarter)
    falling = fell(view)
    indicators, actions = panels["indicators"], panels["actions"]
    if indicators.gap is not None:
        return indicators
    signals = collected(
        criteria,
        quarter=quarter,
        charts=panels["all_charts"],
        others=tuple(panels.values()),
        falling=falling,
        remembered=remembered,
    )
    audit = indicators.extra["audit"]
    log = actions.extra.get("log", pd.DataFrame())
    said = audit["outcome"].value_counts()
    new = signals[signals["status"].eq(NEW)]
    worse, better = int(new["direction"].eq(WORSE).sum()), int(new["direction"].ne(WORSE).sum())
    n_late = int(log["state"].eq(OVERDUE).sum()) if len(log) else 0
    counts = {
        "criteria": len(audit),
        **{name: int(said.get(name, 0)) for name in (MET, NOT_MET, CANNOT_TELL, NO_DATA)},
        "new signals, worse": worse,
        "new signals, better": better,
        "actions overdue": n_late,
        "visits less attended": len(falling),
        "last review": remembered.quarter,
    }
    return Result(
        pd.DataFrame([line(name, float(value), "count", basis="model") for name, value in counts.items()]),
        view.records.sessions[["patient_id", "session_id"]].assign(reason=""),
        "collected from the panels of this review and the entry of the last one; attendance fell where this "
        "half-year's share of visits seen in window lies below that of two years before by more than chance "
        "(Newcombe's 95 % interval), which one visit in 40 does by luck",
        picture="agenda",
        extra={
            "signals": signals,
            "falling": falling,
            "standards": _standards(criteria, remembered),
            "before": pd.DataFrame(remembered.outcomes, columns=["criterion", "outcome"]),
            "decisions": _decisions(criteria, indicators, signals, log),
        },
        checks={"log_is_whole": not remembered.fault},
    )


def _standards(criteria: Criteria, remembered: Remembered) -> pd.DataFrame:
    """Return the standards that are others than at the last review."""
    before = {name: (standard, direction) for name, standard, direction in remembered.standards}
    rows = []
    for criterion in criteria.criterion:
        standard, direction = before.get(criterion.id, (criterion.standard, criterion.direction))
        if (standard, direction) == (criterion.standard, criterion.direction):
            continue
        is_tighter = (criterion.standard < standard) == (criterion.direction == "at most")
        rows.append(
            {
                "criterion": criterion.id,
                "name": criterion.title,
                "standard_before": standard,
                "standard": criterion.standard,
                "change": TIGHTER if is_tighter else LOOSER,
            }
        )
    return pd.DataFrame(rows, columns=SINCE_LAST)


def _decisions(
    criteria: Criteria, indicators: Result, signals: pd.DataFrame, log: pd.DataFrame
) -> pd.DataFrame:
    """Return what is to be decided; a signal about a criterion that is not met is one matter with it."""
    audit, told = indicators.extra["audit"], indicators.extra["told"]
    titles = {c.id: c.title for c in criteria.criterion}

    def one(kind: str, criterion: str, group: str = "", name: str = "") -> dict[str, Any]:
        name = name or titles.get(criterion, criterion)
        return {
            "kind": kind, "criterion": criterion, "name": name, "group": group, "is_staff": group != "",
        }  # fmt: skip

    missed = audit.loc[audit["outcome"].eq(NOT_MET), "criterion"]
    alarms = signals[signals["status"].eq(NEW) & signals["direction"].eq(WORSE)]
    # A signal of the whole practice about a criterion that is missed, or named of an operator, is one matter.
    named = {*missed, *alarms.loc[alarms["group"].ne(""), "criterion"]}
    alarms = alarms[alarms["group"].ne("") | ~alarms["criterion"].isin(named)]
    of_visits = alarms["source"].eq("follow-up")
    late = log[log["state"].isin([OVERDUE, DUE])] if len(log) else log
    never = told[told["outcome"].eq(CANNOT_TELL) & told["told_in"].isna()]["criterion"]
    counted = audit["denominator"].astype(float) + audit["n_unknown"]
    unknown = audit.loc[(audit["n_unknown"] > UNKNOWN_SHARE * counted) & audit["unit"].eq("%"), "criterion"]
    rows = [
        *(one(MISSED, c) for c in missed),
        *(
            one(WORSE_SIGNAL, row["criterion"], row["group"])
            for row in alarms[~of_visits].drop_duplicates(["criterion", "group"]).to_dict("records")
        ),
        *(one(LATE, row["criterion"], name=row["what"]) for row in late.to_dict("records")),
        *(one(FELL, row["criterion"]) for row in alarms[of_visits].to_dict("records")),
        *(one(UNKNOWN, c) for c in unknown),
        *(one(NEVER_TOLD, c) for c in never),
    ]
    return pd.DataFrame(rows, columns=DECISIONS)
