"""Look for slips that break no rule: one code spelt in two ways, counts that cannot both be right.

Check measurements: the clock of each count, its baseline, its region, and cells that go together.

Clocks: a count is timed from the latest session that planted its zone, or, where none did, from the
patient's latest session; a baseline (month -6 to 0) from the session it precedes. Whole register months
leave a month of doubt between two sessions, which is never told as a fault.
"""

import pandas as pd

from analytics.dictionary import (
    BASELINE_FROM_MONTH,
    FEWEST_FOR_A_UNIT,
    HAIRS_PER_GRAFT,
    MOST_YIELD_PCT,
    PER_MM2_BELOW,
    REPEAT_HAIRS_CM2,
    REPEAT_RATIO,
)
from analytics.errors import Problem
from analytics.records.derive import MISSING, Clock, paired
from analytics.records.rules.case import outside
from analytics.records.rules.sentences import found

Frames = dict[str, pd.DataFrame]


def check(clock: Clock, given: Frames) -> list[Problem]:
    """Return the problems of measurements; `given` are the tables as handed in, before defaults."""
    counts, planted = clock.counts, clock.planted
    return [
        *_twice(counts),
        *found(counts, _wrong_session(clock), "measurements.session_id", "wrong_session"),
        *found(counts, _without_baseline(counts, planted), "measurements.month", "no_baseline"),
        *_kinds(counts, planted, given["measurements"]),
        *_cells(counts),
        *_repeats(counts),
        *_marked(counts),
    ]


def _twice(counts: pd.DataFrame) -> list[Problem]:
    """Check the key of a count, by numbers instead of codes."""
    known = (counts["course"] != MISSING) & counts[["month", "count_number"]].notna().all(axis=1)
    again = counts[["course", "month", "count_number"]].duplicated() & known
    key = "patient_id, zone, region_id, session_id, month and count_number"
    return found(counts, again, "measurements.count_number", "duplicate_count", key=key)


def _wrong_session(clock: Clock) -> pd.Series:
    """Return which counts are timed from a session that another, clearly before the count, has replaced."""
    counts, planted, sessions = clock.counts, clock.planted, clock.sessions
    known = (counts["planting"] != MISSING) & counts["time"].notna() & counts["is_sure"]
    own = counts["person"].eq(counts["session_id"].map(sessions.set_index("session_id")["person"]))
    plants = counts["planting"].isin(planted["planting"])
    follow_up = counts["month"] > 0
    latest_planting = _latest_before(counts, planted, "place")
    latest = _latest_before(counts, sessions, "person")
    replaced = plants & follow_up & (latest_planting > counts["start"])
    elsewhere = ~plants & latest_planting.notna()
    older = ~plants & latest_planting.isna() & follow_up & (latest > counts["start"])
    return known & own & (replaced | elsewhere | older)


def _latest_before(counts: pd.DataFrame, events: pd.DataFrame, by: str) -> pd.Series:
    """Return for each count the start of its group's latest event clearly before it, or NaN."""
    moments = pd.DataFrame({by: counts[by], "moment": counts["time"] - counts["doubt"]}).dropna()
    right = events[[by, "start"]].dropna().sort_values("start").rename(columns={"start": "met"})
    left = moments.sort_values("moment").reset_index()
    met = pd.merge_asof(left, right, left_on="moment", right_on="met", by=by)
    return met.set_index("index")["met"].reindex(counts.index)


def _without_baseline(counts: pd.DataFrame, plantings: pd.DataFrame) -> pd.Series:
    """Return the first follow-up of each region that its session planted, where it has no baseline."""
    planted = counts["region_kind"].eq("planted").fillna(False) & counts["planting"].isin(
        plantings["planting"]
    )
    follow_up = counts[
        planted & (counts["month"] > 0) & counts["time"].notna() & (counts["course"] != MISSING)
    ]
    first = follow_up.drop_duplicates("course")
    any_count = counts[["region", "time"]].rename(columns={"time": "start"})
    before = _latest_before(first.assign(time=first["start"], doubt=0.0), any_count, "region")
    missing = ~(first["start"] - before <= -BASELINE_FROM_MONTH)
    return missing.reindex(counts.index, fill_value=False)


def _kinds(counts: pd.DataFrame, planted: pd.DataFrame, given: pd.DataFrame) -> list[Problem]:
    kind, donor_zone = counts["region_kind"], counts["zone"].eq("donor").fillna(False)
    stated = given["region_kind"].notna()
    never = ~counts["place"].isin(planted["place"]) & counts["zone"].notna()
    read = counts["person"].isin(planted["person"]) & counts["is_sure"]
    donor = stated & counts["zone"].notna() & (donor_zone != kind.eq("donor").fillna(False))
    one, several = _range(pd.Series(pd.factorize(kind)[0], counts.index), counts["course"])
    unlike = kind.notna() & (one != several) & kind.ne(_first(kind, counts["course"])) & ~donor
    where = "measurements.region_kind"
    return [
        *found(counts, donor, where, "donor_kind"),
        *found(
            counts, stated & kind.eq("planted").fillna(False) & never & read & ~donor, where, "never_planted"
        ),
        *found(counts, ~stated & ~donor_zone & never & read, where, "taken_as_unplanted"),
        *found(counts, unlike, where, "two_kinds"),
    ]


def _range(values: pd.Series, groups: pd.Series) -> tuple[pd.Series, pd.Series]:
    of_group = values.groupby(groups)
    return of_group.transform("min"), of_group.transform("max")


def _first(values: pd.Series, groups: pd.Series) -> pd.Series:
    first = values[~groups.duplicated()].set_axis(groups[~groups.duplicated()])
    return groups.map(first)


def _cells(counts: pd.DataFrame) -> list[Problem]:
    """Check cells of one row against one another."""
    hairs, units = counts["density_hairs_cm2"], counts["density_fu_cm2"]
    per_unit = (hairs / units.where(units > 0)).where(hairs > 0)
    impossible = (
        outside(per_unit, HAIRS_PER_GRAFT) | (units.eq(0) & (hairs > 0)) | ((units > 0) & hairs.eq(0))
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
    visit = paired(counts["course"].to_numpy(), pd.factorize(counts["month"])[0])
    least = counts["count_number"].groupby(visit).transform("min")
    return found(
        counts, (least > 1) & (visit != MISSING), "measurements.count_number", "repeat_without_first"
    )


def _marked(counts: pd.DataFrame) -> list[Problem]:
    """Check that a region's counts are like its first in area (where marked), shaving and thinnest hair."""
    in_order = counts.sort_values("month", kind="stable")
    first = in_order[~in_order["course"].duplicated() & (in_order["course"] != MISSING)].set_index("course")
    area = (counts["roi_area_cm2"] * counts["n_fields"]).round(6)
    first_area = counts["course"].map((first["roi_area_cm2"] * first["n_fields"]).round(6))
    marked = counts["roi_marked"].eq(True).fillna(False)
    both_marked = marked & counts["course"].map(first["roi_marked"].eq(True).fillna(False)).eq(True)
    length, first_length = counts["hair_length"], counts["course"].map(first["hair_length"])
    both_known = length.notna() & first_length.notna()
    unlike = both_known & (length.eq("shaved") != first_length.eq("shaved")).fillna(False)
    thinnest = counts["thinnest_counted_um"]
    first_thinnest = counts["course"].map(first["thinnest_counted_um"])
    moved = thinnest.notna() & first_thinnest.notna() & thinnest.ne(first_thinnest)
    changed = both_marked & area.notna() & first_area.notna() & area.ne(first_area)
    return [
        *found(counts, changed, "measurements.roi_area_cm2", "area_changed"),
        *found(counts, unlike, "measurements.hair_length", "length_changed"),
        *found(counts, moved, "measurements.thinnest_counted_um", "cut_off_changed"),
    ]


SPELT = {
    "sessions": ("surgeon_id", "team_id", "harvested_by", "technique"),
    "placements": ("planted_by",),
    "measurements": ("reader_id", "device_class"),
}


def check_slips(frames: Frames, given: Frames, clock: Clock) -> list[Problem]:
    """Return warnings of likely slips; `given` are the tables as handed in, before defaults."""
    spelt = [
        p
        for table, columns in SPELT.items()
        for column in columns
        for p in _spelling(given[table], table, column)
    ]
    return [
        *spelt,
        *_per_mm2(clock.counts),
        *_repeats_apart(clock.counts),
        *_beyond_planted(frames["placements"], clock),
    ]


def _spelling(frame: pd.DataFrame, table: str, column: str) -> list[Problem]:
    """Tell of the rarer spelling of codes that differ only by capitals, spaces, dashes or zeros."""
    counts = frame[column].value_counts()
    bare = (
        counts.index.to_series()
        .str.casefold()
        .str.replace(r"[\s_.-]+", "", regex=True)
        .str.replace(r"(?<!\d)0+(?=\d)", "", regex=True)
    )
    rarer = counts.index[bare.duplicated().to_numpy()]
    return found(frame, frame[column].isin(rarer), f"{table}.{column}", "two_spellings")


def _per_mm2(counts: pd.DataFrame) -> list[Problem]:
    """Tell of a table whose densities are all so low that they are likelier per mm2."""
    density = counts["density_hairs_cm2"]
    known = density.notna()
    all_low = known.sum() >= FEWEST_FOR_A_UNIT and density.max() < PER_MM2_BELOW
    return found(counts, known & all_low, "measurements.density_hairs_cm2", "per_mm2")


def _repeats_apart(counts: pd.DataFrame) -> list[Problem]:
    """Compare counts of one marked region at one visit; of an unmarked one other fields may be counted."""
    visit = paired(counts["course"].to_numpy(), pd.factorize(counts["month"])[0])
    marked = counts["roi_marked"].eq(True).fillna(False) & (visit != MISSING)
    visits = pd.Series(visit, counts.index)[marked]
    repeated = visits[visits.duplicated(keep=False)]
    density = counts["density_hairs_cm2"].reindex(repeated.index).groupby(repeated)
    low, high = density.transform("min"), density.transform("max")
    apart = (high > REPEAT_RATIO * low) & (high - low > REPEAT_HAIRS_CM2)
    later = apart & repeated.duplicated()
    where = "measurements.density_hairs_cm2"
    return found(counts, later.reindex(counts.index, fill_value=False), where, "repeats_apart")


def _beyond_planted(placements: pd.DataFrame, clock: Clock) -> list[Problem]:
    """Compare the gain since the session's own baseline with what the session planted in the zone."""
    counts, planted = clock.counts, clock.planted
    planted_kind = counts["region_kind"].eq("planted").fillna(False) & (counts["course"] != MISSING)
    baseline = counts[planted_kind & (counts["month"] <= 0)]
    before = counts["course"].map(baseline.groupby("course")["density_hairs_cm2"].mean())
    average = placements["hairs"] / placements["area_cm2"]
    hairs_cm2 = placements["roi_planted_hairs_cm2"].fillna(average)
    by_zone = (
        hairs_cm2.groupby([placements["session_id"], placements["zone"]])
        .max()
        .rename("hairs_cm2")
        .reset_index()
    )
    known = planted.merge(by_zone, on=["session_id", "zone"], how="left", validate="one_to_one")
    most = counts["planting"].map(known.set_index("planting")["hairs_cm2"]) * MOST_YIELD_PCT / 100
    beyond = planted_kind & ((counts["density_hairs_cm2"] - before) > most)
    return found(counts, beyond, "measurements.density_hairs_cm2", "beyond_planted")
