"""From files to records: types, defaults, forms, encodings, and what is refused."""

import contextlib
import datetime
import hashlib
import sqlite3
from pathlib import Path

import duckdb
import numpy as np
import openpyxl
import pandas as pd
import pyarrow as pa
import pytest
from records_small import TEXT, as_csv, put, save, small, without_column

from analytics import records
from analytics.dictionary.tables import TABLES
from analytics.errors import RecordError

REGISTER_PART = Path(__file__).parent / "reference" / "register_part"


def assert_same(one, two):
    """Fail where two records differ in any table."""
    for name in TABLES:
        pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name))


@pytest.fixture(scope="module")
def clean(tmp_path_factory):
    return records.load(save(small(), tmp_path_factory.mktemp("clean")))


def test_codes_keep_their_leading_zeros(clean):
    assert clean.patients["patient_id"].tolist() == ["0001", "0002", "0003"]
    assert clean.placements["patient_id"].tolist() == ["0001", "0001", "0001", "0002", "0003", "0003"]


def test_every_column_of_the_dictionary_is_there_with_its_type(clean):
    for name, table in TABLES.items():
        frame = getattr(clean, name)
        assert list(frame.columns) == table.names()
        assert [str(t) for t in frame.dtypes] == [c.dtype for c in table.columns]


def test_hairs_and_grafts_are_counted_from_the_sizes_or_taken_as_given(clean):
    """P1: 300 + 300 + 100 = 700 grafts, 300 + 2 x 300 + 3 x 100 = 1,200 hairs; P4 gives 800, 1,600."""
    placed = clean.placements.set_index("placement_id")
    assert placed.loc["P1", ["grafts", "hairs"]].tolist() == [700, 1200.0]
    assert placed.loc["P4", ["grafts", "hairs"]].tolist() == [800, 1600.0]
    assert np.isnan(placed.loc["P4", "grafts_1"])


def test_a_placement_takes_from_its_session_what_it_does_not_say_itself(clean):
    placed = clean.placements.set_index("placement_id")
    assert placed.loc["P4", ["method", "holding_medium", "planted_by"]].tolist() == ["FUE", "buffered", "S2"]
    assert placed.loc["P5", "method"] == "FUE"
    assert placed.loc["P5", "out_of_body_min"] == 200.0
    assert (clean.placements["recipient"] == "native").all()


def test_months_of_a_patient_count_from_the_first_session(clean):
    """Patient 0001 was operated on in register months 3 and 19: 0 and 16."""
    assert clean.sessions["patient_month"].tolist() == [0.0, 16.0, 0.0, 0.0]


def test_empty_cells_are_missing_and_nothing_else_is(clean):
    assert clean.sessions["attempts"].isna().tolist() == [True, False, False, False]
    assert clean.visits.loc[7, "photographs_standard"] is pd.NA
    assert clean.ratings.loc[1, "would_choose_again"] is pd.NA


def test_yes_and_no_are_read_in_every_common_spelling(tmp_path):
    register = small()
    for row, (smoker, diabetes) in enumerate([("True", "FALSE"), ("1", "0"), ("YES", "No")], start=2):
        register = put(register, "patients", row, smoker=smoker, diabetes=diabetes)
    read = records.load(save(register, tmp_path))
    assert read.patients["smoker"].tolist() == [True, True, True]
    assert read.patients["diabetes"].tolist() == [False, False, False]


def test_a_known_word_is_read_whatever_its_capitals_and_spaces(tmp_path):
    register = put(small(), "placements", 2, zone=" Hairline\u00a0")
    register = put(register, "sessions", 4, method="fue")
    read = records.load(save(register, tmp_path))
    assert read.placements.loc[0, "zone"] == "hairline"
    assert read.sessions.loc[2, "method"] == "FUE"


def test_a_plain_register_needs_only_the_plain_columns(tmp_path):
    register = small()
    for name in ("visits", "therapies", "events", "ratings", "grades"):
        del register[name]
    register["placements"] = [r for r in register["placements"] if r["placement_id"] in ("P1", "P2", "P3")]
    register = {k: [r for r in v if r.get("patient_id", "0001") == "0001"] for k, v in register.items()}
    register["sessions"] = register["sessions"][:2]
    for name, columns in {
        "patients": ["loss_scale"],
        "sessions": ["harvest_technique"],
        "placements": ["site", "grafts", "hairs", "method"],
        "measurements": ["region_id", "region_kind", "density_fu_cm2"],
    }.items():
        for column in columns:
            register = without_column(register, name, column)
    read = records.load(save(register, tmp_path))
    assert [p.code for p in read.warnings] == ["visits_derived"]
    assert (read.measurements["region_kind"] == "planted").all()
    assert (read.measurements["region_id"] == read.measurements["zone"]).all()
    assert read.therapies.empty
    assert read.therapies["start_register_month"].dtype == "int64"


def test_an_empty_optional_table_is_an_absent_one(tmp_path):
    """Else an empty sheet of the template would say that nobody came, and that no count has a visit."""
    register, without = small(), small()
    for name in ("visits", "therapies", "events", "ratings", "grades"):
        register[name] = []
        del without[name]
    emptied = records.load(save(register, tmp_path / "emptied"))
    absent = records.load(save(without, tmp_path / "absent"))
    assert [p.code for p in emptied.warnings] == [p.code for p in absent.warnings]
    assert len(emptied.visits) == 10
    pd.testing.assert_frame_equal(emptied.visits, absent.visits)


def test_a_register_of_graded_photographs_needs_no_count(tmp_path):
    register = small()
    del register["measurements"]
    read = records.load(save(register, tmp_path))
    assert read.measurements.empty
    assert len(read.grades) == 3
    assert "no_counts" in {p.code for p in read.warnings}


def test_visits_are_derived_where_the_table_is_absent(tmp_path):
    """The 15 counts lie at 10 different visits; one was not photographed under standard conditions."""
    register = small()
    del register["visits"]
    read = records.load(save(register, tmp_path))
    assert len(read.visits) == 10
    assert read.visits["photographs_standard"].eq(False).sum() == 1
    assert read.visits["complications_asked"].isna().all()
    assert read.balance.set_index("table").loc["visits", "read"] == 0


def test_each_source_is_named_with_the_hash_of_its_bytes(tmp_path):
    read = records.load(save(small(), tmp_path))
    for row in read.sources.itertuples():
        assert row.sha256 == hashlib.sha256((tmp_path / row.file).read_bytes()).hexdigest()
    assert set(read.sources["table"]) == set(TABLES)


def test_a_received_register_loads_unchanged_with_warnings_only():
    """Forty patients of a register made by other hands: zeros in front, FUT without attempts, no visits."""
    read = records.load(REGISTER_PART)
    assert len(read.patients) == 40
    assert read.patients["patient_id"].str.len().eq(4).all()
    assert read.sessions.loc[read.sessions["method"] == "FUT", "attempts"].isna().all()
    assert {p.code for p in read.warnings} <= {"unusual", "class_not_of_assumed_scale", "visits_derived"}
    assert (read.balance["read"] == read.balance["used"] + read.balance["left_out"]).all()


@pytest.mark.parametrize("kind", ["csv", "xlsx", "parquet", "duckdb"])
def test_every_form_gives_the_same_records(kind, clean, tmp_path):
    place = tmp_path / f"register.{kind}" if kind in ("xlsx", "duckdb") else tmp_path
    assert_same(records.load(records.write(clean, place, kind=kind)), clean)


def test_a_workbook_typed_by_hand_gives_the_same_records(clean, tmp_path):
    """Codes as text, numbers as numbers, answers as TRUE and FALSE, as a person's spreadsheet stores them."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in small().items():
        sheet = book.create_sheet(name.capitalize())
        sheet.append(list(rows[0]))
        for row in rows:
            sheet.append([_as_stored(name, key, cell) for key, cell in row.items()])
    book.save(tmp_path / "register.xlsx")
    assert_same(records.load(tmp_path / "register.xlsx"), clean)


def _as_stored(table, name, cell):
    kind = TABLES[table].column(name).kind
    if cell == "":
        return None
    if kind == "yesno":
        return cell == "yes"
    return float(cell) if kind in ("number", "integer") else cell


def test_a_sqlite_database_gives_the_same_records_by_file_and_by_url(clean, tmp_path):
    place = tmp_path / "register.db"
    with sqlite3.connect(place) as store:
        for name, rows in small().items():
            pd.DataFrame(rows).to_sql(name, store, index=False)
    store.close()
    assert_same(records.load(place), clean)
    assert_same(records.load(f"sqlite:///{place}"), clean)


def test_a_database_that_cannot_be_read_is_refused_without_its_address(tmp_path):
    with pytest.raises(RecordError) as refused:
        records.load(f"sqlite:///{tmp_path}/secret/absent.db")
    assert "secret" not in str(refused.value)


def test_typed_parquet_gives_the_same_records_as_text(clean, tmp_path):
    for name, rows in small().items():
        frame = pd.DataFrame(rows).replace("", None)
        kinds = {c.name: c.kind for c in TABLES[name].asked()}
        for column in frame:
            if kinds[column] in ("number", "integer"):
                frame[column] = frame[column].astype(float)
            if kinds[column] == "yesno":
                frame[column] = frame[column].map({"yes": True, "no": False}).astype("boolean")
            if kinds[column] == "choice":
                frame[column] = frame[column].astype("category")
        frame.to_parquet(tmp_path / f"{name}.parquet")
    assert_same(records.load(tmp_path), clean)


@pytest.mark.parametrize(
    ("encoding", "separator"),
    [("utf-8", ";"), ("utf-8", "\t"), ("utf-8-sig", ","), ("utf-16", "\t"), ("utf-16", ";"), ("utf-32", ",")],
)
def test_encodings_and_separators_are_found_out(encoding, separator, clean, tmp_path):
    for name, rows in small().items():
        text = as_csv(rows, name).replace(",", separator).replace("\n", "\r\n")
        (tmp_path / f"{name}.csv").write_bytes(text.encode(encoding))
    assert_same(records.load(tmp_path), clean)


@pytest.mark.parametrize("line_end", ["\r\n", "\r"])
def test_any_line_end_gives_the_same_records(line_end, clean, tmp_path):
    for name, rows in small().items():
        (tmp_path / f"{name}.csv").write_bytes(as_csv(rows, name).replace("\n", line_end).encode())
    assert_same(records.load(tmp_path), clean)


def test_a_stray_line_end_in_the_header_is_refused_in_words(tmp_path):
    save(small(), tmp_path)
    text = (tmp_path / "sessions.csv").read_text().replace("method,", "method\r,", 1)
    (tmp_path / "sessions.csv").write_bytes(text.encode())
    assert "absent_column" in {p.code for p in records.check(tmp_path).problems}


def test_windows_1252_is_read_with_a_warning(tmp_path):
    save(put(small(), "sessions", 2, team_id="Équipe"), tmp_path)
    text = (tmp_path / "sessions.csv").read_text(encoding="utf-8")
    (tmp_path / "sessions.csv").write_bytes(text.encode("cp1252"))
    found = records.check(tmp_path)
    assert [p.code for p in found.warnings] == ["not_utf8"]
    # The letter was read: as a code of other letters it is refused, and nothing else is.
    assert [(p.column, p.code) for p in found.problems] == [("team_id", "not_a_code")]


def test_quoted_cells_gaps_and_trailing_rows_give_the_same_records(clean, tmp_path):
    for name, rows in small().items():
        lines = as_csv(rows, name).splitlines()
        quoted = [",".join(f'"{cell}"' for cell in line.split(",")) for line in lines]
        (tmp_path / f"{name}.csv").write_text("\n".join([*quoted, "," * lines[0].count(","), "", ""]))
    read = records.load(tmp_path)
    assert_same(read, clean)
    assert (read.balance["left_out"] == 0).all(), "empty rows at the end are no rows"


def test_a_row_with_a_cell_too_many_is_named(tmp_path):
    text = TEXT["events"].strip().replace("mild,yes,1.6", "mild,yes,1.6,extra")
    save(small(), tmp_path)
    (tmp_path / "events.csv").write_text(text)
    assert [(p.code, p.row) for p in records.check(tmp_path).problems] == [("ragged", 2)]


def test_a_table_that_does_not_begin_in_row_1_is_refused_once(tmp_path):
    save(small(), tmp_path)
    (tmp_path / "events.csv").write_text("\n" + TEXT["events"].strip())
    assert [(p.table, p.code) for p in records.check(tmp_path).problems] == [("events", "no_header")]
    (tmp_path / "events.csv").write_text("Complications of the year,,\n" + TEXT["events"].strip())
    assert [(p.table, p.code) for p in records.check(tmp_path).problems][-1] == ("events", "no_header")


def test_a_sheet_that_stands_twice_is_refused(clean, tmp_path):
    records.write(clean, tmp_path / "r.xlsx", kind="xlsx")
    book = openpyxl.load_workbook(tmp_path / "r.xlsx")
    book.create_sheet("Events ").append(["session_id"])
    book.save(tmp_path / "r.xlsx")
    assert [(p.table, p.code) for p in records.check(tmp_path / "r.xlsx").problems] == [
        ("events", "table_twice")
    ]


def test_an_open_quotation_mark_is_refused(tmp_path):
    save(small(), tmp_path)
    (tmp_path / "events.csv").write_text(TEXT["events"].strip().replace("mild", '"mild'))
    with pytest.raises(
        RecordError, match=r"events\.csv: the cells cannot be told apart; a quotation mark opens"
    ):
        records.load(tmp_path)


@pytest.mark.parametrize(
    ("name", "content"), [("a.csv", b"x,y"), ("b.txt", b"\x00\x01"), ("c.xls", b"\xd0\xcf\x11\xe0")]
)
def test_a_single_file_that_is_no_register_is_refused_with_what_to_give(name, content, tmp_path):
    (tmp_path / name).write_bytes(content)
    with pytest.raises(RecordError, match="give a folder of CSV or Parquet files"):
        records.load(tmp_path / name)


FORMS = ("csv", "parquet", "xlsx", "duckdb", "sqlite", "url")


def _stored(register, form, folder):
    """Write a register in a form by that form's own library; return what is loaded."""
    frames = {name: pd.DataFrame(rows).replace("", None) for name, rows in register.items()}
    place = folder / f"register.{form}"
    if form == "xlsx":
        with pd.ExcelWriter(place, engine="openpyxl") as book:
            for name, frame in frames.items():
                frame.to_excel(book, sheet_name=name, index=False)
    elif form == "duckdb":
        with duckdb.connect(str(place)) as store:
            for name, frame in frames.items():
                store.register("given", pa.Table.from_pandas(frame, preserve_index=False))
                store.execute(f'create table "{name}" as select * from given')
    elif form in ("sqlite", "url"):
        with contextlib.closing(sqlite3.connect(place)) as store:
            for name, frame in frames.items():
                frame.to_sql(name, store, index=False)
            store.commit()
        return place if form == "sqlite" else f"sqlite:///{place}"
    else:
        for name, frame in frames.items():
            write = frame.to_csv if form == "csv" else frame.to_parquet
            write(folder / f"{name}.{form}", index=False)
        return folder
    return place


def _renamed(register, table, old, new):
    rows = [{(new if k == old else k): v for k, v in row.items()} for row in register[table]]
    return {**register, table: rows}


@pytest.mark.parametrize("form", FORMS)
def test_a_damaged_name_of_an_optional_column_stops_the_load_in_every_form(form, tmp_path):
    """Its cells would else vanish, and the default of the column stand for them."""
    assert records.check(_stored(small(), form, tmp_path)).is_usable
    for table, old, new in (
        ("measurements", "density_fu_cm2", "densty_fu_cm2"),
        ("sessions", "harvest_technique", "0x1F"),
        ("placements", "method", " "),
    ):
        place = tmp_path / new.strip() / table
        place.mkdir(parents=True)
        found = records.check(_stored(_renamed(small(), table, old, new), form, place)).problems
        assert {p.table for p in found} == {table}
        assert {p.code for p in found} <= {"unknown_column", "ragged"}  # no name at the end: cells beyond


@pytest.mark.parametrize("form", FORMS)
def test_a_damaged_name_of_an_optional_table_stops_the_load_in_every_form(form, tmp_path):
    register = small()
    register["therapie"] = register.pop("therapies")
    (problem,) = records.check(_stored(register, form, tmp_path)).problems
    assert problem.code == "nearly_a_table"
    assert "named nearly like therapies" in problem.sentence()


def test_an_unknown_column_is_let_through_by_name_with_its_reason(tmp_path):
    register = {**small(), "events": [{**x, "room": "2"} for x in small()["events"]]}
    save(register, tmp_path)
    assert [p.column for p in records.check(tmp_path).problems] == ["room"]
    (tmp_path / "privacy.toml").write_text('[allow]\n"events.room" = "our own room numbers, not needed"\n')
    assert "our own room numbers" in records.load(tmp_path).warnings[0].sentence()


def test_files_that_are_no_table_are_named_and_a_table_in_two_forms_is_refused(clean, tmp_path):
    save(small(), tmp_path)
    (tmp_path / "measurements_old.csv").write_text("a,b\n1,2\n")
    assert [p.code for p in records.load(tmp_path).warnings] == ["not_loaded"]
    clean.events.to_parquet(tmp_path / "events.parquet")
    assert [p.code for p in records.check(tmp_path).problems] == ["table_twice"]


def test_errors_and_uncalculated_formulas_of_a_workbook_are_not_read_as_missing(clean, tmp_path):
    """openpyxl stores a formula without its value; calamine would show it, and #REF!, as an empty cell."""
    records.write(clean, tmp_path / "r.xlsx", kind="xlsx")
    book = openpyxl.load_workbook(tmp_path / "r.xlsx")
    sheet = book["sessions"]
    column = [c.value for c in sheet[1]].index("out_of_body_min") + 1
    sheet.cell(3, column).value = "=60*2.5"
    sheet.cell(5, column).value = "#REF!"
    sheet.cell(5, column).data_type = "e"
    book.save(tmp_path / "r.xlsx")
    found = records.check(tmp_path / "r.xlsx").problems
    assert [(p.table, p.column, p.count, p.row, p.code) for p in found] == [
        ("sessions", "out_of_body_min", 2, 3, "not_a_number")
    ]


def test_the_stored_value_of_a_formula_is_read(clean, tmp_path):
    import xlsxwriter

    records.write(clean, tmp_path / "r.xlsx", kind="xlsx")
    with xlsxwriter.Workbook(tmp_path / "f.xlsx") as book:
        for name in TABLES:
            sheet = book.add_worksheet(name)
            frame = pd.read_excel(tmp_path / "r.xlsx", sheet_name=name, dtype=str, keep_default_na=False)
            for j, column in enumerate(frame.columns):
                sheet.write_string(0, j, column)
                for i, cell in enumerate(frame[column], start=1):
                    if (name, column, i) == ("measurements", "density_hairs_cm2", 2):
                        sheet.write_formula(i, j, "=90/2", None, 45)
                    elif cell:
                        sheet.write_string(i, j, cell)
    assert_same(records.load(tmp_path / "f.xlsx"), clean)


def test_a_date_where_a_number_belongs_is_refused(clean, tmp_path):
    records.write(clean, tmp_path / "r.xlsx", kind="xlsx")
    book = openpyxl.load_workbook(tmp_path / "r.xlsx")
    book["ratings"].cell(2, 2).value = datetime.date(2024, 5, 4)
    book.save(tmp_path / "r.xlsx")
    codes = {(p.column, p.row, p.code) for p in records.check(tmp_path / "r.xlsx").problems}
    assert ("month", 2, "not_a_number") in codes
