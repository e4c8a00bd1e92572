"""What the review remembers, and what it says of windows, signals and directions."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analytics import results, review
from analytics.errors import ParameterError
from analytics.files import state
from analytics.numerics import control, run_rules
from analytics.pages.page import Page
from analytics.pages.quarter import agenda, answer, board
from analytics.review.compared import shares
from analytics.review.decide import signals as found
from analytics.review.decide.windows import told, window_of
from analytics.review.measures import Measured

ROOT = Path(__file__).parents[1]
DRAWN = ("transection", "folliculitis", "yield_all", "seen_12")


@pytest.fixture(scope="module")
def criteria():
    declared = review.read(ROOT / "data_demo" / "criteria.toml")
    kept = tuple(c for c in declared.criterion if c.id in (*DRAWN, "infection", "necrosis"))
    change = tuple(c.model_copy(update={"criteria": ("yield_all",)}) for c in declared.change)
    return declared.model_copy(update={"criterion": kept, "change": change})


def _review(demo, criteria, place: Path, quarter: int):
    past = review.recall(place, criteria, quarter=quarter)
    asked = {"quarter": quarter}
    by = {"criterion_id": "transection", "by": "surgeon_id"}
    panels = {
        "indicators": review.indicators(demo, criteria, **asked, windows=past.windows),
        "all_charts": review.run_charts(demo, criteria, **asked, kept=past.charts),
        "cases": review.case_by_case(demo, criteria, **asked, **by, kept=past.limits),
        "grafts": review.operators(demo, criteria, **asked, criterion_id="transection"),
        "actions": review.actions(demo, criteria, (), **asked),
    }
    panels["agenda"] = review.agenda(demo, criteria, panels, **asked, remembered=past)
    return panels, review.keep(place, criteria, (), panels, quarter=quarter)


@pytest.fixture(scope="module")
def two(demo, criteria, tmp_path_factory):
    place = tmp_path_factory.mktemp("kept") / "state"
    first, _ = _review(demo, criteria, place, 11)
    second, _ = _review(demo, criteria, place, 12)
    return place, first, second


def test_lines_and_limits_of_the_next_quarter_are_those_of_the_last(two):
    _, first, second = two
    pd.testing.assert_frame_equal(first["all_charts"].extra["limits"], second["all_charts"].extra["limits"])
    pd.testing.assert_frame_equal(first["cases"].extra["limits"], second["cases"].extra["limits"])
    windows = [p["indicators"].extra["audit"]["over_quarters"].tolist() for p in (first, second)]
    assert windows[0] == windows[1]


def test_a_signal_that_was_named_stays_named_with_its_first_quarter(two):
    _, first, second = two
    old, now = (p["cases"].extra["signals"] for p in (first, second))
    both = now.merge(old, on=["surgeon_id", "at_case", "register_month"])
    assert len(both) == len(old) > 0
    known = second["agenda"].extra["signals"]
    named = known[known["source"].eq("case by case")].set_index("key")
    assert set(named.loc[named["status"].eq("known"), "first_named_in"]) == {11}


def test_new_is_only_what_the_last_review_did_not_have(two):
    _, first, second = two
    before = set(first["agenda"].extra["signals"]["key"])
    signals = second["agenda"].extra["signals"]
    new = set(signals.loc[signals["status"].eq("new"), "key"])
    assert new
    assert not new & before
    assert set(signals.loc[signals["status"].eq("known"), "key"]) <= before


def test_what_is_no_signal_any_more_has_the_name_it_had(two):
    _, first, second = two
    had = first["agenda"].extra["signals"].set_index("key")["name"]
    gone = second["agenda"].extra["signals"].query("status == 'cleared'").set_index("key")["name"]
    assert "seen at month 3" in set(gone)
    assert gone.to_dict() == had[gone.index].to_dict()


def test_a_review_made_again_is_the_same_and_leaves_no_second_entry(demo, criteria, two):
    place, _, second = two
    again, added = _review(demo, criteria, place, 12)
    assert not added
    pd.testing.assert_frame_equal(again["agenda"].extra["signals"], second["agenda"].extra["signals"])
    assert [e["quarter"] for e in state.read(place, "reviews").entries] == [11, 12]


@pytest.mark.parametrize("lacking", ["indicators", "all_charts"])
def test_a_review_without_an_answer_is_written_and_not_remembered(demo, criteria, two, tmp_path, lacking):
    _, panels, _ = two
    panels = {**panels, lacking: results.unanswered(results.Gap("Nothing was counted."))}
    past = review.recall(tmp_path, criteria, quarter=11)
    panels["agenda"] = review.agenda(demo, criteria, panels, quarter=11, remembered=past)
    assert not review.keep(tmp_path, criteria, (), panels, quarter=11)
    assert review.recall(tmp_path, criteria, quarter=12).quarter == 0
    if lacking == "indicators":
        assert answer(panels["indicators"], "quarter 11") == "Nothing was counted."
        page = Page("02_quarterly_review", {}, demo, "", panels)
        board(page)
        agenda(page)
        assert not page.written


def test_a_new_baseline_is_declared_and_a_tightened_standard_is_announced(demo, criteria, two):
    place, _, second = two
    monitor = criteria.monitor.model_copy(update={"new_baseline_in_quarter": 12})
    assert review.recall(place, criteria.model_copy(update={"monitor": monitor}), quarter=12).charts == ()
    tighter = tuple(
        c.model_copy(update={"standard": 4.0}) if c.id == "transection" else c for c in criteria.criterion
    )
    changed = criteria.model_copy(update={"criterion": tighter})
    past = review.recall(place, changed, quarter=12)
    agenda = review.agenda(demo, changed, second, quarter=12, remembered=past)
    row = agenda.extra["standards"].iloc[0]
    assert (row["criterion"], row["standard_before"], row["standard"], row["change"]) == (
        "transection",
        5.0,
        4.0,
        "tightened",
    )


def test_a_log_that_was_touched_is_said(criteria, two, tmp_path):
    place, *_ = two
    for name in ("reviews.jsonl", "key"):
        (tmp_path / name).write_bytes((place / name).read_bytes())
    text = (tmp_path / "reviews.jsonl").read_text()
    (tmp_path / "reviews.jsonl").write_text(text.replace('"quarter": 11', '"quarter": 10'))
    assert review.recall(tmp_path, criteria, quarter=12).fault


def test_the_quarter_just_begun_is_never_the_default(demo, criteria):
    assert review.under_review(demo, criteria) == 12
    unknown = criteria.model_copy(
        update={"data_cut": criteria.data_cut.model_copy(update={"complete_through_month": None})}
    )
    assert review.under_review(demo, unknown, complete_through=35) == 11
    # Register month 1 is July 2023: on 1 July 2026 months 1 to 36 are over, less one month of lag 35.
    begun = {"register_begins": "2023-07", "today": "2026-07-01"}
    assert review.under_review(demo, unknown, **begun) == 11
    assert review.under_review(demo, unknown, register_begins="2023-07", today="2026-08-01") == 12
    with pytest.raises(ParameterError, match="up to which month the records are complete is not known"):
        review.under_review(demo, unknown)


def _rows(n_a_quarter: int, quarters: int = 8) -> pd.DataFrame:
    quarter = np.repeat(np.arange(1, quarters + 1), n_a_quarter)
    return pd.DataFrame({"quarter": quarter, "reason": ""})


def test_a_window_follows_from_numbers_alone(criteria):
    # At most 2 %: 189 without one (Wilson), 24 a quarter need 8 quarters; 12.1 %: half of it is told by
    # 4 z^2 0.879 / 0.121 = 112 sessions, 30 a quarter bring them in four.
    assert window_of(criteria.named("infection"), _rows(24), 8) == 8
    assert window_of(criteria.named("folliculitis"), _rows(30), 8) == 4
    assert window_of(criteria.named("folliculitis"), _rows(120), 8) == 1
    declared = criteria.named("infection").model_copy(update={"over_quarters": 3})
    assert window_of(declared, _rows(24), 8) == 3


def test_when_it_can_be_told_is_found_by_counting_on(criteria):
    # 0 of 94 against at most 2 %: 189 are needed, 23.5 a quarter: after 8.04 quarters, so 5 more than 4.
    nothing = Measured(0.0, np.nan, np.nan, 0.0, 3.9, 90, 94, 0.0, 94.0, is_share=True, is_of_units=True)
    history = {q: Measured(0, 0, 0, 0, 0, 20, 23, 0.0, 23.5, True, True) for q in range(5, 9)}
    found_now = told(criteria.named("infection"), nothing, history, quarter=8, over=4, outcome="cannot tell")
    assert found_now.perfect == 189
    assert found_now.quarter == 8 + 5
    assert found_now.leaning == "better"


def test_limits_of_means_are_wider_where_fewer_were_read():
    # Plain individuals limits where all n are 1; a point of 4 has limits half as far from the centre.
    rng = np.random.default_rng(5)
    values = rng.normal(80, 10, 40)
    plain, same = control.individuals(values), control.individuals(values, np.ones(40))
    np.testing.assert_allclose(plain.high, same.high)
    sizes = np.tile([1.0, 4.0], 20)
    chart = control.individuals(values, sizes)
    half = chart.high - chart.centre
    np.testing.assert_allclose(half[::2], 2 * half[1::2])


def test_a_stable_series_of_means_of_different_numbers_lies_within_its_limits():
    rng = np.random.default_rng(6)
    sizes = rng.integers(1, 15, (4000, 24)).astype(float)
    values = 80 + 10 * rng.standard_normal((4000, 24)) / np.sqrt(sizes)
    aware = control.individuals(values, sizes).outside.mean()
    blind = control.individuals(values).outside.mean()
    # 0.27 % of points with known sigma; somewhat more with sigma from 24 points.
    assert aware < 0.006
    assert blind > 2 * aware


def test_the_longest_run_is_that_counted_by_hand():
    assert run_rules.longest_run([3, 3, 1, 1, 1, 2, 1, 3], 2) == (2, 6, False)


def test_good_news_is_better_and_bad_news_worse(two):
    _, _, second = two
    signals = second["agenda"].extra["signals"]
    operators = signals[signals["source"].eq("operator")].set_index("group")["direction"]
    assert operators.to_dict() == {"S2": "worse"}
    points = second["all_charts"].extra["found"]
    rows = points[points["criterion"].eq("yield_all") & points["rule"].eq(found_point())]
    assert set(rows["direction"]) <= {"better"}


def found_point() -> str:
    return "a point outside the limits"


def test_one_far_operator_does_not_shadow_the_others():
    # Three operators at 5 % and one at 10 %: against others that hold the fourth the three would look better.
    rng = np.random.default_rng(11)
    who = np.repeat(["S1", "S2", "S3", "S4"], 40)
    share = np.where(who == "S4", 0.10, 0.05)
    whole = rng.integers(1500, 2500, len(who))
    part = rng.binomial(whole, rng.beta(share * 400, (1 - share) * 400))
    rows = pd.DataFrame(
        {
            "patient_id": np.arange(len(who)).astype(str), "session_id": np.arange(len(who)).astype(str),
            "surgeon_id": who, "part": part.astype(float), "whole": whole.astype(float),
        }
    )  # fmt: skip
    p = {one.name: one.versus.p_value for one in shares(rows, "surgeon_id", (), 0.95)}
    assert p["S4"] < 0.002
    assert min(p[name] for name in ("S1", "S2", "S3")) > 0.002


def test_attendance_that_fell_is_found_and_steady_attendance_is_not(monkeypatch):
    def due(n_now: int, n_before: int):
        seen = [True] * n_now + [False] * (60 - n_now) + [True] * n_before + [False] * (120 - n_before)
        quarter = [8] * 60 + [5] * 120
        shown = np.where(seen, "seen without a count", "missed")
        return lambda _: pd.DataFrame({"visit": 12.0, "shown": shown, "quarter": quarter})

    view = type("V", (), {"quarter": 8})()
    monkeypatch.setattr(found, "sessions_due", due(24, 96))  # 40 % after 80 %
    assert found.fell(view)["visit"].tolist() == ["month 12"]
    monkeypatch.setattr(found, "sessions_due", due(45, 96))  # 75 % after 80 %
    assert found.fell(view).empty
