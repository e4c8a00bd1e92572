"""A section fails alone: what cannot be answered says so in its place, and the rest of the page appears."""

import pandas as pd
import pytest

from analytics import disclosure, numbers, pages, reports, results
from analytics.errors import FitError
from analytics.pages.page import Page
from analytics.pages.writing import showing
from analytics.results import Gap, Result

WHY = "7 patients were counted, 10 are needed; count more."


def _answered(records) -> Result:
    return Result(pd.DataFrame([results.line("mean", 5.0, "%")]), pd.DataFrame(), "a mean")


def _refused(records) -> Result:
    raise FitError("regrowth.emergence(fit): 7 patients were counted, 10 are needed; count more")


def _fit(records) -> float:
    raise FitError("regrowth.fit: 7 patients were counted, 10 are needed; count more")


def _resting(records, *, fit: float) -> Result:
    raise AssertionError("is never asked: its fit has no answer")


def _defective(records) -> Result:
    return Result(pd.DataFrame([{"estimate": 1 / 0}]), pd.DataFrame(), "")


@pytest.fixture
def shown(monkeypatch):
    """Hold what a page would show as HTML."""
    out: list[str] = []
    monkeypatch.setattr("analytics.pages.page.display", lambda html, **_: out.append(str(html.data)))
    return out


def _page(audience="internal", **questions) -> tuple[Page, dict]:
    page = Page("sample", {"audience": audience}, None, "")
    answers = pages.ask(page, **questions)
    return pages.results(page, **answers), answers


def test_a_refusal_becomes_a_sentence_and_the_others_are_answered():
    _, answers = _page(good=pages.question(_answered), bad=pages.question(_refused))
    assert answers["good"].table()["estimate"].tolist() == [5.0]
    assert results.why_not(answers["bad"]) == WHY
    assert results.why_not(answers["good"]) == ""
    assert not answers["bad"].gap.is_defect


def test_what_rests_on_a_failed_fit_says_its_sentence_and_is_not_asked():
    fit = pages.question(_fit)
    _, answers = _page(one=pages.question(_resting, fit=fit), other=pages.question(_resting, fit=fit))
    assert {results.why_not(a) for a in answers.values()} == {WHY}


def test_a_defect_is_told_by_its_kind_and_its_text_goes_to_no_page():
    page, answers = _page(bad=pages.question(_defective))
    gap = answers["bad"].gap
    assert gap.is_defect
    assert "ZeroDivisionError" in gap.why
    assert "division by zero" not in gap.why
    assert "division by zero" in gap.details
    content = pages.content.collect("sample", "internal", page.results, page.written, {})
    assert content["defects"] == ["bad"]
    assert list(content["unanswered"]) == ["bad"]
    assert "division by zero" not in str(content)


def test_figure_table_frame_and_left_out_print_the_sentence_once_in_full(shown):
    page, answers = _page(bad=pages.question(_refused))
    pages.figure(page, "bad", "Yield by zone", alt="a dot and a bar a zone")
    pages.table(page, "bad", "The same in numbers")
    pages.frame(page, answers["bad"].extra["behind"], "Who is behind")
    pages.left_out(page, "bad")
    pages.method(page)
    html = " ".join(shown)
    content = pages.content.collect("sample", "internal", page.results, page.written, {})
    assert content["unanswered"] == {"Yield by zone": WHY}  # under the heading a reader knows
    assert html.count(WHY) == 1
    assert html.count("for the reason given at: Yield by zone") == 3


def test_sentences_say_why_there_is_no_number():
    page, _answers = _page(half=pages.question(_refused), crown_front=pages.question(_refused))
    assert pages.say(page, "half", zone="crown") == WHY.rstrip(".")
    assert pages.verdict(page, "half", below="", above="", unsure="") == WHY
    assert pages.in_words.when_reached(page.results["half"], "crown", percent=50) == WHY
    assert WHY in pages.sentences.crown_against_front(page, "")
    assert numbers.pick(page.results["half"], zone="crown")["flag"] == WHY.rstrip(".")


def test_what_holds_no_such_row_is_a_gap_of_its_own():
    _, answers = _page(good=pages.question(_answered))
    gone = results.only(answers["good"], term="tempo_ratio")
    assert results.why_not(gone) == "These records hold no number for: tempo ratio."
    assert gone.extra["anything"].empty
    assert results.only(gone, zone="crown") is gone


def test_a_reader_outside_is_not_told_why():
    """The reason may hold small numbers; that there is no answer does not."""
    page, _answers = _page("shared", bad=pages.question(_refused), half=pages.question(_answered))
    assert results.why_not(page.results["bad"]) == disclosure.UNTOLD
    content = pages.content.collect("sample", "shared", page.results, page.written, {})
    assert "7 patients" not in str(content)
    assert content["unanswered"] == {"bad": disclosure.UNTOLD}


def test_a_drawing_that_fails_takes_its_own_place_only(shown, monkeypatch):
    page, _ = _page(good=pages.question(_answered))
    monkeypatch.setattr(showing.blocks, "figure_block", lambda *_, **__: 1 / 0)
    pages.figure(page, "good", "Mean", alt="a dot and a bar alone")
    pages.table(page, "good", "Mean in numbers")
    assert "ZeroDivisionError" in " ".join(shown)
    assert "Mean in numbers" in " ".join(shown)
    assert [e["is_defect"] for e in page.written if e["kind"] == "no answer"] == [True]


def test_quantiles_of_too_few_are_not_drawn_and_the_page_says_so(shown):
    few = results.Curve(
        pd.DataFrame([results.line("further off", 0.0, "%", by={"part": "patients"})]), pd.DataFrame(), "m",
        by=("part",), picture="quantiles",
    )  # fmt: skip
    page = pages.results(Page("sample", {"audience": "internal"}, None, ""), few=few)
    pages.figure(page, "few", "What is left over", alt="lines near one another")
    assert "Too few counts to draw" in " ".join(shown)
    assert not [e for e in page.written if e["kind"] == "no answer"]


def test_the_command_says_how_many_sections_have_no_answer():
    from analytics.app.commands.report import WITHOUT_ANSWER, told

    said: list[str] = []
    assert told((), (), "01", said.append) == 0
    assert said == []
    assert told(("Losses", "Yield, by zone"), (), "01", said.append) == WITHOUT_ANSWER
    assert said == ["Made, 2 sections without an answer: Losses; Yield, by zone."]
    assert told(("half",), ("half",), "01", said.append) == 1
    assert "details.txt" in said[-1]


def test_a_gap_travels_between_processes_with_its_frames():
    import pickle

    gone = pickle.loads(pickle.dumps(results.unanswered(Gap(WHY))))
    assert gone.extra["x"].attrs[results.WHY] == WHY
    assert results.why_not(gone) == WHY


def test_the_front_page_says_made_without_answers(tmp_path):
    card = {"state": "made", "made": reports.without_answer(2)}
    assert reports.overview._as_read(card)["word"] == "Made, 2 sections without an answer"
