"""The layout of a report: what stands on its first screen, what is folded under which question.

Expectations are worked by hand from a notebook of a few cells.
"""

import re

import nbformat
import numpy as np
import pandas as pd
import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

from analytics import pages, results
from analytics.pages import first_screen, head
from analytics.pages import page as being_written
from analytics.reports import MARK, export
from analytics.results import Result


def _cell(html: str, **mark) -> nbformat.NotebookNode:
    """Return an executed cell that shows this HTML."""
    metadata = {MARK: mark} if mark else {}
    out = new_output("display_data", data={"text/html": html}, metadata=metadata)
    return new_code_cell("hidden()", outputs=[out])


def _report(*cells: nbformat.NotebookNode, answer: str = "<p>It does.</p>") -> str:
    first = [_cell(answer, slot="answer")] if answer else []
    return export.html(new_notebook(cells=[new_markdown_cell("# Does it grow?"), *first, *cells]))


def _folds(page: str) -> list[str]:
    return re.findall(r"<details class=\"rw-fold.*?</details>", page, flags=re.DOTALL)


def test_what_stands_before_the_first_question_is_the_first_screen_in_its_own_order():
    page = _report(
        _cell("<p>picture</p>"),
        _cell("<p>map</p>", slot="aside"),
        _cell("<p>number</p>", slot="numbers"),
        _cell("<p>yes</p>", slot="answer"),
        _cell("<p>whose</p>", slot="strip", foot_line="For this clinic"),
    )
    order = [page.index(f"<p>{word}</p>") for word in ("whose", "yes", "number", "picture", "map")]
    assert order == sorted(order)
    assert page.index("<p>whose</p>") < page.index("<h1>Does it grow?</h1>") < page.index("<p>yes</p>")
    assert not _folds(page)


def test_every_question_is_a_fold_whose_line_has_its_short_answer():
    page = _report(
        new_markdown_cell("## Is it lower?\n\nTwo questions."),
        _cell("<p>Not by much.</p>", lead="Not by <much>."),
        _cell("<p>table</p>"),
        _cell("<p>second lead</p>", lead="More."),
        new_markdown_cell("## And later?"),
        _cell("<p>curve</p>"),
    )
    first, second = _folds(page)
    assert "<h3>Is it lower?</h3>" in first
    assert '<span class="rw-short">Not by &lt;much&gt;.</span>' in first
    assert "<p>Not by much.</p>" not in first, "said once"
    assert all(word in first for word in ("Two questions.", "<p>table</p>", "<p>second lead</p>"))
    assert "<p>curve</p>" in second
    assert " open" not in first + second


def test_a_notebook_that_gives_no_answer_is_read_on_without_folds():
    page = _report(
        new_markdown_cell("## The model\n\nSome words."), _cell("<p>a</p>"), _cell("<p>b</p>", slot="made"),
        answer="",
    )  # fmt: skip
    (made,) = _folds(page)
    assert "<p>b</p>" in made
    order = [page.index(part) for part in ('<h2 id="the-model">The model</h2>', "Some words.", "<p>a</p>")]
    assert order == sorted(order)
    assert page.index("<p>a</p>") < page.index("How was this made?")


def test_a_fold_with_a_check_that_did_not_pass_is_open_and_says_so():
    page = _report(
        new_markdown_cell("## Is it lower?"), _cell("<p>a</p>", failed={}),
        _cell("<p>b</p>", failed={"converged": {"of": ["crown"], "says": "It stopped early."}}),
        new_markdown_cell("## And later?"), _cell("<p>c</p>", failed={}),
        new_markdown_cell("## By the same model?"),
        _cell("<p>d</p>", failed={"converged": {"of": [], "says": "It stopped early."}}),
    )  # fmt: skip
    failed, sound, again = _folds(page)
    assert '<details class="rw-fold rw-failed">' in again, "said twice, opened once"
    assert '<details class="rw-fold rw-failed" open>' in failed
    assert "Check not passed: converged (crown)" in failed
    assert failed.count("It stopped early.") == 1
    assert "It stopped early." not in again, "explained where it is first named"
    assert '<details class="rw-fold">' in sound


def test_a_link_leads_to_the_inside_of_a_fold_so_that_the_browser_opens_it():
    """HTML, 'ancestor revealing algorithm': a fragment inside closed details opens them."""
    page = _report(new_markdown_cell("## Is the crown lower, or only later?"), _cell("<p>a</p>"))
    assert '<div class="rw-inside" id="is-the-crown-lower-or-only-later">' in page


def test_cautions_stand_in_the_foot_and_how_it_was_made_is_the_last_fold():
    page = _report(
        new_markdown_cell("## Cautions"), _cell("<p>care</p>", slot="foot"),
        new_markdown_cell("## How sure?"), _cell("<p>method</p>", slot="made"), _cell("<p>doubt</p>"),
    )  # fmt: skip
    folds = _folds(page)
    assert [re.search("<h3>(.*?)</h3>", f).group(1) for f in folds] == ["How sure?", "How was this made?"]
    assert "<p>method</p>" in folds[-1]
    assert page.index("<footer") < page.rindex("<p>care</p>")
    # On paper they come before the method, so that no last sheet holds them alone.
    care, method = (folds[-1].index(f"<p>{word}</p>") for word in ("care", "method"))
    assert folds[-1].index("rw-paper") < care < method


def test_the_line_of_every_printed_page_is_a_string_of_the_style_sheet():
    page = _report(_cell("<p>w</p>", slot="strip", foot_line='A "b" </style> \\ c'))
    assert page.count("</style>") == 1
    assert 'content: "A \\000022b\\000022 ' in page


@pytest.fixture
def shown(monkeypatch):
    """Keep what a page displays instead of printing it."""
    kept: list[str] = []
    monkeypatch.setattr(being_written, "display", lambda content, **_: kept.append(str(content.data)))
    return kept


def _by_zone() -> Result:
    frame = pd.DataFrame(
        {
            "zone": ["frontal", "crown"], "term": "yield_at_maturity", "estimate": [81.4, 60.0],
            "se": [1.2, 3.0], "ci_low": [79.0, 54.0], "ci_high": [84.0, 66.0], "level": 0.95, "unit": "%",
            "n_patients": [155, 3], "basis": "model",
        }
    )  # fmt: skip
    used = pd.DataFrame({"patient_id": [f"p{i}" for i in range(158)], "reason": ""})
    return Result(frame, used, "as given", by=("zone",))


def _page(audience: str = "internal") -> pages.Page:
    page = pages.Page("01_surgeon_audit", {"audience": audience}, None, "")
    return pages.results(page, by_zone=_by_zone())


def test_a_key_number_has_value_interval_and_what_it_rests_on(shown):
    page = _page()
    pages.key_numbers(page, [pages.key_number(page, "by_zone", label="Front, at month 12", zone="frontal")])
    text = re.sub(r"<[^>]+>", " ", shown[-1])
    assert "Front, at month 12" in text
    assert re.search(r"81\s+%\s+95\s%\sinterval 79 to 84\s+155 patients", text)


def test_where_there_is_no_number_the_reason_stands_beneath_and_not_in_its_size():
    why = "cannot tell: 1 patient in the compared group and 7 in the reference have an outcome"
    rows = [
        results.line("answer", np.nan, "points", flag=why),
        results.line("short", np.nan, "%", flag="not asked"),
    ]
    found = results.Result(pd.DataFrame(rows), pd.DataFrame(), "compared by hand")
    page = pages.results(pages.Page("03_hypothesis_study", {"audience": "internal"}, None, ""), study=found)
    long = pages.key_number(page, "study", label="Difference", term="answer")
    assert (long.value, long.verdict, long.why) == ("", "cannot be told", why.removeprefix("cannot tell: "))
    assert pages.key_number(page, "study", label="Asked", term="short").value == "not asked"


def test_a_key_number_others_may_not_see_is_withheld(shown):
    page = _page("public")
    tile = pages.key_number(page, "by_zone", label="Crown", zone="crown")
    assert tile.value == "withheld, small numbers"
    assert tile.interval == ""


def test_only_what_is_worse_has_the_colour_of_alarm(shown):
    words = ("worse", "not met", "low", "better", "met", "yes", "no", "cannot be told")
    for word in words:
        pages.key_numbers(_page(), [pages.KeyNumber("A", "1", verdict=word)])
        kind = re.search(r"rw-is-([a-z-]+)", shown[-1]).group(1)
        assert (kind in ("worse", "not-met", "low")) == (word in words[:3]), word
        has_shape = bool(re.search(r"[\u25a0\u25cf\u25c6\u25c7]", shown[-1]))
        assert has_shape == (word in words[:5]), "a shape beside every word that has a colour"


def test_the_map_prints_a_number_in_each_zone_on_a_scale_fixed_for_the_page(shown):
    pages.head_map(_page(), "by_zone", "All zones", term="yield_at_maturity")
    by_zone = {zone: fill for fill, zone in re.findall(r'fill="(#[0-9a-f]{6})"><title>(\w+)', shown[-1])}
    assert by_zone["Frontal"] == head._shade((81.4 - 50) / 50), "from 50 to 100 on this page"
    assert by_zone["Crown"] == head._shade((60.0 - 50) / 50)
    assert by_zone["Hairline"] == head.WHITE, "not planted"
    assert ">81<" in shown[-1]
    assert ">60<" in shown[-1]


def test_text_on_the_map_reaches_aa_on_every_shade():
    """WCAG 2.1, 1.4.3: 4.5 to 1, computed here from its definition of relative luminance."""

    def light(colour: str) -> float:
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [v / 12.92 if v <= 0.03928 else ((v + 0.055) / 1.055) ** 2.4 for v in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    for share in range(101):
        fill = head._shade(share / 100)
        pair = sorted((light(fill), light(head._ink_on(fill))))
        assert (pair[1] + 0.05) / (pair[0] + 0.05) >= 4.5, fill


def test_a_page_without_a_scale_draws_no_map():
    page = pages.results(pages.Page("own", {"audience": "internal"}, None, ""), by_zone=_by_zone())
    with pytest.raises(first_screen.ParameterError, match="has no scale"):
        pages.head_map(page, "by_zone", "All zones")
