"""What became of the donor area: its density and calibre over sessions, against what was taken from it.

    taken_pct = 100 * (spent before this count - spent before the first count) / supply at the first count
    fall_pct  = 100 * (1 - density / density at the first count)

Spent and supply are the ledger's. Follicular units taken one by one (FUE) all over the donor area thin it by
the share taken, where they hold as many hairs as those left; a strip takes skin with its hairs and leaves
density nearly as it was. A fall well beyond the share taken, or hair that has become finer, is hair lost
otherwise. A count compares with the first one of the same hair length; one that was not made as agreed
(light, wet hair) compares with none. Arithmetic of ours; no published donor series of this kind was found.
"""

import numpy as np
import pandas as pd

from analytics import records as door
from analytics.errors import FitError
from analytics.planning.ledger import spent_by_session
from analytics.records import Records
from analytics.results import LEVEL, Result, limits, line

MIN_PATIENTS, FEW = 5, "fewer than 5 patients"
SHOWN = (
    "session_number month density_hairs_cm2 fall_pct hair_calibre_um calibre_method taken_fu taken_pct"
).split()
FALL, TAKEN = "fall of donor density", "taken between the counts"
FINER = "change of donor calibre"


def donor_outcome(records: Records, *, patient_id: str = "", level: float = LEVEL) -> Result:
    """Return how donor density and calibre changed from the first to the last count, and what was taken.

    Parameters
    ----------
    patient_id
        One patient, or empty for all: then each patient counts once.
    level
        Of the intervals, t limits over patients.

    Returns
    -------
    Result
        Means over patients: `fall of donor density` and `taken between the counts` in percent, `change of
        donor calibre` in micrometres, one method alone. `extra["counts"]`: one row per donor count with its
        fall since the first and what was taken.

    Raises
    ------
    FitError
        When nobody has two comparable donor counts with a session between them, and no patient was named.
    """
    if patient_id:
        door.patient(records, patient_id)
        records = door.subset(records, [patient_id])
    counts = _counts(records)
    pairs = _last(counts)
    if pairs.empty and not patient_id:
        raise FitError(
            "planning.donor_outcome: nobody has comparable donor counts before and after a session"
        )
    by_one = pairs["calibre_method"].eq(pairs["first_method"])
    finer = (pairs["hair_calibre_um"] - pairs["first_calibre"]).where(by_one)
    table = [
        _mean(FALL, pairs["fall_pct"], "%", level),
        _mean(TAKEN, pairs["taken_pct"], "%", level),
        _mean(FINER, finer, "µm", level),
    ]
    method = (
        "last donor count against the first with hair of the same length, in percent of the first; taken: "
        "attempts (FUE) or grafts out (strip) in percent of what the donor held; means over patients, "
        f"t limits, {100 * level:g} %"
    )
    used = counts[["patient_id", "month", "reason"]]
    return Result(pd.DataFrame(table), used, method, extra={"counts": counts[["patient_id", *SHOWN]]})


def _counts(records: Records) -> pd.DataFrame:
    """Return every donor count in the order of time: fall and share taken since the one it compares with."""
    rows = records.measurements[records.measurements["zone"].eq("donor")]
    number = records.sessions.set_index("session_id")[["session_number", "register_month"]]
    rows = rows.join(number, on="session_id").dropna(subset=["session_number"])
    rows = rows.sort_values(["patient_id", "session_number", "month", "count_number"], kind="stable")
    rows = rows.assign(spent_fu=_spent_before(records, rows))
    is_good = rows["standard_conditions"].fillna(True).astype(bool)
    key = ["patient_id", "region_id", "hair_length"]
    good = rows[is_good].drop_duplicates(key)
    first = good.set_index(key)[["density_hairs_cm2", "spent_fu", "hair_calibre_um", "calibre_method"]]
    first.columns = pd.Index(["first_density", "first_spent", "first_calibre", "first_method"])
    rows = rows.join(first, on=key)
    supply = _supply(records).reindex(rows["patient_id"]).to_numpy()
    taken = rows["spent_fu"] - rows["first_spent"]
    left = supply - rows["first_spent"]
    reason = np.where(is_good, "", "light or hair not as agreed")
    return rows.assign(
        fall_pct=(100 * (1 - rows["density_hairs_cm2"] / rows["first_density"])).where(is_good),
        taken_fu=rows["spent_fu"],
        taken_pct=100 * taken / left,
        reason=reason,
    )


def _spent_before(records: Records, rows: pd.DataFrame) -> np.ndarray:
    """Return FU spent before each count: one of a session's own day was made before it."""
    spent = spent_by_session(records.sessions)
    so_far = spent.assign(fu=spent.groupby("patient_id")["fu"].cumsum()).drop(columns="flag")
    behind = (rows["session_number"] - rows["month"].le(0)).astype(int)
    asked = pd.DataFrame({"patient_id": rows["patient_id"], "session_number": behind})
    found = asked.merge(so_far, on=["patient_id", "session_number"], how="left", validate="many_to_one")
    return found["fu"].fillna(0.0).to_numpy()


def _supply(records: Records) -> pd.Series:
    """Return FU of the donor area before any was spent here, by patient."""
    people = records.patients.set_index("patient_id")
    spent = spent_by_session(records.sessions)
    first = people["donor_measured_before_session"].astype(float)
    before = spent[spent["session_number"].lt(spent["patient_id"].map(first))]
    taken = before.groupby("patient_id")["fu"].sum().reindex(people.index).fillna(0.0)
    return people["donor_area_cm2"].astype(float) * people["donor_fu_cm2"].astype(float) + taken


def _last(counts: pd.DataFrame) -> pd.DataFrame:
    """Return the last good count of each patient that has a session between it and the first."""
    after = counts[counts["reason"].eq("") & counts["spent_fu"].gt(counts["first_spent"])]
    return after.drop_duplicates("patient_id", keep="last")


def _mean(term: str, values: pd.Series, unit: str, level: float) -> dict:
    known = values.dropna().to_numpy(dtype=float)
    n = len(known)
    if not n:
        return line(term, np.nan, unit, basis="model", n_patients=0, flag="nothing to compare")
    se = float(known.std(ddof=1) / np.sqrt(n)) if n > 1 else np.nan
    ends = limits(float(known.mean()), se, level=level, df=n - 1) if n > 1 else (np.nan, np.nan)
    return line(
        term,
        float(known.mean()),
        unit,
        se=se,
        ci=ends,
        level=level,
        basis="model",
        n_patients=n,
        n_rows=n,
        flag=FEW if n < MIN_PATIENTS else "",
    )
