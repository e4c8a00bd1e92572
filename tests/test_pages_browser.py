"""What a person sees in a real browser: offline, readable by machine and keyboard, on desk and telephone.

The rules of accessibility are axe-core's (Deque), run in the page. Screenshots are kept as artefacts.
"""

import pytest
import sample_page
import seen
from conftest import ROOT

from analytics.reports import batch, browser, overview, parameters

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(browser.find() is None, reason="no Chromium, Chrome or Edge on this computer"),
]


@pytest.mark.parametrize("size", [seen.DESK, seen.TELEPHONE], ids=["desk", "telephone"])
def test_a_report_asks_for_nothing_and_has_no_serious_fault(chromium, sample_report, size):
    page, asked = seen.opened(chromium, sample_report.files["html"], size)
    assert asked == []
    assert seen.serious(page) == []
    page.screenshot(path=seen.PICTURES / f"sample_{size['width']}.png", full_page=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], (
        "nothing sticks out sideways"
    )
    page.close()


def test_the_check_of_accessibility_sees_a_fault_when_there_is_one(chromium, tmp_path):
    broken = tmp_path / "broken.html"
    broken.write_text('<html><body><img src="data:,"><p style="color:#ccc">pale</p></body></html>')
    page, _ = seen.opened(chromium, broken, seen.DESK)
    found = " ".join(seen.serious(page))
    assert "image-alt" in found
    assert "color-contrast" in found
    page.close()


def test_a_telephone_gets_the_narrow_picture_and_a_desk_the_wide_one(chromium, sample_report):
    widths = {}
    for size in (seen.DESK, seen.TELEPHONE):
        page, _ = seen.opened(chromium, sample_report.files["html"], size)
        page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
        shown = "[...document.querySelectorAll('.rw-figure svg')].filter(s => s.getClientRects().length)"
        widths[size["width"]] = page.evaluate(f"{shown}.map(s => s.viewBox.baseVal.width)")
        page.close()
    assert len(widths[390]) == len(widths[1280]) == 2
    assert max(widths[390]) < 390 < min(widths[1280])


def test_the_keyboard_reaches_the_answer_the_tables_and_the_folded_numbers(chromium, sample_report):
    page, _ = seen.opened(chromium, sample_report.files["html"], seen.DESK)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the answer"
    page.keyboard.press("Enter")
    page.wait_for_url("**#answer")
    reached = set()
    for _ in range(12):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.tagName + ' ' + document.activeElement.className"))
    assert "SUMMARY " in reached
    page.close()


def test_a_link_to_a_fold_opens_it_and_paper_has_every_fold_open(chromium, sample_report):
    page, _ = seen.opened(chromium, sample_report.files["html"], seen.DESK)
    inside = page.locator("#what-share-grew")
    assert not inside.is_visible()
    page.goto(f"{sample_report.files['html'].as_uri()}#what-share-grew")
    assert inside.is_visible()
    page.close()
    page, _ = seen.opened(chromium, sample_report.files["html"], seen.DESK)
    page.emulate_media(media="print")
    assert page.locator("#what-share-grew > p").first.bounding_box()["height"] > 0
    page.close()


def test_the_front_page_of_a_batch_asks_for_nothing_and_has_no_serious_fault(chromium, tmp_path):
    notebook = sample_page.write(
        tmp_path / "p.ipynb",
        "from analytics import pages\npage = pages.begin('p')\n"
        "pages.answer(page, 'It grew.')\npages.attention(page, 'One case is behind.')",
        sample_page.FINISH,
    )
    plan = tmp_path / "plan.toml"
    plan.write_text(f'out = "out"\n[[report]]\npage = "{notebook}"\n')
    batch.run(batch.read(plan))
    page, asked = seen.opened(chromium, tmp_path / "out" / overview.INDEX, seen.TELEPHONE)
    assert asked == []
    assert seen.serious(page) == []
    page.get_by_role("link", name="Read p").click()
    assert page.get_by_role("heading", level=1).inner_text() == "Does the crown grow less than the front?"
    page.close()


@pytest.mark.slow
def test_in_jupyterlab_the_form_makes_a_report_and_says_what_is_wrong(chromium, laboratory, tmp_path):
    address, root = laboratory
    page, asked = seen.run(chromium, address, "00_start_here")
    data = page.get_by_label("Your records")
    try:
        data.wait_for()
    finally:
        page.screenshot(path=seen.PICTURES / "form_first.png")

    data.fill(str(tmp_path / "nowhere"))
    page.get_by_role("button", name="Check the records").click()
    page.get_by_text("The records cannot be used yet").wait_for()
    page.get_by_role("button", name="Make the report").click()
    page.get_by_text("there is no such folder or file").wait_for()

    data.fill(str(ROOT / "data_demo"))
    page.get_by_role("button", name="Check the records").click()
    page.get_by_text("The records can be used").wait_for()
    page.get_by_label("Page", exact=True).select_option(label=f"06  {parameters.title('06_method_checks')}")
    page.get_by_role("button", name="Make the report").click()
    page.get_by_text("The report is ready.").wait_for()
    page.screenshot(path=seen.PICTURES / "form.png")
    assert page.get_by_text("regrowth report 06_method_checks").count() == 1
    report = root / "reports" / "06_method_checks" / "06_method_checks.html"
    assert report.exists()
    page.get_by_role("link", name="06_method_checks.html").click()
    page.locator(".jp-HTMLViewer, iframe").first.wait_for()
    outside = [
        u for u in asked if not u.startswith((address, address.replace("http", "ws"), "data:", "blob:"))
    ]
    assert outside == []
    assert page.locator(".jp-toast-button, .Toastify__toast").count() == 0, "no prompt for news"
    page.close()
