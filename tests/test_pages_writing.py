"""What a notebook writes: sentences that the interval supports, nothing withheld in words, one hand-over."""

import numpy as np
import pandas as pd
import pytest

from analytics import disclosure, pages
from analytics.errors import ParameterError
from analytics.pages import page as being_written
from analytics.results import Result, counted


@pytest.fixture(autouse=True)
def shown(monkeypatch):
    """Keep what a page displays instead of printing it."""
    shown = []
    monkeypatch.setattr(
        being_written, "display", lambda content, **_: shown.append(getattr(content, "data", content))
    )
    return shown


def _difference(low: float, high: float, n: int = 60) -> Result:
    frame = pd.DataFrame(
        {
            "term": ["difference"],
            "estimate": [(low + high) / 2],
            "se": [(high - low) / 4],
            "ci_low": [low],
            "ci_high": [high],
            "unit": ["points"],
            "n_patients": [n],
        }
    )
    return Result(frame, pd.DataFrame({"patient_id": ["p1"], "reason": [""]}), "given")


def _page(result: Result, audience: str = "internal") -> pages.Page:
    return pages.results(pages.Page("own", {"audience": audience}, None, ""), difference=result)


def _said(page: pages.Page, **more) -> str:
    return pages.verdict(
        page, "difference", below="lower", above="higher", unsure="cannot tell: {value}", **more
    )


@pytest.mark.parametrize(
    ("limits", "null", "said"),
    [((-9, -2), 0.0, "lower"), ((2, 9), 0.0, "higher"), ((2, 9), 10.0, "lower")],
)
def test_the_sentence_is_the_one_the_whole_interval_supports(limits, null, said):
    assert _said(_page(_difference(*limits)), null=null) == said


def test_an_interval_that_holds_no_difference_cannot_tell_and_says_the_number():
    said = _said(_page(_difference(-5, 3)))
    assert said == "cannot tell: −1 point (95\u202f% interval −5 to 3; 60 patients)"


def test_a_missing_number_cannot_tell():
    said = _said(_page(_difference(np.nan, np.nan)))
    assert said.startswith("cannot tell")


def test_a_number_this_audience_may_not_see_is_said_to_be_withheld():
    page = _page(_difference(-9, -2, n=3), "public")
    assert pages.say(page, "difference", term="difference") == disclosure.WITHHELD
    assert _said(page).startswith("cannot tell")


def test_small_counts_in_sentences_are_words_for_those_outside(shown):
    page = _page(_difference(-9, -2), "public")
    pages.answer(page, f"It rests on {counted(3)} patients.")
    pages.attention(page, "{n} cases are behind.", [1, 2])
    texts = [entry["text"] for entry in page.written]
    assert texts == ["It rests on fewer than 10 patients.", "fewer than 10 cases are behind."]
    assert not any("3 patients" in text or ">2 cases" in text for text in shown)


def test_inside_the_clinic_small_counts_stand_as_they_are():
    page = _page(_difference(-9, -2))
    pages.attention(page, "{n} cases are behind.", [1, 2])
    assert page.written[0]["text"] == "2 cases are behind."


def test_nothing_is_written_when_nothing_needs_attention(shown):
    page = _page(_difference(-9, -2))
    pages.attention(page, "{n} cases are behind.", [])
    assert page.written == []
    assert shown == []


def test_results_are_handed_over_once():
    with pytest.raises(ParameterError, match="hand over all results of the page in one call"):
        pages.results(_page(_difference(-9, -2)), more=_difference(1, 2))


def test_a_figure_without_a_written_alternative_is_refused():
    page = _page(_difference(-9, -2))
    for alt in ("", "Figure", "chart of yield"):
        with pytest.raises(ParameterError, match="say in a sentence what the picture shows"):
            pages.figure(page, "difference", "Difference", alt=alt)


def test_an_unknown_result_is_refused_with_those_there_are():
    with pytest.raises(ParameterError, match="this page has difference"):
        pages.table(_page(_difference(-9, -2)), "other", "Other")


def test_the_answer_s_numbers_stand_out_and_its_text_is_no_markup(shown):
    pages.answer(_page(_difference(-9, -2)), "It is −6 points (95 % interval −9 to −2) & <b>no</b> more.")
    assert "<strong>−6 points</strong> (95" in shown[-1]
    assert "&lt;b&gt;" in shown[-1]


def test_a_notebook_of_ones_own_can_be_written_in_jupyterlab(shown):
    page = pages.begin("our own question", audience="internal", threshold=3)
    assert page.settings == {"audience": "internal", "threshold": 3}
    assert any("<style>" in text for text in shown)


def test_a_sentence_around_a_withheld_number_gives_way_to_one_that_reads_right(shown):
    """It stood on a page as: of a supply of withheld, small numbers, withheld, small numbers remain."""
    page = _page(_difference(-9, -2, n=3), "public")
    said = f"Of a supply of {disclosure.WITHHELD}, {disclosure.WITHHELD} remain."
    pages.answer(page, said)
    pages.lead(page, said)
    texts = {entry["text"] for entry in page.written}
    assert texts == {"The answer rests on too few patients to be shown to this audience."}
