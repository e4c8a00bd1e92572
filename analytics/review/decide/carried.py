"""Does one patient carry the verdict? A verdict that turns when one patient is left out says so.

Tried are the patients who pull the number hardest, those whose own total lies farthest from what the number
expects of as many units.
"""

import numpy as np
import pandas as pd

from analytics.review.kinds import Criterion
from analytics.review.measures import MET, NOT_MET, Measured, outcome_of
from analytics.review.periods import View

MOST_TRIED = 5
WITHOUT = "without"


def carried_by(
    criterion: Criterion, view: View, rows: pd.DataFrame, number: Measured, *, level: float
) -> tuple[str, str]:
    """Return the patient without whom the verdict is another, and that verdict; empty texts where none is.

    Parameters
    ----------
    rows
        Counted rows of the window that the number is of.
    """
    said = outcome_of(number, criterion.standard, criterion.direction)
    if said not in (MET, NOT_MET) or not criterion.has_rows_of_its_own or rows["patient_id"].nunique() < 2:
        return "", ""
    for patient in _pulling(rows, (MET, NOT_MET).index(said), criterion.direction == "at most"):
        others = rows[rows["patient_id"].ne(patient)].reset_index(drop=True)
        group = np.full(len(others), WITHOUT)
        left = criterion.of_groups(view, others, group, level=level).get(WITHOUT)
        if left is None:
            continue
        now = outcome_of(left, criterion.standard, criterion.direction)
        if now != said:
            return patient, now
    return "", ""


def _pulling(rows: pd.DataFrame, is_missed: int, at_most: bool) -> list[str]:
    """Return the patients who pull towards the verdict, hardest first."""
    rate = rows["part"].sum() / rows["whole"].sum()
    pull = (rows["part"] - rate * rows["whole"]).groupby(rows["patient_id"]).sum()
    towards = pull if bool(is_missed) == at_most else -pull
    return [str(p) for p in towards.sort_values(ascending=False, kind="stable").index[:MOST_TRIED]]
