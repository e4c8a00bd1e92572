"""What became of a patient's donor area: its density and calibre over sessions, against what was taken.

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
from analytics.planning.ledger import spent_by_session
from analytics.records import Records
from analytics.results import Result, line

SHOWN = [
    "session_number", "month", "density_hairs_cm2", "fall_pct", "hair_calibre_um", "calibre_method",
    "taken_fu", "taken_pct",
]  # fmt: skip


def donor_outcome(records: Records, patient_id: str) -> Result:
    """Return how a patient's donor density and calibre changed over sessions, and what was taken.

    Returns
    -------
    Result
        `fall of donor density` at the last comparable count and `taken before it`, in percent.
        `extra["counts"]`: one row per donor count with its calibre, its fall and what was taken before it.

    Raises
    ------
    ParameterError
        When the patient is not in the records.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> donor_outcome(clinic, clinic.patients["patient_id"].iloc[0]).table()["term"].tolist()
    ['fall of donor density', 'taken before it']
    """
    door.patient(records, patient_id)
    counts = _counts(door.subset(records, [patient_id]))
    good = counts[counts["reason"].eq("")]
    last = good.iloc[-1] if len(good) else pd.Series({"fall_pct": np.nan, "taken_pct": np.nan})
    flag = "" if len(good) else "no donor count"
    lines = [
        line("fall of donor density", float(last["fall_pct"]), "%", n_patients=1, flag=flag),
        line("taken before it", float(last["taken_pct"]), "%", n_patients=1, flag=flag),
    ]
    method = (
        "donor counts against the first with hair of the same length, in percent of the first; taken: "
        "attempts (FUE) or grafts out (strip), in percent of what the donor held at that count"
    )
    used = counts[["patient_id", "month", "reason"]]
    return Result(pd.DataFrame(lines), used, method, extra={"counts": counts[SHOWN]})


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
    first = good.set_index(key)[["density_hairs_cm2", "spent_fu"]]
    first.columns = pd.Index(["first_density", "first_spent"])
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
