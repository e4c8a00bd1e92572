"""What can a surgeon say to a patient about when hair comes? One sentence from the table, with its n."""

import numpy as np
import pandas as pd

from analytics.errors import ParameterError
from analytics.milestones.first_readings import FEW_PATIENTS
from analytics.results import Result

SHARE, MEDIAN, FIRST = "share reached", "median month", "first reading"
PEOPLE = 100
ZONE_WORDS = {"frontal": "frontal zone", "other": "other zones"}


def say(result: Result, group: str, *, month: float = 12.0) -> str:
    """Return the sentence about one group at one month, from a result of `milestones.time_to`.

    Parameters
    ----------
    result
        From `milestones.time_to`.
    group
        A zone (or another value of the `by` column).
    month
        A month of the table.

    Raises
    ------
    ParameterError
        When the table has no such group or month.

    Examples
    --------
    >>> row = {"zone": "crown", "term": "share reached", "x": 12.0, "estimate": 23.4, "ci_low": 14.6,
    ...        "ci_high": 34.2, "level": 0.95, "unit": "% of placements", "n_patients": 107, "flag": ""}
    >>> result = Result(pd.DataFrame([row]), pd.DataFrame(), "80 % of planted hairs; model", ("zone",))
    >>> print(say(result, "crown"))  # doctest: +NORMALIZE_WHITESPACE
    By month 12, about 23 of 100 placements in the crown reached 80 % of planted hairs (95 % interval 15 to
    34; from 107 patients of this clinic). This describes the past of many, not the course of one.
    """
    table = result.table()
    own = table[table[result.by[0]].astype(str).eq(group)]
    at_month = own[own["x"].eq(month)] if "x" in own else own
    found = next(
        (at_month[at_month["term"].eq(term)] for term in (SHARE, FIRST) if at_month["term"].eq(term).any()),
        None,
    )
    if found is None:
        raise ParameterError(
            "milestones.say(group, month): not in the table; use a group and a month of table()"
        )
    row, place = found.iloc[0], ZONE_WORDS.get(group, group)
    what = result.method.split(";")[0].split(":")[0]
    if not np.isfinite(row["estimate"]) or int(row["n_patients"]) < FEW_PATIENTS:
        return (
            f"For the {place} this clinic's own records do not yet say how many placements reach {what} by "
            f"month {month:g} "
            f"(from {int(row['n_patients'])} patients)."
        )
    seen = "reached" if row["term"] == SHARE else "had a reading of"
    sentence = (
        f"By month {month:g}, {_of_hundred(row['estimate'])} placements in the {place} {seen} {what} "
        f"({100 * row['level']:g} % interval {_whole(row['ci_low'])} to {_whole(row['ci_high'])}; "
        f"from {int(row['n_patients'])} patients of this clinic)."
    )
    return f"{sentence}{_median(own)} This describes the past of many, not the course of one."


def _of_hundred(percent: float) -> str:
    if percent < 1:
        return f"fewer than 1 of {PEOPLE}"
    if percent > PEOPLE - 1:
        return f"more than {PEOPLE - 1} of {PEOPLE}"
    return f"about {round(percent)} of {PEOPLE}"


def _whole(percent: float) -> str:
    return "under 1" if 0 < percent < 1 else f"{round(percent)}"


def _median(own: pd.DataFrame) -> str:
    middle = own[own["term"].eq(MEDIAN) & own["estimate"].notna()]
    if middle.empty:
        return ""
    row = middle.iloc[0]
    limits = f"{round(row['ci_low'])} to {round(row['ci_high'])}"
    return f" Half were there by about month {round(row['estimate'])} ({limits})."
