"""Check measurements: the clock of each count, its baseline, its region, and cells that go together.

Clocks: a count is timed from the latest session that planted its zone, or, where none did, from the
patient's latest session; a baseline (month -6 to 0) from the session it precedes. Whole register months
leave a month of doubt between two sessions, which is never told as a fault.
"""

import numpy as np
import pandas as pd

from analytics.records import limits
from analytics.records.checks_case import outside
from analytics.records.dictionary import BASELINE_FROM_MONTH
from analytics.records.messages import Problem
from analytics.records.sentences import found

Frames = dict[str, pd.DataFrame]
DOUBT_REGISTER = 1.0  # months between two whole register months
DOUBT_STATED = 0.2  # months between clocks written to one decimal
REGION = ["patient_id", "zone", "region_id"]


def check(frames: Frames, given: Frames) -> list[Problem]:
    """Return the problems of measurements; `given` are the tables as handed in, before defaults."""
    counts = timed(frames["measurements"], frames["sessions"], given["sessions"])
    planted = _plantings(frames)
    return [
        *found(
            counts,
            _wrong_session(counts, planted, frames["sessions"]),
            "measurements.session_id",
            "wrong_session",
        ),
        *found(counts, _without_baseline(counts), "measurements.month", "no_baseline"),
        *_kinds(counts, planted, given["measurements"]),
        *_cells(counts),
        *_repeats(counts),
        *_marked(counts),
    ]


def timed(counts: pd.DataFrame, sessions: pd.DataFrame, given: pd.DataFrame) -> pd.DataFrame:
    """Return the counts with `start` (the session's patient_month), `time` (start + month), `doubt`."""
    stated = given["patient_month"].reindex(sessions.index).notna()
    by_session = sessions.assign(stated=stated).drop_duplicates("session_id").set_index("session_id")
    start = counts["session_id"].map(by_session["patient_month"]).astype(float)
    exact = counts["session_id"].map(by_session["stated"]).fillna(False).astype(bool)
    return counts.assign(
        start=start, time=start + counts["month"], doubt=np.where(exact, DOUBT_STATED, DOUBT_REGISTER)
    )


def _plantings(frames: Frames) -> pd.DataFrame:
    """Return one row a patient, zone and session that planted it, with its patient_month as `start`."""
    placements = frames["placements"][["patient_id", "zone", "session_id"]].dropna().drop_duplicates()
    months = (
        frames["sessions"]
        .drop_duplicates("session_id")
        .set_index("session_id")["patient_month"]
        .astype(float)
    )
    return placements.assign(start=placements["session_id"].map(months)).dropna()


def _wrong_session(counts: pd.DataFrame, planted: pd.DataFrame, sessions: pd.DataFrame) -> pd.Series:
    """Return which counts are timed from a session that another, clearly before the count, has replaced."""
    known = counts[["patient_id", "zone", "session_id", "time"]].notna().all(axis=1)
    own = pd.MultiIndex.from_frame(counts[["patient_id", "zone", "session_id"]])
    plants = own.isin(pd.MultiIndex.from_frame(planted[["patient_id", "zone", "session_id"]]))
    follow_up = counts["month"] > 0
    latest_planting = _latest_before(counts, planted, ["patient_id", "zone"])
    all_sessions = sessions[["patient_id", "patient_month"]].astype({"patient_month": float})
    latest = _latest_before(counts, all_sessions.rename(columns={"patient_month": "start"}), ["patient_id"])
    replaced = plants & follow_up & (latest_planting > counts["start"])
    elsewhere = ~plants & latest_planting.notna()
    older = ~plants & latest_planting.isna() & follow_up & (latest > counts["start"])
    return known & (replaced | elsewhere | older)


def _latest_before(counts: pd.DataFrame, events: pd.DataFrame, by: list[str]) -> pd.Series:
    """Return for each count the start of its group's latest event clearly before it, or NaN."""
    left = (
        counts.assign(moment=counts["time"] - counts["doubt"])[[*by, "moment"]].dropna().sort_values("moment")
    )
    right = events[[*by, "start"]].dropna().sort_values("start")
    left = left.reset_index()
    met = pd.merge_asof(
        left.astype(dict.fromkeys(by, object)),
        right.astype(dict.fromkeys(by, object)),
        left_on="moment",
        right_on="start",
        by=by,
    )
    return met.set_index("index")["start"].reindex(counts.index)


def _without_baseline(counts: pd.DataFrame) -> pd.Series:
    """Return the first follow-up of each planted region and session without a baseline."""
    planted = counts["region_kind"].eq("planted").fillna(False)
    follow_up = counts[planted & (counts["month"] > 0) & counts["time"].notna()].sort_index()
    first = follow_up.drop_duplicates([*REGION, "session_id"])
    moments = counts.assign(start=counts["time"], moment=np.nan)[[*REGION, "start"]]
    asked = first.assign(time=first["start"], doubt=0.0)
    before = _latest_before(asked, moments, REGION)
    missing = ~(first["start"] - before <= -BASELINE_FROM_MONTH)
    return missing.reindex(counts.index, fill_value=False)


def _kinds(counts: pd.DataFrame, planted: pd.DataFrame, given: pd.DataFrame) -> list[Problem]:
    kind, donor_zone = counts["region_kind"], counts["zone"].eq("donor").fillna(False)
    stated = given["region_kind"].reindex(counts.index).notna()
    here = pd.MultiIndex.from_frame(counts[["patient_id", "zone"]])
    never = ~here.isin(pd.MultiIndex.from_frame(planted[["patient_id", "zone"]])) & counts["zone"].notna()
    read = counts["patient_id"].isin(planted["patient_id"])
    donor = stated & counts["zone"].notna() & (donor_zone != kind.eq("donor").fillna(False))
    first = kind.groupby([counts[k] for k in [*REGION, "session_id"]]).transform("first")
    unlike = kind.notna() & first.notna() & kind.ne(first) & ~donor
    where = "measurements.region_kind"
    return [
        *found(counts, donor, where, "donor_kind"),
        *found(
            counts, stated & kind.eq("planted").fillna(False) & never & read & ~donor, where, "never_planted"
        ),
        *found(counts, ~stated & ~donor_zone & never & read, where, "taken_as_unplanted"),
        *found(counts, unlike, where, "two_kinds"),
    ]


def _cells(counts: pd.DataFrame) -> list[Problem]:
    """Check cells of one row against one another."""
    hairs, units = counts["density_hairs_cm2"], counts["density_fu_cm2"]
    per_unit = (hairs / units.where(units > 0)).where(hairs > 0)
    impossible = (
        outside(per_unit, limits.HAIRS_PER_GRAFT) | (units.eq(0) & (hairs > 0)) | ((units > 0) & hairs.eq(0))
    )
    standard = counts["standard_conditions"]
    reason = counts["condition_reason"].notna()
    calibre = counts["hair_calibre_um"].notna() & counts["calibre_method"].isna()
    at = "measurements.condition_reason"
    return [
        *found(counts, impossible, "measurements.density_fu_cm2", "hairs_per_fu"),
        *found(counts, calibre, "measurements.calibre_method", "calibre_without_method"),
        *found(counts, standard.eq(False).fillna(False) & ~reason, at, "reason_missing"),
        *found(counts, standard.eq(True).fillna(False) & reason, at, "reason_without_fault"),
    ]


def _repeats(counts: pd.DataFrame) -> list[Problem]:
    key = [*REGION, "session_id", "month"]
    least = counts["count_number"].groupby([counts[k] for k in key]).transform("min")
    return found(counts, least > 1, "measurements.count_number", "repeat_without_first")


def _marked(counts: pd.DataFrame) -> list[Problem]:
    """Check that the counts of a region are like its first in area (where marked) and in shaving."""
    area = (counts["roi_area_cm2"] * counts["n_fields"]).round(6)
    key = [counts[k] for k in [*REGION, "session_id"]]
    marked = counts["roi_marked"].eq(True).fillna(False)
    order = counts["month"].groupby(key).rank(method="first").eq(1)
    first_area = area.where(order & marked).groupby(key).transform("max")
    shaved = counts["hair_length"].eq("shaved").astype("Float64").astype(float)
    first_shaved = shaved.where(order).groupby(key).transform("max")
    return [
        *found(
            counts,
            marked & first_area.notna() & area.ne(first_area),
            "measurements.roi_area_cm2",
            "area_changed",
        ),
        *found(
            counts,
            shaved.notna() & first_shaved.notna() & shaved.ne(first_shaved),
            "measurements.hair_length",
            "length_changed",
        ),
    ]
