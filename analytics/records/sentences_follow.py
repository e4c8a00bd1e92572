"""What is said of measurements, visits, therapies, events and ratings."""

from analytics.records.limits import MOST_YIELD_PCT, REPEAT_RATIO
from analytics.records.messages import Sentence

FOLLOW_SENTENCES = {
    # slips
    "two_spellings": Sentence(
        "code is spelt in another way than elsewhere",
        "codes are spelt in another way than elsewhere",
        "one person, team or device has one code, to the letter",
        "write it as most rows do, or leave it if it is another",
        "warning",
    ),
    "per_mm2": Sentence(
        "density is so low, like all others, that it may be per mm2",
        "densities are all so low that they may be per mm2",
        "density is in hairs per cm2, a hundred times the number per mm2",
        "look at the unit",
        "warning",
    ),
    "repeats_apart": Sentence(
        "repeated count is far from the first",
        "repeated counts are far from the first",
        f"two counts of a marked region at one visit differ less than {REPEAT_RATIO:g}-fold",
        "look whether one is of another region, or misses a digit",
        "warning",
    ),
    "beyond_planted": Sentence(
        "count gained far more hairs than were planted",
        "counts gained far more hairs than were planted",
        f"gain since the baseline is at most {MOST_YIELD_PCT:g} % of the hairs planted per cm2",
        "look at the two counts and at what was planted; the reading is used as it is",
        "warning",
    ),
    # measurements
    "wrong_session": Sentence(
        "count is timed from the wrong session",
        "counts are timed from the wrong session",
        "a count is timed from the latest session that planted its zone, or else from the patient's latest",
        "name that session and count the month from it",
    ),
    "no_baseline": Sentence(
        "region was followed up but not counted before its session",
        "regions were followed up but not counted before their session",
        "a baseline is a count at month -6 to 0",
        "add the count if there is one; without it these rows have no yield",
        "warning",
    ),
    "donor_kind": Sentence(
        "row has a region_kind that its zone excludes",
        "rows have a region_kind that their zone excludes",
        "the donor zone has the kind donor, and no other zone has",
        "mend zone or region_kind",
    ),
    "never_planted": Sentence(
        "count is of a planted region in a zone that was never planted",
        "counts are of a planted region in a zone that was never planted",
        "a planted region lies in a zone that placements hold for this patient",
        "mend the zone, add the placement, or write the kind as unplanted",
    ),
    "taken_as_unplanted": Sentence(
        "count is of a zone that was never planted, and is read as a control",
        "counts are of a zone that was never planted, and are read as controls",
        "without region_kind a zone that no session planted is unplanted",
        "state region_kind, or add the placement",
        "warning",
    ),
    "two_kinds": Sentence(
        "count gives its region another kind than an earlier one",
        "counts give their region another kind than an earlier one",
        "a region has one kind from one session to the next",
        "mend region_kind, or give the region its own region_id",
    ),
    "repeat_without_first": Sentence(
        "repeated count has no first count",
        "repeated counts have no first count",
        "count_number counts 1, 2, 3 within a region and visit",
        "mend count_number or add the first count",
        "warning",
    ),
    "reason_missing": Sentence(
        "count under other conditions has no reason",
        "counts under other conditions have no reason",
        "condition_reason says what was not standard",
        "fill in condition_reason",
        "warning",
    ),
    "reason_without_fault": Sentence(
        "count under standard conditions has a reason against them",
        "counts under standard conditions have a reason against them",
        "condition_reason is empty where standard_conditions is True",
        "mend one of the two",
    ),
    "area_changed": Sentence(
        "marked region was counted over another area than before",
        "marked regions were counted over another area than before",
        "a marked region keeps roi_area_cm2 x n_fields",
        "look at the area; where the mark was lost write roi_marked as False",
        "warning",
    ),
    "length_changed": Sentence(
        "count of shaved hair is compared with one of unshaved hair",
        "counts of shaved hair are compared with ones of unshaved hair",
        "the baseline and the readings of a region have the same hair_length",
        "count at one length; these readings are biased one way",
        "warning",
    ),
    "cut_off_changed": Sentence(
        "count takes in finer or coarser hair than the first of its region",
        "counts take in finer or coarser hair than the first of their region",
        "the baseline and the readings of a region have the same thinnest_counted_um",
        "count again from the images at one cut-off; until then these readings are in no headline",
        "warning",
    ),
    # visits, therapies, events, ratings
    "count_without_visit": Sentence(
        "count belongs to no visit",
        "counts belong to no visit",
        "every count is made at a visit of its session and month",
        "add the visit, or mend the month",
        "warning",
    ),
    "after_withdrawal": Sentence(
        "visit comes after its patient ended follow-up",
        "visits come after their patient ended follow-up",
        "withdrawn is True at the last visit only",
        "mend withdrawn or month",
        "warning",
    ),
    "stop_before_start": Sentence(
        "course stops before it starts",
        "courses stop before they start",
        "stop_register_month is not before start_register_month",
        "mend the two months",
    ),
    "courses_overlap": Sentence(
        "course overlaps another of the same kind",
        "courses overlap another of the same kind",
        "courses of one kind follow one another within a patient",
        "join the two, or fill in the stop of the earlier",
        "warning",
    ),
    "resolved_before_begun": Sentence(
        "event is resolved before it began",
        "events are resolved before they began",
        "resolved_month is not before month",
        "mend the two months",
    ),
    "lasting_but_resolved": Sentence(
        "event is not temporary and yet resolved",
        "events are not temporary and yet resolved",
        "a resolved event was temporary",
        "mend temporary or resolved_month",
        "warning",
    ),
    "no_answer": Sentence(
        "row holds no answer",
        "rows hold no answer",
        "a rating has satisfaction_0_10 or would_choose_again",
        "take the row away, or fill in the answer",
        "warning",
    ),
}
