"""A clinic's own file becomes the tables: the same facts as its tidy twin, and every cell accounted for.

`messy/twin.py` holds the facts, written by hand; `messy/files.py` writes them as clinics keep them, and
says how many cells were counted by hand. The register in `data/register_b.xlsx` is an invented practice's
as its front desk keeps it, made by other hands; `data/register_a` is the same practice in tidy tables.
"""

import datetime
import re
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
import xlwt
from messy import files, twin

from analytics import mapping, records, yields
from analytics.errors import AnalyticsError, ParameterError
from analytics.mapping import plan as mapping_plan

DATA = Path(__file__).parent / "data"
# What the clinic of the twin states for all rows.
STATED = {
    "sessions.grafts_discarded": 0,
    "measurements.roi_area_cm2": 1.0,
    "measurements.n_fields": 1,
    "measurements.roi_marked": True,
    "measurements.standard_conditions": True,
}


def answered(text: str, **answers: str) -> str:
    """Return a proposal with its questions answered, as a person would in an editor."""
    for target, value in STATED.items():
        shown = str(value).lower() if isinstance(value, bool) else value
        text = re.sub(
            rf'"{target}" = \{{[^}}]*\}}',
            f'"{target}" = {{ value = {shown}, because = "it holds for every row" }}',
            text,
        )
    text = text.replace('hold_for_every_row = "?"', 'hold_for_every_row = "yes"')
    text = re.sub(r'register_begins = "[^"]*"', f'register_begins = "{twin.BEGINS}"', text)
    for name, value in answers.items():
        text, n = re.subn(rf'(?m)^{name} = "[^"]*"', f'{name} = "{value}"', text)
        assert n == 1, name
    return text


def _mapped(path: Path, tmp_path: Path, **answers: str):
    plan = tmp_path / "mapping.toml"
    plan.write_text(answered(mapping.propose(path), **answers), encoding="utf-8")
    out = tmp_path / "out"
    balance = mapping.apply(path, plan, out)
    return out, balance


def _table(out: Path, name: str) -> pd.DataFrame:
    ids = dict.fromkeys(("patient_id", "session_id", "placement_id", "surgeon_id"), str)
    return pd.read_csv(out / f"{name}.csv", dtype=ids)


def _same(found: pd.DataFrame, expected: pd.DataFrame, key: list[str]) -> None:
    columns = [c for c in expected.columns if c in found.columns]
    assert set(key) <= set(columns)
    pd.testing.assert_frame_equal(
        found[columns].sort_values(key).reset_index(drop=True),
        expected[columns].sort_values(key).reset_index(drop=True),
        check_dtype=False,
    )


def _is_the_twin(out: Path, *, planned: bool = False, sizes: bool = True, marks: bool = True) -> None:
    _same(_table(out, "sessions"), twin.sessions(), ["session_id"])
    placements = twin.placements()
    if not sizes:
        total = placements[[f"grafts_{n}" for n in (1, 2, 3, 4)]]
        placements = placements.assign(grafts=total.sum(axis=1), hairs=(total * [1, 2, 3, 4]).sum(axis=1))
    _same(_table(out, "placements"), placements, ["placement_id"])
    counts = twin.measurements(planned=planned)
    if not marks:
        counts = counts.drop(columns="standard_conditions")
    assert len(counts) == twin.N_COUNTS
    _same(_table(out, "measurements"), counts, ["patient_id", "zone", "month"])


def _cells(balance: mapping.Balance) -> dict[str, int]:
    return balance.cells.groupby("fate")["n_cells"].sum().to_dict()


# file, answers to the questions it leaves open, cells counted by hand, what differs from the plain twin
MESSY = [
    (files.semicolons, {}, {"heading": 16, "placed": 101, "set aside": 10}, {}),
    (files.tabs, {"mark": "*"}, {"heading": 15, "placed": 101, "stands for missing": 4}, {}),
    (files.front_desk, {}, {"heading": 18, "placed": 87, "set aside": 27}, {}),
    (files.stacked, {"mark": "*"}, {"heading": 14, "placed": 146, "set aside": 1}, {}),
    (files.beside, {"mark": "*"}, {"heading": 14, "placed": 146}, {}),
    (files.one_row_a_patient, {"mark": "*"}, {"heading": 55, "placed": 73}, {"planned": True}),
    (files.day_numbers, {"mark": "*"}, {"heading": 15, "placed": 101}, {}),
    (files.merged_codes, {"mark": "*"}, {"heading": 15, "placed": 93, "set aside": 15}, {}),
    (files.thousands, {"mark": "*"}, {"heading": 13, "placed": 87}, {"sizes": False}),
    (files.four_sheets, {}, {"heading": 21, "placed": 188}, {}),
    (files.spanish, {"mark": "*"}, {"heading": 15, "placed": 101}, {}),
    (files.sqlite_database, {}, {"heading": 15, "placed": 165}, {}),
    (files.duckdb_file, {}, {"heading": 15, "placed": 165}, {}),
    (files.parquet_folder, {}, {"heading": 15, "placed": 165}, {}),
]


@pytest.mark.parametrize(
    ("build", "answers", "cells", "twin_of"), MESSY, ids=lambda v: getattr(v, "__name__", "")
)
def test_a_messy_file_becomes_its_tidy_twin_and_no_cell_is_lost(build, answers, cells, twin_of, tmp_path):
    path = build(tmp_path)
    if build is files.day_numbers:
        text = answered(mapping.propose(path), **answers)
        text = text.replace('to = "patients.patient_id"', 'to = "patients.patient_id"\n  width = 4')
        (tmp_path / "m.toml").write_text(text, encoding="utf-8")
        out = tmp_path / "out"
        balance = mapping.apply(path, tmp_path / "m.toml", out)
    else:
        out, balance = _mapped(path, tmp_path, **answers)
    _is_the_twin(out, **twin_of)
    assert _cells(balance) == cells
    assert balance.adds_up
    assert records.check(out).is_usable


# The register of an invented practice, as its front desk keeps it and as tidy tables


@pytest.fixture(scope="module")
def front_desk(tmp_path_factory):
    """Return the front desk's register, mapped by the mapping beside it, and its balance."""
    out = tmp_path_factory.mktemp("b") / "tables"
    balance = mapping.apply(DATA / "register_b.xlsx", DATA / "register_b.mapping.toml", out)
    return out, balance


def test_every_cell_of_the_front_desks_register_is_accounted_for(front_desk):
    """Counted with another reader (openpyxl): cells that hold something, a cell of spaces among them."""
    book = openpyxl.load_workbook(DATA / "register_b.xlsx")
    filled = sum(c.value is not None for sheet in book for row in sheet.iter_rows() for c in row)
    cells = _cells(front_desk[1])
    assert sum(cells.values()) == filled == 7835
    # 2 + 24 headings. 422 rows of code, date, method and surgeon, four sizes, area and zone. 1,877 counts,
    # the 1,455 dates of those after the operation, less one count that stands twice with its date.
    assert cells["heading"] == 26
    assert cells["placed"] == 422 * (1 + 2 + 5) + 1877 + 1455 - 2
    assert cells["nothing but spaces"] == 63
    # Dates of birth, e-mails, remarks; title, totals line, legend; hidden sheet; the count that stands twice.
    assert cells["set aside"] == 422 + 422 + (74 + 59 + 52) + 1 + 3 + 1 + 4 + 2
    assert front_desk[1].notes[-1] == "1 remarks on cells were not read"


def test_what_was_set_aside_keeps_its_form_and_place(front_desk):
    source = openpyxl.load_workbook(DATA / "register_b.xlsx")
    aside = openpyxl.load_workbook(mapping.beside(front_desk[0]))
    for name in ("Cases 2021-24", "old list"):
        for row in aside[f"from {name}"].iter_rows():
            for cell in row:
                if cell.value is not None:
                    assert source[name][cell.coordinate].value == cell.value
    counted = sum(
        c.value is not None for n in aside.sheetnames[1:] for row in aside[n].iter_rows() for c in row
    )
    assert counted == _cells(front_desk[1])["set aside"]


def test_the_front_desks_register_holds_the_same_facts_as_the_tidy_one(front_desk):
    """Record by record: all operations, plantings and 1,876 of the 1,999 counts; it holds no others."""
    ids = dict.fromkeys(("patient_id", "session_id", "placement_id"), str)
    tidy = {
        n: pd.read_csv(DATA / "register_a" / f"{n}.csv", dtype=ids)
        for n in ("sessions", "placements", "measurements")
    }
    desk = {name: _table(front_desk[0], name) for name in tidy}
    columns = ["session_id", "patient_id", "register_month", "session_number", "method", "surgeon_id"]
    _same(desk["sessions"], tidy["sessions"][columns], ["session_id"])
    _same(desk["placements"], tidy["placements"].drop(columns="roi_planted_hairs_cm2"), ["placement_id"])
    key = ["patient_id", "zone", "session_id", "month"]
    both = desk["measurements"].merge(tidy["measurements"], on=key, suffixes=("", "_tidy"), validate="1:1")
    assert len(both) == len(desk["measurements"]) == 1876
    np.testing.assert_array_equal(both["density_hairs_cm2"], both["density_hairs_cm2_tidy"])
    after = both["month"] > 0  # the desk marks no baseline
    np.testing.assert_array_equal(
        both.loc[after, "standard_conditions"], both.loc[after, "standard_conditions_tidy"]
    )


def test_both_registers_give_the_same_audit_where_they_hold_the_same_facts(front_desk, tmp_path):
    """The tidy register, brought down to what the desk keeps, must give the same yields to the last digit."""
    desk = {n: _table(front_desk[0], n) for n in ("patients", "sessions", "placements", "measurements")}
    text = dict.fromkeys(("patient_id", "session_id", "placement_id"), str)
    tidy = {n: pd.read_csv(DATA / "register_a" / f"{n}.csv", dtype=text) for n in desk}
    reduced = {}
    for name, rows in tidy.items():
        reduced[name] = rows.assign(
            **{c: np.nan for c in rows if c not in desk[name] or desk[name][c].isna().all()}
        )
    planted = tidy["placements"].set_index("session_id")[[f"grafts_{n}" for n in (1, 2, 3, 4)]].sum(axis=1)
    planted = planted.groupby(level=0).sum()
    reduced["sessions"] = reduced["sessions"].assign(
        grafts_out=reduced["sessions"]["session_id"].map(planted), grafts_discarded=0
    )
    held = desk["measurements"][["patient_id", "zone", "session_id", "month"]]
    counts = held.merge(reduced["measurements"], validate="1:1")
    counts = counts.assign(roi_area_cm2=1.0, n_fields=1, roi_marked=False, condition_reason=np.nan)
    counts.loc[counts["month"] == 0, "standard_conditions"] = True
    reduced["measurements"] = counts
    (tmp_path / "a").mkdir()
    for name, rows in reduced.items():
        rows.to_csv(tmp_path / "a" / f"{name}.csv", index=False)
    one = yields.by_visit(records.load(front_desk[0]))
    other = yields.by_visit(records.load(tmp_path / "a"))
    key = ["patient_id", "zone", "session_id", "month"]
    shown = [*key, "yield_pct", "yield_pct_se", "for_headline"]
    pd.testing.assert_frame_equal(
        one[shown].sort_values(key).reset_index(drop=True),
        other[shown].sort_values(key).reset_index(drop=True),
    )
    average = [yields.average(records.load(p), by=["zone"]).table() for p in (front_desk[0], tmp_path / "a")]
    pd.testing.assert_frame_equal(*average)


def test_the_proposal_asks_what_the_front_desks_register_leaves_open():
    text = mapping.propose(DATA / "register_b.xlsx")
    assert 'decimal = "comma"' in text
    assert 'date_order = "day-month-year"' in text
    assert 'mark = "*"' in text
    assert 'same_operation = "?"' in text
    questions = [line.partition(" =")[0] for line in text.splitlines() if re.search(r'^[^#]*"\?"', line)]
    assert questions == ["same_operation", "contradiction", "hold_for_every_row"]
    assert not re.search(r"case\d+@|\d\d/\d\d/\d{4}", text)


def test_three_edits_of_the_proposal_give_the_front_desks_tables(front_desk, tmp_path):
    """What a person writes into the proposal, and no more: the tables of the mapping corrected by hand."""
    text = mapping.propose(DATA / "register_b.xlsx")
    for name, value in (
        ("same_operation", "month"),
        ("contradiction", "leave out"),
        ("hold_for_every_row", "yes"),
    ):
        text, n = re.subn(rf'(?m)^{name} = "\?"', f'{name} = "{value}"', text)
        assert n == 1
    (tmp_path / "m.toml").write_text(text, encoding="utf-8")
    tables, _ = mapping.mapped(DATA / "register_b.xlsx", tmp_path / "m.toml")
    for name in ("sessions", "placements", "measurements"):
        by_hand = _table(front_desk[0], name)
        pd.testing.assert_frame_equal(
            tables[name].reset_index(drop=True), by_hand, check_dtype=False, check_like=True
        )


# What stops, with its row


def _stop(tmp_path: Path, head: list[str], rows: list[list[object]], **answers: str) -> str:
    book = openpyxl.Workbook()
    book.active.title = "S"
    for row in [head, *rows]:
        book.active.append(row)
    path = tmp_path / "s.xlsx"
    book.save(path)
    plan = tmp_path / "m.toml"
    plan.write_text(answered(mapping.propose(path), **answers), encoding="utf-8")
    with pytest.raises(AnalyticsError) as stopped:
        mapping.apply(path, plan, tmp_path / "out")
    assert not (tmp_path / "out").exists()
    return str(stopped.value)


HEAD = ["Patient ID", "Op date", "Method", "Surgeon", "Zone", "Area", "1s", "2s", "3s", "4s", "before", "6M"]
PLAIN = [None, None, "FUE", "S1", "crown", 40.0, 100, 200, 50, 5, 20.0, 60.0]


def _row(n: int, **other: object) -> list[object]:
    plain = [f"P{n:02d}", datetime.date(2022, 3, 13 + n), *PLAIN[2:]]
    return list((dict(zip(HEAD, plain, strict=True)) | other).values())


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ({"Area": "40 ells"}, "column F (placements.area_cm2): 1 cell has an unknown unit, at row 4"),
        ({"Area": "40 min"}, "column F (placements.area_cm2): 1 cell has a unit that does not fit, at row 4"),
        ({"6M": "sixty"}, "column L (measurements.density_hairs_cm2): 1 cell is no number, at row 4"),
        ({"6M": "about 60"}, "reading.approximate: still a question"),
        ({"6M": "55-65"}, "reading.ranges: still a question"),
        ({"6M": datetime.date(2022, 5, 12)}, "1 cell is a date where a number belongs, at row 4"),
        ({"Op date": "2022-02-31"}, "column B (sessions.date): 1 date does not exist, at row 4"),
        ({"Op date": "03/2022"}, "column B (sessions.date): 1 date has no day, at row 4"),
        ({"Op date": None}, "placements.session_id: 1 planting belongs to no operation, at row 4"),
        ({"Patient ID": None}, "joining.blank_codes: still a question"),
        ({"Patient ID": 12.5}, "column A (patients.patient_id): 1 cell is no code, at row 4"),
        (
            {"Patient ID": "P02", "Op date": datetime.date(2022, 3, 15)},
            "placements.zone: 2 rows plant a zone",
        ),
    ],
)
def test_a_cell_that_cannot_be_read_stops_with_its_row(row, said, tmp_path):
    rows = [_row(1), _row(2), _row(3, **row), _row(4), _row(5)]
    assert said in _stop(tmp_path, HEAD, rows)


def test_no_message_holds_what_a_cell_holds(tmp_path):
    said = _stop(tmp_path, HEAD, [_row(1), _row(2), _row(3, Area="forty Miller"), _row(4)])
    assert "Miller" not in said
    assert "P03" not in said


def test_a_number_that_may_have_a_mark_between_thousands_stops(tmp_path):
    """With a decimal comma declared, 1.234 may be 1234 or a slip; the clinic must say."""
    rows = [_row(n, **{"6M": "60,5"}) for n in range(1, 5)] + [_row(5, **{"6M": "1.234"})]
    assert "1 number may have a mark between thousands, at row 6" in _stop(
        tmp_path, HEAD, rows, thousands="none"
    )


def test_dates_that_can_be_read_two_ways_are_a_question(tmp_path):
    rows = [_row(n, **{"Op date": f"0{n}/04/2022"}) for n in range(1, 6)]
    said = _stop(tmp_path, HEAD, rows)
    assert "reading.date_order: still a question" in said


def test_stored_dates_that_may_have_been_turned_round_are_a_question(tmp_path):
    """04/05/2022 typed day first becomes 5 April where a program reads month first; 13/05/2022 stays text."""
    days = [datetime.date(2022, 4, 5), "13/05/2022", datetime.date(2022, 7, 6), "25/05/2022", "28/06/2022"]
    rows = [_row(n, **{"Op date": day}) for n, day in enumerate(days, 1)]
    assert "reading.swapped: still a question" in _stop(tmp_path, HEAD, rows)
    said = _stop(tmp_path, HEAD, rows, swapped="stop")
    assert (
        "column B (sessions.date): 2 stored dates may have day and month turned round, first at row 2" in said
    )
    months = {}
    for answer in ("turn back", "as stored"):
        plan = tmp_path / "m.toml"
        plan.write_text(answered(mapping.propose(tmp_path / "s.xlsx"), swapped=answer), encoding="utf-8")
        sessions = mapping.mapped(tmp_path / "s.xlsx", plan)[0]["sessions"]
        months[answer] = sessions.sort_values("patient_id")["register_month"].astype(int).tolist()
    assert months == {"turn back": [5, 5, 6, 5, 6], "as stored": [4, 5, 7, 5, 6]}


def test_contradicting_rows_stop_or_are_set_aside_as_declared(tmp_path):
    head = [*HEAD, "Born"]
    rows = [[*_row(1), datetime.date(1980, 1, 2)], [*_row(1, Zone="frontal"), datetime.date(1990, 3, 4)]]
    rows += [[*_row(2), datetime.date(1970, 1, 2)], [*_row(3), datetime.date(1971, 1, 2)]]
    said = _stop(tmp_path, head, rows, contradiction="stop")
    assert "patients.birth_date: 2 rows contradict others of their patient, first at row 2" in said
    plan = tmp_path / "m.toml"
    plan.write_text(
        answered(mapping.propose(tmp_path / "s.xlsx"), contradiction="leave out"), encoding="utf-8"
    )
    tables, balance = mapping.mapped(tmp_path / "s.xlsx", plan)
    assert tables["patients"]["age_years"].isna().tolist() == [True, False, False]
    reason = "rows of one patient or operation contradict one another"
    assert balance.cells.set_index("reason")["n_cells"].get(reason) == 2


def test_a_count_without_its_date_stops_unless_the_planned_month_may_stand_for_it(tmp_path):
    head = [*HEAD[:11], "6M date", "6M"]
    day = datetime.date(2022, 9, 20)
    rows = [[*_row(n)[:11], day if n != 3 else None, 60.0] for n in range(1, 6)]
    assert "measurements.month: 1 row has no date, at row 4" in _stop(tmp_path, head, rows)
    plan = tmp_path / "m.toml"
    text = answered(mapping.propose(tmp_path / "s.xlsx"), undated_counts="planned month")
    plan.write_text(text, encoding="utf-8")
    counts = mapping.mapped(tmp_path / "s.xlsx", plan)[0]["measurements"]
    assert counts.loc[counts["patient_id"].eq("P03") & counts["month"].gt(0), "month"].tolist() == [6.0]


def test_all_that_is_wrong_in_a_mapping_file_is_said_at_once(tmp_path):
    text = mapping.propose(DATA / "register_b.xlsx").replace("decimal =", "decimla =")
    text = text.replace('to = "sessions.date"', 'to = "sessions.dates"')
    text = text.replace('to = "measurements.density_hairs_cm2"', "to = []")
    (tmp_path / "m.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ParameterError) as wrong:
        mapping_plan.read_plan(tmp_path / "m.toml")
    said = str(wrong.value)
    assert "decimla: no such key; did you mean 'decimal'?" in said
    assert "column D: no such target; did you mean 'sessions.date'?" in said
    assert ": no such target\n" in said
    assert "joining.same_operation: still a question" in said


def test_hairs_come_from_grafts_and_hairs_per_graft(tmp_path):
    """250 grafts of 2.1 hairs are 525 hairs."""
    head = [
        "Patient ID",
        "Op date",
        "Method",
        "Surgeon",
        "Zone",
        "Area",
        "Grafts",
        "Hairs per graft",
        "before",
    ]
    rows = [
        [f"P{n}", datetime.date(2022, 3, n), "FUE", "S1", "crown", 40.0, 250, 2.1, 20.0] for n in (1, 2, 3)
    ]
    book = openpyxl.Workbook()
    for row in [head, *rows]:
        book.active.append(row)
    book.save(tmp_path / "s.xlsx")
    (tmp_path / "m.toml").write_text(answered(mapping.propose(tmp_path / "s.xlsx")), encoding="utf-8")
    assert (
        mapping.mapped(tmp_path / "s.xlsx", tmp_path / "m.toml")[0]["placements"]["hairs"].tolist()
        == [525.0] * 3
    )


def test_a_query_that_is_not_reading_is_refused(tmp_path):
    path = files.sqlite_database(tmp_path)
    for query in ("delete from t_count", "select 1; drop table t_count", "update t_count set zone = 1"):
        with pytest.raises(AnalyticsError, match="no reading queries"):
            mapping.propose(path, queries={"t_count": query})
    assert "t_count" in mapping.propose(
        path, queries={"t_count": "select * from t_count", "t_plant": "select * from t_plant"}
    )


def _as_ods(source: Path, target: Path) -> Path:
    """Write the first sheet of a workbook as an OpenDocument file, by pandas and odfpy."""
    frame = pd.read_excel(source, header=None, dtype=object)
    frame.to_excel(target, engine="odf", index=False, header=False)
    return target


def _as_xls(source: Path, target: Path) -> Path:
    """Write the first sheet of a workbook as an old workbook, by xlwt, its days as stored days."""
    book, day = xlwt.Workbook(), xlwt.easyxf(num_format_str="DD/MM/YYYY")
    sheet = book.add_sheet("one")
    for row in openpyxl.load_workbook(source).worksheets[0].iter_rows():
        for cell in row:
            if cell.value is not None:
                style = day if isinstance(cell.value, datetime.date) else xlwt.Style.default_style
                sheet.write(cell.row - 1, cell.column - 1, cell.value, style)
    book.save(target)
    return target


@pytest.mark.parametrize("form", ["ods", "xls"])
@pytest.mark.parametrize("build", [files.day_numbers, files.beside], ids=lambda b: b.__name__)
def test_other_forms_of_a_workbook_give_what_the_xlsx_gives(build, form, tmp_path):
    """The same sheet through other libraries: the same cells placed, and the tidy twin at the end."""
    source = build(tmp_path)
    same = {"ods": _as_ods, "xls": _as_xls}[form](source, tmp_path / f"same.{form}")
    answers, cells, twin_of = next((a, c, t) for b, a, c, t in MESSY if b is build)
    text = answered(mapping.propose(same), **answers)
    if build is files.day_numbers:
        text = text.replace('to = "patients.patient_id"', 'to = "patients.patient_id"\n  width = 4')
    (tmp_path / "m.toml").write_text(text, encoding="utf-8")
    balance = mapping.apply(same, tmp_path / "m.toml", tmp_path / "out")
    _is_the_twin(tmp_path / "out", **twin_of)
    assert _cells(balance) == cells
