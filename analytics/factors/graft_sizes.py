"""How many hairs has a graft, against what the donor offers, and do single-hair grafts grow as others?

    ratio of a session = (hairs planted / grafts planted) / (donor hairs/cm2 / donor FU/cm2)

Under 1: units were divided, or small ones were chosen. The mean is taken on the log scale, patients equal,
with t limits; a session counts where the donor was measured before it or before an earlier one. The share of
single hairs is the percent of a planted zone's hairs that stand in grafts of one hair. The mix is chosen, not
randomised: single hairs go where the front shows.
"""

import numpy as np
import pandas as pd

from analytics import bench, results, yields
from analytics.factors.adjusted import USED, adjusted_for, difference, formula, too_few
from analytics.records import Records
from analytics.results import LEVEL, Result, line

PER = 10.0  # points of the share of hairs in single-hair grafts
NO_DONOR = "donor zone not measured before this session"


def hairs_per_graft(records: Records, *, level: float = LEVEL) -> Result:
    """Return hairs per graft planted, offered by the donor, and their ratio, over sessions.

    Returns
    -------
    Result
        Lines: hairs per graft planted and offered (means of patients), their ratio with interval.
        `rows()` has one row per session.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> sorted(set(hairs_per_graft(clinic).table()["term"]))
    ['offered by the donor', 'planted', 'planted over offered']
    """
    rows = sessions(records)
    told = rows[rows["reason"].eq("")]
    if gap := too_few(told, "hairs per graft against the donor"):
        return gap
    of_patient = told.groupby("patient_id")
    n, n_rows = of_patient.ngroups, len(told)
    known = {"basis": "model", "n_patients": n, "n_rows": n_rows}
    lines = []
    for term, column, unit in (
        ("planted", "planted", "hairs a graft"),
        ("offered by the donor", "offered", "hairs a graft"),
        ("planted over offered", "ratio", "ratio"),
    ):
        logs = np.log(told[column]).groupby(told["patient_id"]).mean()
        centre, error = float(logs.mean()), float(logs.std(ddof=1) / np.sqrt(n))
        low, high = results.limits(centre, error, level=level, df=n - 1)
        lines.append(
            line(term, float(np.exp(centre)), unit, se=float(np.exp(centre) * error),
                 ci=(float(np.exp(low)), float(np.exp(high))), level=level, **known)
        )  # fmt: skip
    method = "geometric mean of sessions, patients equal, t limits; donor as measured before the session"
    return Result(pd.DataFrame(lines), rows, method)


def sessions(records: Records) -> pd.DataFrame:
    """Return one row per session: hairs per graft planted and offered, their ratio, reason if not told."""
    placed = records.placements.groupby("session_id")[["hairs", "grafts"]].sum()
    rows = records.sessions[["session_id", "patient_id", "session_number"]].merge(
        placed, on="session_id", how="inner", validate="one_to_one"
    )
    donor = ["donor_hairs_cm2", "donor_fu_cm2", "donor_measured_before_session"]
    rows = rows.merge(
        records.patients[["patient_id", *donor]], on="patient_id", how="left", validate="many_to_one"
    )
    planted = (rows["hairs"] / rows["grafts"]).astype(float)
    offered = (rows["donor_hairs_cm2"] / rows["donor_fu_cm2"]).astype(float)
    in_time = rows["donor_measured_before_session"].le(rows["session_number"]).fillna(False).astype(bool)
    is_told = in_time & (planted > 0) & (offered > 0)
    rows = rows.assign(planted=planted, offered=offered, ratio=planted / offered)
    rows = rows.assign(reason=np.where(is_told, "", NO_DONOR))
    return rows[["patient_id", "session_id", "planted", "offered", "ratio", "reason"]]


def single_hair_grafts(
    records: Records, *, choices: yields.Choices = yields.USUAL, level: float = LEVEL
) -> Result:
    """Return the difference in yield for 10 points more of hairs in single-hair grafts, within zone.

    Returns
    -------
    Result
        One line, points of yield.

    Examples
    --------
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> sorted(set(single_hair_grafts(clinic).table()["term"]))
    ['10 points more of hairs in single-hair grafts']
    """
    frame = bench.units(records, choices=choices).frame
    frame = frame.assign(singles=100.0 * frame["grafts_1"] / frame["hairs"] / PER)
    analysed = frame[frame["reason"].eq("") & frame["singles"].notna()].reset_index(drop=True)
    if gap := too_few(analysed, "the share of single-hair grafts"):
        return gap
    fitted = bench.model(formula(analysed, "yield_pct", "singles"), analysed)
    term = f"{PER:g} points more of hairs in single-hair grafts"
    lines = [difference(fitted, "singles", term, "points of yield", level=level)]
    return Result(pd.DataFrame(lines), frame[USED], adjusted_for(fitted), checks=fitted.checks)
