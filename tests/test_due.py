"""Who is due: a table of 40 patients made by hand, the sheet, and the calendar read by a library of its own.

Windows worked out by hand for the schedule of the invented clinic (data_demo/criteria.toml), a session in
register month s: month 1 in s+1 alone; 3 in s+2 to s+4; 6 in s+5 to s+7; 9 in s+8 to s+10; 12 in s+11 to
s+14; 15 (midscalp, crown) in s+14 to s+17; 18 (crown) in s+17 to s+20. Today is register month 40.
"""

import datetime
import re
import stat

import openpyxl
import pandas as pd
import pytest
import registers
from icalendar import Calendar
from test_results import assert_keeps_the_contract

from analytics import course, early, review
from analytics.__main__ import main
from analytics.errors import ParameterError
from analytics.files import begins
from analytics.pages import due
from analytics.review.declared import PlannedVisit

TODAY = 40
DEMO = "data_demo"
START = (2021, 1)  # register month 40 is April 2024

# Code; sessions as month:zones; counts as session:zone:month (! under poor light, - a visit without a count,
# w the visit that ends follow-up); the state and what is due, empty where nothing is.
BY_HAND = """\
E01 | 28:frontal | 1:frontal:9.0 | open | frontal, month 12
E02 | 29:frontal | 1:frontal:9.0 | open | frontal, month 12
E03 | 26:frontal | 1:frontal:9.0 | open | frontal, month 12
E04 | 25:frontal | 1:frontal:9.0 | overdue | frontal, month 12
E05 | 30:frontal | 1:frontal:9.0 | opens soon | frontal, month 12
E06 | 31:frontal | 1:frontal:9.0 | opens soon | frontal, month 12
E07 | 32:frontal | 1:frontal:8.0 | |
E08 | 28:frontal | 1:frontal:11.0 | |
E09 | 28:frontal | 1:frontal:10.9 | open | frontal, month 12
E10 | 25:frontal | 1:frontal:14.6 | |
E11 | 10:frontal | 1:frontal:9.0 | |
E12 | 14:frontal | 1:frontal:9.0 | overdue | frontal, month 12
E13 | 28:frontal | 1:frontal:9.0 1:frontal:12.0! | open | frontal, month 12
S01 | 20:crown 28:frontal | 1:crown:18.0 2:frontal:9.0 | open | frontal, month 12
S02 | 20:crown 28:frontal | 1:crown:15.0 2:frontal:9.0 | open | crown, month 18 (session 1); \
frontal, month 12 (session 2)
S03 | 20:crown 35:crown | 1:crown:14.0 2:crown:3.0 | open | crown, month 6
S04 | 20:frontal 39:frontal | 1:frontal:12.0 | open | a visit without counts, month 1
S05 | 20:crown 39:hairline | 1:crown:15.0 2:-:1.0 | open | crown, month 18
S06 | 19:crown 30:frontal | 1:crown:15.0 2:frontal:9.0 | overdue | crown, month 18
S07 | 20:crown 28:frontal | 1:crown:18.0 2:frontal:11.5 | |
S08 | 28:frontal 42:crown | 1:frontal:11.5 | |
W01 | 28:frontal | 1:frontal:9.0 1:w:10.0 | |
W02 | 25:frontal | 1:frontal:9.0 1:w:13.0 | |
W03 | 19:crown 28:frontal | 1:crown:6.0 1:w:12.0 | |
W04 | 28:frontal | 1:frontal:9.0 1:-:10.0 | open | frontal, month 12
W05 | 25:hairline,temples | 1:hairline:12.0 1:temples:9.0 | overdue | temples, month 12
T01 | 28:frontal | 1:frontal:9.0 | open | frontal, month 12
T02 | 25:frontal | 1:frontal:9.0 | overdue | frontal, month 12
T03 | 30:frontal | 1:frontal:9.0 | opens soon | frontal, month 12
T04 | 28:frontal | 1:frontal:11.0 | |
"""
NO_VISITS = """
N01 | 39:frontal | | opens soon | frontal, month 3
N02 | 28:frontal | 1:frontal:9.0 | open | frontal, month 12
N03 | 25:frontal | 1:frontal:9.0 | overdue | frontal, month 12
N04 | 38:hairline,frontal | | open | hairline and frontal, month 3
N05 | 28:frontal | 1:frontal:11.2 | |
"""
# Of a clinic that counts at months 4 (3 to 5), 8 (7 to 9) and, crowns, 24 (22 to 27).
OWN_SCHEDULE = """
O01 | 37:frontal | | open | frontal, month 4
O02 | 33:frontal | 1:frontal:4.0 | open | frontal, month 8
O03 | 16:crown | 1:crown:8.0 | open | crown, month 24
O04 | 28:frontal | 1:frontal:4.0 | overdue | frontal, month 8
O05 | 28:frontal | 1:frontal:8.0 | |
"""
OWN = (
    PlannedVisit(month=4, early=1, late=1),
    PlannedVisit(month=8, early=1, late=1),
    PlannedVisit(month=24, early=2, late=3, zones=("crown",)),
)


def _made(folder, text, *, visits=True):
    """Return a register of the patients of a table, and what is expected of each."""
    tables = {
        name: [] for name in ("patients", "sessions", "placements", "measurements", "visits", "therapies")
    }
    expected = {}
    for row in text.strip().splitlines():
        code, sessions, counts, state, what = (part.strip() for part in row.split("|"))
        expected[code] = (state, what)
        tables["patients"].append(registers.patient(code))
        for number, entry in enumerate(sessions.split(), start=1):
            month, zones = entry.split(":")
            n = 1000 * len(zones.split(","))
            when = {"register_month": int(month), "session_number": number, "grafts_out": n, "attempts": n}
            own = registers.session(f"{code}-{number}", code, **when)
            tables["sessions"].append(own)
            for zone in zones.split(","):
                tables["placements"].append(registers.placement(f"{code}-{number}", zone=zone))
                tables["measurements"].append(registers.count(code, f"{code}-{number}", 0.0, 40.0, zone=zone))
            tables["visits"].append({"patient_id": code, "session_id": f"{code}-{number}", "month": 0.0})
        for entry in counts.split():
            number, zone, month = entry.rstrip("!").split(":")
            is_standard = not entry.endswith("!")
            at = {"patient_id": code, "session_id": f"{code}-{number}", "month": float(month)}
            tables["visits"].append({**at, "withdrawn": zone == "w"})
            if zone not in "w-":
                why = {"standard_conditions": is_standard, "condition_reason": "" if is_standard else "light"}
                made = registers.count(code, f"{code}-{number}", float(month), 70.0, zone=zone, **why)
                tables["measurements"].append(made)
        if code.startswith("T"):
            tables["therapies"].append(
                {"patient_id": code, "kind": "oral", "start_register_month": 20, "stop_register_month": None}
            )
    defaults = {
        "mode": "clinic",
        "photographs_standard": True,
        "complications_asked": True,
        "withdrawn": False,
    }
    tables["visits"] = [{**defaults, **row} for row in tables["visits"]] if visits else []
    return registers.load(folder, **{name: rows for name, rows in tables.items() if rows}), expected


def _schedule():
    return review.read(f"{DEMO}/criteria.toml").schedule


@pytest.mark.parametrize(
    ("text", "own", "visits"),
    [(BY_HAND, False, True), (NO_VISITS, False, False), (OWN_SCHEDULE, True, True)],
    ids=["30 patients", "no table of visits", "a schedule of its own"],
)
def test_who_is_due_is_as_in_the_table_made_by_hand(tmp_path, text, own, visits):
    known, expected = _made(tmp_path / "d", text, visits=visits)
    found = course.due(known, OWN if own else _schedule(), month=TODAY)
    assert_keeps_the_contract(found)
    said = due.due_by_patient(found).set_index("patient_id")
    got = {
        code: tuple(said.loc[code, ["state", "due_for"]]) if code in said.index else ("", "")
        for code in expected
    }
    assert got == expected
    states = [state for state, _ in expected.values()]
    counted = found.table().set_index("term")["estimate"]
    assert {s: counted[s] for s in due.HEADS} == {s: states.count(s) for s in due.HEADS}


def test_what_else_is_due_stands_beside_it_and_who_is_long_gone_is_counted(tmp_path):
    known, _ = _made(tmp_path / "d", BY_HAND)
    found = course.due(known, _schedule(), month=TODAY)
    said = due.due_by_patient(found).set_index("patient_id")
    assert said.loc["S06", "also"] == "frontal, month 12"
    assert said.loc["S04", "also"] == "frontal, month 3"
    assert found.table().iloc[-1]["estimate"] == 1, "E11, overdue since register month 24"


def test_the_list_says_how_many_crown_counts_would_let_the_audit_tell(tmp_path, demo):
    found = course.due(demo, _schedule(), month=37)
    listed = found.extra["listed"]
    crowns = listed["zone"].eq("crown") & listed["visit"].eq(18) & listed["state"].isin(["open", "overdue"])
    at_18 = listed.loc[crowns, "patient_id"].nunique()
    # Two sides of a t test (Cohen 1988): the crowns needed beside the fronts, less those counted.
    facts = (later := early.when(demo)).extra["facts"].iloc[0]
    (said,) = due.worth_lines(found, {"later": later})
    assert f"{facts['need_zone'] - facts['n_zone']:.0f} more patients counted there" in said
    assert f"difference of 10 points from the front; {at_18} on this list" in said
    assert due.worth_lines(found, {}) == []
    ahead = pd.DataFrame({"zone": ["crown", "frontal"], "visit": [18.0, 12.0]})
    needed = f"{facts['need_zone'] - facts['n_zone']:.0f} more patients"
    assert needed in due.worth_of_visits(ahead, later)
    assert due.worth_of_visits(ahead[1:], later) == ""


def test_a_register_that_nobody_fills_in_any_more_has_patients_overdue(tmp_path):
    known, _ = _made(tmp_path / "d", BY_HAND)
    later = course.due(known, _schedule(), month=TODAY + 5)
    states = due.due_by_patient(later).set_index("patient_id")["state"]
    assert states["E01"] == "overdue", "open in month 40, closed in 42, and nobody counted"


def test_a_month_before_the_register_and_a_wrong_look_ahead_are_refused(demo):
    with pytest.raises(ParameterError, match="before the first session"):
        course.due(demo, _schedule(), month=-3)
    with pytest.raises(ParameterError, match="ahead"):
        course.due(demo, _schedule(), month=TODAY, ahead=20)


def _run(tmp_path, capsys, *more):
    asked = [
        "due",
        str(tmp_path / "d"),
        "--windows-only",
        "--today",
        "2024-04-11",
        "--state",
        str(tmp_path / "s"),
        *more,
    ]
    code = main(asked)
    return code, capsys.readouterr()


def test_the_calendar_holds_one_window_each_and_a_title_that_tells_nothing(tmp_path, capsys):
    _, expected = _made(tmp_path / "d", BY_HAND)
    schedule = ("--schedule", f"{DEMO}/criteria.toml")
    out = tmp_path / "kept"
    code, said = _run(tmp_path, capsys, "--register-begins", "2021-01", "--out", str(out), *schedule)
    assert code == 0, said.err
    read = Calendar.from_ical((out / "due.ics").read_bytes())
    events = {str(e["SUMMARY"]).removeprefix("follow-up "): e for e in read.walk("VEVENT")}
    assert set(events) == {code for code, (state, _) in expected.items() if state}
    windows = {code: (e["DTSTART"].dt, e["DTEND"].dt) for code, e in events.items()}
    # Month 12 of a session in register month 28 (April 2023): 39 to 42, March to June 2024.
    assert windows["E01"] == (datetime.date(2024, 3, 1), datetime.date(2024, 7, 1))
    assert windows["E05"] == (datetime.date(2024, 5, 1), datetime.date(2024, 9, 1))
    assert windows["E04"] == (datetime.date(2024, 4, 1), datetime.date(2024, 5, 1)), "overdue: this month"
    named = {"SUMMARY", "DTSTART", "DTEND", "DTSTAMP", "UID", "CLASS", "TRANSP"}
    assert all(set(e) == named and e["CLASS"] == "PRIVATE" for e in events.values())
    assert all(code not in str(e["UID"]) for code, e in events.items())
    for name in ("due.ics", "due.xlsx", "due.html"):
        assert stat.S_IMODE((out / name).stat().st_mode) == 0o600
    # Again a month later: the same events by the same names, so that a diary moves and doubles none.
    code, _ = _run(tmp_path, capsys, "--out", str(out), *schedule)
    again = Calendar.from_ical((out / "due.ics").read_bytes())
    assert code == 0
    assert {str(e["UID"]) for e in again.walk("VEVENT")} == {str(e["UID"]) for e in events.values()}


def test_the_sheet_and_the_page_hold_what_the_screen_says_with_real_months(tmp_path, capsys):
    _made(tmp_path / "d", BY_HAND)
    _, said = _run(
        tmp_path, capsys, "--register-begins", "2021-01", "--out", str(tmp_path / "kept"),
        "--schedule", f"{DEMO}/criteria.toml",
    )  # fmt: skip
    rows = list(openpyxl.load_workbook(tmp_path / "kept" / "due.xlsx")["due"].iter_rows(values_only=True))
    assert rows[0] == due.HEADINGS
    by_code = {row[0]: row for row in rows[1:]}
    assert by_code["E01"][1:5] == ("frontal, month 12", "open", "Mar 2024", "Jun 2024")
    assert "  E01  frontal, month 12 (Mar 2024 to Jun 2024)" in said.out
    text = (tmp_path / "kept" / "due.html").read_text(encoding="utf-8")
    assert text.count("<script") == 0
    lines = [re.findall(r">([^<]+)</t[hd]>", row) for row in re.findall(r"<tr.*?</tr>", text, flags=re.S)]
    on_page = {line[0]: line[1:] for line in lines if line and line[0] in by_code}
    assert on_page.keys() == by_code.keys()
    for code, (_, due_for, _, opens, closes, _, also) in by_code.items():
        words = f"{due_for}; also {also}" if also else due_for
        assert on_page[code][:2] == [words, f"{opens} to {closes}"]


def test_the_start_month_is_asked_once_and_kept_apart_for_its_owner_alone(tmp_path, capsys):
    _made(tmp_path / "d", BY_HAND)
    code, said = _run(tmp_path, capsys)
    assert code == 2
    assert "give it once with --register-begins" in said.err
    assert _run(tmp_path, capsys, "--register-begins", "2021-01")[0] == 0
    assert _run(tmp_path, capsys)[0] == 0
    kept = tmp_path / "s" / "register_begins"
    assert begins.read(kept) == START
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    code, said = _run(tmp_path, capsys, "--register-begins", "2020-12")
    assert code == 2
    assert "another month is kept" in said.err
    kept.chmod(0o644)
    code, said = _run(tmp_path, capsys)
    assert code == 2
    assert "others can read it" in said.err


def test_sheet_and_calendar_are_written_neither_in_the_data_nor_among_reports(tmp_path, capsys):
    _made(tmp_path / "d", BY_HAND)
    for place in (tmp_path / "d" / "due", tmp_path / "reports" / "due"):
        code, said = _run(tmp_path, capsys, "--register-begins", "2021-01", "--out", str(place))
        assert code == 2
        assert "name another" in said.err
        assert not place.exists()


def test_months_and_days_are_inverse():
    """Register month 1 is the start month itself; 13 the same month a year later."""
    assert begins.first_day(1, (2021, 11)) == datetime.date(2021, 11, 1)
    assert begins.first_day(13, (2021, 11)) == datetime.date(2022, 11, 1)
    for month in range(1, 40):
        assert begins.register_month(begins.first_day(month, (2021, 11)), (2021, 11)) == month
