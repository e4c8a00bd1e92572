"""The clock of follow-up and who was asked: hand-made registers in which every state can be told by eye."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import registers

from analytics import followup, published, review, yields
from analytics.numerics import bounds
from analytics.published import unasked

DEMO = Path(__file__).parents[1] / "data_demo"
BAD = {"standard_conditions": False, "condition_reason": "light"}


def _visit(patient_id, session_id, month, **changed):
    row = {"mode": "clinic", "photographs_standard": True, "complications_asked": False, "withdrawn": False}
    return {"patient_id": patient_id, "session_id": session_id, "month": month, **row, **changed}


def _register(folder, *, begins, counts=(), visits=(), zone="frontal"):
    """Return a register of one session each at the register months given, a baseline of 40 for everybody."""
    people = list(begins)
    readings = [registers.count(p, f"{p}-1", m, d, zone=zone, **how) for p, m, d, how in counts]
    before = [registers.count(p, f"{p}-1", 0, 40.0, zone=zone) for p in people]
    came = [_visit(p, f"{p}-1", m) for p, m, _, _ in counts] + [_visit(p, f"{p}-1", 0) for p in people]
    return registers.load(
        folder,
        patients=[registers.patient(p) for p in people],
        sessions=[registers.session(f"{p}-1", p, register_month=m) for p, m in begins.items()],
        placements=[registers.placement(f"{p}-1", zone=zone) for p in people],
        measurements=before + readings,
        visits=came + list(visits),
    )


def _states(register, **asked):
    rows = yields.by_visit(register)
    return followup.states(register, rows, **asked).set_index("patient_id")


def test_every_placement_has_the_one_state_that_can_be_told_by_eye(tmp_path):
    """The register ends at month 40. A frontal window runs from 11 to 18 months after the session."""
    register = _register(
        tmp_path,
        begins={"P1": 1, "P2": 1, "P3": 1, "P4": 1, "P5": 1, "P6": 27, "P7": 27, "P8": 35, "P9": 40},
        counts=[
            ("P1", 12.0, 80.0, {}),
            ("P2", 12.0, 80.0, BAD),
            ("P4", 9.0, 80.0, {}),
            ("P6", 12.0, 80.0, {}),
        ],
        visits=[
            _visit("P3", "P3-1", 13.0),
            _visit("P5", "P5-1", 6.0, withdrawn=True),
        ],
    )
    assert followup.register_end(register) == 40
    found = _states(register)
    assert found["state"].to_dict() == {
        "P1": followup.COUNTED,
        "P2": followup.UNUSABLE,
        "P3": followup.SEEN,
        "P4": followup.MISSED,
        "P5": followup.WITHDRAWN,
        "P6": followup.COUNTED,
        "P7": followup.IN_WINDOW,
        "P8": followup.NOT_YET,
        "P9": followup.NOT_YET,
    }
    # 1 + 18 is month 19; 27 + 18 is 45, so that P6 was counted early in a window still open.
    assert found["is_closed"].to_dict() == dict.fromkeys(
        ("P1", "P2", "P3", "P4", "P5"), True
    ) | dict.fromkeys(("P6", "P7", "P8", "P9"), False)
    assert found.loc["P2", "why"] == "not_standard"
    # Seen as it stood at the end of month 18: no window has closed, and nothing later is known of it.
    assert not _states(register, until=18)["is_closed"].any()


def test_a_window_closes_with_the_register_month_that_holds_its_end(tmp_path):
    """19 is the month in which month 18 after a session of month 1 lies."""
    register = _register(tmp_path, begins={"P1": 1}, counts=[("P1", 9.0, 80.0, {})])
    assert [bool(_states(register, until=m)["is_closed"].iloc[0]) for m in (18, 19)] == [False, True]


def test_shares_leave_out_what_was_counted_early_in_a_window_still_open(tmp_path):
    """Due: P1 (80 of 50 planted over 40: counted), P2 (bad light), P3 (missed); P4 withdrew; P5 is open.

    Share 1 of 3. Yield of P1: a gain of 40 and native loss of 4.8 % a year of 40, over 50: 83.8 %; P5 read
    the same. Bounds over four: 83.8 / 4 and (83.8 + 300) / 4.
    """
    register = _register(
        tmp_path,
        begins={"P1": 1, "P2": 1, "P3": 1, "P4": 1, "P5": 20},
        counts=[("P1", 12.0, 80.0, {}), ("P2", 12.0, 80.0, BAD), ("P5", 12.0, 80.0, {})],
        visits=[_visit("P4", "P4-1", 3.0, withdrawn=True)],
    )
    found = yields.counted_at_maturity(register)
    table = found.table().set_index("term")
    counted = table.loc["counted of due"]
    assert (counted["numerator"], counted["denominator"]) == (1, 3)
    one = table.loc["direct mean", "estimate"]
    assert one == pytest.approx(83.8, abs=0.1)
    assert table.loc["direct mean", "n_rows"] == 2
    ends = table.loc[table.index.str.startswith("mean of all"), "estimate"].to_numpy()
    np.testing.assert_allclose(ends, [one / 4, (one + 300) / 4])
    states = found.extra["states"].iloc[0]
    assert states[["n_counted", "n_counted_but_unusable", "n_missed", "n_withdrawn"]].tolist() == [1, 1, 1, 1]
    assert states["n_due_window_open"] == 1


def test_a_zone_planted_again_before_its_month_is_nobodys_due(tmp_path):
    """P1's second session comes 8 months after the first: neither is ever read alone."""
    sessions = {"P1-1": 1, "P1-2": 9}
    register = registers.load(
        tmp_path,
        patients=[registers.patient("P1"), registers.patient("P2")],
        sessions=[
            *(
                registers.session(s, "P1", register_month=m, session_number=int(s[-1]))
                for s, m in sessions.items()
            ),
            registers.session("P2-1", "P2", register_month=40),
        ],
        placements=[registers.placement(s) for s in (*sessions, "P2-1")],
        measurements=[registers.count("P1", "P1-1", 0, 40.0), registers.count("P1", "P1-2", 12, 90.0)],
    )
    found = followup.states(register, yields.by_visit(register)).set_index("session_id")["state"]
    assert found.to_dict() == {"P1-1": followup.SHARED, "P1-2": followup.SHARED, "P2-1": followup.NOT_YET}


def test_an_attendance_for_one_session_is_one_for_every_session_of_the_patient(tmp_path):
    """The crown of session 1 is seen at its month 18.5, which is month 6.5 of a session in the front."""
    register = registers.load(
        tmp_path,
        patients=[registers.patient("P1")],
        sessions=[
            registers.session("P1-1", "P1", register_month=1, patient_month=0.0),
            registers.session("P1-2", "P1", register_month=13, patient_month=12.0, session_number=2),
        ],
        placements=[registers.placement("P1-1", zone="crown"), registers.placement("P1-2")],
        measurements=[registers.count("P1", "P1-1", 0, 40.0, zone="crown")],
        visits=[_visit("P1", "P1-2", 6.5)],
    )
    found = _states(register, until=31).set_index("session_id")["state"]
    assert found.to_dict() == {"P1-1": followup.SEEN, "P1-2": followup.MISSED}


def test_an_event_counts_only_where_none_would_have_counted_too(tmp_path):
    """By month 3 of four: asked and had it, asked and did not, told without being asked, nobody asked."""
    register = _register(
        tmp_path,
        begins={"P1": 1, "P2": 1, "P3": 1, "P4": 1},
        visits=[
            _visit("P1", "P1-1", 3.0, complications_asked=True),
            _visit("P2", "P2-1", 4.0, complications_asked=True),
            _visit("P3", "P3-1", 3.0),
            _visit("P4", "P4-1", 1.0, complications_asked=True),
        ],
    )
    events = pd.DataFrame(
        {
            "session_id": ["P1-1", "P3-1", "P2-1"],
            "kind": ["folliculitis"] * 3,
            "month": [1.0, 1.0, 3.5],
        }
    )
    register = replace(register, events=events)
    found = followup.complications(register, event="folliculitis", by_month=3.0)
    assert found["answer"].tolist() == [
        followup.ASKED_YES,
        followup.ASKED_NO,
        followup.TOLD,
        followup.UNKNOWN,
    ]
    np.testing.assert_array_equal(found["y"], [1.0, 0.0, np.nan, np.nan])


@pytest.mark.parametrize("case", unasked.CASES, ids=lambda c: c.name)
def test_bounds_are_those_published(case):
    found = published.run((case,))
    assert found["passed"].all(), found[~found["passed"]]


def test_with_everybody_asked_the_bounds_meet_and_their_limits_are_the_usual_normal_ones():
    """Imbens and Manski's value is then 1.96: 0.2 -+ 1.959964 x sqrt(0.2 x 0.8 / 100)."""
    found = bounds.share(20, 100, 100)
    assert found.lower == found.upper == 0.2
    assert (found.low, found.high) == pytest.approx((0.2 - 0.0783986, 0.2 + 0.0783986), abs=1e-6)


def test_events_told_without_asking_raise_the_lower_bound_alone():
    assert bounds.share(1, 5, 10, told=2).lower == pytest.approx(0.3)
    assert bounds.share(1, 5, 10, told=2).upper == pytest.approx(0.6)
    # At an odds ratio of 1 the other five would hold 1 event; two are known.
    assert bounds.at_odds_ratio(1, 5, 10, [1.0], told=2)[0] == pytest.approx(0.3)


def test_a_complication_nobody_was_asked_about_is_no_share_at_all(tmp_path):
    """Two events told, nobody asked: not 2 of 2, but no share, and between 2 and 5 of all five.

    And with one asked, who had it: 1 of 1 among the asked decides nothing against a standard of 12.1 %.
    """
    criteria = review.read(DEMO / "criteria.toml")
    begins = dict.fromkeys(("P1", "P2", "P3", "P4", "P5"), 1) | {"P6": 6}
    events = pd.DataFrame({"session_id": ["P1-1", "P2-1"], "kind": "folliculitis", "month": 1.0})
    for asked in (0, 1):
        visits = [_visit("P1", "P1-1", 3.0, complications_asked=True)] if asked else []
        register = replace(_register(tmp_path / str(asked), begins=begins, visits=visits), events=events)
        table = review.asked(register, criteria, quarter=2).table()
        table = table[table["criterion"].eq("folliculitis")].set_index("term")
        among = table.loc["among those asked"]
        assert (among["numerator"], among["denominator"]) == (asked, asked)
        ends = [table.loc[f"all operated, at {end}", "estimate"] for end in ("least", "most")]
        np.testing.assert_allclose(ends, [40.0, 100.0])
        said = review.indicators(register, _only(criteria, "folliculitis"), quarter=2).table()
        this = said[said["term"].eq("this quarter")].iloc[0]
        assert this["outcome"] == (review.CANNOT_TELL if asked else review.NO_DATA)


def _only(criteria, name):
    return criteria.model_copy(update={"criterion": (criteria.named(name),)})
