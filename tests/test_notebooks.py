"""Every page on the demo register, through the real renderer."""

import inspect
import json
import re

import pytest
import seen

from analytics import yields
from analytics.pages.audit import panels
from analytics.reports import parameters

PAGES = parameters.pages()
LARGEST_BYTES = 4_000_000  # a page that is mailed; a choice of ours


@pytest.mark.slow
@pytest.mark.parametrize("page", PAGES)
def test_a_page_renders_on_the_demo_with_its_defaults_and_answers_its_question(page, demo_report):
    report = demo_report(page)
    text = report.files["html"].read_text(encoding="utf-8")
    assert report.answer.endswith((".", "!"))
    assert "Traceback" not in text
    assert "Warning" not in re.sub(r'src(set)?="[^"]*"', "", text)
    assert report.files["html"].stat().st_size < LARGEST_BYTES


@pytest.mark.parametrize("page", PAGES)
def test_the_cautions_and_what_the_page_rests_on_stand_on_it(page, demo_report):
    text = demo_report(page).files["html"].read_text(encoding="utf-8")
    assert "Decision support for licensed practitioners" in text
    assert "Regrowth workbook" in text
    assert 'aria-label="What this report rests on"' in text


@pytest.mark.browser
@pytest.mark.parametrize("name", PAGES)
def test_a_page_asks_for_nothing_and_has_no_serious_fault_of_accessibility(chromium, demo_report, name):
    page, asked = seen.opened(chromium, demo_report(name).files["html"], seen.TELEPHONE)
    assert asked == []
    assert seen.serious(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= seen.TELEPHONE["width"]
    page.screenshot(path=seen.PICTURES / f"{name}_390.png", full_page=True)
    page.close()


@pytest.mark.parametrize("page", PAGES)
def test_every_number_shown_has_a_unit_and_every_missing_one_a_reason(page, demo_report):
    content = json.loads(demo_report(page).files["results"].read_text())
    for name, result in content["results"].items():
        columns = result["table"]["columns"]
        for row in result["table"]["rows"]:
            named = dict(zip(columns, row, strict=True))
            assert named["unit"] is not None, name
            assert named["estimate"] is not None or named.get("flag"), f"{name}: a missing number says why"


@pytest.mark.slow
@pytest.mark.parametrize("page", [p for p in PAGES if p != "06_method_checks"])
def test_a_page_for_the_public_shows_no_count_of_one_to_nine_patients(page, shown_page):
    # Threshold: Washington State Department of Health, Standards for Reporting Data with Small Numbers, 2018.
    shown = shown_page(page)["public"]
    if shown.refused:
        assert shown.refused == "ParameterError", "a page about one patient may refuse this audience"
        return
    for name, result in shown.content["results"].items():
        for part in ("table", "path"):
            table = result.get(part, {"columns": [], "rows": []})
            at = [i for i, column in enumerate(table["columns"]) if column == "n_patients"]
            counts = [row[i] for row in table["rows"] for i in at if row[i] is not None]
            assert not [n for n in counts if 0 < n < 10], name


def test_the_surgeon_audit_hands_its_native_change_to_every_question(demo, monkeypatch):
    """A model made under one choice and readings under another would be refused on the page itself."""
    without = yields.Choices(native_change="none")
    asked = {}
    monkeypatch.setattr(panels, "ask", lambda page, **questions: asked.update(questions) or {})
    monkeypatch.setattr(panels, "_panels", dict)
    panels.asked(None, without, curve="burr")
    found = list(asked.values())
    for question in found:
        of_a_fit = [a for a in question.arguments.values() if isinstance(a, type(question))]
        found += of_a_fit
        if "choices" in inspect.signature(question.function).parameters and not of_a_fit:
            assert question.arguments.get("choices") == without, question.function
    assert len(found) > len(asked) > 20
