"""Every rule of the door: one defect a time on a clean register, and many at once on the demo."""

import pandas as pd
import pytest
from records_defects import DEFECTS
from records_small import put, save, small, take

from analytics import records
from analytics.dictionary.tables import TABLES
from analytics.errors import RecordError
from analytics.records.dictionary_page import across_cells


def _said(problems):
    return [
        (p.severity[0].upper(), f"{p.table}.{p.column}".rstrip("."), p.count, p.row, p.code) for p in problems
    ]


def _written(register):
    """Return the cells that a defect wrote, but for words of the dictionary and short numbers."""
    words = {word for t in TABLES.values() for c in t.asked() for word in c.allowed}
    pairs = [pair for name, rows in register.items() for pair in zip(small()[name], rows, strict=False)]
    cells = {cell for old, new in pairs for key, cell in new.items() if cell != old.get(key)}
    return {cell for cell in cells if len(cell) > 2 and cell not in words}


def test_the_clean_register_has_no_problem_and_no_warning(tmp_path):
    found = records.check(save(small(), tmp_path))
    assert found.problems == ()
    assert found.warnings == ()
    assert found.balance["used"].tolist() == [3, 4, 6, 15, 10, 3, 2, 2, 3, 1]


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
    assert set(across_cells()) - broken == set()


def test_a_load_stops_at_errors_and_carries_them_all(tmp_path):
    register = put(put(small(), "patients", 3, age_years="9"), "measurements", 5, density_hairs_cm2="580")
    with pytest.raises(RecordError) as stopped:
        records.load(save(register, tmp_path))
    assert str(stopped.value).splitlines() == [
        "patients.age_years: 1 value out of range, at row 3; expected 10 to 90 years; mend the value, or "
        "its unit",
        "measurements.density_hairs_cm2: 1 value out of range, at row 5; expected 0 to 450 hairs/cm2; "
        "mend the value, or its unit",
    ]
    assert _said(stopped.value.problems) == [
        ("E", "patients.age_years", 1, 3, "outside"),
        ("E", "measurements.density_hairs_cm2", 1, 5, "outside"),
    ]


def test_an_age_over_90_is_refused_in_memory_too():
    """Files are stopped by the look for identifiers, frames by the dictionary (45 CFR 164.514)."""
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
    """Clocks: the count before a second session is its baseline and the earlier session's last reading."""
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
    """The crown is planted again at patient month 16, known to the month; 16.6 may lie before it."""
    register = put(small(), "placements", 2, zone="crown")
    register["measurements"] = register["measurements"][4:7]
    late = put(register, "measurements", 2, month="16.6")
    assert "wrong_session" not in [p.code for p in records.check(save(late, tmp_path)).problems]
    later = put(register, "measurements", 2, month="17.5")
    assert "wrong_session" in [p.code for p in records.check(save(later, tmp_path)).problems]


def test_a_count_before_any_session_stands_apart_and_travels_with_the_records(tmp_path):
    """A fourth patient, counted at a consultation in month 9, and the first before the first session."""
    register = small()
    patient = {**register["patients"][0], "patient_id": "0004"}
    counts = [{**row, "consultation_month": ""} for row in register["measurements"]]
    early = [
        {**counts[0], "patient_id": code, "session_id": "", "month": "0", "consultation_month": month}
        for code, month in (("0004", "9"), ("0001", "2"))
    ]
    both = {"patients": [*register["patients"], patient], "measurements": [*counts, *early]}
    place = save({**register, **both}, tmp_path)
    checked = records.check(place)
    assert checked.is_usable
    assert checked.warnings == ()
    found = records.load(place)
    assert found.consultations["patient_id"].tolist() == ["0004", "0001"]
    assert len(found.measurements) == len(counts)
    balance = found.balance.set_index("table").loc["measurements"]
    assert (balance["read"], balance["used"]) == (len(counts) + 2, len(counts) + 2)
    assert records.subset(found, ["0001"]).consultations["patient_id"].tolist() == ["0001"]
    assert len(records.as_of(found, 8).consultations) == 1
    again = records.write(found, tmp_path / "again")
    assert records.load(again).consultations["consultation_month"].tolist() == [9.0, 2.0]
