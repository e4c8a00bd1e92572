"""A table says number, interval, n and why one is missing."""

import re

import numpy as np
import pandas as pd
import pytest

from analytics.pages import tables
from analytics.results import Result

USED = pd.DataFrame({"patient_id": ["p1"], "reason": [""]})


def _result(**columns) -> Result:
    frame = pd.DataFrame(
        {
            "zone": ["frontal", "crown"],
            "term": "yield_at_maturity",
            "estimate": [89.3, np.nan],
            "se": [1.5, np.nan],
            "ci_low": [86.3, np.nan],
            "ci_high": [92.2, np.nan],
            "level": 0.95,
            "unit": "%",
            "n_patients": [1204, 3],
            "flag": ["", "fewer than 5 patients"],
            **columns,
        }
    )
    return Result(frame, USED, "given", by=("zone",), notes=("one reading a placement",))


def test_a_result_is_read_as_estimate_interval_and_patients():
    frame, notes = tables.of_result(_result())
    assert list(frame.columns) == ["Zone", "Estimate (percent)", "95\u202f% interval", "Patients"]
    assert list(frame.iloc[0]) == ["Frontal", "89", "86 to 92", "1,204"]
    assert notes == ()


def test_a_missing_number_is_said_by_its_short_reason():
    frame, _ = tables.of_result(_result())
    assert list(frame.iloc[1]) == ["Crown", "fewer than 5 patients", "", "3"]


def test_what_a_flag_says_of_a_number_is_a_footnote_with_a_raised_letter():
    long = "the readings do not reach the month at which nine tenths have grown"
    frame, notes = tables.of_result(_result(flag=["singular fit", long]))
    assert list(frame["Estimate (percent)"]) == ["89ᵃ", "not availableᵇ"]
    assert notes == ("ᵃ Singular fit.", f"ᵇ T{long[1:]}.")


def test_rows_of_one_group_stand_under_its_name():
    result = _result(zone=["crown", "crown"], term=["plateau_yield", "half_month"], unit=["%", "months"])
    html = tables.show(result, table_id="t1")
    assert html.count("gt_group_heading") >= 1
    assert html.count(">Crown<") == 1
    assert re.findall(r'scope="row"[^>]*>([^<]+)<', html) == ["Final yield", "Time to half of final growth"]


def test_two_units_stand_behind_each_number():
    result = _result(
        zone=["a", "b"], estimate=[-8.0, 1.93], se=[2.9, 0.03], unit=["points", "ratio"], flag=""
    )
    frame, _ = tables.of_result(result)
    assert list(frame["Estimate"]) == ["−8 points", "1.93"]


def test_a_p_value_below_a_thousandth_is_said_so():
    frame, _ = tables.of_result(_result(p_value=[0.0000004, 0.0412]))
    assert list(frame["p"]) == ["below 0.001", "0.041"]


def test_the_html_has_heads_for_columns_and_rows_a_caption_and_no_style_of_its_own():
    html = tables.show(_result(), table_id="t1", title="Yield & zone")
    assert html.count('scope="col"') == 4
    assert html.count('scope="row"') == 2
    assert "<caption>Yield &amp; zone</caption>" in html
    assert "<style" not in html
    assert "One reading a planted zone." in html


def test_inner_ids_carry_the_table_id_so_that_two_tables_share_none():
    ids = [set(_ids(tables.show(_result(), table_id=name))) for name in ("t1", "t2")]
    assert ids[0]
    assert not ids[0] & ids[1]


def _ids(html: str) -> list[str]:
    return re.findall(r'\bid="([^"]+)"', html)


def test_the_same_table_is_the_same_bytes():
    assert tables.show(_result(), table_id="t1") == tables.show(_result(), table_id="t1")


def test_text_from_records_is_never_markup():
    frame = pd.DataFrame({"holding_medium": ["<b>saline</b>"], "n": [3]})
    assert "<b>saline" not in tables.show(frame, title="<i>x</i>", notes=("<u>y</u>",))


def test_a_long_frame_shows_fifty_rows_and_says_how_many_there_are():
    html = tables.show(pd.DataFrame({"case": [f"c{i}" for i in range(120)]}))
    assert html.count("<tr>") - html.count("<thead>") <= 52
    assert "The first 50 of 120 rows" in html


@pytest.mark.parametrize(
    ("value", "said"), [(True, "yes"), (None, "not available"), (3.0, "3"), (2.25, "2.2")]
)
def test_a_plain_cell_is_said_in_words(value, said):
    frame = tables.of_frame(pd.DataFrame({"a": [value, "x"]}), labels={}, places={})
    assert frame["A"].iloc[0] == said


def test_a_code_is_shown_as_it_was_handed_in():
    result = _result(zone=["s_1", "007"], flag="")
    coded = Result(result.estimates.rename(columns={"zone": "surgeon_id"}), USED, "given", by=("surgeon_id",))
    frame, _ = tables.of_result(coded)
    assert list(frame["Surgeon"]) == ["s_1", "007"]


def test_whole_numbers_without_an_error_are_shown_whole():
    result = _result(
        term="grafts", estimate=[1969.0, 12.0], se=np.nan, ci_low=np.nan, ci_high=np.nan, unit="FU"
    )
    frame, _ = tables.of_result(result)
    assert list(frame["Estimate (FU)"]) == ["1,969", "12ᵃ"]


def test_a_table_has_six_columns_at_most_and_the_rest_in_its_csv_file():
    """Read back by the standard library's csv, another reader than the writer."""
    import base64
    import csv
    import io

    frame = pd.DataFrame({f"column_{i}": [i, i + 1] for i in range(9)}).assign(note=["=2+3", "plain"])
    html = tables.show(frame, table_id="t1", title="Wide")
    assert html.count('scope="col"') == 6
    assert "Also in the CSV file: Column 6, Column 7, Column 8, Note." in html
    data = re.search(r'href="data:text/csv;charset=utf-8;base64,([^"]+)"', html).group(1)
    rows = list(csv.reader(io.StringIO(base64.b64decode(data).decode())))
    assert rows[0] == list(frame.columns)
    assert rows[1] == ["0", "1", "2", "3", "4", "5", "6", "7", "8", "'=2+3"], "no formula"


def test_words_in_a_column_that_is_mostly_empty_stand_left_as_words_do():
    listed = pd.DataFrame({"n_rows": [1, 2, 3, 4], "criterion": ["", "", "", "folliculitis"]})
    assert re.search(r'bottom_border gt_left" [^>]*>Criterion<', str(tables.show(listed)))
