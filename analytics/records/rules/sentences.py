"""The fault, the rule and the remedy of every problem that concerns more than one cell, by its code.

A check says where and which rows; what is said about them is looked up here.

What is said of keys, patients, sessions and placements.

What is said of measurements, visits, therapies, events and ratings.
"""

import numpy as np
import pandas as pd

from analytics.dictionary import (
    HAIRS_PER_GRAFT,
    LIFETIME_GRAFTS,
    MOST_TRANSECTED_PCT,
    MOST_YIELD_PCT,
    PLANTED_GRAFTS_CM2,
    REPEAT_RATIO,
    USUAL_DONOR_HAIRS_PER_FU,
    USUAL_PLANTED_GRAFTS_CM2,
    USUAL_TRANSECTED_PCT,
)
from analytics.errors import Problem, Sentence, at_rows

CASE_SENTENCES = {
    # keys and references
    "duplicate_key": Sentence(
        "row repeats the key of an earlier row",
        "rows repeat the key of an earlier row",
        "no two rows share {key}",
        "keep the right row, or give the other its own key",
    ),
    "duplicate_count": Sentence(
        "count stands twice for one region at one visit",
        "counts stand twice for one region at one visit",
        "no two counts share {key}",
        "give a repeated count its own count_number, and take a row copied by mistake away",
    ),
    "exact_copy": Sentence(
        "row is an exact copy of an earlier row and was left out",
        "rows are exact copies of earlier rows and were left out",
        "a row stands once",
        "take the copy away",
        "warning",
    ),
    "unknown_reference": Sentence(
        "value is not found in {refers_to}",
        "values are not found in {refers_to}",
        "every {column} here is one of {refers_to}",
        "mend the code, or add the missing row to {refers_table}",
    ),
    "lost_zeros": Sentence(
        "value differs from {refers_to} only by leading zeros or capitals",
        "values differ from {refers_to} only by leading zeros or capitals",
        "a code is written the same in every table",
        "format the column as text in the spreadsheet before typing codes",
    ),
    "other_patient": Sentence(
        "row names a session of another patient",
        "rows name a session of another patient",
        "session_id is a session of patient_id",
        "mend patient_id or session_id",
    ),
    # patients
    "class_not_of_scale": Sentence(
        "class is not of the stated scale",
        "classes are not of the stated scale",
        "Norwood-Hamilton has I to VII, Ludwig I to III",
        "mend loss_class or loss_scale",
    ),
    "class_not_of_assumed_scale": Sentence(
        "class is not on the scale for women and was read as Norwood-Hamilton",
        "classes are not on the scale for women and were read as Norwood-Hamilton",
        "without loss_scale women are read on the Ludwig scale (I to III)",
        "state loss_scale for each patient",
        "warning",
    ),
    "calibre_without_method": Sentence(
        "calibre has no method",
        "calibres have no method",
        "calibres are compared only within one method",
        "fill in calibre_method",
        "warning",
    ),
    "hairs_per_fu": Sentence(
        "row has an impossible number of hairs a follicular unit",
        "rows have an impossible number of hairs a follicular unit",
        f"hairs over units is {HAIRS_PER_GRAFT[0]:g} to {HAIRS_PER_GRAFT[1]:g}",
        "look whether the two densities were swapped or one is of another unit",
    ),
    "unusual_hairs_per_fu": Sentence(
        "donor zone has an unusual number of hairs a follicular unit",
        "donor zones have an unusual number of hairs a follicular unit",
        f"usual is {USUAL_DONOR_HAIRS_PER_FU[0]:g} to {USUAL_DONOR_HAIRS_PER_FU[1]:g}",
        "look at the two densities again",
        "warning",
    ),
    "patient_without_session": Sentence(
        "patient has no session",
        "patients have no session",
        "a patient of this register was operated on at least once",
        "add the session, or take the patient away",
        "warning",
    ),
    "donor_session_unknown": Sentence(
        "donor zone was measured before a session that is not here",
        "donor zones were measured before a session that is not here",
        "donor_measured_before_session is the number of a session of the patient",
        "mend the number",
        "warning",
    ),
    "donor_overdrawn": Sentence(
        "patient gave more grafts than the donor zone was measured to hold",
        "patients gave more grafts than the donor zone was measured to hold",
        "grafts from the scalp are at most donor_area_cm2 x donor_fu_cm2",
        "look at area, density and grafts",
        "warning",
    ),
    "lifetime_exceeded": Sentence(
        "patient gave more grafts than any scalp can",
        "patients gave more grafts than any scalp can",
        f"at most {LIFETIME_GRAFTS} grafts in a life",
        "look at grafts_out and grafts_elsewhere",
    ),
    # sessions
    "session_number_twice": Sentence(
        "session has the number of another session of its patient",
        "sessions have the number of another session of their patient",
        "session_number counts 1, 2, 3 within a patient",
        "mend the number",
    ),
    "session_order": Sentence(
        "session comes earlier than the one numbered before it",
        "sessions come earlier than the one numbered before them",
        "register_month does not fall as session_number rises",
        "mend session_number or register_month",
    ),
    "session_gap": Sentence(
        "session follows a number that is missing",
        "sessions follow a number that is missing",
        "session_number counts 1, 2, 3 within a patient",
        "add the missing session; where it was elsewhere, know that its late growth cannot be told apart",
        "warning",
    ),
    "same_month": Sentence(
        "session shares its month with another of its patient",
        "sessions share their month with another of their patient",
        "one operation over two days is one session",
        "join the two, or leave them if they were two operations",
        "warning",
    ),
    "patient_month_order": Sentence(
        "session has a patient_month that does not follow the session before it",
        "sessions have a patient_month that does not follow the session before them",
        "patient_month is 0 for session 1 and rises with session_number",
        "mend patient_month",
    ),
    "patient_month_register": Sentence(
        "session has a patient_month that register_month contradicts",
        "sessions have a patient_month that register_month contradicts",
        "both clocks agree within one month",
        "mend patient_month or register_month",
    ),
    "transected_over_out": Sentence(
        "session has more grafts transected than taken out",
        "sessions have more grafts transected than taken out",
        "grafts_transected lies within grafts_out",
        "mend the two counts",
    ),
    "transected_share": Sentence(
        "session has an impossible share transected",
        "sessions have an impossible share transected",
        f"grafts_transected is at most {MOST_TRANSECTED_PCT:g} % of grafts_out",
        "look whether follicles or hairs were counted instead of grafts",
    ),
    "unusual_transected_share": Sentence(
        "session has an unusual share transected",
        "sessions have an unusual share transected",
        f"usual is up to {USUAL_TRANSECTED_PCT:g} % of grafts_out",
        "look at the count again",
        "warning",
    ),
    "discarded_over_out": Sentence(
        "session has more grafts discarded than taken out",
        "sessions have more grafts discarded than taken out",
        "planted is grafts_out less grafts_discarded",
        "mend the two counts",
    ),
    "attempts_under_out": Sentence(
        "session has fewer attempts than grafts",
        "sessions have fewer attempts than grafts",
        "in FUE attempts are at least grafts_out",
        "mend the two counts",
    ),
    "fue_without_attempts": Sentence(
        "FUE session has no attempts",
        "FUE sessions have no attempts",
        "donor use of FUE is counted in attempts",
        "fill in attempts; grafts_out stands in for them until then",
        "warning",
    ),
    "strip_with_attempts": Sentence(
        "strip session has attempts",
        "strip sessions have attempts",
        "attempts are punches, and a strip has none",
        "empty the cell, or write the method as combined",
        "warning",
    ),
    "follicles_in_part": Sentence(
        "session has only some of its three counts of follicles",
        "sessions have only some of their three counts of follicles",
        "follicles_whole, follicles_partly_cut and follicles_cut_through are given together; 0 is a count",
        "fill in all three; until then no share of follicles is given for it",
        "warning",
    ),
    "follicles_over_grafts": Sentence(
        "session has more follicles classed than its grafts can hold",
        "sessions have more follicles classed than their grafts can hold",
        f"a graft out holds at most {HAIRS_PER_GRAFT[1]:g} follicles",
        "mend the three counts or grafts_out",
    ),
    "technique_against_method": Sentence(
        "session has a harvest_technique that its method excludes",
        "sessions have a harvest_technique that their method excludes",
        "FUT takes a strip, FUE uses a punch",
        "mend method or harvest_technique",
    ),
    "session_without_placement": Sentence(
        "session has no placement",
        "sessions have no placement",
        "what a session planted stands in placements, a row a zone",
        "add the rows",
        "warning",
    ),
    # placements
    "planted_sum": Sentence(
        "session planted another number of grafts than its zones hold",
        "sessions planted another number of grafts than their zones hold",
        "grafts_out less grafts_discarded is the sum of grafts over its placements",
        "mend the counts of the session or of its placements",
    ),
    "planted_sum_near": Sentence(
        "session planted a few grafts more or less than its zones hold",
        "sessions planted a few grafts more or less than their zones hold",
        "grafts_out less grafts_discarded is the sum of grafts over its placements",
        "mend the counts; placements are used as they are",
        "warning",
    ),
    "no_hairs": Sentence(
        "placement has neither grafts by size nor hairs",
        "placements have neither grafts by size nor hairs",
        "give grafts_1 to grafts_4, or grafts and hairs",
        "fill in the counts",
    ),
    "size_empty": Sentence(
        "placement has grafts of some sizes and empty cells for others",
        "placements have grafts of some sizes and empty cells for others",
        "an empty size is read as none",
        "write 0 where none were planted",
        "warning",
    ),
    "grafts_contradict": Sentence(
        "placement has grafts that are not the sum of its sizes",
        "placements have grafts that are not the sum of their sizes",
        "grafts is grafts_1 + grafts_2 + grafts_3 + grafts_4",
        "mend grafts or the sizes",
    ),
    "hairs_contradict": Sentence(
        "placement has hairs that its sizes contradict",
        "placements have hairs that their sizes contradict",
        "hairs is grafts_1 + 2 x grafts_2 + 3 x grafts_3 + 4 x grafts_4, and up to one more for each of "
        "grafts_4",
        "mend hairs or the sizes",
    ),
    "hairs_per_graft": Sentence(
        "placement has an impossible number of hairs a graft",
        "placements have an impossible number of hairs a graft",
        f"hairs over grafts is {HAIRS_PER_GRAFT[0]:g} to {HAIRS_PER_GRAFT[1]:g}",
        "look whether grafts and hairs were swapped",
    ),
    "planted_density": Sentence(
        "placement is impossibly thin or dense",
        "placements are impossibly thin or dense",
        f"grafts over area_cm2 is {PLANTED_GRAFTS_CM2[0]:g} to {PLANTED_GRAFTS_CM2[1]:g}",
        "look at grafts and at the unit of the area",
    ),
    "unusual_planted_density": Sentence(
        "placement is unusually thin or dense",
        "placements are unusually thin or dense",
        f"usual is {USUAL_PLANTED_GRAFTS_CM2[0]:g} to {USUAL_PLANTED_GRAFTS_CM2[1]:g} grafts/cm2",
        "look at grafts and area again",
        "warning",
    ),
    "roi_against_zone": Sentence(
        "region was planted three times as densely as its zone, or a third",
        "regions were planted three times as densely as their zone, or a third",
        "roi_planted_hairs_cm2 is in hairs, like hairs over area_cm2",
        "look whether grafts were counted instead of hairs",
        "warning",
    ),
    "zone_twice": Sentence(
        "placement repeats a zone and site of its session",
        "placements repeat a zone and site of their session",
        "what one session put in one zone and site is one row",
        "join the rows",
    ),
    "whole_and_side": Sentence(
        "placement is of a whole zone that also has sides",
        "placements are of a whole zone that also has sides",
        "a zone is planted as a whole or by sides",
        "write left and right, or join the rows as whole",
    ),
    "method_against_session": Sentence(
        "placement has a method that its session excludes",
        "placements have a method that their session excludes",
        "only a combined session holds placements of both methods",
        "mend the method, or write the session's as combined",
    ),
}


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


SENTENCES = {**CASE_SENTENCES, **FOLLOW_SENTENCES}


def found(
    frame: pd.DataFrame, wrong: pd.Series | np.ndarray, where: str, code: str, **words: str
) -> list[Problem]:
    """Return one Problem for the rows of a frame where `wrong` is True, or none.

    `where` is table.column; `words` fill the gaps of the sentence.
    """
    sentence = SENTENCES[code]
    one, several, rule, action = (part.format(**words) for part in sentence[:4])
    return at_rows(frame, wrong, where, code, Sentence(one, several, rule, action, sentence.severity))
