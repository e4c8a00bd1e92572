"""The register as of a month, of some patients, written out again; and the workbook to fill in."""

import stat

import numpy as np
import openpyxl
import pandas as pd
import pytest
from records_small import save, small

from analytics import records
from analytics.dictionary.tables import TABLES
from analytics.errors import ParameterError


@pytest.fixture(scope="module")
def clean(tmp_path_factory):
    return records.load(save(small(), tmp_path_factory.mktemp("clean")))


def test_later_sessions_and_all_that_hangs_on_them_are_not_known_yet(clean):
    """Register month 18 lies before the second session (19); its baseline and its crown are unknown then."""
    assert "0001-2" in records.as_of(clean, 19).sessions["session_id"].tolist()
    early = records.as_of(clean, 18)
    assert early.sessions["session_id"].tolist() == ["0001-1", "0002-1", "0003-1"]
    assert "P3" not in early.placements["placement_id"].tolist()
    assert "0001-2" not in early.measurements["session_id"].tolist()
    assert "0001-2" not in early.visits["session_id"].tolist()


def test_counts_lie_in_the_month_of_their_session_plus_their_own(clean):
    """Session 0001-1 is of month 3: its counts at 6.1, 12.3 and 28.2 lie in months 9.1, 15.3 and 31.2."""
    early = records.as_of(clean, 18)
    own = early.measurements[early.measurements["session_id"] == "0001-1"]
    assert own["month"].tolist() == [-0.5, 6.1, 6.1, 12.3, 12.3]
    by_15 = records.as_of(clean, 15).measurements
    assert by_15.loc[by_15["session_id"] == "0001-1", "month"].tolist() == [-0.5, 6.1, 6.1]


def test_what_ends_later_has_not_ended_yet(clean):
    """The first course stops in month 10; the folliculitis of month 3 + 1.1 is resolved at 3 + 1.6."""
    assert records.as_of(clean, 18).therapies["stop_register_month"].tolist()[0] == 10
    assert np.isnan(records.as_of(clean, 9).therapies["stop_register_month"].iloc[0])
    assert records.as_of(clean, 4.3).events["resolved_month"].isna().all()
    assert records.as_of(clean, 5).events["resolved_month"].tolist() == [1.6]


def test_a_zone_planted_later_is_not_yet_planted(clean):
    kinds = records.as_of(clean, 18).measurements.set_index("zone")["region_kind"]
    assert kinds["hairline"].eq("planted").all()
    assert records.as_of(clean, 18).measurements.query("patient_id == '0001' and zone == 'crown'")[
        "region_kind"
    ].tolist() == ["unplanted"]


def test_only_patients_operated_on_by_then_are_known(clean):
    early = records.as_of(clean, 4)
    assert early.patients["patient_id"].tolist() == ["0001"]
    assert early.therapies["patient_id"].tolist() == ["0001"]


def test_the_whole_register_is_known_at_its_end(clean):
    late = records.as_of(clean, 100)
    for name in TABLES:
        pd.testing.assert_frame_equal(getattr(late, name), getattr(clean, name))


def test_a_month_before_the_first_session_is_refused(clean):
    with pytest.raises(ParameterError, match="sessions lie in months 3 to 19"):
        records.as_of(clean, 2)


def test_a_subset_keeps_all_of_its_patients_and_nothing_of_others(clean):
    part = records.subset(clean, ["0002"])
    assert part.patients["patient_id"].tolist() == ["0002"]
    assert part.placements["placement_id"].tolist() == ["P4"]
    assert len(part.measurements) == 5
    assert part.therapies.empty
    assert part.ratings["session_id"].tolist() == ["0002-1"]


def test_an_unknown_patient_is_refused_without_the_name(clean):
    with pytest.raises(ParameterError) as refused:
        records.subset(clean, ["0002", "Someone"])
    assert "1 of 2 patients are not in the records" in str(refused.value)
    assert "Someone" not in str(refused.value)


@pytest.mark.parametrize("view", [lambda r: records.as_of(r, 18), lambda r: records.subset(r, ["0001"])])
def test_a_view_tells_of_the_rows_it_leaves_out(view, clean):
    balance = view(clean).balance
    assert (balance["read"] == balance["used"] + balance["left_out"]).all()
    assert balance["used"].tolist() == [len(getattr(view(clean), name)) for name in TABLES]
    assert (balance.loc[balance["left_out"] > 0, "reason"] != "").all()


def test_files_are_written_for_their_owner_alone(clean, tmp_path):
    records.write(clean, tmp_path / "folder")
    place = records.write(clean, tmp_path / "r.xlsx", kind="xlsx")
    for path in [place, *(tmp_path / "folder").iterdir()]:
        assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_an_unknown_form_is_refused(clean, tmp_path):
    with pytest.raises(ParameterError, match="use one of csv, xlsx, parquet, duckdb"):
        records.write(clean, tmp_path, kind="pickle")


def test_a_number_of_seventeen_digits_survives_a_workbook(clean, tmp_path):
    """0.1 + 0.2 is 0.30000000000000004 in binary floating point; 16 digits would make it 0.3."""
    from dataclasses import replace

    odd = replace(
        clean, measurements=clean.measurements.assign(density_hairs_cm2=50 + 0.1 + 0.2, density_fu_cm2=np.nan)
    )
    records.write(odd, tmp_path / "r.xlsx", kind="xlsx")
    read = records.load(tmp_path / "r.xlsx")
    assert (read.measurements["density_hairs_cm2"] == 50 + 0.1 + 0.2).all()


@pytest.fixture(scope="module")
def empty_workbook(tmp_path_factory):
    return records.template(tmp_path_factory.mktemp("template") / "register.xlsx")


def test_the_workbook_has_a_sheet_a_table_and_one_that_explains(empty_workbook):
    book = openpyxl.load_workbook(empty_workbook)
    assert book.sheetnames[0] == "read me"
    assert set(TABLES) <= set(book.sheetnames)
    for name, table in TABLES.items():
        assert [c.value for c in book[name][1]] == [c.name for c in table.asked()]


def test_every_header_has_a_note_with_meaning_and_unit(empty_workbook):
    book = openpyxl.load_workbook(empty_workbook)
    for name, table in TABLES.items():
        for cell, column in zip(book[name][1], table.asked(), strict=True):
            assert column.meaning in cell.comment.text
            assert not column.unit or f"unit: {column.unit}" in cell.comment.text


def test_every_allowed_word_can_be_chosen_and_numbers_are_held_to_their_limits(empty_workbook):
    book = openpyxl.load_workbook(empty_workbook)
    for name, table in TABLES.items():
        rules = {str(v.sqref).split(":")[0]: v for v in book[name].data_validations.dataValidation}
        for i, column in enumerate(table.asked(), start=1):
            rule = rules.get(f"{openpyxl.utils.get_column_letter(i)}2")
            if column.allowed:
                assert _choices(book, rule) == list(column.allowed)
            elif column.kind == "yesno":
                assert _choices(book, rule) == ["yes", "no"]
            elif column.kind in ("number", "integer"):
                assert (float(rule.formula1), float(rule.formula2)) == (column.low, column.high)
            else:
                assert rule is None


def _choices(book, rule):
    if rule.formula1.startswith('"'):
        return rule.formula1.strip('"').split(",")
    sheet, _, cells = rule.formula1.replace("'", "").partition("!")
    return [row[0].value for row in book[sheet][cells.replace("$", "")]]


def test_a_filled_workbook_loads_to_the_same_records(empty_workbook, clean, tmp_path):
    book = openpyxl.load_workbook(empty_workbook)
    for name, rows in small().items():
        header = [c.value for c in book[name][1]]
        for i, row in enumerate(rows, start=2):
            for key, cell in row.items():
                kind = TABLES[name].column(key).kind
                value = float(cell) if cell and kind in ("number", "integer") else cell or None
                book[name].cell(i, header.index(key) + 1).value = value
    book.save(tmp_path / "filled.xlsx")
    filled = records.load(tmp_path / "filled.xlsx")
    assert filled.warnings == ()
    for name in TABLES:
        pd.testing.assert_frame_equal(getattr(filled, name), getattr(clean, name))


def test_an_empty_workbook_says_which_tables_have_no_rows(empty_workbook):
    found = records.check(empty_workbook)
    assert [(p.table, p.code) for p in found.problems] == [
        (name, "no_rows") for name in ("patients", "sessions", "placements", "measurements")
    ]
