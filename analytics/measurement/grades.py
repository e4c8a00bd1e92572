"""What do graded photographs show, month by month, and do two readers grade alike?

A grade is one reader's judgement of a zone on the photographs of one month, on a scale of the clinic's own,
declared with its two ends in `grades`. It says how a zone looks, never how much of the planted hair grew:
for that, hair must be counted. A patient's grades of a month (several readers, several sessions) are
averaged, and the mean over patients has Student's t; without a limit where fewer than LEAST_PATIENTS were
graded. Months are taken together by quarter of a year: month 12 is 10.5 to 13.5.

Two readers agree as far as their quadratically weighted kappa says, over photographs that both graded, in the
scale's own steps (Cohen 1968, Psychol Bull 70:213-220; its standard error: Fleiss, Cohen & Everitt 1969,
Psychol Bull 72:323-327; through statsmodels). Kappa is high where grades spread widely and low where all look
alike: read the counts beside it.
"""

from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from analytics.errors import NotRecorded
from analytics.numerics import agreement
from analytics.records import Records
from analytics.results import LEVEL, Curve, Result, limits, line

LEAST_PATIENTS = 3
LEAST_PAIRS = 10
STEP_MONTHS = 3.0
NONE = "no photograph was graded; hand in grades to see them by month"


def grades(records: Records, *, patient_id: str = "", level: float = LEVEL) -> Curve:
    """Return the mean grade by zone, scale and month, over patients.

    Parameters
    ----------
    patient_id
        Of one patient alone; empty for all.

    Returns
    -------
    Curve
        By zone and scale: `mean grade` at each month, in the scale's own units; the note says which end is
        best and how many grades were given blinded.

    Raises
    ------
    NotRecorded
        When no photograph was graded.

    Examples
    --------
    Of two patients graded 6 and 8 at month 12, on a scale of 0 to 10:

    >>> from dataclasses import replace
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> one = {"zone": "crown", "month": 12.0, "scale": "own", "scale_worst": 0.0, "scale_best": 10.0,
    ...        "reader_id": "R1", "blinded": True}
    >>> first, second = clinic.sessions.drop_duplicates("patient_id")["session_id"].head(2)
    >>> given = pd.DataFrame([{"session_id": s, "value": v, **one} for s, v in ((first, 6.0), (second, 8.0))])
    >>> grades(replace(clinic, grades=given)).table()[["term", "x", "estimate"]].values.tolist()
    [['mean grade', 12.0, 7.0]]
    """
    given = _with_patients(records, patient_id)
    month = (given["month"] / STEP_MONTHS).round() * STEP_MONTHS
    means = (
        given.assign(x=month.clip(lower=0.0))
        .groupby(["zone", "scale", "x", "patient_id"], as_index=False)["value"]
        .mean()
    )
    lines = [
        _mean(str(zone), str(scale), float(x), own["value"].to_numpy(dtype=float), level)
        for (zone, scale, x), own in means.groupby(["zone", "scale", "x"])
    ]
    table = pd.DataFrame(lines)
    return Curve(
        table,
        given.assign(reason=""),
        f"mean grade of a zone's photographs by month, a patient once, Student's t over patients from "
        f"{LEAST_PATIENTS}; level {level:g}",
        by=("zone", "scale"),
        picture="curve",
        notes=_notes(given),
        path=table,
    )


def reader_agreement(records: Records, *, level: float = LEVEL) -> Result:
    """Return how far each two readers grade alike: quadratically weighted kappa, by scale.

    Returns
    -------
    Result
        By scale and pair of readers, kappa with its interval and the number of photographs.

    Raises
    ------
    NotRecorded
        When no photograph was graded, or none by two readers.

    Examples
    --------
    No photograph of this register was graded:

    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> reader_agreement(clinic)  # doctest: +ELLIPSIS
    Traceback (most recent call last):
        ...
    analytics.errors.NotRecorded: measurement.grades: no photograph was graded; ...
    """
    given = _with_patients(records)
    key = ["session_id", "zone", "month"]
    lines = []
    for scale, own in given.groupby("scale", sort=True):
        wide = own.pivot_table(index=key, columns="reader_id", values="value", aggfunc="first")
        for one, other in combinations(wide.columns, 2):
            both = wide[[one, other]].dropna()
            if len(both):
                persons = own.set_index(key)["patient_id"].groupby(level=key).first()
                n = int(persons.reindex(both.index).nunique())
                lines.append(_kappa(str(scale), f"{one} and {other}", both.to_numpy(dtype=float), n, level))
    if not lines:
        raise NotRecorded("measurement.reader_agreement: no photograph was graded by two readers")
    return Result(
        pd.DataFrame(lines),
        given.assign(reason=""),
        "quadratically weighted kappa (Cohen 1968) of two readers on the photographs both graded, standard "
        f"error after Fleiss, Cohen & Everitt 1969; no interval under {LEAST_PAIRS} photographs; level "
        f"{level:g}",
        by=("scale", "readers"),
    )


def answers(records: Records, *, patient_id: str = "", level: float = LEVEL) -> Curve:
    """Return the patients' own answers by month, in a register without counts.

    Parameters
    ----------
    patient_id, level
        As in `grades`.

    Returns
    -------
    Curve
        `satisfaction, 0 to 10`: mean over patients by month, Student's t from LEAST_PATIENTS.

    Raises
    ------
    NotRecorded
        When hair was counted (the review then tells of answers), or nobody was asked.

    Examples
    --------
    Where hair was counted, the quarterly review tells of the answers instead:

    >>> from dataclasses import replace
    >>> from analytics import simulate
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> uncounted = replace(clinic, measurements=clinic.measurements.head(0))
    >>> answers(uncounted).table()["unit"].unique().tolist()
    ['points']
    """
    given = records.ratings.dropna(subset=["satisfaction_0_10"])
    if len(records.measurements) or given.empty:
        raise NotRecorded("measurement.answers: told where no hair was counted and patients answered")
    person = records.sessions.set_index("session_id")["patient_id"]
    given = _of(given.assign(patient_id=given["session_id"].map(person)), patient_id)
    given = given.assign(x=(given["month"] / STEP_MONTHS).round() * STEP_MONTHS)
    means = given.groupby(["x", "patient_id"], as_index=False)["satisfaction_0_10"].mean()
    lines = [
        _over_patients("satisfaction, 0 to 10", "points", {}, float(x), own, level)
        for x, own in ((x, o["satisfaction_0_10"].to_numpy(dtype=float)) for x, o in means.groupby("x"))
    ]
    table = pd.DataFrame(lines)
    return Curve(
        table,
        given.assign(reason=""),
        f"mean of the patients' answers by month, a patient once, Student's t from {LEAST_PATIENTS}; level "
        f"{level:g}",
        picture="curve",
        path=table,
    )


def _with_patients(records: Records, patient_id: str = "") -> pd.DataFrame:
    if records.grades.empty:
        raise NotRecorded(f"measurement.grades: {NONE}")
    person = records.sessions.set_index("session_id")["patient_id"]
    return _of(records.grades.assign(patient_id=records.grades["session_id"].map(person)), patient_id)


def _of(rows: pd.DataFrame, patient_id: str) -> pd.DataFrame:
    """Return the rows of one patient, or all where none is named; refuse none."""
    kept = rows[rows["patient_id"].eq(patient_id)] if patient_id else rows
    if kept.empty:
        raise NotRecorded(f"measurement.grades: {NONE}")
    return kept


def _mean(zone: str, scale: str, month: float, values: np.ndarray, level: float) -> dict:
    return _over_patients("mean grade", "grade", {"zone": zone, "scale": scale}, month, values, level)


def _over_patients(
    term: str, unit: str, by: dict[str, str], month: float, values: np.ndarray, level: float
) -> dict:
    n, mean = len(values), float(values.mean())
    own: dict[str, Any] = {"by": by, "x": month, "level": level, "basis": "model"}
    own |= {"n_patients": n, "n_rows": n}
    if n < LEAST_PATIENTS:
        return line(term, mean, unit, **own, flag=f"fewer than {LEAST_PATIENTS} patients: no interval")
    se = float(values.std(ddof=1) / np.sqrt(n))
    return line(term, mean, unit, se=se, ci=limits(mean, se, level=level, df=n - 1), df=n - 1, **own, flag="")


def _kappa(scale: str, readers: str, pairs: np.ndarray, n_patients: int, level: float) -> dict:
    found = agreement.weighted_kappa(pairs[:, 0], pairs[:, 1], level=level)
    by = {"scale": scale, "readers": readers}
    own: dict[str, Any] = {"by": by, "basis": "model", "n_patients": n_patients}
    if not np.isfinite(found.kappa):
        flag = "both gave one and the same grade throughout, of which kappa says nothing"
        return line("weighted kappa", np.nan, "ratio", n_rows=len(pairs), flag=flag, **own)
    if len(pairs) < LEAST_PAIRS:
        flag = f"fewer than {LEAST_PAIRS} photographs: no interval"
        return line("weighted kappa", found.kappa, "ratio", n_rows=len(pairs), flag=flag, **own)
    return line(
        "weighted kappa", found.kappa, "ratio", se=found.se, ci=(found.low, found.high), level=level,
        n_rows=len(pairs), flag="", **own,
    )  # fmt: skip


def _notes(given: pd.DataFrame) -> tuple[str, ...]:
    ends = given.drop_duplicates("scale").sort_values("scale")
    said = [
        f"Scale {row.scale}: {row.scale_worst:g} is worst, {row.scale_best:g} best"
        for row in ends.itertuples()
    ]
    blinded = 100 * float(given["blinded"].fillna(False).astype(bool).mean())
    return (*said, f"{blinded:.0f} % of grades were given blinded to the order of photographs")
