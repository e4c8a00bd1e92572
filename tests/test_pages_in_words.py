"""Sentences that pages make from a result: its numbers and its n, or why there is none."""

import numpy as np
import pandas as pd

from analytics import disclosure, numbers
from analytics.pages import case as words
from analytics.pages import in_words
from analytics.results import Curve, Result, line


def _shares(**changes) -> Result:
    row = {"by": {"zone": "crown"}, "x": 12.0, "ci": (0.2, 34.2), "level": 0.95, "n_patients": 107, **changes}
    estimate = row.pop("estimate", 23.4)
    rows = [
        line("share reached", estimate, "% of placements", flag=row.pop("flag", ""), **row),
        line("median month", 15.2, "months", by={"zone": "crown"}, ci=(12.6, 18.4), n_patients=107, flag=""),
    ]
    return Result(pd.DataFrame(rows), pd.DataFrame(), "by hand", ("zone",))


def test_the_sentence_for_a_patient_holds_its_numbers_and_its_n():
    said = in_words.when_reached(_shares(), "crown", percent=80)
    assert "about 23 of 100 planted zones in the crown reached 80 % of planted hairs" in said
    assert "(95 % interval under 1 to 34; from 107 patients of this clinic)" in said
    assert "Half were there by about month 15 (13 to 18)" in said
    assert said.endswith("This describes the past of many, not the course of one.")
    assert "more than 99 of 100" in in_words.when_reached(_shares(estimate=99.6), "crown", percent=80)


def test_the_sentence_says_when_the_records_do_not_tell():
    few = in_words.when_reached(_shares(n_patients=3), "crown", percent=50)
    assert few == (
        "For the crown these records do not say how many planted zones reach 50 % of planted hairs by month "
        "12: fewer than 5 patients."
    )
    wide = in_words.when_reached(_shares(ci=(np.nan, np.nan)), "crown", percent=50)
    assert wide.endswith("no interval: it would span nearly 0 to 100 %; more patients are needed.")
    assert "do not say" in in_words.when_reached(_shares(), "temples", percent=50)
    assert "do not say" in in_words.when_reached(_shares(), "crown", percent=50, month=13)
    hidden = in_words.when_reached(
        _shares(estimate=np.nan, flag=disclosure.WITHHELD, n_patients=None), "crown", percent=50
    )
    assert disclosure.WITHHELD in hidden  # which a page replaces for its audience


def _case() -> Curve:
    judged = {"n_readings": 2, "is_beyond": False, "is_mature": False, "month": 9.0, "chance_behind": 0.61}
    judged |= {"chance_ahead": 0.01, "chance_low": 0.7, "slow_only": 0.5}
    judged |= {"is_far_below": False, "low_only": 0.1, "both": 0.05, "neither": 0.35}
    places = [
        {"place": "frontal, session 1", "state": "usual", **judged},
        {"place": "crown, session 1", "state": "behind", **judged},
        {"place": "temples, session 1", "state": "cannot tell", **judged, "n_readings": 0},
    ]
    ahead = {"place": "crown, session 1", "x": [9.5, 18.0], "density": [60.0, 90.4]}
    ahead |= {"density_low_95": [40.0, 70.0], "density_high_95": [80.0, 111.0]}
    left = {"zone": ["midscalp", "crown", "frontal"], "session_number": [2, 3, 3], "reason": "no baseline"}
    zones = {"place": "crown, session 1", "zone": "crown", "session_number": 1, "month": 9.0, "before": 30.2}
    zones |= {"planted": 50.0, "now": 48.0, "usual": 64.6, "usual_low": 52.0, "usual_high": 77.4}
    extra = {
        "standing": pd.DataFrame(places),
        "zones": pd.DataFrame([zones]),
        "readings": pd.DataFrame({"y": [40.0, 61.0]}),
        "limits": pd.DataFrame(ahead),
        "not judged": pd.DataFrame(left),
    }
    return Curve(pd.DataFrame(), pd.DataFrame(), "by hand", ("place",), extra=extra)


def test_a_case_is_said_with_those_first_that_need_thought():
    assert words.in_short(_case()) == (
        "The crown is behind. The frontal zone shows no sign of slow or poor growth. The temples cannot be "
        "judged yet."
    )


def test_a_mature_zone_that_cannot_be_judged_needs_a_count_and_not_time():
    case = _case()
    case.extra["standing"].loc[2, ["n_readings", "is_mature"]] = [3, True]
    assert words.in_short(case).endswith("The temples need a further count to be judged.")


def test_every_place_of_a_case_gets_a_verdict_with_its_chance_and_its_last_forecast():
    table = words.in_words(_case()).set_index("place")
    said = table["sentence"].str.replace(numbers.THIN, " ")
    # Between the tenths: 100 - 61 - 1.
    assert (
        said["Frontal, session 1"]
        == "As usual: 38 % chance of lying between the lowest and the highest tenth."
    )
    crown = said["Crown, session 1"]
    assert crown.startswith("Behind: below 95 in 100 comparable cases; 61 % chance of the lowest tenth")
    assert crown.endswith("(in the end only late 50 %, only low 10 %, both 5 %).")
    shown = list(table.loc["Crown, session 1", ["month", "before_now", "usual", "expected"]])
    assert shown == ["9", "30 → 48", "65 (52 to 77)", "90 (70 to 111) at month 18"]
    assert said["Temples, session 1"].startswith("No count after the session yet")
    said = said.rename({"Midscalp, session 2": "midscalp, session 2"})
    assert said["midscalp, session 2"] == "Not judged: no baseline."
    assert said["Session 3"] == "Crown and frontal not judged: no baseline."


def test_why_a_yield_passes_100_is_said_where_it_does_and_nowhere_else():
    assert words.past_hundred(_case()) == ()
    past = _case()
    past.extra["readings"].loc[1, "y"] = 104.0
    assert "can pass 100 %" in words.past_hundred(past)[0]


def test_what_is_due_next_names_a_bad_zone_first_then_visits_by_month():
    visits = pd.DataFrame(
        {
            "session_number": [1, 1, 1],
            "zone": ["frontal", "crown", "crown"],
            "visit": [12.0, 12.0, 18.0],
            "counted": True,
            "state": ["overdue", "open", "opens soon"],
            "opens_in": [30, 30, 36],
            "closes_in": [33, 33, 39],
        }
    )
    named = [{"zone": z, "session_number": 1} for z in ("crown", "temples")]
    bare = Result(pd.DataFrame(), pd.DataFrame(), "by hand", extra={"no_growth": pd.DataFrame(named)})
    assert words.due_next(visits, _case(), bare) == (
        "Now: call the patient in about the crown, session 1. Now: call the patient in about the temples, "
        "session 1: no growth visible by month 9. Overdue, register month 30 to 33: count the frontal zone "
        "and crown (session 1, month 12). Register month 36 to 39: count the crown (session 1, month 18)."
    )


def test_a_change_of_hair_mass_is_said_where_no_row_has_a_flag():
    """A practice of one zone, with calibres of six patients, has no row to flag."""
    change = {"term": "change of hair cross-section", "zone": "crown", "calibre_method": "optical"}
    row = change | {"estimate": 0.21, "ci_low": 0.15, "ci_high": 0.27, "unit": "mm2/cm2", "n_patients": 6}
    mass = Result(pd.DataFrame([row]), pd.DataFrame(), "t limits", by=("zone", "calibre_method"))
    assert in_words.more_mass(mass) == "0.21 (0.15 to 0.27; 6 patients, crown) mm² of hair more on each cm²."
