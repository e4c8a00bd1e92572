"""The planner with hands: its numbers are the command's, and no slider goes past what the donor holds."""

import html
import re
import shlex

import numpy as np
import pandas as pd
import pytest

from analytics import pages, planning, regrowth
from analytics.app import hands
from analytics.pages.page import Page
from analytics.reports import RUN_VARIABLE

AREAS = {"frontal": 45.0, "crown": 90.0}


@pytest.fixture(scope="module")
def plateaus(demo):
    return regrowth.fit_plateaus(demo, fit=regrowth.fit_emergence(demo))


def _opened(monkeypatch):
    """Let the notebook be open in front of a person."""
    monkeypatch.setattr(hands, "get_ipython", lambda: "a kernel")
    monkeypatch.setattr(hands, "display", lambda _: None)


@pytest.fixture
def shown(demo, plateaus, monkeypatch):
    _opened(monkeypatch)
    page = Page("05_session_plan", {"data": "data_demo"}, demo, "")
    return hands.show(
        page,
        planning.read_drafts(["frontal 700, crown 600"], areas=AREAS),
        planning.read_aims("frontal to 150, crown to 125", areas=AREAS),
        plateaus=plateaus,
        patient_id="0006",
        session_month=0,
        safe_share=0.4,
    )


def test_the_sliders_say_what_the_command_says(demo, plateaus, shown):
    shown.grafts["frontal"].value = 510
    shown.areas["crown"].value = 60
    shown.targets["crown"].value = 110
    command = re.sub(r"<[^>]+>", "", shown.answer.value.rpartition("<pre>")[2])
    words = shlex.split(html.unescape(command))
    given = dict(word.split("=", 1) for word in words if "=" in word)
    assert words[:4] == ["regrowth", "report", "05", "data_demo"]
    expected = planning.drafts(
        demo,
        given["patient"],
        planning.read_drafts([given["draft_a"]]),
        plateaus=plateaus,
        aims=planning.read_aims(given["aims"]),
        session_month=float(given["session_month"]),
        safe_share=float(given["safe_share"]),
    )
    assert given["draft_a"] == "frontal 510 on 45, crown 600 on 60"
    pd.testing.assert_frame_equal(shown.predicted().table(), expected.table())
    said = pages.planner.side_by_side(expected)["draft A"]
    cells = set(re.findall(r"<td>([^<]*)</td>", shown.answer.value))
    assert set(said.str.replace("'", "&#x27;")) <= cells


def test_no_slider_goes_past_what_the_donor_holds(demo, shown):
    left = planning.ledger(demo, "0006").table().set_index("term").loc["left", "estimate"]
    for zone in ("crown", "frontal", "crown"):
        shown.grafts[zone].value = shown.grafts[zone].max
        planted = sum(slider.value for slider in shown.grafts.values())
        assert planted * shown.donor.per_graft <= left
    assert shown.grafts["frontal"].max == shown.grafts["frontal"].value
    shown.grafts["crown"].value = 0
    assert shown.grafts["frontal"].max > shown.grafts["frontal"].value
    shown.grafts["frontal"].value = 0
    assert "no graft is planned yet" in shown.answer.value


def test_a_first_draft_that_does_not_fit_is_lowered_to_what_is_left(demo, plateaus, monkeypatch):
    _opened(monkeypatch)
    page = Page("05_session_plan", {"data": "data_demo"}, demo, "")
    plans = planning.read_drafts(["frontal 1500, crown 1700"], areas=AREAS)
    asked = {"plateaus": plateaus, "patient_id": "0006", "session_month": 0, "safe_share": 0.4}
    found = hands.show(page, plans, (), **asked)
    assert found.draft.grafts * found.donor.per_graft <= found.donor.left
    frontal, crown = (found.grafts[zone].value for zone in ("frontal", "crown"))
    assert frontal / crown == pytest.approx(1500 / 1700, rel=0.03)
    assert np.isfinite(found.predicted().table().query("zone == 'frontal'")["estimate"].iloc[0])


def test_a_report_holds_no_sliders(demo, plateaus, monkeypatch):
    _opened(monkeypatch)
    monkeypatch.setenv(RUN_VARIABLE, "somewhere")
    plans = planning.read_drafts(["crown 600"], areas=AREAS)
    asked = {"plateaus": plateaus, "patient_id": "0006", "session_month": 0, "safe_share": 0.4}
    assert hands.show(Page("05_session_plan", {}, demo, ""), plans, (), **asked) is None
