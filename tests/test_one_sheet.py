"""The one-sheet workbook: what is typed on it loads as the four tables, faults are told where they stand."""

import openpyxl
import pytest
import typed_sheet

from analytics import entry, records, yields
from analytics.__main__ import main
from analytics.dictionary import TABLES, zones
from analytics.errors import ParameterError, RecordError

HEAD = (
    "patient_id,register_month,grafts_out,zone,area_cm2,grafts,hairs,density_before,month_1,density_1,month_2,"
    "density_2,surgeon_id,method"
)
TYPED = (
    "007,3,1000,hairline,20,500,1000,20,12.2,58,,,S1,FUE",
    "007,3,,frontal,40,400,900,,,,,,,",
    "007,20,1500,crown,60,1450,3000,10,12,30,18.5,45,S1,FUT",
    "9,5,800,Crown,40,800,1600,12,18,44,,,S2,FUE",
)


def typed(*changes: tuple[int, str, str]) -> typed_sheet.Rows:
    """Return the rows above after changes of single cells (row as the sheet shows it, column, text)."""
    rows = [dict(zip(HEAD.split(","), line.split(","), strict=True)) | typed_sheet.HOW for line in TYPED]
    for row, column, text in changes:
        rows[row - 2][column] = text
    return rows


@pytest.fixture
def place(tmp_path):
    return lambda *changes: typed_sheet.written(tmp_path / "one.xlsx", typed(*changes))


def test_the_empty_workbook_has_one_sheet_with_notes_and_drop_downs(tmp_path):
    assert main(["template", str(tmp_path / "one.xlsx"), "--one-sheet"]) == 0
    book = openpyxl.load_workbook(tmp_path / "one.xlsx")
    assert book.sheetnames == ["read me", "zones"]
    columns = zones.table(is_short=True).columns
    assert [c.value for c in book["zones"][1]] == [c.name for c in columns]
    assert all(c.meaning in cell.comment.text for cell, c in zip(book["zones"][1], columns, strict=True))
    lists = [v.formula1 for v in book["zones"].data_validations.dataValidation if v.type == "list"]
    assert '"hairline,frontal,midscalp,crown,temples,other"' in lists
    found = records.check(tmp_path / "one.xlsx")
    assert [(p.table, p.code) for p in found.problems] == [("zones", "no_rows")]


def test_what_is_typed_loads_as_the_four_tables(place):
    """Session 007-1: 1000 grafts out, 500 + 400 planted, so 100 discarded; 1500 - 1450 = 50 in 007-2."""
    read = records.load(place())
    assert read.patients["patient_id"].tolist() == ["007", "9"]
    sessions = read.sessions[["session_id", "session_number", "grafts_discarded", "surgeon_id", "method"]]
    assert sessions.to_numpy().tolist() == [
        ["007-1", 1, 100, "S1", "FUE"],
        ["007-2", 2, 50, "S1", "FUT"],
        ["9-1", 1, 0, "S2", "FUE"],
    ]
    assert read.placements["placement_id"].tolist() == [
        "007-1-hairline",
        "007-1-frontal",
        "007-2-crown",
        "9-1-crown",
    ]
    counts = read.measurements[["session_id", "zone", "month", "density_hairs_cm2"]]
    assert counts.to_numpy().tolist() == [
        ["007-1", "hairline", 0.0, 20.0],
        ["007-1", "hairline", 12.2, 58.0],
        ["007-2", "crown", 0.0, 10.0],
        ["007-2", "crown", 12.0, 30.0],
        ["007-2", "crown", 18.5, 45.0],
        ["9-1", "crown", 0.0, 12.0],
        ["9-1", "crown", 18.0, 44.0],
    ]
    assert read.measurements["region_kind"].eq("planted").all()


def test_a_yield_comes_out_of_it(place):
    """1000 hairs on 20 cm2 are 50 per cm2, and 58 - 20 = 38 of them grew: 76 %."""
    rows = yields.by_visit(records.load(place()), choices=yields.Choices(native_change="none"))
    first = rows[rows["placement_id"].eq("007-1-hairline") & rows["month"].eq(12.2)]
    assert first["yield_pct"].tolist() == pytest.approx([76.0])


def test_any_column_of_the_tables_may_be_added_by_its_name(place):
    more = [(row, "age_years", "44") for row in (2, 4)] + [(5, "smoker", "yes"), (3, "reader_id", "R1")]
    many = [(5, "month_5", "30"), (5, "density_5", "50"), (2, "grafts_1", "0"), (2, "grafts_2", "500")]
    read = records.load(place(*more, *many, (2, "grafts", ""), (2, "hairs", "")))
    assert read.patients["age_years"].tolist()[0] == 44
    assert bool(read.patients["smoker"].tolist()[1])
    assert read.measurements["month"].tolist()[-1] == 30
    assert read.placements["hairs"].tolist()[0] == 1000  # 500 grafts of 2 hairs
    assert read.sessions["grafts_discarded"].tolist()[0] == 100


FAULTS = {
    "a word for a number": (
        [(4, "density_1", "many")],
        "zones.density_1: 1 value is not a plain number, at row 4",
    ),
    "an unknown zone": ([(5, "zone", "crwn")], "zones.zone: 1 unknown value, at row 5"),
    "no zone": ([(5, "zone", "")], "zones.zone: 1 empty cell, at row 5"),
    "no area": ([(2, "area_cm2", "")], "zones.area_cm2: 1 empty cell, at row 2"),
    "a count without its month": ([(4, "month_2", "")], "zones.month_2: 1 count without its month, at row 4"),
    "how it was counted is not said": (
        [(5, "n_fields", "")],
        "zones.n_fields: 1 cell is empty in a row with counts, at row 5",
    ),
    "a zone twice": ([(3, "zone", "hairline")], "zones.zone: 1 row repeats person, month, zone and side"),
    "two answers of one session": (
        [(3, "grafts_out", "900")],
        "zones.grafts_out: 1 cell says another thing than an earlier row of the same session, at row 3",
    ),
    "more planted than taken": (
        [(2, "grafts_out", "800")],
        "zones.grafts_out: 1 session has more grafts planted than taken out, at row 2",
    ),
    "no surgeon on any row of the session": (
        [(5, "surgeon_id", "")],
        "zones.surgeon_id: 1 empty cell, at row 5",
    ),
    "two counts at one month": (
        [(4, "month_2", "12")],
        "zones.month_2: 1 count has the month of another count of its row, at row 4",
    ),
    "a column of no known name": (
        [(2, "density_13", "4")],
        "zones.density_13: the column is not in the dictionary",
    ),
}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_told_at_its_cell_of_the_sheet(place, name):
    changes, expected = FAULTS[name]
    with pytest.raises(RecordError) as told:
        records.load(place(*changes))
    assert str(told.value).startswith(expected), str(told.value)
    assert "measurements" not in str(told.value).split(";")[0]


def test_a_month_alone_is_left_out_with_a_warning(place):
    found = records.check(place((2, "month_2", "18")))
    assert found.is_usable
    assert [p.sentence()[:60] for p in found.warnings if p.code == "month_alone"] == [
        "zones.density_2: 1 month without a count, at row 2; a month "
    ]


def test_a_table_beside_the_sheet_is_read_where_it_is_optional_and_refused_where_it_is_not(place, tmp_path):
    book = openpyxl.load_workbook(place())
    book.create_sheet("ratings").append([c.name for c in TABLES["ratings"].asked()])
    book["ratings"].append(["9-1", 12, 8, None])
    file = tmp_path / "one.xlsx"
    book.save(file)
    assert records.load(file).ratings["satisfaction_0_10"].tolist() == [8]
    book.create_sheet("sessions").append(["session_id"])
    book.save(file)
    with pytest.raises(RecordError, match="sessions: the workbook has this sheet and the sheet zones"):
        records.load(file)


def test_it_becomes_a_workbook_with_a_sheet_for_each_table_to_which_entries_go(place, tmp_path):
    short, whole = place(), tmp_path / "whole.xlsx"
    with pytest.raises(ParameterError, match="typed on one sheet"):
        entry.case_of(short, "9")
    assert main(["template", str(whole), "--from", str(short)]) == 0
    for name in TABLES:
        frame = getattr(records.load(whole), name)
        assert frame.equals(getattr(records.load(short), name)), name
    assert entry.case_of(whole, "9").sessions == ("9-1",)
    assert main(["template", str(whole), "--from", str(short)]) == 0, "as it was written, it may be replaced"


def test_a_part_of_the_demo_typed_on_the_sheet_is_that_part(demo, tmp_path):
    rows = typed_sheet.rows_of(demo, ["0001", "0002", "0108"], zones=2, later=2, is_first=False)
    read = records.load(typed_sheet.written(tmp_path / "one.xlsx", rows))
    own = demo.placements.set_index("placement_id").loc[read.placements["placement_id"]]
    for name in ("zone", "area_cm2", "grafts", "hairs", "method"):
        assert read.placements[name].tolist() == own[name].tolist()
    assert len(read.measurements) == sum(
        k.startswith("density") and v != "" for r in rows for k, v in r.items()
    )
