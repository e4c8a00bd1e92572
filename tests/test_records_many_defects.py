"""A copy of the demo, broken in twenty-three ways at once: one run names each in a full sentence."""

from pathlib import Path

import pandas as pd

from analytics import records

ROOT = Path(__file__).parents[1]
Tables = dict[str, pd.DataFrame]

# (table, column, what is written, what must be said; {row} stands for the row chosen below)
CELLS = {
    "young": (
        "patients.age_years",
        "9",
        "1 value out of range, at row {row}; expected 10 to 90 years; mend the value, or its unit",
    ),
    "answer": (
        "patients.smoker",
        "a little",
        "1 value is neither yes nor no, at row {row}; write True or False (yes, no, 1 and 0 are read too); "
        "leave the cell empty where it is not known",
    ),
    "word": (
        "patients.curl",
        "wavey",
        "1 unknown value, at row {row}; use one of straight, wavy, curly, coily; the first is nearest to "
        "wavy",
    ),
    "unit": (
        "patients.donor_fu_cm2",
        "75/cm2",
        "1 value is not a plain number, at row {row}; expected a number in FU/cm2; the first has something "
        "beside the number; write the number alone, the unit is fixed",
    ),
    "transected": (
        "sessions.grafts_transected",
        "7900",
        "1 session has more grafts transected than taken out, at row {row}; grafts_transected lies within "
        "grafts_out; mend the two counts",
    ),
    "discarded": (
        "sessions.grafts_discarded",
        "7900",
        "1 session has more grafts discarded than taken out, at row {row}; planted is grafts_out less "
        "grafts_discarded; mend the two counts",
    ),
    "attempts": (
        "sessions.attempts",
        "5",
        "1 session has fewer attempts than grafts, at row {row}; in FUE attempts are at least grafts_out; "
        "mend the two counts",
    ),
    "comma": (
        "sessions.out_of_body_min",
        "2,5",
        "1 value is not a plain number, at row {row}; expected a number in minutes; the first has a "
        "comma; write a point for decimals, and no mark for thousands",
    ),
    "planted": (
        "sessions.grafts_out",
        "7000",
        "1 session planted another number of grafts than its zones hold, at row {row}; grafts_out less "
        "grafts_discarded is the sum of grafts over its placements; mend the counts of the session or of its "
        "placements",
    ),
    "area": (
        "placements.area_cm2",
        "",
        "1 empty cell, at row {row}; area_cm2 is never empty; fill in the cell, or take the row away",
    ),
    "zone": (
        "placements.zone",
        "crwn",
        "1 unknown value, at row {row}; use one of hairline, frontal, midscalp, crown, temples, other; "
        "the first is nearest to crown",
    ),
    "unknown": (
        "measurements.density_hairs_cm2",
        "n/k",
        "1 value is not a plain number, at row {row}; expected a number in hairs/cm2; the first is a word "
        "or a mark; leave the cell empty where nothing is known",
    ),
    "whole": (
        "measurements.n_fields",
        "1.5",
        "1 value is not whole, at row {row}; expected a whole number; mend the number",
    ),
    "length": (
        "measurements.hair_length",
        "sort",
        "1 unknown value, at row {row}; use one of shaved, trimmed, short, long; the first is nearest to "
        "short",
    ),
    "early": (
        "measurements.month",
        "-8",
        "1 count is earlier than six months before its session, at row {row}; a baseline lies in months -6 "
        "to 0; count the month from the session named in the row, or take the row away",
    ),
    "nobody": (
        "therapies.patient_id",
        "nobody",
        "1 value is not found in patients.patient_id, at row {row}; every patient_id here is one of "
        "patients.patient_id; mend the code, or add the missing row to patients",
    ),
    "stopped": (
        "therapies.stop_register_month",
        "-700",
        "1 course stops before it starts, at row {row}; stop_register_month is not before "
        "start_register_month; mend the two months",
    ),
    "resolved": (
        "events.resolved_month",
        "0",
        "1 event is resolved before it began, at row {row}; resolved_month is not before month; mend the two "
        "months",
    ),
    "eleven": (
        "ratings.satisfaction_0_10",
        "11",
        "1 value out of range, at row {row}; expected 0 to 10 points; mend the value, or its unit",
    ),
    "third": (
        "visits.month",
        "third",
        "1 value is not a plain number, at row {row}; expected a number in months; the first is a word or a "
        "mark; leave the cell empty where nothing is known",
    ),
}
TWICE = (
    "measurements.count_number: 1 count stands twice for one region at one visit, at row {row}; no two "
    "counts share patient_id, zone, region_id, session_id, month and count_number; give a repeated count "
    "its own count_number, and take a row copied by mistake away"
)
ABSENT = (
    "measurements.roi_marked: the column is absent; columns without a star in the dictionary are always "
    "there, their cells may be empty where it says so; add the column"
)
UNREAD = (
    "events.remark: the column is not in the dictionary, holds nothing and was not loaded; only columns of "
    "the dictionary are read; rename it if it holds one of them, else leave it out of the file"
)


def _demo() -> Tables:
    files = sorted((ROOT / "data_demo").glob("*.csv"))
    return {p.stem: pd.read_csv(p, dtype=str, keep_default_na=False) for p in files}


def _rows(t: Tables) -> dict[str, int]:
    """Choose a row for each defect, each of another patient with one session, so that no fault spreads."""
    sessions, counts = t["sessions"], t["measurements"]
    alone = sessions[~sessions["patient_id"].duplicated(keep=False)]
    fue = alone.index[(alone["method"] == "FUE") & (alone["attempts"] != "")]
    with_transected = alone.index[(alone["method"] == "FUE") & (alone["grafts_transected"] != "")]
    strip = alone.index[alone["method"] == "FUT"]
    late = counts.index[(counts["month"].astype(float) > 6) & (counts["region_kind"] == "planted")]
    donor = counts.index[(counts["month"].astype(float) == 0) & (counts["zone"] == "donor")]
    placed = t["placements"].index[~t["placements"]["session_id"].isin(alone["session_id"])]
    return {
        "young": 3,
        "answer": 5,
        "word": 7,
        "unit": 9,
        "nobody": 2,
        "stopped": 4,
        "eleven": 6,
        "third": 8,
        "transected": with_transected[8],
        "discarded": fue[10],
        "attempts": fue[12],
        "comma": fue[14],
        "planted": strip[3],
        "area": placed[0],
        "zone": placed[9],
        "resolved": 1,
        "unknown": late[3],
        "whole": late[40],
        "length": late[80],
        "early": donor[0],
    }


def _broken(t: Tables) -> tuple[Tables, list[str], list[str]]:
    """Return the broken copy, the errors that must be said, and the warnings."""
    rows, errors = _rows(t), []
    for name, (where, value, sentence) in CELLS.items():
        table, _, column = where.partition(".")
        t[table].loc[rows[name], column] = value
        errors.append(f"{where}: {sentence.format(row=rows[name] + 2)}")
    t["events"].loc[rows["resolved"], "month"] = "0.5"
    n = len(t["measurements"])
    t["measurements"] = pd.concat([t["measurements"], t["measurements"].iloc[[n - 1]]], ignore_index=True)
    t["measurements"] = t["measurements"].drop(columns="roi_marked")
    t["events"] = t["events"].assign(remark="")
    return t, [*errors, TWICE.format(row=n + 2), ABSENT], [UNREAD]


def test_a_copy_of_the_demo_with_twenty_three_defects_has_each_named_in_one_run(tmp_path):
    tables, errors, warnings = _broken(_demo())
    for name, frame in tables.items():
        frame.to_csv(tmp_path / f"{name}.csv", index=False)
    found = records.check(tmp_path)
    assert sorted(p.sentence() for p in found.problems) == sorted(errors)
    assert set(warnings) <= {p.sentence() for p in found.warnings}
    assert len(errors) + len(warnings) == 23
    assert (found.balance["used"] == 0).all(), "nothing is used before the errors are mended"
    assert (found.balance["read"] == found.balance["left_out"]).all()
    assert all(sentence in found.text() for sentence in errors)
