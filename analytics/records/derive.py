"""Fill what a clinic need not write: defaults, clocks, sums, and the columns added at load.

Each function takes typed frames and returns a new frame; none looks at a file.

When a count was made on its patient's own clock, and whole numbers in the place of codes.

Every check of measurements needs both; they are worked out once. Whole register months leave a month of
doubt between two sessions, clocks written to one decimal 0.2 months.
"""

from typing import NamedTuple

import numpy as np
import pandas as pd

from analytics.dictionary import SCALES

Frames = dict[str, pd.DataFrame]
DOUBT_REGISTER = 1.0  # months between two whole register months
DOUBT_STATED = 0.2  # months between clocks written to one decimal
MISSING = -1  # the number of a missing code


class Clock(NamedTuple):
    """Counts, the zones each session planted, and sessions, on one clock and with numbers for codes.

    All have `start` (patient_month of the session) and the numbers person, place (person and zone), region
    (place and region_id), course (region and session), planting (place and session). Counts have also
    `time` (start + month), `doubt` (months) and `is_sure` (False where the sessions or placements of their
    patient have faults of their own).
    """

    counts: pd.DataFrame
    planted: pd.DataFrame
    sessions: pd.DataFrame


def read(frames: Frames, given: Frames) -> Clock:
    """Return the clock of a register; `given` are the tables as handed in, before defaults."""
    sessions, planted = _starts(frames, given)
    counts, planted, sessions = _numbered(_timed(frames["measurements"], sessions), planted, sessions)
    is_sure = ~counts["patient_id"].isin(_in_doubt(frames)) & ~_zone_in_doubt(frames, counts)
    return Clock(counts.assign(is_sure=is_sure), planted, sessions)


def _starts(frames: Frames, given: Frames) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return sessions, and sessions with the zones they planted, each with `start` and `is_stated`."""
    sessions = frames["sessions"][["patient_id", "session_id"]].assign(
        start=frames["sessions"]["patient_month"].astype(float),
        is_stated=_to_the_decimal(frames["sessions"], given["sessions"]),
    )
    sessions = sessions.drop_duplicates("session_id").dropna()
    zones = frames["placements"][["session_id", "zone"]].dropna().drop_duplicates()
    return sessions, zones.merge(sessions, on="session_id", validate="many_to_one")


def _in_doubt(frames: Frames) -> pd.Series:
    """Return the patients whose sessions or placements have faults of their own."""
    sessions, placements = frames["sessions"], frames["placements"]
    unread = sessions[["session_id", "register_month", "session_number"]].isna().any(axis=1)
    ordered = sessions.sort_values(["patient_id", "session_number"])
    falls = (ordered.groupby("patient_id")["register_month"].diff() < 0).reindex(
        sessions.index, fill_value=False
    )
    twice = sessions["session_id"].duplicated(keep=False)
    without_zone = placements.loc[placements["zone"].isna(), "patient_id"]
    return pd.concat([sessions.loc[unread | falls | twice, "patient_id"], without_zone]).dropna()


def _zone_in_doubt(frames: Frames, counts: pd.DataFrame) -> pd.Series:
    """Return the counts in a zone that a placement of an unknown session, perhaps theirs, holds."""
    placements = frames["placements"]
    return counts["zone"].isin(placements.loc[placements["patient_id"].isna(), "zone"].dropna())


def _to_the_decimal(sessions: pd.DataFrame, given: pd.DataFrame) -> pd.Series:
    """Return where patient_month says more than the whole register months do."""
    first = sessions.groupby("patient_id")["register_month"].transform("min")
    return given["patient_month"].notna() & given["patient_month"].ne(sessions["register_month"] - first)


def _timed(counts: pd.DataFrame, sessions: pd.DataFrame) -> pd.DataFrame:
    """Return the counts with `start` (of their session), `time` (start + month) and `doubt` in months."""
    by_session = sessions.set_index("session_id")
    start = counts["session_id"].map(by_session["start"]).astype(float)
    exact = counts["session_id"].map(by_session["is_stated"]).eq(True)
    return counts.assign(
        start=start, time=start + counts["month"], doubt=np.where(exact, DOUBT_STATED, DOUBT_REGISTER)
    )


def _numbered(*frames: pd.DataFrame) -> tuple[pd.DataFrame, ...]:
    """Return the frames with whole numbers for their codes: person, place (person and zone), region, course.

    A region is a place and region_id, a course a region and session. The same codes have the same number in
    every frame; a missing part makes the number MISSING.
    """
    keys = ("patient_id", "zone", "region_id", "session_id")
    joined = {key: _stacked(frames, key) for key in keys}
    person = pd.factorize(joined["patient_id"])[0]
    place = paired(person, pd.factorize(joined["zone"])[0])
    region = paired(place, pd.factorize(joined["region_id"])[0])
    session = pd.factorize(joined["session_id"])[0]
    numbers = {
        "person": person,
        "place": place,
        "region": region,
        "course": paired(region, session),
        "planting": paired(place, session),
    }
    ends = np.cumsum([len(f) for f in frames])[:-1]
    parts = {name: np.split(values, ends) for name, values in numbers.items()}
    return tuple(f.assign(**{name: parts[name][i] for name in numbers}) for i, f in enumerate(frames))


def _stacked(frames: tuple[pd.DataFrame, ...], key: str) -> np.ndarray:
    return np.concatenate([f[key].to_numpy(object) if key in f else np.full(len(f), None) for f in frames])


def paired(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Return one number for each pair of numbers, MISSING where either is."""
    pair = pd.factorize(first * (second.max(initial=0) + 1) + second)[0]
    return np.where((first == MISSING) | (second == MISSING), MISSING, pair)


SIZES = (1, 2, 3, 4)


def filled(frames: Frames) -> Frames:
    """Return the frames with every default of the dictionary filled in."""
    out = dict(frames)
    out["patients"] = _patients(out["patients"])
    out["sessions"] = _sessions(out["sessions"])
    out["placements"] = _placements(out["placements"], out["sessions"])
    out["measurements"] = _measurements(out["measurements"], out["placements"])
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


def _measurements(measurements: pd.DataFrame, placements: pd.DataFrame) -> pd.DataFrame:
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


def visits_from(measurements: pd.DataFrame) -> pd.DataFrame:
    """Return one visit a person, session and month of the counts; photographs pass where all of them did."""
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
