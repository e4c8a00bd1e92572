"""Every way the small register is broken in the tests: what is changed, and what must be said of it.

What must be said: (E error or W warning, table.column, count, first row as numbered in the file, code).
Counts and rows were worked out by hand from `records_small`.
"""

from records_small import add, put, take, without_column

M = "measurements"


def _classed(row, *, whole, partly="6", through="4"):
    """Return counts of follicles for session 0002-1, of 850 grafts (at most 4.5 each: 3,825), row 4."""
    names = ("follicles_whole", "follicles_partly_cut", "follicles_cut_through")
    given = (whole, partly, through) if row["session_id"] == "0002-1" else ("", "", "")
    return dict(zip(names, given, strict=True))


def _consulted(register, *rows):
    """Return the register with counts before any session, copies of the count in row 2 with cells anew."""
    counts = [{**row, "consultation_month": ""} for row in register[M]]
    made = [{**counts[0], "session_id": "", "month": "0", **cells} for cells in rows]
    return {**register, M: [*counts, *made]}


DEFECTS = {
    "no session and no month": (
        lambda r: _consulted(r, {"consultation_month": ""}),
        [("E", "measurements.session_id", 1, 17, "count_without_session")],
    ),
    "operated on before the consultation": (
        lambda r: _consulted(r, {"consultation_month": "9"}),
        [("E", "measurements.consultation_month", 1, 17, "operated_before_count")],
    ),
    "consultation counted twice": (
        lambda r: _consulted(
            r, {"consultation_month": "2"}, {"consultation_month": "2", "density_hairs_cm2": "21"}
        ),
        [("E", "measurements.count_number", 1, 18, "duplicate_first_count")],
    ),
    "decimal comma": (
        lambda r: put(r, M, 3, density_hairs_cm2="45,5"),
        [("E", "measurements.density_hairs_cm2", 1, 3, "not_a_number")],
    ),
    "unit in cell": (
        lambda r: put(put(r, M, 4, month="6 m"), M, 6, month="12.3m"),
        [("E", "measurements.month", 2, 4, "not_a_number")],
    ),
    "word for number": (
        lambda r: put(r, "patients", 4, donor_fu_cm2="n/k"),
        [("E", "patients.donor_fu_cm2", 1, 4, "not_a_number")],
    ),
    "formula error": (
        lambda r: put(r, "sessions", 3, out_of_body_min="#REF!"),
        [("E", "sessions.out_of_body_min", 1, 3, "not_a_number")],
    ),
    "formula error in code": (
        lambda r: put(r, "sessions", 3, team_id="#N/A"),
        [("E", "sessions.team_id", 1, 3, "not_a_code")],
    ),
    "neither yes nor no": (
        lambda r: put(r, "patients", 2, smoker="sometimes"),
        [("E", "patients.smoker", 1, 2, "not_yes_or_no")],
    ),
    "remark for a label": (
        lambda r: put(r, M, 2, device_class="the new one that came in spring, with the blue ring light"),
        [("E", "measurements.device_class", 1, 2, "not_a_code")],
    ),
    "code that a sheet would compute": (
        lambda r: put(r, M, 2, reader_id="=R1+1"),
        [("E", "measurements.reader_id", 1, 2, "not_a_code")],
    ),
    "empty cell": (
        lambda r: put(put(r, M, 5, density_hairs_cm2=""), M, 9, density_hairs_cm2=""),
        [("E", "measurements.density_hairs_cm2", 2, 5, "empty_cell")],
    ),
    "out of range": (
        lambda r: put(r, M, 5, density_hairs_cm2="580"),
        [("E", "measurements.density_hairs_cm2", 1, 5, "outside")],
    ),
    "below zero": (
        lambda r: put(r, "sessions", 2, grafts_transected="-1"),
        [("E", "sessions.grafts_transected", 1, 2, "outside")],
    ),
    "unusual": (
        lambda r: put(
            put(r, "sessions", 4, holding_temperature_c="30"), "sessions", 5, holding_temperature_c="31"
        ),
        [("W", "sessions.holding_temperature_c", 2, 4, "unusual")],
    ),
    "not whole": (
        lambda r: put(r, M, 10, n_fields="2.5"),
        [("E", "measurements.n_fields", 1, 10, "not_whole")],
    ),
    "unknown word": (
        lambda r: put(r, "placements", 2, zone="hair line"),
        [("E", "placements.zone", 1, 2, "unknown_word")],
    ),
    "unknown word, none near": (
        lambda r: put(r, "sessions", 2, method="strip"),
        [("E", "sessions.method", 1, 2, "unknown_word")],
    ),
    "age over 90": (
        lambda r: put(r, "patients", 3, age_years="93"),
        [("E", "patients.age_years", 1, 3, "identifier_date")],
    ),
    "endless number": (
        lambda r: put(r, M, 2, density_hairs_cm2="1e999"),
        [("E", "measurements.density_hairs_cm2", 1, 2, "not_a_number")],
    ),
    "absent table": (
        lambda r: {k: v for k, v in r.items() if k != "placements"},
        [("E", "placements", 1, None, "absent_table")],
    ),
    "absent column": (
        lambda r: without_column(r, M, "roi_marked"),
        [("E", "measurements.roi_marked", 1, None, "absent_column")],
    ),
    "column nearly named": (
        lambda r: {
            **r,
            M: [
                {("density_hair_cm2" if k == "density_hairs_cm2" else k): v for k, v in x.items()}
                for x in r[M]
            ],
        },
        [
            ("E", "measurements.density_hairs_cm2", 1, None, "absent_column"),
            ("E", "measurements.density_hair_cm2", 1, None, "unknown_column"),
        ],
    ),
    "optional column damaged in its name": (
        lambda r: {
            **r,
            "sessions": [
                {("harvest_techn" if k == "harvest_technique" else k): v for k, v in x.items()}
                for x in r["sessions"]
            ],
        },
        [("E", "sessions.harvest_techn", 1, None, "unknown_column")],
    ),
    "unknown column with cells": (
        lambda r: {**r, "events": [{**x, "room": "2"} for x in r["events"]]},
        [("E", "events.room", 1, None, "unknown_column")],
    ),
    "unknown column": (
        lambda r: {**r, "events": [{**x, "remark": ""} for x in r["events"]]},
        [("W", "events.remark", 1, None, "unknown_column")],
    ),
    "no rows": (
        lambda r: {**r, M: [], "ratings": [], "grades": []},
        [("E", "measurements", 1, None, "no_rows")],
    ),
    "no counts beside grades": (
        lambda r: {**r, M: []},
        [("W", "measurements", 1, None, "no_counts")],
    ),
    "column filled at load": (
        lambda r: {**r, "placements": [{**x, "patient_id": "0001"} for x in r["placements"]]},
        [("W", "placements.patient_id", 1, None, "filled_column")],
    ),
    "key twice": (
        lambda r: put(r, "sessions", 3, session_id="0001-1"),
        [
            ("E", "sessions.session_id", 1, 3, "duplicate_key"),
            ("E", "placements.session_id", 1, 4, "unknown_reference"),
            ("E", "measurements.session_id", 2, 7, "unknown_reference"),
            ("E", "visits.session_id", 2, 5, "unknown_reference"),
            ("W", "measurements.month", 1, 9, "count_without_visit"),
        ],
    ),
    "count twice": (
        lambda r: put(r, M, 4, count_number="1"),
        [("E", "measurements.count_number", 1, 4, "duplicate_count")],
    ),
    "exact copy": (
        lambda r: add(r, "visits", 3),
        [("W", "visits", 1, 12, "exact_copy")],
    ),
    "copied count": (
        lambda r: add(r, M, 3),
        [("E", "measurements.count_number", 1, 17, "duplicate_count")],
    ),
    "unknown session": (
        lambda r: put(put(r, "events", 2, session_id="0001-9"), "events", 3, session_id="X"),
        [("E", "events.session_id", 2, 2, "unknown_reference")],
    ),
    "zeros lost": (
        lambda r: put(put(r, "therapies", 2, patient_id="1"), "therapies", 3, patient_id="1"),
        [("E", "therapies.patient_id", 2, 2, "lost_zeros")],
    ),
    "session of another": (
        lambda r: put(r, M, 11, session_id="0003-1"),
        [("E", "measurements.session_id", 1, 11, "other_patient")],
    ),
    "class not of scale": (
        lambda r: put(r, "patients", 3, loss_class="IV"),
        [("E", "patients.loss_class", 1, 3, "class_not_of_scale")],
    ),
    "class decides the scale": (
        lambda r: put(r, "patients", 3, loss_scale="", loss_class="IV"),
        [("W", "patients.loss_class", 1, 3, "class_not_of_assumed_scale")],
    ),
    "calibre without method": (
        lambda r: put(r, "patients", 3, calibre_method=""),
        [("W", "patients.calibre_method", 1, 3, "calibre_without_method")],
    ),
    "hairs a unit": (
        lambda r: put(r, "patients", 3, donor_hairs_cm2="60"),
        [
            ("E", "patients.donor_hairs_cm2", 1, 3, "hairs_per_fu"),
            ("W", "patients.donor_hairs_cm2", 1, 3, "unusual"),
        ],
    ),
    "unusual hairs a unit": (
        lambda r: put(r, "patients", 3, donor_hairs_cm2="110"),
        [("W", "patients.donor_hairs_cm2", 1, 3, "unusual_hairs_per_fu")],
    ),
    "patient without session": (
        lambda r: add(r, "patients", 4, patient_id="0009"),
        [("W", "patients.patient_id", 1, 5, "patient_without_session")],
    ),
    "donor measured before a session to come": (
        lambda r: {
            **r,
            "patients": [
                {**x, "donor_measured_before_session": "4" if x["patient_id"] == "0002" else ""}
                for x in r["patients"]
            ],
        },
        [("W", "patients.donor_measured_before_session", 1, 3, "donor_session_unknown")],
    ),
    "donor overdrawn": (
        lambda r: put(r, "patients", 3, donor_area_cm2="10"),
        [
            ("W", "patients.donor_area_cm2", 1, 3, "unusual"),
            ("W", "patients.donor_area_cm2", 1, 3, "donor_overdrawn"),
        ],
    ),
    "more grafts than any scalp": (
        lambda r: {
            **r,
            "patients": [
                {**x, "grafts_elsewhere": "14900" if x["patient_id"] == "0002" else "0"}
                for x in r["patients"]
            ],
        },
        [
            ("E", "patients.grafts_elsewhere", 1, 3, "lifetime_exceeded"),
            ("W", "patients.grafts_elsewhere", 1, 3, "unusual"),
        ],
    ),
    "session number twice": (
        lambda r: put(r, "sessions", 3, session_number="1"),
        [("E", "sessions.session_number", 1, 3, "session_number_twice")],
    ),
    "sessions in the wrong order": (
        lambda r: put(r, "sessions", 3, register_month="2"),
        [
            ("E", "sessions.register_month", 1, 3, "session_order"),
            ("W", "measurements.month", 1, 9, "count_without_visit"),
        ],
    ),
    "session missing": (
        lambda r: put(r, "sessions", 4, session_number="2"),
        [("W", "sessions.session_number", 1, 4, "session_gap")],
    ),
    "same month": (
        lambda r: put(r, "sessions", 3, register_month="3"),
        [
            ("E", "measurements.session_id", 1, 6, "wrong_session"),
            ("W", "sessions.register_month", 1, 3, "same_month"),
            ("W", "measurements.month", 1, 9, "count_without_visit"),
        ],
    ),
    "patient month not 0": (
        lambda r: {
            **r,
            "sessions": [
                {**x, "patient_month": m}
                for x, m in zip(r["sessions"], ("0.4", "16.2", "0", "0"), strict=True)
            ],
        },
        [("E", "sessions.patient_month", 1, 2, "patient_month_order")],
    ),
    "patient month against register": (
        lambda r: {
            **r,
            "sessions": [
                {**x, "patient_month": m} for x, m in zip(r["sessions"], ("0", "13.9", "0", "0"), strict=True)
            ],
        },
        [
            ("E", "sessions.patient_month", 1, 3, "patient_month_register"),
            ("W", "measurements.month", 1, 9, "count_without_visit"),
        ],
    ),
    "more transected than out": (
        lambda r: put(r, "sessions", 4, grafts_transected="851"),
        [("E", "sessions.grafts_transected", 1, 4, "transected_over_out")],
    ),
    "follicles in part": (
        lambda r: {**r, "sessions": [{**x, **_classed(x, whole="190", partly="")} for x in r["sessions"]]},
        [("W", "sessions.follicles_whole", 1, 4, "follicles_in_part")],
    ),
    "more follicles than grafts hold": (
        lambda r: {**r, "sessions": [{**x, **_classed(x, whole="3820")} for x in r["sessions"]]},
        [("E", "sessions.follicles_whole", 1, 4, "follicles_over_grafts")],
    ),
    "share transected": (
        lambda r: put(r, "sessions", 4, grafts_transected="600"),
        [("E", "sessions.grafts_transected", 1, 4, "transected_share")],
    ),
    "unusual share transected": (
        lambda r: put(r, "sessions", 4, grafts_transected="200"),
        [("W", "sessions.grafts_transected", 1, 4, "unusual_transected_share")],
    ),
    "more discarded than out": (
        lambda r: put(r, "sessions", 4, grafts_discarded="900"),
        [("E", "sessions.grafts_discarded", 1, 4, "discarded_over_out")],
    ),
    "fewer attempts than grafts": (
        lambda r: put(r, "sessions", 4, attempts="800"),
        [("E", "sessions.attempts", 1, 4, "attempts_under_out")],
    ),
    "FUE without attempts": (
        lambda r: put(r, "sessions", 4, attempts=""),
        [("W", "sessions.attempts", 1, 4, "fue_without_attempts")],
    ),
    "strip with attempts": (
        lambda r: put(r, "sessions", 2, attempts="1700"),
        [("W", "sessions.attempts", 1, 2, "strip_with_attempts")],
    ),
    "technique against method": (
        lambda r: put(
            put(r, "sessions", 2, harvest_technique="manual punch"), "sessions", 4, harvest_technique="strip"
        ),
        [("E", "sessions.harvest_technique", 2, 2, "technique_against_method")],
    ),
    "session without placement": (
        lambda r: take(r, "placements", 5),
        [("W", "sessions.session_id", 1, 4, "session_without_placement")],
    ),
    "planted sum": (
        lambda r: put(r, "placements", 2, grafts_1="400"),
        [("E", "sessions.grafts_out", 1, 2, "planted_sum")],
    ),
    "planted sum nearly": (
        lambda r: put(r, "placements", 2, grafts_1="299"),
        [("W", "sessions.grafts_out", 1, 2, "planted_sum_near")],
    ),
    "neither grafts nor hairs": (
        lambda r: put(r, "placements", 5, grafts="", hairs=""),
        [("E", "placements.hairs", 1, 5, "no_hairs")],
    ),
    "grafts without hairs": (
        lambda r: put(r, "placements", 5, hairs=""),
        [("E", "placements.hairs", 1, 5, "no_hairs")],
    ),
    "size empty": (
        lambda r: put(r, "placements", 2, grafts_4=""),
        [("W", "placements.grafts_1", 1, 2, "size_empty")],
    ),
    "grafts contradict": (
        lambda r: put(r, "placements", 3, grafts="850"),
        [
            ("E", "placements.grafts", 1, 3, "grafts_contradict"),
            ("W", "sessions.grafts_out", 1, 2, "planted_sum_near"),
        ],
    ),
    "hairs contradict": (
        lambda r: put(r, "placements", 3, hairs="1801"),
        [("E", "placements.hairs", 1, 3, "hairs_contradict")],
    ),
    "hairs a graft": (
        lambda r: put(r, "placements", 5, hairs="3700"),
        [("E", "placements.hairs", 1, 5, "hairs_per_graft")],
    ),
    "placement too dense": (
        lambda r: put(r, "placements", 2, area_cm2="6.5"),
        [
            ("E", "placements.area_cm2", 1, 2, "planted_density"),
            ("W", "placements.roi_planted_hairs_cm2", 1, 2, "roi_against_zone"),
        ],
    ),
    "placement unusually thin": (
        lambda r: put(r, "placements", 4, area_cm2="90"),
        [("W", "placements.area_cm2", 1, 4, "unusual_planted_density")],
    ),
    "grafts for hairs in the region": (
        lambda r: put(r, "placements", 5, roi_planted_hairs_cm2="125"),
        [("W", "placements.roi_planted_hairs_cm2", 1, 5, "roi_against_zone")],
    ),
    "zone twice": (
        lambda r: put(r, "placements", 3, zone="hairline"),
        [("E", "placements.zone", 1, 3, "zone_twice")],
    ),
    "whole and side": (
        lambda r: put(r, "placements", 6, site="whole"),
        [("E", "placements.site", 1, 6, "whole_and_side")],
    ),
    "method against session": (
        lambda r: put(r, "placements", 4, method="FUT"),
        [("E", "placements.method", 1, 4, "method_against_session")],
    ),
    "earlier than six months before": (
        lambda r: put(r, M, 2, month="-7.5"),
        [
            ("E", "measurements.month", 1, 2, "before_baseline"),
            ("W", "measurements.month", 1, 3, "no_baseline"),
        ],
    ),
    "timed from the wrong session": (
        lambda r: put(r, M, 9, session_id="0001-2", month="12.2"),
        [("E", "measurements.session_id", 1, 9, "wrong_session")],
    ),
    "timed from a replaced session": (
        lambda r: put(r, M, 8, session_id="0001-1", month="28.2"),
        [("E", "measurements.session_id", 1, 8, "wrong_session")],
    ),
    "control timed from an old session": (
        lambda r: put(
            put(
                r,
                M,
                8,
                zone="temples",
                region_id="t",
                region_kind="unplanted",
                session_id="0001-1",
                month="28.2",
            ),
            M,
            7,
            zone="temples",
            region_id="t",
            region_kind="unplanted",
        ),
        [("E", "measurements.session_id", 1, 8, "wrong_session")],
    ),
    "no baseline": (
        lambda r: take(r, M, 10),
        [("W", "measurements.month", 1, 10, "no_baseline")],
    ),
    "donor kind": (
        lambda r: put(r, M, 14, region_kind="unplanted"),
        [("E", "measurements.region_kind", 1, 14, "donor_kind")],
    ),
    "planted region never planted": (
        lambda r: put(put(r, M, 12, region_kind="planted"), M, 13, region_kind="planted"),
        [("E", "measurements.region_kind", 2, 12, "never_planted")],
    ),
    "kind not stated": (
        lambda r: put(put(r, M, 12, region_kind=""), M, 13, region_kind=""),
        [("W", "measurements.region_kind", 2, 12, "taken_as_unplanted")],
    ),
    "two kinds": (
        lambda r: put(r, M, 13, region_kind="donor"),
        [("E", "measurements.region_kind", 1, 13, "donor_kind")],
    ),
    "two kinds, planted then not": (
        lambda r: put(r, M, 11, region_kind="unplanted"),
        [("E", "measurements.region_kind", 1, 11, "two_kinds")],
    ),
    "repeat without a first": (
        lambda r: put(r, M, 3, count_number="3"),
        [("W", "measurements.count_number", 2, 3, "repeat_without_first")],
    ),
    "reason missing": (
        lambda r: put(r, M, 5, condition_reason=""),
        [("W", "measurements.condition_reason", 1, 5, "reason_missing")],
    ),
    "reason without fault": (
        lambda r: put(r, M, 3, condition_reason="wet hair"),
        [("E", "measurements.condition_reason", 1, 3, "reason_without_fault")],
    ),
    "area changed": (
        lambda r: put(r, M, 11, roi_area_cm2="1"),
        [("W", "measurements.roi_area_cm2", 1, 11, "area_changed")],
    ),
    "shaved and not": (
        lambda r: put(r, M, 15, hair_length="shaved"),
        [("W", "measurements.hair_length", 1, 16, "length_changed")],
    ),
    "cut-off moved": (
        lambda r: {
            **r,
            M: [
                {**x, "thinnest_counted_um": {"0003": "30", "0002": "40"}.get(x["patient_id"], "")}
                | ({"thinnest_counted_um": "0"} if (x["patient_id"], x["month"]) == ("0003", "12") else {})
                for x in r[M]
            ],
        },
        [("W", "measurements.thinnest_counted_um", 1, 16, "cut_off_changed")],
    ),
    "units over hairs": (
        lambda r: put(r, M, 7, density_fu_cm2="32"),
        [("E", "measurements.density_fu_cm2", 1, 7, "hairs_per_fu")],
    ),
    "calibre of a count without method": (
        lambda r: {
            **r,
            M: [
                {**x, "hair_calibre_um": "61" if i == 3 else "", "calibre_method": ""}
                for i, x in enumerate(r[M])
            ],
        },
        [("W", "measurements.calibre_method", 1, 5, "calibre_without_method")],
    ),
    "count at no visit": (
        lambda r: take(r, "visits", 3),
        [("W", "measurements.month", 2, 3, "count_without_visit")],
    ),
    "seen after withdrawal": (
        lambda r: put(r, "visits", 7, withdrawn="yes"),
        [("W", "visits.month", 2, 8, "after_withdrawal")],
    ),
    "stop before start": (
        lambda r: put(r, "therapies", 4, stop_register_month="5"),
        [("E", "therapies.stop_register_month", 1, 4, "stop_before_start")],
    ),
    "courses overlap": (
        lambda r: put(r, "therapies", 2, stop_register_month="16"),
        [("W", "therapies.start_register_month", 1, 3, "courses_overlap")],
    ),
    "resolved before begun": (
        lambda r: put(r, "events", 2, resolved_month="0.6"),
        [("E", "events.resolved_month", 1, 2, "resolved_before_begun")],
    ),
    "lasting but resolved": (
        lambda r: put(r, "events", 2, temporary="no"),
        [("W", "events.temporary", 1, 2, "lasting_but_resolved")],
    ),
    "no answer": (
        lambda r: put(r, "ratings", 3, satisfaction_0_10=""),
        [("W", "ratings.satisfaction_0_10", 1, 3, "no_answer")],
    ),
    "two ends of one scale": (
        lambda r: put(r, "grades", 4, scale_best="5"),
        [("E", "grades.scale", 1, 4, "scale_declared_twice")],
    ),
    "grade outside its scale": (
        lambda r: put(r, "grades", 3, value="4"),
        [("E", "grades.value", 1, 3, "grade_outside_scale")],
    ),
    "scale without length": (
        lambda r: {**r, "grades": [{**x, "scale_worst": "3", "value": "3"} for x in r["grades"]]},
        [("E", "grades.scale_best", 3, 2, "scale_without_length")],
    ),
    "density per mm2": (
        lambda r: {
            **r,
            M: [{**x, "density_hairs_cm2": f"{i / 10}", "density_fu_cm2": ""} for i, x in enumerate(r[M])],
        },
        [("W", "measurements.density_hairs_cm2", 15, 2, "per_mm2")],
    ),
    "two spellings": (
        lambda r: put(r, "sessions", 4, surgeon_id="s1"),
        [("W", "sessions.surgeon_id", 1, 4, "two_spellings")],
    ),
    "repeat far from the first": (
        lambda r: put(r, M, 4, density_hairs_cm2="4.7"),
        [("W", "measurements.density_hairs_cm2", 1, 4, "repeats_apart")],
    ),
    "more hairs than were planted": (
        lambda r: put(r, M, 11, density_hairs_cm2="125"),
        [("W", "measurements.density_hairs_cm2", 1, 11, "beyond_planted")],
    ),
    "empty row": (
        lambda r: add(r, "visits", 3, **dict.fromkeys(r["visits"][0], "")),
        [],
    ),
}
