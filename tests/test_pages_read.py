"""What a reader meets beside a number: its level, what its rows count, whose page it is, what is needed.

Expectations are worked by hand from the small frames given here.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from analytics import numbers, pages, results
from analytics.pages import blocks, case, conclusions, due, figures, sentences, tables
from analytics.pages.quarter import sentences as words_review
from analytics.pages.quarter.agenda import _decisions, _signals
from analytics.pages.quarter.board import quarter_before
from analytics.results import Result
from analytics.review import MISSED, WORSE_SIGNAL

THIN = "\u202f"


def _result(picture: str = "intervals", patients: tuple[str, ...] = ("p1", "p2"), **columns) -> Result:
    frame = pd.DataFrame(
        {
            "term": ["yield", "tempo"],
            "estimate": [2.0, 3.0],
            "se": 1.0,
            "ci_low": [0.0, 1.0],
            "ci_high": [4.0, 5.0],
            "level": 0.95,
            "unit": "points",
            "n_patients": 2,
            "n_rows": 3,
            **columns,
        }
    )
    used = pd.DataFrame({"patient_id": list(patients), "reason": ""})
    return Result(frame, used, "as given", picture=picture)


def test_a_caption_names_the_row_whose_interval_has_another_level():
    said = blocks._caption(_result(level=[0.95, 0.9]), "")
    assert said == f"Bars: 95{THIN}% intervals; 90{THIN}% for tempo."


@pytest.mark.parametrize("picture", ["power", "width", "ledger", "balance", "overlap", "cases"])
def test_a_picture_without_intervals_claims_none(picture):
    assert blocks._caption(_result(picture), "") == ""


def test_every_picture_with_its_own_words_for_bars_exists():
    assert set(figures.BARS) <= set(figures.PICTURES)


def test_a_method_is_headed_by_the_figures_and_tables_that_show_it():
    shown = [
        {"kind": "figure", "id": "f2", "name": "answer"},
        {"kind": "table", "id": "t1", "name": "answer"},
        {"kind": "table", "id": "t4", "name": "again"},
    ]
    named = {"answer": _result(), "again": _result(), "unseen_one": _result(picture="curve")}
    block = blocks.method_block(named, "internal", shown)
    assert "<dt>Figure 2; tables 1 and 4; unseen one</dt>" in block


def test_one_patient_is_not_patients_and_none_is_not_said():
    one = blocks._how(_result(patients=("p1",), n_rows=1), "internal")
    others = blocks._how(_result(patients=("p1",)), "internal")
    none = blocks._how(_result(patients=()), "internal")
    assert one == "As given. From 1 row of 1 patient."
    assert others == "As given.", "a line that rests on other rows than the result's own"
    assert none == "As given."


def test_rows_are_called_what_they_count():
    frame, _ = tables.of_result(_result(), rows_are="Placements")
    assert list(frame.columns)[-2:] == ["Patients", "Placements"]


def test_a_column_of_ones_is_left_out_on_the_page_of_one_patient_alone():
    of_one, _ = tables.of_result(_result(n_patients=1, patients=("p1",)))
    of_two, _ = tables.of_result(_result(n_patients=1))
    assert "Patients" not in of_one
    assert "Patients" in of_two


def test_a_result_is_shown_whole_and_a_code_is_not_set_as_a_number():
    long = pd.concat([_result().table()] * 40, ignore_index=True).assign(term=[f"t{i}" for i in range(80)])
    html = tables.show(Result(long, pd.DataFrame({"reason": []}), "as given"))
    assert html.count('scope="row"') == 80
    codes = pd.DataFrame({"month": [1, 2], "sessions": ["0108-1, 0109-2", "0110-1"], "n": [3, 4]})
    assert 'gt_left">0108-1' in tables.show(codes)


def test_months_stand_side_by_side_and_what_has_no_month_beside_them():
    frame = _result(term=["share reached", "share reached"], x=[6.0, 12.0], zone="crown", unit="%").estimates
    last = frame.iloc[:1].assign(term="median month", x=float("nan"), estimate=8.0, unit="months")
    frame = pd.concat([frame, last], ignore_index=True)
    text, _ = tables.of_result(Result(frame, pd.DataFrame({"reason": []}), "as given", by=("zone",)))
    wide, level = tables.side_by_side(text, "Month")
    assert list(wide["Quantity"]) == ["Planted zones that have reached it", "Median month"]
    assert list(wide["Month 12"]) == [f"3{THIN}% (1 to 5)", ""]
    assert list(wide["All months"]) == ["", "8 months (0 to 4)"]
    assert level == f"In brackets: 95{THIN}% interval"


def test_a_table_whose_months_are_all_withheld_is_shown_as_it_is():
    ratio = _result(zone="crown : front", term="time ratio", unit="ratio")
    assert "time ratio" in tables.show(ratio, across=True).lower()


def test_a_page_says_whose_it_is_to_the_clinic_alone():
    settings = {"patient": "0108", "as_of": "2026-03-31"}
    page = pages.Page("own", {**settings, "audience": "internal"}, None, "")
    assert pages.about(page) == "patient 0108 · as of 2026-03-31"
    assert "0108" not in pages.about(pages.Page("own", {**settings, "audience": "public"}, None, ""))


def test_a_declared_test_is_read_with_its_level_both_p_values_and_conclusion():
    frame = _result(level=[0.95, 0.9], p_value=[0.12, 0.007]).table()
    frame = frame.assign(role="secondary", analysis=["a", "b"], flag="")
    listed = pd.DataFrame(
        {
            "p_adjusted": [0.245, 0.02],
            "adjusted_by": "Holm",
            "conclusion": ["cannot tell", "equivalent"],
            "patients_needed": [550.0, np.nan],
        }
    )
    used = pd.DataFrame({"reason": []})
    result = Result(frame, used, "as given", by=("role", "analysis"), extra={"tests": listed})
    read = conclusions.declared_tests(result)
    assert list(read["estimate (interval)"]) == [
        f"2 points (95{THIN}%: 0 to 4)",
        f"3 points (90{THIN}%: 1 to 5)",
    ]
    assert list(read["p_value"]) == ["0.12", "0.007"]
    assert list(read["adjusted"]) == ["0.245", "0.020"]
    assert list(read["conclusion"]) == ["Cannot tell", "Equivalent"]
    assert list(read["patients_needed"]) == ["about 550", ""]


def test_a_call_back_list_has_units_and_limits():
    """The limits are those handed over: a failed placement's are not symmetric."""
    named = pd.DataFrame(
        {
            "patient_id": ["0108"], "zone": "hairline", "session_number": 1, "month": 17.6, "n_readings": 5,
            "yield_now": 24.0, "yield_low": 4.4, "yield_high": 43.6, "state": "low",
            "slow_only": 0.0, "low_only": 0.97, "both": 0.03,
        }
    )  # fmt: skip
    read = due.call_back_table(replace(_result(), extra={"behind": named}))
    assert read.filter(like="true_yield").iloc[0, 0] == f"24{THIN}% (4 to 44)"
    assert read["low_only"].iloc[0] == f"97{THIN}%"


def test_readings_of_a_month_stand_in_one_row():
    frame = _result(term=["reading", "centile of the reading"], unit="%", x=9.2, place="crown").estimates
    read = case.readings_table(Result(frame, pd.DataFrame({"reason": []}), "as given", by=("place",)))
    assert len(read) == 1
    assert list(read.iloc[0]) == ["crown", "9.2", f"2{THIN}% (0 to 4)", "3 (1 to 5)"]


def test_the_absent_are_said_by_all_that_could_have_become_of_them():
    """10 points less is a scenario and stands in the table alone."""
    frame = pd.DataFrame(
        {
            "term": ["as seen", "weighted for who was seen", "lower bound", "upper bound"],
            "estimate": [81.0, 80.0, 53.0, 87.0],
            "ci_low": [77.0, 76.0, None, None],
            "ci_high": [85.0, 84.0, None, None],
            "unit": "%",
            "basis": ["model", "model", "counts", "counts"],
        }
    )
    said = words_review.in_words(Result(frame, pd.DataFrame({"reason": []}), "as given"))
    assert "81" in said.partition(" in those seen")[0]
    assert f"53 to 87{numbers.THIN}% whatever became of the absent" in said


def test_several_answers_are_said_by_their_ends_and_by_how_many_intervals_hold_no_difference():
    rows = {"estimate": [1.2, 3.8, -6.0], "ci_low": [-2.0, -1.0, -9.0], "ci_high": [4.0, 8.0, -3.0]}
    said = conclusions.SAYS["missing"](pd.DataFrame({**rows, "unit": "points of yield"}))
    assert said.startswith(f"3 answers: {numbers.MINUS}6 to 4")
    assert said.endswith("; 2 of 3 intervals include 0.")
    ratios = {"estimate": [0.9, 1.1], "ci_low": [0.7, 0.8], "ci_high": [1.2, 1.4], "unit": "ratio"}
    assert conclusions.SAYS["missing"](pd.DataFrame(ratios)).endswith("every interval includes 1.")


def test_declared_tests_are_counted_by_what_they_found():
    flags = [
        "cannot tell: about 430 patients with an outcome would be needed to tell with 80 % power",
        "equivalent; interval of 95 %",
        "",
    ]
    frame = pd.DataFrame({"estimate": [1.0, 1.0, 2.0], "flag": flags})
    said = conclusions.SAYS["tests"](frame)
    assert said == "3 comparisons declared: 1 cannot be told, 1 equivalent and 1 without a verdict."


def test_a_difference_that_was_assumed_to_be_none_says_nothing():
    """One tempo for crown and front: rounding left an interval just under 0, said once as *earlier*."""
    row = pd.Series({"estimate": -1e-15, "ci_low": -2e-15, "ci_high": -1e-15})
    assert sentences._side(row) == "unsure"
    assert sentences._side(row.replace({-1e-15: -1.0, -2e-15: -2.0})) == "below"


SIGNALS = pd.DataFrame(
    [
        ("new", "worse", "chart", "Folliculitis", "", "a point outside the limits", 35, 12),
        ("new", "worse", "chart", "Discarded", "", "few crossings of the centre", 36, 12),
        ("new", "worse", "case by case", "Transected", "S2", "the rise began in month 36", 36, 12),
        ("known", "worse", "case by case", "Transected", "S2", "the rise began in month 22", 27, 9),
        ("known", "better", "chart", "Yield, front", "", "few crossings of the centre", 36, 11),
        ("cleared", "worse", "", "seen at month 3", "", "", None, 10),
    ],
    columns="status direction source name group rule register_month first_named_in".split(),
).assign(weight=4.0, n_units=9.0, is_of_mix=False, quarter=12)


@pytest.mark.parametrize(
    ("last", "expected"),
    [
        (11, {"New since the review of quarter 11": ["Folliculitis", "Discarded"],
              "Carried over from quarter 11": ["Transected, operator S2 (since quarter 9)",
                                               "Yield, front (since quarter 11)"],
              "Gone since": ["Seen at month 3"]}),
        (0, {"New this quarter": ["Folliculitis"],
             "There before this quarter": ["Transected, operator S2 (since quarter 9)",
                                           "Yield, front (since quarter 11)"],
             "Since when cannot be told": ["Discarded"]}),
    ],
)  # fmt: skip
def test_a_signal_is_new_carried_over_or_gone_and_a_first_review_says_what_it_cannot_know(last, expected):
    """A level that moved is seen over two years: a first review cannot say since when."""
    rows = SIGNALS if last else SIGNALS[SIGNALS["status"].ne("cleared")]
    about = pd.DataFrame([results.line("last review", float(last), "count", basis="model")])
    told = _signals(results.Result(about, pd.DataFrame(), "m", extra={"signals": rows}), [])
    assert {p["heading"]: [line["names"] for line in p["lines"]] for p in told} == expected
    again = next(line for p in told for line in p["lines"] if line["names"].startswith("Transected"))
    assert again["says"] == "Case by case, one signal (month 36)."


def test_a_verdict_that_may_not_be_shown_is_not_among_the_decisions():
    """The board withheld the criterion, and the decision said beside it that its standard was missed."""
    asked = pd.DataFrame(
        {"kind": [MISSED, WORSE_SIGNAL], "name": ["Transected grafts", "Folliculitis"], "group": ["", ""]}
    )
    result = results.Result(pd.DataFrame(), pd.DataFrame(), "m", extra={"decisions": asked})
    assert len(_decisions(result)) == 2
    assert _decisions(result, {"Transected grafts", "Folliculitis"}) == ["Folliculitis: what is the cause?"]


@pytest.mark.parametrize(
    ("before", "says", "missed"),
    [
        (5.1, "5.1 % in quarter 11, above it too", True),
        (4.9, "4.9 % in quarter 11, within it", False),
        (np.nan, "", False),
    ],
)
def test_a_missed_standard_says_whether_the_quarter_before_missed_it_too(before, says, missed):
    row = pd.Series(
        {"criterion": "transected", "unit": "%", "places": 1, "direction": "at most", "standard": 5.0}
    )
    history = pd.DataFrame({"criterion": "transected", "quarter": [11, 12], "estimate": [before, 5.6]})
    told, is_old = quarter_before(row, history)
    assert (told.replace(numbers.THIN, " "), is_old) == (says, missed)
