"""The layout of a report: what stands on its first screen, what is folded under which question.

Expectations are worked by hand from a notebook of a few cells.
"""

import re

import nbformat
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

from analytics.reports import MARK, export


def _cell(html: str, **mark) -> nbformat.NotebookNode:
    """Return an executed cell that shows this HTML."""
    metadata = {MARK: mark} if mark else {}
    out = new_output("display_data", data={"text/html": html}, metadata=metadata)
    return new_code_cell("hidden()", outputs=[out])


def _report(*cells: nbformat.NotebookNode) -> str:
    return export.html(new_notebook(cells=[new_markdown_cell("# Does it grow?"), *cells]))


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


def test_a_fold_with_a_check_that_did_not_pass_is_open_and_says_so():
    page = _report(
        new_markdown_cell("## Is it lower?"), _cell("<p>a</p>", failed=[]),
        _cell("<p>b</p>", failed=["converged"]),
        new_markdown_cell("## And later?"), _cell("<p>c</p>", failed=[]),
    )  # fmt: skip
    failed, sound = _folds(page)
    assert '<details class="rw-fold rw-failed" open>' in failed
    assert "Check not passed: converged" in failed
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
    assert page.index("<footer") < page.index("<p>care</p>")


def test_the_line_of_every_printed_page_is_a_string_of_the_style_sheet():
    page = _report(_cell("<p>w</p>", slot="strip", foot_line='A "b" </style> \\ c'))
    assert page.count("</style>") == 1
    assert 'content: "A \\000022b\\000022 ' in page
