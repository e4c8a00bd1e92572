"""Does yield differ where medical therapy was begun before the session, or after it?

*Before*: a course was under way in the month of the session. *After*: none was, and one began before the
reading. Both are set against planted zones without a course in that time, adjusted for zone, age and curl;
limits hold for both together (Bonferroni). Native hair is allowed for under the published lift of therapy
already (`yields.native`): a lift above it shows here as yield. Whoever was not asked stands among those
without.
"""

import numpy as np
import pandas as pd

from analytics import bench, results, yields
from analytics.factors.adjusted import FEWEST_A_SIDE, USED, adjusted_for, are, difference, formula, too_few
from analytics.records import Records
from analytics.results import LEVEL, Gap, Result

WHEN = {"begun_before": "begun before the session", "begun_after": "begun after it"}
CASE_MIX = ("age_years", "curl")


def therapy_begun(
    records: Records, *, choices: yields.Choices = yields.USUAL, level: float = LEVEL
) -> Result:
    """Return yield where therapy was begun before or after the session minus that without, adjusted.

    Parameters
    ----------
    level
        Of both limits together.

    Returns
    -------
    Result
        A line each, points of yield.

    Examples
    --------
    >>> from analytics import simulate
    >>> therapy_begun(simulate.as_records(simulate.register(40)[0])).table()["unit"].unique().tolist()
    ['points of yield']
    """
    frame = with_therapy(bench.units(records, choices=choices).frame, records)
    analysed = frame[frame["reason"].eq("")].reset_index(drop=True)
    if gap := too_few(analysed, "therapy before or after the session"):
        return gap
    sides = {c: analysed.loc[analysed[c].eq(1), "patient_id"].nunique() for c in WHEN}
    told = [c for c, n in sides.items() if n >= FEWEST_A_SIDE]
    if not told:
        most = max(sides.values())
        return results.unanswered(
            Gap(f"Cannot be told: {FEWEST_A_SIDE} patients with therapy begun before or after a session are "
                f"needed, and there {are(most)}.")
        )  # fmt: skip
    fitted = bench.model(formula(analysed, "yield_pct", *WHEN, mix=CASE_MIX), analysed)
    lines = [
        difference(fitted, c, f"{WHEN[c]}, minus none", "points of yield", level=level,
                   level_used=1 - (1 - level) / len(told))
        for c in told
    ]  # fmt: skip
    return Result(pd.DataFrame(lines), frame[USED], adjusted_for(fitted), checks=fitted.checks)


def with_therapy(frame: pd.DataFrame, records: Records) -> pd.DataFrame:
    """Return planted zones with `begun_before` and `begun_after`, 1 or 0."""
    courses = records.therapies[["patient_id", "start_register_month"]]
    rows = frame[["placement_id", "patient_id", "register_month", "reading_month"]].drop_duplicates(
        "placement_id"
    )
    both = rows.merge(courses, on="patient_id", how="inner")
    since = both["start_register_month"] - both["register_month"]
    after = both[since.gt(0) & since.lt(both["reading_month"])]
    before = frame["on_therapy"].eq("yes")
    begun = frame["placement_id"].isin(set(after["placement_id"])) & ~before
    return frame.assign(begun_before=before.astype(float), begun_after=np.where(begun, 1.0, 0.0))
