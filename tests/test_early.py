"""What is told of few patients: the rung by what was counted, limits by hand, when more can be told."""

import numpy as np
import pandas as pd
import pytest
from registers import count, drawn, load, one_session_each, patient, placement, session
from scipy import stats

from analytics import early, measurement, numbers, pages, results, yields
from analytics.early import to_tell
from analytics.errors import NotRecorded, ParameterError
from analytics.numerics import agreement


def _read_once(folder, n, month=8.0):
    """Return a register of n fronts, 10 hairs/cm2 before and 40 + i after: gains of 30 + i on 50 planted."""
    people = [f"P{i}" for i in range(n)]
    counts = [count(p, f"{p}-1", 0, 10.0) for p in people]
    counts += [count(p, f"{p}-1", month, 40.0 + i) for i, p in enumerate(people)]
    return one_session_each(folder, people, counts)


def _no_loss():
    return yields.Choices(native_change="none")


def test_two_patients_are_single_counts_with_their_own_error(tmp_path):
    found = early.ladder(_read_once(tmp_path, 2), choices=_no_loss())
    assert found.extra["rungs"]["rung"].tolist() == [1]
    assert found.table()["estimate"].tolist() == [60.0, 62.0]
    assert found.table()["flag"].str.startswith("single counts").all()
    assert found.extra["points"]["y"].tolist() == [60.0, 62.0]
    assert found.path["term"].unique().tolist() == ["assumed, no counted study"]


def test_from_five_the_raw_mean_has_students_limits_and_never_under_counting_error(tmp_path):
    few = early.ladder(_read_once(tmp_path / "4", 4), choices=_no_loss()).table().iloc[0]
    assert few["estimate"] == pytest.approx(63.0)
    assert np.isnan(few["ci_low"])
    assert results.NO_INTERVAL in few["flag"]
    found = early.ladder(_read_once(tmp_path / "5", 5), choices=_no_loss())
    row = found.table().iloc[0]
    assert found.extra["rungs"]["name"].tolist() == ["raw mean"]
    assert row["estimate"] == pytest.approx(64.0)
    # Counts differ by less than they err, so the spread is that of counting.
    spread = np.sqrt(np.mean(found.rows().loc[found.rows()["month"].eq(8.0), "yield_pct_se"] ** 2))
    half = stats.t.ppf(0.975, 4) * spread / np.sqrt(5)
    assert row["ci_high"] - row["estimate"] == pytest.approx(half)


def test_ten_followed_and_unripe_are_brought_to_maturity_by_an_assumed_course(tmp_path):
    found = early.ladder(_read_once(tmp_path, 12), choices=_no_loss())
    row = found.table().iloc[0]
    assert found.extra["rungs"]["name"].tolist() == ["course assumed"]
    assert row["x"] == 12
    # By hand, without the spread of courses: the mean over the share of the final gain reached by month 8.
    front = early.ladder.__globals__["COURSE"]["frontal"]
    share = early.ladder.__globals__["reached"](np.array([8.0, 12.0]), front)
    assert row["estimate"] == pytest.approx(71.0 * share[1] / share[0], rel=1e-9)
    raw = 71.0 / share[0] * share[1]
    assert row["ci_low"] < raw < row["ci_high"]


def test_two_numbers_of_one_crown_on_one_screen_are_named_beside_each_other(tmp_path):
    """Two sides by hand: the ladder's crown by a mean of late counts, the model's above it."""

    def crown(value, flag):
        return results.line("yield_at_maturity", value, "%", by={"zone": "crown"}, flag=flag)

    rungs = {"rungs": pd.DataFrame({"zone": ["crown"], "name": ["mean at maturity"]})}
    read = pd.DataFrame([crown(80.6, "mean at maturity")])
    found = results.Result(read, pd.DataFrame(), "by hand", ("zone",), extra=rungs)
    model = results.Result(pd.DataFrame([crown(71.8, "")]), pd.DataFrame(), "by hand", ("zone",))
    said = pages.small.map_caption(found, model)
    assert "Crown: 81 here, 72 by the model above; too few were counted at maturity" in said
    assert "above" not in pages.small.map_caption(found, found), "one number needs no line"
    assert pages.small.rungs_in_short(found).replace(numbers.THIN, " ") == "Crown 81 %: mean at maturity."


def test_a_model_without_an_answer_leaves_the_ladder_as_it_is(tmp_path):
    found = early.ladder(_read_once(tmp_path, 2), choices=_no_loss())
    gone = results.unanswered(results.Gap("No fit."))
    assert early.with_model(found, gone) is found
    assert results.why_not(early.with_model(gone, gone)) == "No fit."


def test_a_case_is_its_own_counts_and_says_what_is_in_no_mean(tmp_path):
    failed = {"standard_conditions": False, "condition_reason": "light"}
    counts = [
        count("P0", "P0-1", 0, 10.0),
        count("P0", "P0-1", 5, 25.0),
        count("P0", "P0-1", 9, 50.0, **failed),
    ]
    read = one_session_each(tmp_path, ["P0"], counts)
    found = early.case(read, "P0")
    assert found.table()["x"].tolist() == [5, 9]
    assert found.table()["flag"].iloc[0] == "gain, not yet yield"
    assert found.table()["flag"].iloc[1].startswith("in no mean: ")
    said = pages.case.in_short(found)
    assert said.startswith("Frontal, session 1: ")
    assert "of counting error alone" in said
    with pytest.raises(ParameterError, match="did you mean"):
        early.case(load(tmp_path / "zeros", **_zeros()), "7")


def _zeros():
    return {
        "patients": [patient("0007")],
        "sessions": [session("0007-1", "0007")],
        "placements": [placement("0007-1")],
        "measurements": [count("0007", "0007-1", 0, 10.0)],
    }


def test_power_is_that_of_a_t_test_of_two_groups():
    """Cohen 1988, table 2.4.1: d = 0.80 at two-sided 5 % and power 80 % needs 26 in each group."""
    assert early.detectable(26, 26, 1.0) == pytest.approx(0.80, abs=0.011)
    assert early.detectable(25, 25, 1.0) > 0.80


def test_when_it_can_be_told_counts_forward_from_what_is_there(tmp_path):
    read, _ = drawn(60, seed=4)
    facts = early.when(read).extra["facts"].iloc[0]
    assert facts["zone"] == "crown"
    assert facts["more"] == max(facts["need_zone"] - facts["n_zone"], 0)
    if np.isfinite(facts["month"]):
        assert facts["low"] <= facts["month"]
        assert facts["month"] >= facts["now"]
    # A larger difference needs no more patients and no later month.
    easy = early.when(read, difference=25.0).extra["facts"].iloc[0]
    assert easy["need_zone"] <= facts["need_zone"]


@pytest.mark.parametrize(("month", "delay"), [(12.0, 0.0), (14.0, 2.0)])
def test_counts_to_come_come_as_late_as_those_read(tmp_path, month, delay):
    """A front is mature at month 12: read at 14, a count comes two months after that month."""
    mature = yields.one_reading(yields.by_visit(_read_once(tmp_path, 6, month=month), choices=_no_loss()))
    assert to_tell._delay(mature) == pytest.approx(delay)
    side = to_tell.Side(6, np.array([30.0]), (0.0, 24.0), (10_000, 10_000), 12.0, delay)
    come = to_tell._drawn(side, now=25.0, rng=np.random.default_rng(1))
    # One patient is on the way and all come back: five months on, and as much later as they are read.
    assert not come[:, : 5 + int(delay)].any()
    assert come[:, 5 + int(delay)].all()


def test_who_can_still_come_is_neither_read_nor_absent():
    """Seven in ten come, evenly over a visit: who has let half of it pass is less likely to."""
    side = to_tell.Side(0, np.full(400, 30.0), (0.0, 24.0), (70_000, 100_000), 12.0, 0.0)
    # Open from month 29 to 36: half of it has passed at 32.5.
    come = to_tell._drawn(side, now=32.5, rng=np.random.default_rng(2))[:, -1]
    # Bayes: of 30 who never come and 35 who have not come yet, those 35
    assert come.mean() / 400 == pytest.approx(0.35 / 0.65, abs=0.005)


def test_the_front_of_a_zone_that_will_not_do_is_counted_at_the_end_of_what_is_looked_ahead():
    """One front is counted and 20 are on the way, who all come: 21 in ten years, whatever the crown does."""
    crown = to_tell.Side(0, np.array([]), (0.0, 1e9), (0, 0), 18.0, 1.0)
    front = to_tell.Side(1, np.full(20, 30.0), (0.0, 1e9), (10_000, 10_000), 12.0, 0.0)
    told = to_tell._told(crown, front, True, 14.0, 10.0, 0.8, 25.0, np.random.default_rng(3))
    assert np.isnan(told["month"])
    assert told["need_against"] == 21


def test_a_share_that_comes_back_is_called_assumed_until_a_window_has_closed(tmp_path):
    """All six were read at month 12, and their windows are open until 12 and CLOSES_LATE."""
    early_days = pages.small.when_rough(early.when(_read_once(tmp_path / "a", 6)))
    assert "50 in 100 were counted (assumed: no window of maturity has closed yet)" in early_days
    later = one_session_each(
        tmp_path / "b", ["P0"], [count("P0", "P0-1", 0, 10.0), count("P0", "P0-1", 30, 50.0)]
    )
    assert "(assumed: no window" not in pages.small.when_rough(early.when(later))


def test_a_clinic_of_one_zone_is_asked_when_its_mean_is_known(tmp_path):
    facts = early.when(_read_once(tmp_path, 6)).extra["facts"].iloc[0]
    assert (facts["zone"], facts["against"]) == ("frontal", "")
    assert "its mean is known to within 10 points" in pages.small.when_told(
        early.when(_read_once(tmp_path / "b", 6))
    )


@pytest.mark.parametrize(
    ("low", "month", "says"),
    [
        (-7.0, 90.0, "already excludes as much; 5 points would be found so in register month 90."),
        (-7.0, np.inf, "already excludes as much; 5 points would not be found so within ten years."),
        (-12.0, 90.0, "It is now month 37."),
    ],
)
def test_what_the_growth_model_excludes_already_is_said_beside_when_counts_would_tell_it(low, month, says):
    facts = pd.DataFrame([{
        "zone": "crown", "against": "front", "difference": 10.0, "power": 0.8, "n_zone": 14.0,
        "n_against": 90.0, "need_zone": 28.0, "need_against": 90.0, "more": 14.0,
        "now": 37.0, "month": 47.0, "low": 42.0, "high": 52.0, "month_of_half": month,
    }])  # fmt: skip
    later = results.Result(pd.DataFrame(), pd.DataFrame(), "by hand", (), extra={"facts": facts})
    gap = results.line("yield_difference_at_maturity", -2.0, "points", ci=(low, 3.0), level=0.95)
    sides = results.Result(pd.DataFrame([gap]), pd.DataFrame(), "by hand", ())
    said = pages.small.when_told(later, sides)
    assert "in register month 47 (42 to 52)" in said
    assert said.endswith(says)


# Cohen 1968 defines it so: one less the mean squared distance seen over that of all pairs of the two margins.
def test_weighted_kappa_is_one_less_observed_over_expected_distance():
    one, other = np.array([0, 1, 1, 2]), np.array([0, 1, 2, 2])
    expected = np.mean((one[:, None] - other[None, :]) ** 2)
    by_hand = 1 - np.mean((one - other) ** 2) / expected
    assert agreement.weighted_kappa(one, other).kappa == pytest.approx(by_hand)
    assert np.isnan(agreement.weighted_kappa([1, 1], [1, 1]).kappa)


def _graded(folder, n=12):
    people = [f"P{i}" for i in range(n)]
    rng = np.random.default_rng(3)
    grades = [
        {
            "session_id": f"{p}-1", "zone": "frontal", "month": m, "reader_id": r, "scale": "look",
            "value": int(np.clip(i % 4 - 1 + (m == 12) + rng.integers(0, 2), -3, 3)), "scale_worst": -3,
            "scale_best": 3, "blinded": True,
        }
        for i, p in enumerate(people) for m in (6, 12) for r in ("R1", "R2")
    ]  # fmt: skip
    return load(
        folder,
        patients=[patient(p) for p in people],
        sessions=[session(f"{p}-1", p) for p in people],
        placements=[placement(f"{p}-1") for p in people],
        grades=grades,
        ratings=[
            {"session_id": f"{p}-1", "month": 12, "satisfaction_0_10": 7, "would_choose_again": True}
            for p in people
        ],
    )


def test_a_clinic_that_grades_photographs_has_means_by_month_and_agreement(tmp_path):
    read = _graded(tmp_path)
    assert len(read.visits) == 24
    found = measurement.grades(read)
    table = found.table()
    by_hand = read.grades[read.grades["month"].eq(12)].groupby("session_id")["value"].mean()
    assert table.loc[table["x"].eq(12), "estimate"].iloc[0] == pytest.approx(by_hand.mean())
    half = stats.t.ppf(0.975, 11) * by_hand.std() / np.sqrt(12)
    assert table.loc[table["x"].eq(12), "ci_high"].iloc[0] == pytest.approx(by_hand.mean() + half)
    kappa = measurement.reader_agreement(read).table().iloc[0]
    assert kappa["n_rows"] == 24
    assert kappa["ci_low"] < kappa["estimate"] < kappa["ci_high"]
    assert measurement.answers(read).table()["estimate"].tolist() == [7.0]


def test_what_a_clinic_does_not_record_is_left_out_without_a_word(tmp_path):
    read = _read_once(tmp_path, 3)
    with pytest.raises(NotRecorded):
        measurement.grades(read)
    page = pages.page.Page("sample", {"audience": "internal"}, read, "")
    page = pages.results(page, **pages.ask(page, graded=pages.question(measurement.grades)))
    assert page.results["graded"].gap.is_absent
    assert page.written == []
    pages.graded(page)
    pages.figure(page, "graded", "Grades", alt="a mean and a bar")
    pages.table(page, "graded", "Grades")
    assert page.written == []


def test_the_table_of_rungs_says_what_the_next_needs(tmp_path):
    table = pages.small.rungs_table(early.ladder(_read_once(tmp_path, 4), choices=_no_loss()))
    assert isinstance(table, pd.DataFrame)
    assert table["next"].tolist() == ["a mean at maturity: 6 more patients followed"]
