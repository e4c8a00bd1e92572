"""Fill what a clinic need not write: defaults, sums, and the columns added at load.

Each function takes typed frames and returns a new frame; none looks at a file.
"""

import numpy as np
import pandas as pd

from analytics.dictionary import SCALES, Table

Frames = dict[str, pd.DataFrame]
SIZES = (1, 2, 3, 4)


def missing(n: int, dtype: str) -> np.ndarray | pd.api.extensions.ExtensionArray:
    """Return `n` missing cells of a column's type; whole numbers are floats until they are filled."""
    if dtype in ("float64", "int64"):
        return np.full(n, np.nan)
    return pd.array([pd.NA] * n, dtype=dtype)


def final(frame: pd.DataFrame, table: Table) -> pd.DataFrame:
    """Return the dictionary's columns of a filled frame, each of its type, its rows numbered anew."""
    cells = {c.name: (frame[c.name].array, c.dtype) for c in table.columns}
    typed = {
        name: array if array.dtype == dtype else array.astype(dtype) for name, (array, dtype) in cells.items()
    }
    return pd.DataFrame(typed, index=pd.RangeIndex(len(frame)))


def filled(frames: Frames) -> Frames:
    """Return the frames with every default of the dictionary filled in."""
    out = dict(frames)
    out["patients"] = _patients(out["patients"])
    out["sessions"] = _sessions(out["sessions"])
    out["placements"] = _placements(out["placements"], out["sessions"])
    out["measurements"] = of_counts(out["measurements"], out["placements"])
    return out


def _patients(patients: pd.DataFrame) -> pd.DataFrame:
    return patients.assign(
        loss_scale=patients["loss_scale"].fillna(_scale(patients)),
        donor_measured_before_session=patients["donor_measured_before_session"].fillna(1),
        grafts_elsewhere=patients["grafts_elsewhere"].fillna(0),
    )


def _scale(patients: pd.DataFrame) -> pd.Series:
    """Return the scale by sex, or the only scale that has the class where that one has not."""
    by_sex = patients["sex"].map({"male": "Norwood-Hamilton", "female": "Ludwig"}).astype("string")
    beyond = by_sex.eq("Ludwig").fillna(False) & ~patients["loss_class"].isin(SCALES["Ludwig"])
    return by_sex.mask(beyond & patients["loss_class"].notna(), "Norwood-Hamilton")


def _sessions(sessions: pd.DataFrame) -> pd.DataFrame:
    first = sessions.groupby("patient_id", dropna=False)["register_month"].transform("min")
    return sessions.assign(
        patient_month=sessions["patient_month"].fillna((sessions["register_month"] - first).astype(float)),
        harvested_by=sessions["harvested_by"].fillna(sessions["surgeon_id"]),
        donor_source=sessions["donor_source"].fillna("scalp"),
    )


def _placements(placements: pd.DataFrame, sessions: pd.DataFrame) -> pd.DataFrame:
    by_session = sessions.drop_duplicates("session_id").set_index("session_id")
    of_session = by_session.reindex(placements["session_id"])
    of_session.index = placements.index
    grafts, hairs = counted(placements)
    return placements.assign(
        patient_id=of_session["patient_id"],
        site=placements["site"].fillna("whole"),
        grafts=placements["grafts"].fillna(grafts),
        hairs=placements["hairs"].fillna(hairs),
        recipient=placements["recipient"].fillna("native"),
        method=placements["method"].fillna(of_session["method"]),
        holding_medium=placements["holding_medium"].fillna(of_session["holding_medium"]),
        out_of_body_min=placements["out_of_body_min"].fillna(of_session["out_of_body_min"]),
        planted_by=placements["planted_by"].fillna(of_session["surgeon_id"]),
    )


def counted(placements: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Return grafts and hairs by the counts of grafts of each size, NaN where no size was counted."""
    sizes = placements[[f"grafts_{n}" for n in SIZES]].astype(float)
    grafts = sizes.sum(axis=1, min_count=1)
    hairs = (sizes * np.array(SIZES)).sum(axis=1, min_count=1)
    return grafts, hairs


def of_counts(measurements: pd.DataFrame, placements: pd.DataFrame) -> pd.DataFrame:
    """Return counts with their region, its kind (planted here, or not) and their number filled in."""
    planted = pd.MultiIndex.from_frame(placements[["patient_id", "zone"]].dropna().drop_duplicates())
    here = pd.MultiIndex.from_frame(measurements[["patient_id", "zone"]])
    kind = np.where(
        measurements["zone"].eq("donor").fillna(False),
        "donor",
        np.where(here.isin(planted), "planted", "unplanted"),
    )
    return measurements.assign(
        region_id=measurements["region_id"].fillna(measurements["zone"]),
        region_kind=measurements["region_kind"].fillna(
            pd.Series(kind, index=measurements.index, dtype="string")
        ),
        count_number=measurements["count_number"].fillna(1),
    )


def moments(frames: Frames) -> pd.DataFrame:
    """Return what visits are derived from: counts, or where none was made, grades and answers.

    A graded photograph passes the clinic's standard; an answer says nothing of photographs.
    """
    if len(frames["measurements"]):
        return frames["measurements"]
    person = frames["sessions"].drop_duplicates("session_id").set_index("session_id")["patient_id"]
    seen = [
        frames[name][["session_id", "month"]].assign(standard_conditions=is_standard)
        for name, is_standard in (("grades", True), ("ratings", False))
    ]
    both = pd.concat(seen, ignore_index=True)
    return both.assign(
        patient_id=both["session_id"].map(person).astype("string"),
        standard_conditions=both["standard_conditions"].astype("boolean"),
    )


def visits_from(measurements: pd.DataFrame) -> pd.DataFrame:
    """Return one visit per person, session and month of counts; photographs pass where all did."""
    key = ["patient_id", "session_id", "month"]
    passed = (
        measurements["standard_conditions"]
        .fillna(False)
        .astype(bool)
        .groupby([measurements[k] for k in key])
        .all()
    )
    visits = passed.rename("photographs_standard").reset_index()
    missing = pd.array([pd.NA] * len(visits), dtype="boolean")
    return pd.DataFrame(
        {
            **{k: visits[k] for k in key},
            "mode": pd.array([pd.NA] * len(visits), dtype="string"),
            "photographs_standard": visits["photographs_standard"].astype("boolean"),
            "complications_asked": missing,
            "withdrawn": missing,
        }
    )
