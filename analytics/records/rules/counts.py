"""What contradicts itself in a count: its clock, its baseline, its region, and cells that go together.

A count is timed from the latest session that planted its zone, or, where none did, from the patient's latest
session; a baseline (month -6 to 0) from the session it precedes. Whole register months leave a month of doubt
between two sessions, which is never told as a fault.
"""

import pandas as pd

from analytics.dictionary import BASELINE_FROM_MONTH
from analytics.records.codes import MISSING, paired
from analytics.records.rules.clock import Clock, latest_before
from analytics.records.rules.patients import calibre_without_method, hairs_per_fu
from analytics.records.rules.rule import Register, Rule, at_all, is_false, is_true, is_word


def _stands_twice(register: Register) -> pd.Series:
    """Return which counts repeat the key of an earlier one, by numbers in the place of codes."""
    counts = register.clock.counts
    is_known = (counts["course"] != MISSING) & counts[["month", "count_number"]].notna().all(axis=1)
    return counts[["course", "month", "count_number"]].duplicated() & is_known


def _wrong_session(register: Register) -> pd.Series:
    """Return which counts are timed from a session that another, clearly before the count, has replaced."""
    counts, planted, sessions = register.clock
    is_known = (counts["planting"] != MISSING) & counts["time"].notna() & counts["is_sure"]
    person = counts["session_id"].map(sessions.set_index("session_id")["person"])
    plants = counts["planting"].isin(planted["planting"])
    follow_up = counts["month"] > 0
    latest_planting = _latest_before(counts, planted, "place")
    latest = _latest_before(counts, sessions, "person")
    replaced = plants & follow_up & (latest_planting > counts["start"])
    elsewhere = ~plants & latest_planting.notna()
    older = ~plants & latest_planting.isna() & follow_up & (latest > counts["start"])
    return is_known & counts["person"].eq(person) & (replaced | elsewhere | older)


def _latest_before(counts: pd.DataFrame, events: pd.DataFrame, by: str) -> pd.Series:
    """Return for each count the start of its group's latest event clearly before it, or NaN."""
    moment = (counts["time"] - counts["doubt"]).to_numpy()
    of, starts = events[by].to_numpy(), events["start"].to_numpy()
    return pd.Series(latest_before(counts[by].to_numpy(), moment, of, starts), counts.index)


def _without_baseline(register: Register) -> pd.Series:
    """Return the first follow-up of each region that its session planted, where it has no baseline."""
    counts, plantings, _ = register.clock
    planted = is_word(counts["region_kind"], "planted") & counts["planting"].isin(plantings["planting"])
    timed = (counts["month"] > 0) & counts["time"].notna() & (counts["course"] != MISSING)
    first = counts[planted & timed].drop_duplicates("course")
    any_count = counts[["region", "time"]].rename(columns={"time": "start"})
    before = _latest_before(first.assign(time=first["start"], doubt=0.0), any_count, "region")
    return at_all(~(first["start"] - before <= -BASELINE_FROM_MONTH), counts)


def _is_kind_stated(register: Register) -> pd.Series:
    return register.given["measurements"]["region_kind"].notna()


def _is_in_donor_zone(clock: Clock) -> pd.Series:
    return is_word(clock.counts["zone"], "donor")


def _never_planted(clock: Clock) -> pd.Series:
    """Return the counts in a zone that no session planted, of patients whose placements were all read."""
    counts, planted, _ = clock
    never = ~counts["place"].isin(planted["place"]) & counts["zone"].notna()
    return never & counts["person"].isin(planted["person"]) & counts["is_sure"]


def _donor_kind(register: Register) -> pd.Series:
    counts = register.clock.counts
    differs = _is_in_donor_zone(register.clock) != is_word(counts["region_kind"], "donor")
    return _is_kind_stated(register) & counts["zone"].notna() & differs


def _planted_never(register: Register) -> pd.Series:
    planted = is_word(register.clock.counts["region_kind"], "planted")
    stated = _is_kind_stated(register) & planted & ~_donor_kind(register)
    return stated & _never_planted(register.clock)


def _taken_as_unplanted(register: Register) -> pd.Series:
    unstated = ~_is_kind_stated(register) & ~_is_in_donor_zone(register.clock)
    return unstated & _never_planted(register.clock)


def _two_kinds(register: Register) -> pd.Series:
    counts = register.clock.counts
    kind, course = counts["region_kind"], counts["course"]
    of_course = pd.Series(pd.factorize(kind)[0], counts.index).groupby(course)
    several = of_course.transform("min") != of_course.transform("max")
    is_first = ~course.duplicated()
    first = course.map(kind[is_first].set_axis(course[is_first]))
    return kind.notna() & several & kind.ne(first) & ~_donor_kind(register)


def _repeat_without_first(register: Register) -> pd.Series:
    counts = register.clock.counts
    visit = visit_of(counts)
    least = counts["count_number"].groupby(visit).transform("min")
    return (least > 1) & (visit != MISSING)


def visit_of(counts: pd.DataFrame) -> pd.Series:
    """Return one number for each region and visit, MISSING where either is not known."""
    return pd.Series(paired(counts["course"].to_numpy(), pd.factorize(counts["month"])[0]), counts.index)


def _reason_missing(register: Register) -> pd.Series:
    counts = register.clock.counts
    return is_false(counts["standard_conditions"]) & counts["condition_reason"].isna()


def _reason_without_fault(register: Register) -> pd.Series:
    counts = register.clock.counts
    return is_true(counts["standard_conditions"]) & counts["condition_reason"].notna()


def _first_of_region(register: Register) -> pd.DataFrame:
    """Return for each count the first one of its region and session."""
    counts = register.clock.counts
    ordered = counts.sort_values("month", kind="stable")
    is_first = ~ordered["course"].duplicated() & (ordered["course"] != MISSING)
    return ordered[is_first].set_index("course").reindex(counts["course"]).set_axis(counts.index)


def _area_changed(register: Register) -> pd.Series:
    counts = register.clock.counts
    first = register.once(_first_of_region)
    area, first_area = ((f["roi_area_cm2"] * f["n_fields"]).round(6) for f in (counts, first))
    marked = is_true(counts["roi_marked"]) & is_true(first["roi_marked"])
    return marked & area.notna() & first_area.notna() & area.ne(first_area)


def _length_changed(register: Register) -> pd.Series:
    counts = register.clock.counts
    length, first = counts["hair_length"], register.once(_first_of_region)["hair_length"]
    differs = (length.eq("shaved") != first.eq("shaved")).fillna(False)
    return length.notna() & first.notna() & differs


def _cut_off_changed(register: Register) -> pd.Series:
    counts = register.clock.counts
    thinnest, first = (f["thinnest_counted_um"] for f in (counts, register.once(_first_of_region)))
    return thinnest.notna() & first.notna() & thinnest.ne(first)


RULES = (
    Rule(
        "duplicate_count",
        "measurements.count_number",
        _stands_twice,
        "count stands twice for one region at one visit",
        "counts stand twice for one region at one visit",
        "no two counts share {key}",
        "give a repeated count its own count_number, and take a row copied by mistake away",
        words={"key": "patient_id, zone, region_id, session_id, month and count_number"},
    ),
    Rule(
        "wrong_session",
        "measurements.session_id",
        _wrong_session,
        "count is timed from the wrong session",
        "counts are timed from the wrong session",
        "a count is timed from the latest session that planted its zone, or else from the patient's latest",
        "name that session and count the month from it",
        needs=("placements.zone", "placements.session_id", "sessions.register_month"),
    ),
    Rule(
        "no_baseline",
        "measurements.month",
        _without_baseline,
        "region was followed up but not counted before its session",
        "regions were followed up but not counted before their session",
        "a baseline is a count at month -6 to 0",
        "add the count if there is one; without it these rows have no yield",
        "warning",
        needs=("placements.zone", "sessions.register_month"),
    ),
    Rule(
        "donor_kind",
        "measurements.region_kind",
        _donor_kind,
        "row has a region_kind that its zone excludes",
        "rows have a region_kind that their zone excludes",
        "the donor zone has the kind donor, and no other zone has",
        "mend zone or region_kind",
    ),
    Rule(
        "never_planted",
        "measurements.region_kind",
        _planted_never,
        "count is of a planted region in a zone that was never planted",
        "counts are of a planted region in a zone that was never planted",
        "a planted region lies in a zone that placements hold for this patient",
        "mend the zone, add the placement, or write the kind as unplanted",
        needs=("placements.zone", "placements.session_id", "sessions.patient_id"),
    ),
    Rule(
        "taken_as_unplanted",
        "measurements.region_kind",
        _taken_as_unplanted,
        "count is of a zone that was never planted, and is read as a control",
        "counts are of a zone that was never planted, and are read as controls",
        "without region_kind a zone that no session planted is unplanted",
        "state region_kind, or add the placement",
        "warning",
        needs=("placements.zone", "placements.session_id", "sessions.patient_id"),
    ),
    Rule(
        "two_kinds",
        "measurements.region_kind",
        _two_kinds,
        "count gives its region another kind than an earlier one",
        "counts give their region another kind than an earlier one",
        "a region has one kind from one session to the next",
        "mend region_kind, or give the region its own region_id",
    ),
    hairs_per_fu("measurements.density_fu_cm2", "density_hairs_cm2", "density_fu_cm2"),
    calibre_without_method("measurements"),
    Rule(
        "reason_missing",
        "measurements.condition_reason",
        _reason_missing,
        "count under other conditions has no reason",
        "counts under other conditions have no reason",
        "condition_reason says what was not standard",
        "fill in condition_reason",
        "warning",
    ),
    Rule(
        "reason_without_fault",
        "measurements.condition_reason",
        _reason_without_fault,
        "count under standard conditions has a reason against them",
        "counts under standard conditions have a reason against them",
        "condition_reason is empty where standard_conditions is True",
        "mend one of the two",
    ),
    Rule(
        "repeat_without_first",
        "measurements.count_number",
        _repeat_without_first,
        "repeated count has no first count",
        "repeated counts have no first count",
        "count_number counts 1, 2, 3 within a region and visit",
        "mend count_number or add the first count",
        "warning",
    ),
    Rule(
        "area_changed",
        "measurements.roi_area_cm2",
        _area_changed,
        "marked region was counted over another area than before",
        "marked regions were counted over another area than before",
        "a marked region keeps roi_area_cm2 x n_fields",
        "look at the area; where the mark was lost write roi_marked as False",
        "warning",
    ),
    Rule(
        "length_changed",
        "measurements.hair_length",
        _length_changed,
        "count of shaved hair is compared with one of unshaved hair",
        "counts of shaved hair are compared with ones of unshaved hair",
        "the baseline and the readings of a region have the same hair_length",
        "count at one length; these readings are biased one way",
        "warning",
    ),
    Rule(
        "cut_off_changed",
        "measurements.thinnest_counted_um",
        _cut_off_changed,
        "count takes in finer or coarser hair than the first of its region",
        "counts take in finer or coarser hair than the first of their region",
        "the baseline and the readings of a region have the same thinnest_counted_um",
        "count again from the images at one cut-off; until then these readings are in no headline",
        "warning",
    ),
)
