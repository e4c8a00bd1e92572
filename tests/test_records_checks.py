"""Every rule of the door: one defect a time on a clean register, and many at once on the demo."""

from pathlib import Path

import pandas as pd
import pytest
from records_defects import DEFECTS
from records_small import put, save, small, take

from analytics import records
from analytics.errors import RecordError
from analytics.records.dictionary import TABLES
from analytics.records.sentences import SENTENCES

ROOT = Path(__file__).parents[1]


def _said(problems):
    return [
        (p.severity[0].upper(), f"{p.table}.{p.column}".rstrip("."), p.count, p.row, p.code) for p in problems
    ]


def _written(register):
    """Return the cells that a defect wrote, but for words of the dictionary and numbers of one or two digits."""
    words = {word for t in TABLES.values() for c in t.asked() for word in c.allowed}
    pairs = [pair for name, rows in register.items() for pair in zip(small()[name], rows, strict=False)]
    cells = {cell for old, new in pairs for key, cell in new.items() if cell != old.get(key)}
    return {cell for cell in cells if len(cell) > 2 and cell not in words}


def test_the_clean_register_has_no_problem_and_no_warning(tmp_path):
    found = records.check(save(small(), tmp_path))
    assert found.problems == ()
    assert found.warnings == ()
    assert found.balance["used"].tolist() == [3, 4, 6, 15, 10, 3, 2, 2]


@pytest.mark.parametrize("name", DEFECTS)
def test_a_defect_is_named_with_table_column_count_and_row_and_nothing_else_is(name, tmp_path):
    change, expected = DEFECTS[name]
    found = records.check(save(change(small()), tmp_path))
    assert _said(found.problems + found.warnings) == expected
    balance = found.balance
    assert (balance["read"] == balance["used"] + balance["left_out"]).all()
    assert (balance.loc[balance["left_out"] > 0, "reason"] != "").all()
    text = " ".join(p.sentence() for p in found.problems + found.warnings)
    assert not [cell for cell in _written(change(small())) if cell in text], "a message holds no value"


def test_every_rule_across_cells_has_a_defect_that_breaks_it():
    broken = {code for _, expected in DEFECTS.values() for *_, code in expected}
    assert set(SENTENCES) - broken == set()


def test_a_load_stops_at_errors_and_carries_them_all(tmp_path):
    register = put(put(small(), "patients", 3, age_years="9"), "measurements", 5, density_hairs_cm2="580")
    with pytest.raises(RecordError) as stopped:
        records.load(save(register, tmp_path))
    assert str(stopped.value).splitlines() == [
        "patients.age_years: 1 value out of range, at row 3; expected 10 to 90 years; mend the value, or its unit",
        "measurements.density_hairs_cm2: 1 value out of range, at row 5; expected 0 to 450 hairs/cm2; "
        "mend the value, or its unit",
    ]
    assert _said(stopped.value.problems) == [
        ("E", "patients.age_years", 1, 3, "outside"),
        ("E", "measurements.density_hairs_cm2", 1, 5, "outside"),
    ]


def test_an_age_over_90_is_refused_in_memory_too():
    """Files are stopped by the look for identifiers; frames in memory by the dictionary (45 CFR 164.514(b)(2)(i)(C))."""
    frames = {name: pd.DataFrame(rows) for name, rows in put(small(), "patients", 3, age_years="93").items()}
    with pytest.raises(
        RecordError, match="1 age is over 90, at row 3; ages of 90 and more are written as 90"
    ):
        records.from_frames(frames)


def test_warnings_travel_with_the_records_and_rows_left_out_have_a_reason(tmp_path):
    register = small()
    empty = dict.fromkeys(register["visits"][0], "")
    register["visits"] = [*register["visits"][:2], empty, *register["visits"][2:], register["visits"][-1]]
    read = records.load(save(register, tmp_path))
    assert _said(read.warnings) == [("W", "visits", 1, 13, "exact_copy")]
    row = read.balance.set_index("table").loc["visits"]
    assert (row["read"], row["used"], row["left_out"]) == (12, 10, 2)
    assert row["reason"] == "1 empty row; 1 exact copy"
    assert len(read.visits) == 10


def test_a_check_of_nothing_says_what_to_give(tmp_path):
    found = records.check(tmp_path / "absent")
    assert [p.code for p in found.problems] == ["unreadable"]
    assert not found.is_usable
    assert found.text().startswith("The records cannot be used yet: 1 problem to mend, 0 to look at.")


def test_a_baseline_before_a_second_session_may_be_the_first_sessions_last_reading(tmp_path):
    """Clocks: the count before a second session is at once its baseline and the earlier session's last reading."""
    register = small()
    register["placements"] = [dict(r) for r in register["placements"]]
    register["placements"][2].update(zone="hairline")
    register = put(
        take(register, "measurements", 6, 9), "measurements", 6, zone="hairline", region_id="hairline"
    )
    register = put(register, "measurements", 7, zone="hairline", region_id="hairline")
    timed_from_the_first = put(register, "measurements", 6, session_id="0001-1", month="15.2")
    found = records.check(save(timed_from_the_first, tmp_path))
    assert "no_baseline" not in [p.code for p in found.warnings + found.problems]
    too_early = put(timed_from_the_first, "measurements", 6, month="9.4")
    too_early = take(too_early, "measurements", 5)
    found = records.check(save(too_early, tmp_path))
    assert [(p.code, p.row) for p in found.warnings if p.table == "measurements"][:1] == [("no_baseline", 6)]


def test_a_month_of_doubt_between_whole_register_months_is_no_fault(tmp_path):
    """The crown is planted again at patient month 16, known to the month: a reading at 16.6 may lie before it."""
    register = put(small(), "placements", 2, zone="crown")
    register["measurements"] = register["measurements"][4:7]
    late = put(register, "measurements", 2, month="16.6")
    assert "wrong_session" not in [p.code for p in records.check(save(late, tmp_path)).problems]
    later = put(register, "measurements", 2, month="17.5")
    assert "wrong_session" in [p.code for p in records.check(save(later, tmp_path)).problems]


def _text_of(folder):
    return {p.stem: pd.read_csv(p, dtype=str, keep_default_na=False) for p in sorted(folder.glob("*.csv"))}


def _break(tables):
    """Break a copy of the demo in 20 ways, each in rows of their own, and return what must be said of each."""
    t = {name: frame.copy() for name, frame in tables.items()}
    patients, sessions, placements, counts = (
        t[n] for n in ("patients", "sessions", "placements", "measurements")
    )
    said = []

    def cell(table, row, column, value, sentence):
        t[table].loc[row, column] = value
        said.append(f"{table}.{column}: {sentence.format(row=row + 2)}")

    # Patients with one session each, so that no fault spreads to another.
    alone = sessions.groupby("patient_id").filter(lambda g: len(g) == 1).reset_index()
    fue = alone[(alone["method"] == "FUE") & (alone["attempts"] != "")]
    used = iter(fue["index"])
    cell(
        "patients",
        3,
        "age_years",
        "9",
        "1 value out of range, at row {row}; expected 10 to 90 years; mend the value, or its unit",
    )
    cell(
        "patients",
        5,
        "smoker",
        "a little",
        "1 value is neither yes nor no, at row {row}; write True or False (yes, no, 1 and 0 are read too); leave the cell empty where it is not known",
    )
    cell(
        "patients",
        7,
        "curl",
        "wavey",
        "1 unknown value, at row {row}; use one of straight, wavy, curly, coily; the first is nearest to wavy",
    )
    cell(
        "patients",
        9,
        "donor_fu_cm2",
        "75/cm2",
        "1 value is not a plain number, at row {row}; expected a number in FU/cm2; the first has something beside the number; write the number alone, the unit is fixed",
    )
    cell(
        "sessions",
        next(used),
        "grafts_transected",
        "7900",
        "1 session has more grafts transected than taken out, at row {row}; grafts_transected lies within grafts_out; mend the two counts",
    )
    cell(
        "sessions",
        next(used),
        "grafts_discarded",
        "7900",
        "1 session has more grafts discarded than taken out, at row {row}; planted is grafts_out less grafts_discarded; mend the two counts",
    )
    cell(
        "sessions",
        next(used),
        "attempts",
        "5",
        "1 session has fewer attempts than grafts, at row {row}; in FUE attempts are at least grafts_out; mend the two counts",
    )
    cell(
        "sessions",
        next(used),
        "out_of_body_min",
        "2,5",
        "1 value is not a plain number, at row {row}; expected a number in minutes; the first has a decimal comma; write a decimal point",
    )
    row = next(used)
    more = str(int(sessions.loc[row, "grafts_out"]) * 2)
    t["sessions"].loc[row, ["grafts_out", "attempts"]] = more
    said.append(
        f"sessions.grafts_out: 1 session planted another number of grafts than its zones hold, at row {row + 2}; grafts_out less grafts_discarded is the sum of grafts over its placements; mend the counts of the session or of its placements"
    )
    cell(
        "placements",
        0,
        "area_cm2",
        "",
        "1 empty cell, at row {row}; area_cm2 is never empty; fill in the cell, or take the row away",
    )
    row = len(placements) - 1
    t["placements"] = pd.concat(
        [placements, placements.iloc[[row]].assign(placement_id="again")], ignore_index=True
    )
    said.append(
        f"placements.zone: 1 placement repeats a zone and site of its session, at row {row + 3}; what one session put in one zone and site is one row; join the rows"
    )
    last = sessions.set_index("session_id").index.get_loc(placements.loc[row, "session_id"])
    said.append(
        f"sessions.grafts_out: 2 sessions planted another number of grafts than their zones hold, first at row {min(last, int(said.pop(8).split(' at row ')[1].split(';')[0]) - 2) + 2}; grafts_out less grafts_discarded is the sum of grafts over its placements; mend the counts of the session or of its placements"
    )
    late = counts.index[(counts["month"].astype(float) > 6) & (counts["region_kind"] == "planted")]
    cell(
        "measurements",
        late[3],
        "density_hairs_cm2",
        "n/k",
        "1 value is not a plain number, at row {row}; expected a number in hairs/cm2; the first is a word or a mark; leave the cell empty where nothing is known",
    )
    cell(
        "measurements",
        late[40],
        "n_fields",
        "1.5",
        "1 value is not whole, at row {row}; expected a whole number; mend the number",
    )
    cell(
        "measurements",
        late[80],
        "hair_length",
        "sort",
        "1 unknown value, at row {row}; use one of shaved, trimmed, short, long; the first is nearest to short",
    )
    first = counts.index[(counts["month"].astype(float) == 0) & (counts["zone"] == "donor")][0]
    cell(
        "measurements",
        first,
        "month",
        "-8",
        "1 count is earlier than six months before its session, at row {row}; a baseline lies in months -6 to 0; count the month from the session named in the row, or take the row away",
    )
    again = counts.loc[[late[120]]]
    t["measurements"] = pd.concat([t["measurements"], again], ignore_index=True)
    said.append(
        f"measurements.count_number: 1 count stands twice for one region at one visit, at row {len(counts) + 2}; no two counts share patient_id, zone, region_id, session_id, month and count_number; give a repeated count its own count_number, and take a row copied by mistake away"
    )
    t["measurements"] = t["measurements"].drop(columns="roi_marked")
    said.append(
        "measurements.roi_marked: the column is absent; columns without a star in the dictionary are always there, their cells may be empty where it says so; add the column"
    )
    cell(
        "therapies",
        2,
        "patient_id",
        "nobody",
        "1 value is not found in patients.patient_id, at row {row}; every patient_id here is one of patients.patient_id; mend the code, or add the missing row to patients",
    )
    cell(
        "therapies",
        4,
        "stop_register_month",
        "-700",
        "1 course stops before it starts, at row {row}; stop_register_month is not before start_register_month; mend the two months",
    )
    cell(
        "events",
        1,
        "resolved_month",
        "0",
        "1 event is resolved before it began, at row {row}; resolved_month is not before month; mend the two months",
    )
    t["events"].loc[1, "month"] = "0.5"
    cell(
        "ratings",
        6,
        "satisfaction_0_10",
        "11",
        "1 value out of range, at row {row}; expected 0 to 10 points; mend the value, or its unit",
    )
    cell(
        "visits",
        8,
        "month",
        "third",
        "1 value is not a plain number, at row {row}; expected a number in months; the first is a word or a mark; leave the cell empty where nothing is known",
    )
    return t, said


def test_a_copy_of_the_demo_with_twenty_defects_names_each_in_one_run(tmp_path):
    tables, said = _break(_text_of(ROOT / "data_demo"))
    for name, frame in tables.items():
        frame.to_csv(tmp_path / f"{name}.csv", index=False)
    found = records.check(tmp_path)
    assert sorted(p.sentence() for p in found.problems) == sorted(said)
    assert len(said) >= 20
    assert (found.balance["used"] == 0).all()
    assert (found.balance["read"] == found.balance["left_out"]).all()
