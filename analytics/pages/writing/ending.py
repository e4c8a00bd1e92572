"""What stands beneath the answers: what the choices carry, graded photographs, methods, rows left out."""

from collections.abc import Mapping
from typing import Any

import pandas as pd

from analytics import early, measurement, yields
from analytics.numbers import number, readable
from analytics.pages import blocks
from analytics.pages.page import Page, result_of, show_html
from analytics.pages.small import photographs_in_short
from analytics.pages.writing.instead import say_instead
from analytics.pages.writing.saying import lead
from analytics.pages.writing.showing import figure, frame, table
from analytics.reports import Question
from analytics.results import why_not

CARRIED = ("carried", "later", "graded", "graders", "asked")


def carried(choices: yields.Choices = yields.USUAL) -> dict[str, Question]:
    """Return the questions of a register of any size: what is carried, when more can be told, grades."""
    return {
        "carried": Question(early.ladder, {"choices": choices}),
        "later": Question(early.when, {"choices": choices}),
        "graded": Question(measurement.grades, {}),
        "graders": Question(measurement.reader_agreement, {}),
        "asked": Question(measurement.answers, {}),
    }


def carried_of(answers: Mapping[str, Any]) -> dict[str, Any]:
    """Return the answers to `carried`, by name, to be handed over."""
    return {name: answers[name] for name in CARRIED}


def graded(page: Page) -> None:
    """Write what graded photographs show by month, how readers agree, what patients answered.

    Of results named graded, graders and asked, those the page has; nothing where a clinic records no such
    thing. What a count would add is said beside.

    Examples
    --------
    >>> import pandas as pd
    >>> from analytics import pages, results
    >>> row = results.line("yield", 80.0, "%", se=2.0, ci=(76.0, 84.0), basis="model", n_patients=9)
    >>> given = results.Result(pd.DataFrame([row]), pd.DataFrame(), "counted by hand")
    >>> page = pages.results(pages.begin("my_question"), seen=given)
    <IPython.core.display.HTML object>
    >>> pages.graded(page)
    >>> page.written
    []
    """
    titles = {"graded": "Grades of photographs, by zone and month", "asked": "Patients' answers, by month"}
    there = [n for n in ("graded", "graders", "asked") if n in page.results and page.results[n].gap is None]
    if not there:
        return
    if told := photographs_in_short(page):
        lead(page, told)
    lead(
        page, "A grade says how a zone looks; only counted hairs say how much of what was planted has grown."
    )
    for name in there:
        if name == "graders":
            table(page, name, "How far two readers grade alike", rows_are="Photographs")
            continue
        figure(page, name, titles[name], alt=f"{titles[name]}: a mean and its bar at each month")
        table(page, name, titles[name])


def method(page: Page, *names: str) -> None:
    """Write how each result was made, how many rows it rests on, and which of its checks failed.

    Parameters
    ----------
    names
        Of results handed over; all of them where none is named.

    Examples
    --------
    >>> import pandas as pd
    >>> from analytics import pages, results
    >>> row = results.line("yield", 80.0, "%", se=2.0, ci=(76.0, 84.0), basis="model", n_patients=9)
    >>> given = results.Result(pd.DataFrame([row]), pd.DataFrame(), "counted by hand")
    >>> page = pages.results(pages.begin("my_question"), seen=given)
    <IPython.core.display.HTML object>
    >>> pages.method(page, "seen")
    <IPython.core.display.HTML object>
    """
    named = {name: result_of(page, name) for name in names or tuple(page.results)}
    named = {name: result for name, result in named.items() if result.gap is None}
    show_html(blocks.method_block(named, page.audience, page.written), slot="made")


def left_out(page: Page, name: str, *, reasons: Mapping[str, str] | None = None) -> None:
    """Write how many rows of a result were left out, and why: one row per reason.

    Parameters
    ----------
    page, name
        The page and the result.
    reasons
        Sentence by code, such as `yields.REASONS`.

    Examples
    --------
    >>> import pandas as pd
    >>> from analytics import pages, results
    >>> row = results.line("yield", 80.0, "%", basis="model")
    >>> given = results.Result(pd.DataFrame([row]), pd.DataFrame({"reason": ["", "no baseline"]}), "by hand")
    >>> page = pages.results(pages.begin("my_question"), seen=given)
    <IPython.core.display.HTML object>
    >>> pages.left_out(page, "seen")
    <IPython.core.display.HTML object>
    <IPython.core.display.HTML object>
    >>> page.written[0]["text"]
    '1 of 2 rows; most often: no baseline.'
    """
    if why := why_not(result_of(page, name)):
        say_instead(page, "Rows left out, and why", why)
        return
    used = result_of(page, name).rows()
    codes = used["reason"].fillna("").astype(str) if "reason" in used else pd.Series([], dtype=str)
    counts = codes[codes.ne("")].value_counts().rename_axis("reason").reset_index(name="n_rows")
    counts["reason"] = counts["reason"].map(lambda code: (reasons or {}).get(code, readable(code)))
    counts = counts.sort_values(["n_rows", "reason"], ascending=[False, True])
    lead(page, _most_left_out(page, counts, len(used)))
    frame(
        page,
        counts,
        "Rows left out, and why",
        labels={"reason": "Why", "n_rows": "Rows"},
    )


def _most_left_out(page: Page, counts: pd.DataFrame, n_rows: int) -> str:
    """Return how many rows were left out and the commonest reason; no exact total leaves the clinic."""
    if counts.empty:
        return "None."
    often = counts["reason"].iloc[0]
    if page.audience != "internal":
        return f"Most often: {often}."
    return f"{number(counts['n_rows'].sum())} of {number(n_rows)} rows; most often: {often}."
