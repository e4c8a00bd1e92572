"""Small clinics get their pages: no refusal, no failed section, no impossible interval, labels beside points.

`tests/bench/small_registers.py` asks every page on every register; here are seven, on pages 04 and 05.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import small_clinics as small
from pinned import pages

from analytics import early, milestones, numbers, results, yields
from analytics.course.backtest import scored
from analytics.pages import case, sentences
from analytics.pages.page import Page
from analytics.results import Result

QUICK = (
    "1 drawn",
    "1 drawn again",
    "1, crown only",
    "1, optional tables empty",
    "1, no baseline",
    "1, photographs only",
    "3, ratings only",
)
NAMES = {name[:2]: name for name in pages.names()}


@pytest.mark.parametrize("register", QUICK)
def test_a_small_clinic_gets_its_pages(tmp_path, register):
    place = small.written(tmp_path / "clinic", small.RECIPES[register])
    for page in ("04", "05"):
        shown = pages.shown(NAMES[page], small.settings(page, place))
        assert small.faults(shown["internal"]) == [], page
        if page == "04" and "photographs" in register:
            answer = shown["internal"].content["answer"]
            assert answer.startswith("No hair was counted. Told by graded photographs: hairline ")
            assert "at month 6" in answer


def _choices():
    """Return yields under three choices in two zones; the second zone lacks the first two choices."""
    lines = [("main", "frontal", 60.0), ("bridged", "frontal", 62.0), ("late", "frontal", 64.0)]
    lines += [("late", "crown", 41.0)]
    rows = [
        results.line("yield", value, "% of planted hairs", by={"choice": c, "zone": z}, n_patients=12,
                     ci=(value - 5, value + 5), basis="model")
        for c, z, value in lines
    ]  # fmt: skip
    return Result(pd.DataFrame(rows), pd.DataFrame(), "made by hand", ("choice", "zone"), {}, "sensitivity")


def test_a_zone_that_lacks_choices_keeps_each_point_beside_its_own_label():
    assert small.mislabelled(_choices()) == []


def test_intervals_that_cannot_be_are_found():
    """The finder itself, on rows made by hand."""
    row = {"term": "t", "estimate": 50.0, "unit": "%", "basis": "share", "ci_low": 40.0, "ci_high": 60.0}
    bad = [
        {**row, "ci_low": 60.0, "ci_high": 40.0},
        {**row, "ci_high": 45.0},
        {**row, "ci_high": 120.0},
        {**row, "basis": "model", "ci_low": 0.0, "ci_high": 99.999997},
    ]
    assert small.impossible(pd.DataFrame([row])) == []
    assert len(small.impossible(pd.DataFrame(bad))) == 4


def test_a_standard_error_near_nothing_adds_no_decimals():
    said = numbers.full({"estimate": 18.183616, "se": 1e-6, "unit": "%", "n_patients": 3})
    assert said.startswith(f"18.2{numbers.THIN}%")


def test_choices_without_an_interval_have_no_half_interval():
    bare = _choices()
    rows = bare.estimates.replace({"choice": {"main": "main line"}}).assign(
        option="", ci_low=np.nan, ci_high=np.nan
    )
    bare = replace(bare, estimates=rows, by=("choice", "option", "zone"))
    moved = yields.moves(bare)
    assert moved["move"].abs().max() == 4.0
    assert moved["half_interval"].isna().all()


def test_a_place_counted_twice_in_a_month_shows_both_counts():
    rows = [
        results.line("reading", value, "%", by={"place": "crown"}, x=9.0, ci=(value - 9, value + 9))
        for value in (50.0, 62.0)
    ]
    said = case.readings_table(Result(pd.DataFrame(rows), pd.DataFrame(), "made by hand", ("place",)))
    assert len(said) == 1
    cell = said.filter(like="reading").iloc[0, 0]
    assert cell.startswith("50")
    assert "; 62" in cell


def test_four_patients_have_a_mean_and_no_interval(tmp_path):
    from registers import count, one_session_each

    for n, has_interval in ((4, False), (5, True)):
        people = [f"P{i}" for i in range(n)]
        counts = [count(p, f"{p}-1", 0, 10.0) for p in people]
        counts += [count(p, f"{p}-1", 12, 40.0 + i) for i, p in enumerate(people)]
        row = yields.average(one_session_each(tmp_path / str(n), people, counts)).table().iloc[0]
        assert pd.notna(row["estimate"])
        assert pd.notna(row["ci_low"]) == has_interval
        assert (row["flag"] == results.NO_INTERVAL) != has_interval


def test_a_step_with_fewer_than_five_at_risk_has_no_band(tmp_path):
    from registers import count, one_session_each

    people = [f"P{i}" for i in range(8)]
    counts = [count(p, f"{p}-1", 0, 10.0) for p in people]
    # Two grow half by month 3, four more by month 6; two are below at month 9 still.
    for i, p in enumerate(people):
        grows = 3 if i < 2 else 6 if i < 6 else 99
        counts += [count(p, f"{p}-1", m, 50.0 + i + m / 3 if m >= grows else 15.0 + i) for m in (3, 6, 9)]
    read = one_session_each(tmp_path, people, counts)
    path = milestones.time_to(read, percent=50).path.set_index("x")
    has_band = path.loc[path["term"].str.startswith("observed"), "ci_low"].notna()
    assert has_band.loc[2.0:3.0].all()
    assert not has_band.loc[6.5:].any()
    assert np.isfinite(path["estimate"].loc[6.5:]).all()


@pytest.mark.parametrize(
    ("low", "high", "n", "why"),
    [
        (12.0, 71.0, 5, ""),
        (12.0, 71.0, 4, results.NO_INTERVAL),
        (0.0, 99.4, 12, results.SAYS_NOTHING),
        (4.0, 94.0, 12, ""),
    ],
)
def test_a_share_of_few_patients_or_limits_that_say_nothing_have_no_interval(low, high, n, why):
    ends, said = results.of_share(low, high, n)
    assert said == why
    assert np.isnan(ends).all() == bool(why)


def test_how_often_limits_of_four_patients_held_has_no_interval():
    """Made by hand: four patients with a count each, three of them inside 95 % limits."""
    rows = pd.DataFrame(
        {
            "patient_id": list("abcd"), "pit": [0.5, 0.4, 0.6, 0.999], "crps": 2.0, "observed": 60.0,
            "mean_rival": 58.0, "mean_rival_sd": 9.0, "last_rival": 50.0, "last_rival_sd": 9.0,
        }
    )  # fmt: skip
    table = scored(rows, "crown", 0.95).set_index("term")
    held = table.loc["95 % limits held"]
    assert held["estimate"] == 75.0
    assert pd.isna(held["ci_low"])
    assert held["flag"] == results.NO_INTERVAL
    more = scored(pd.concat([rows.assign(patient_id=rows["patient_id"] + k) for k in "123"]), "crown", 0.95)
    held = more.set_index("term").loc["95 % limits held"]
    assert held["ci_low"] < 75 < held["ci_high"]
    assert held["flag"] == "few counts"


@pytest.mark.parametrize(("zone", "missing"), [("crown", "front"), ("frontal", "crown")])
def test_the_audit_of_one_side_says_that_nothing_can_be_compared(tmp_path, zone, missing):
    from registers import count, one_session_each

    people = [f"P{i}" for i in range(3)]
    counts = [count(p, f"{p}-1", m, 10.0 + 2.5 * m, zone=zone) for p in people for m in (0, 12)]
    read = one_session_each(tmp_path, people, counts, zone=zone)
    absent = results.unanswered(results.Gap("Nothing to set against."))
    page = Page("01_surgeon_audit", {}, read, "", {"crown_front": absent, "carried": early.ladder(read)})
    said = sentences.crown_against_front(page, "")
    assert said.startswith(f"No {missing} was planted here, so the two cannot be compared. ")
    assert zone.capitalize() in said
