"""The planner with hands: its numbers are the command's, and no slider goes past what the donor holds."""

import html
import re
import shlex

import numpy as np
import pandas as pd
import pytest
import seen
from conftest import ROOT

from analytics import pages, planning
from analytics.__main__ import main
from analytics.app import hands
from analytics.pages.page import Page
from analytics.reports import RUN_VARIABLE, browser

AREAS = {"frontal": 45.0, "crown": 90.0}


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
        planning.read_drafts(["frontal 700, crown 600", "crown 900"], areas=AREAS),
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
        planning.read_drafts([given["draft_a"], given["draft_b"]]),
        plateaus=plateaus,
        aims=planning.read_aims(given["aims"]),
        session_month=float(given["session_month"]),
        safe_share=float(given["safe_share"]),
    )
    assert given["draft_a"] == "frontal 510 on 45, crown 600 on 60"
    pd.testing.assert_frame_equal(shown.predicted().table(), expected.table())
    said = pages.planner.side_by_side(expected)["draft A"]
    cells = set(re.findall(r"<td [^>]*>([^<]*)</td>", shown.answer.value))
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


@pytest.mark.browser
@pytest.mark.long
@pytest.mark.skipif(browser.find() is None, reason="no Chromium, Chrome or Edge on this computer")
def test_in_jupyterlab_sliders_that_are_moved_say_what_the_printed_command_reports(
    chromium, laboratory, tmp_path
):
    address, root = laboratory
    notebook = root / "notebooks" / "05_session_plan.ipynb"
    text = notebook.read_text(encoding="utf-8")
    given = {
        "data": str(ROOT / "data_demo"),
        "patient": "0006",
        "draft_a": "frontal 700 on 45, crown 600 on 90",
        "draft_b": "crown 900 on 90",
    }
    for name, value in given.items():
        text = re.sub(rf'({name}: str = )\\"[^\\]*\\"', lambda was, to=value: f'{was[1]}\\"{to}\\"', text)
    notebook.write_text(text, encoding="utf-8")
    page, _ = seen.run(chromium, address, "05_session_plan")
    command = page.locator("[role=status] pre")
    command.wait_for()
    before = command.inner_text()
    row = page.locator(".widget-hslider", has_text="crown grafts")
    row.locator(".noUi-handle").focus()
    for _ in range(9):
        page.keyboard.press("ArrowLeft")
    target = page.locator(".widget-text", has_text="to hairs/cm²").nth(1).locator("input")
    target.fill("110")
    target.press("Enter")
    page.locator("[role=status] pre", has_text="crown 510 on 90").filter(
        has_text="crown 90 to 110"
    ).wait_for()
    page.screenshot(path=seen.PICTURES / "planner.png")
    words = shlex.split(command.inner_text())
    assert words != shlex.split(before)
    assert main([*words[1:], "--out", str(tmp_path)]) == 0
    made = (tmp_path / "05_session_plan" / "05_session_plan.html").read_text(encoding="utf-8")
    assert _rows(page.locator("[role=status] table").evaluate("table => table.outerHTML")) == _rows(made)
    assert page.locator("[role=status] strong").first.inner_text() in html.unescape(made)
    page.close()


def _rows(text):
    """Return the rows of the table of drafts: the cells of each, without tags."""
    tables = re.findall(r"<table.*?</table>", text, flags=re.S)
    (table,) = (found for found in tables if "planted density" in found and "left for later" in found)
    return [
        [html.unescape(re.sub(r"<[^>]+>", "", cell)) for cell in re.findall(r"<t[hd].*?</t[hd]>", row, re.S)]
        for row in re.findall(r"<tr.*?</tr>", table.partition("<tbody")[2].partition("</tbody")[0], re.S)
    ]
