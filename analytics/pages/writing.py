"""What a notebook writes on its page, a verb for each thing: answer, lead, attention, figure, table and on.

The words that belong to a page and not to its numbers (what its pictures show, notes under its tables, its
cautions) stand in `words.toml`, by page; a notebook of one's own hands them over instead.
"""

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any

import pandas as pd
from markupsafe import Markup

from analytics import disclosure, early, measurement, yields
from analytics.errors import ParameterError
from analytics.numbers import number, readable
from analytics.pages import blocks, first_screen, tables
from analytics.pages.content import plain_rows
from analytics.pages.figures import unsaid
from analytics.pages.page import Page, keep_drawing, note_gap, result_of, show_html
from analytics.pages.small import photographs_in_short
from analytics.pages.tables import MAX_ROWS, ROWS
from analytics.pages.words import of_page
from analytics.reports import Question, defect, filled
from analytics.results import WHY, Gap, Result, counted, why_not

LEAST_WORDS_OF_ALT = 4


def answer(page: Page, sentence: str) -> None:
    """Write the one-line answer, first on the page and on its card.

    Parameters
    ----------
    sentence
        One line, such as `say` makes.

    Examples
    --------
    >>> from analytics import pages
    >>> page = pages.begin("my_question")
    <IPython.core.display.HTML object>
    >>> pages.answer(page, "Nine of ten hairs grew.")
    <IPython.core.display.HTML object>
    <IPython.core.display.HTML object>
    >>> page.written[0]["text"]
    'Nine of ten hairs grew.'
    """
    shown = disclosure.protect_text(sentence, page.audience)
    page.written.append({"kind": "answer", "text": shown})
    first_screen.strip(page)
    show_html(blocks.answer_block(shown), slot="answer")


def lead(page: Page, sentence: str) -> None:
    """Write the short answer to a heading's question: the first under a heading stands in the fold's line.

    Nothing is written for an empty sentence.

    Parameters
    ----------
    sentence
        One line; what few patients stand behind is withheld from others.

    Examples
    --------
    >>> from analytics import pages
    >>> page = pages.begin("my_question")
    <IPython.core.display.HTML object>
    >>> pages.lead(page, "No zone is behind.")
    <IPython.core.display.HTML object>
    >>> page.written[-1]["text"]
    'No zone is behind.'
    """
    if not sentence:
        return
    shown = disclosure.protect_text(sentence, page.audience)
    page.written.append({"kind": "lead", "text": shown})
    show_html(filled("blocks/lead", sentence=shown), lead=shown)


def attention(page: Page, sentence: str, rows: pd.DataFrame | Sequence | None = None) -> None:
    """Write what needs attention, when there is any: nothing is written for an empty frame.

    `{n}` in the sentence is replaced by the number of rows.

    Parameters
    ----------
    sentence
        One line.
    rows
        What is counted; None writes the sentence as it is.

    Examples
    --------
    >>> from analytics import pages
    >>> page = pages.begin("my_question")
    <IPython.core.display.HTML object>
    >>> pages.attention(page, "{n} cases are behind.", ["0001", "0002"])
    <IPython.core.display.HTML object>
    >>> page.written[-1]["text"]
    '2 cases are behind.'
    """
    if rows is not None and len(rows) == 0:
        return
    if rows is not None:
        sentence = sentence.replace("{n}", counted(len(rows)))
    show_html(filled("blocks/attention", sentence=_noted(page, sentence)))


def flag(page: Page, sentence: str) -> None:
    """Note on the page's card what is worse and stands on its first screen already; nothing where empty.

    Parameters
    ----------
    sentence
        One line.

    Examples
    --------
    >>> from analytics import pages
    >>> page = pages.begin("my_question")
    <IPython.core.display.HTML object>
    >>> pages.flag(page, "The crown is lower.")
    >>> page.written[-1]["text"]
    'The crown is lower.'
    """
    if sentence:
        _noted(page, sentence)


def _noted(page: Page, sentence: str) -> str:
    """Note what needs attention for the page's card; return it as this audience may see it."""
    shown = disclosure.protect_text(sentence, page.audience)
    page.written.append({"kind": "attention", "text": shown})
    return shown


def figure(
    page: Page,
    name: str,
    title: str,
    *,
    alt: str = "",
    caption: str = "",
    says: str = "",
    instead: tuple[str, str] = ("", ""),
) -> None:
    """Draw a result with its data table folded beneath.

    Parameters
    ----------
    page, name
        The page, and the name under which the result was handed over.
    title
        What the picture shows, above it.
    alt
        Kind of picture, what is on its axes and what it shows, for a reader who cannot see it; the main
        numbers are added. Those of the workbook's own pages stand in `words.toml`. Refused when empty or a
        mere label.
    caption
        How to read it; the interval and the method are added.
    says
        What it says in one line, written above it as the section's answer.
    instead
        Name and title of a result that is drawn where this one has no answer; none: the page says why.

    Raises
    ------
    ParameterError
        When there is no written alternative.

    Examples
    --------
    >>> import pandas as pd
    >>> from analytics import pages, results
    >>> row = results.line("yield", 80.0, "%", se=2.0, ci=(76.0, 84.0), basis="model", n_patients=9)
    >>> given = results.Result(pd.DataFrame([row]), pd.DataFrame(), "counted by hand")
    >>> page = pages.results(pages.begin("my_question"), seen=given)
    <IPython.core.display.HTML object>
    >>> pages.figure(page, "seen", "Yield", alt="A dot and its interval for the yield")
    <IPython.core.display.HTML object>
    >>> page.written[-1]["id"]
    'f1'
    """
    alt = alt or of_page(page.name).get("alt", {}).get(name, "")
    if len(alt.split()) < LEAST_WORDS_OF_ALT:
        raise ParameterError("pages.figure(alt): say in a sentence what the picture shows, at least 4 words")
    result = result_of(page, name)
    if instead[0] and result.gap is not None and result_of(page, instead[0]).gap is None:
        figure(page, *instead, caption=caption)
        return
    if says and not (result.gap is not None and result.gap.is_absent):
        lead(page, says)
    if result.gap is not None:
        _say_why(page, name, title, result.gap)
        return
    if result.table().empty:
        _withheld(page, title)
        return
    if why := unsaid(result) or (result.picture == "intervals" and _why_no_number(result)):
        _instead(page, title, why)
        return
    number = _next(page, "figure")
    named = page.audience == "internal"  # readers outside see no single reading, nor the title of a mark
    make = partial(blocks.figure_block, result, number, title, alt, caption, with_titles=named)
    block = _made(page, name, title, make)
    if block is not None:
        page.written.append({"kind": "figure", "id": f"f{number}", "name": name, "title": title})
        show_html(block, failed=_failed(result))
        keep_drawing(f"figure_{number}_{name}", partial(blocks.figure_files, result, alt))


def table(
    page: Page,
    name: str,
    title: str,
    *,
    notes: Sequence[str] = (),
    rows_are: str = ROWS,
    across: bool = False,
    says: str = "",
    read: Callable[[Result], pd.DataFrame] | None = None,
) -> None:
    """Write a result as a table, with its notes beneath.

    Parameters
    ----------
    page, name, title
        The page, the name under which the result was handed over, what the table shows.
    notes
        Sentences beneath; those of the workbook's own pages stand in `words.toml`.
    rows_are
        What its rows count, as the heading of their number.
    across
        Whether its months stand side by side.
    says
        What it says in one line, written above it as the section's answer.
    read
        Makes the frame that is shown, where that is not `result.table()`.

    Examples
    --------
    >>> import pandas as pd
    >>> from analytics import pages, results
    >>> row = results.line("yield", 80.0, "%", se=2.0, ci=(76.0, 84.0), basis="model", n_patients=9)
    >>> given = results.Result(pd.DataFrame([row]), pd.DataFrame(), "counted by hand")
    >>> page = pages.results(pages.begin("my_question"), seen=given)
    <IPython.core.display.HTML object>
    >>> pages.table(page, "seen", "Yield")
    <IPython.core.display.HTML object>
    >>> page.written[-1]["id"]
    't1'
    """
    if says:
        lead(page, says)
    result = result_of(page, name)
    if result.gap is not None:
        _say_why(page, name, title, result.gap)
        return
    if read is not None:
        rows = _made(page, name, title, lambda: read(result))
        if rows is not None:
            frame(page, rows, title, notes=notes, of=name)
        return
    if result.table().empty:
        _withheld(page, title)
        return
    if why := _why_no_number(result):
        if not page.written or page.written[-1].get("text") != why:  # else the figure above has said so
            _instead(page, title, why)
        return
    number = _next(page, "table")
    block = _made(
        page,
        name,
        title,
        lambda: tables.show(
            result,
            table_id=f"t{number}",
            title=f"Table {number}. {title}",
            notes=_notes(page, title, notes),
            rows_are=rows_are,
            across=across,
        ),
    )
    if block is not None:
        page.written.append({"kind": "table", "id": f"t{number}", "name": name, "title": title})
        show_html(block, failed=_failed(result))


def _made(
    page: Page, name: str, title: str, make: Callable[[], Markup | pd.DataFrame]
) -> Markup | pd.DataFrame | None:
    """Return what `make` gives; None where a defect stopped it: it is noted, and its place says so."""
    try:
        return make()
    except MemoryError:
        raise
    except Exception as error:  # a section fails alone, its drawing too
        gap = defect(error)
        note_gap(page, name, gap)
        _say_why(page, name, title, gap)
        return None


def _failed(result: Result) -> list[str]:
    """Return in words which checks of a result did not pass."""
    failed = [check for check, passed in result.checks.items() if not passed]
    return [": ".join(map(readable, check.split(": "))) for check in failed]


def _why_no_number(result: Result) -> str:
    """Return the one reason why no row of a result has a number; empty where some has, or reasons differ."""
    rows = result.table()
    reasons = list(rows["flag"].fillna("").unique()) if "flag" in rows else []
    if rows["estimate"].notna().any() or len(reasons) != 1 or disclosure.WITHHELD in reasons[0]:
        return ""
    return str(reasons[0])


def frame(
    page: Page,
    rows: pd.DataFrame,
    title: str,
    *,
    labels: Mapping[str, str] | None = None,
    places: Mapping[str, int] | None = None,
    notes: Sequence[str] = (),
    most: int = MAX_ROWS,
    folded: bool = False,
    read: Callable[[pd.DataFrame], pd.DataFrame] | None = None,
    of: str = "",
) -> None:
    """Write a plain frame (a list of cases, a flow of records) as a table.

    Parameters
    ----------
    page, rows, title
        The page, what is shown, and what it is.
    labels
        Heading by column, where its name does not say it.
    places
        Decimals by column; 1 where not named, 0 for whole numbers.
    notes
        Sentences beneath; those of the workbook's own pages stand in `words.toml`.
    most
        Rows shown at most.
    folded
        Whether it opens only when asked for.
    read
        Makes what is shown of the rows, once protected; files hold the rows themselves.
    of
        Name of the result it shows.

    Examples
    --------
    >>> import pandas as pd
    >>> from analytics import pages
    >>> page = pages.begin("my_question")
    <IPython.core.display.HTML object>
    >>> pages.frame(page, pd.DataFrame({"zone": ["crown"], "n_rows": [9]}), "Counts")
    <IPython.core.display.HTML object>
    >>> page.written[-1]["title"]
    'Counts'
    """
    if why := str(rows.attrs.get(WHY, "")):
        _instead(page, title, why if page.audience == "internal" else disclosure.UNTOLD)
        return
    shown = disclosure.protect_frame(rows, page.audience)
    told = shown if read is None or shown.empty else read(shown)
    if told.empty:
        none = "none" if page.audience == "internal" else "none, or none that this audience may see"
        if len(rows) and shown.empty:
            _withheld(page, title)
        else:
            show_html(filled("blocks/instead", title=title, why=none, withheld=False))
        return
    number = _next(page, "table")
    rows_shown = plain_rows(shown)
    entry = {"kind": "table", "id": f"t{number}", "name": of, "title": title, "frame": rows_shown}
    page.written.append(entry)
    caption, words = f"Table {number}. {title}", of_page(page.name)
    written = tables.show(
        told,
        whole=shown,
        table_id=f"t{number}",
        title=caption,
        notes=_notes(page, title, notes),
        labels={**words.get("labels", {}).get(title, {}), **(labels or {})},
        places={**words.get("places", {}).get(title, {}), **(places or {})},
        most=most,
    )
    show_html(blocks.folded(caption, written) if folded else written)


def flow(
    page: Page, stages: pd.DataFrame, left_out: pd.DataFrame, title: str, *, labels: Mapping[str, str]
) -> None:
    """Draw who was there at each stage of a study and why others were left out; its tables fold beneath.

    Parameters
    ----------
    page, stages, left_out, title, labels
        The page, `study.flow`, `study.reasons`, what the picture shows, `study.flow_labels`.

    Examples
    --------
    >>> from analytics import pages, simulate, study
    >>> clinic = simulate.as_records(simulate.register(40)[0])
    >>> plan = study.read("data_demo/study_out_of_body.toml")
    >>> stages, lost = study.flow(clinic, plan), study.reasons(clinic, plan)
    >>> page = pages.begin("03_hypothesis_study", "data_demo")
    <IPython.core.display.HTML object>
    >>> pages.flow(page, stages, lost, "Who was in it", labels=study.flow_labels(clinic, plan))
    <IPython.core.display.HTML object>
    <IPython.core.display.HTML object>
    <IPython.core.display.HTML object>
    >>> page.written[0]["kind"]
    'figure'
    """
    seen, lost = (disclosure.protect_frame(rows, page.audience) for rows in (stages, left_out))
    if not seen.empty:
        number = _next(page, "figure")
        alt = of_page(page.name)["alt"]["flow"]
        block = _made(page, "flow", title, partial(blocks.flow_block, seen, lost, labels, number, title, alt))
        if block is not None:
            page.written.append({"kind": "figure", "id": f"f{number}", "name": "flow", "title": title})
            show_html(block)
            keep_drawing(f"figure_{number}_flow", partial(blocks.flow_files, seen, lost, labels, alt))
    frame(page, stages, title, labels=labels, folded=True)
    frame(page, left_out, "Why units are not in the analysis, by group", labels=labels, folded=True)


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
        _instead(page, "Rows left out, and why", why)
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


def cautions(page: Page, *more: str) -> None:
    """Write the page's own cautions and those that stand on every page.

    Parameters
    ----------
    more
        Sentences of the page's own.

    Examples
    --------
    >>> from analytics import pages
    >>> page = pages.begin("my_question")
    <IPython.core.display.HTML object>
    >>> pages.cautions(page, "One reader counted all of it.")
    <IPython.core.display.HTML object>
    """
    own = (*of_page(page.name).get("cautions", ()), *more)
    show_html(blocks.cautions_block(own), slot="foot")


def _next(page: Page, kind: str) -> int:
    return 1 + sum(entry["kind"] == kind for entry in page.written)


def untold(page: Page, name: str, title: str) -> None:
    """Note under which heading a reader misses an answer, for the page's card and the command line."""
    page.written.append({"kind": "untold", "name": name, "title": title})


def _say_why(page: Page, name: str, title: str, gap: Gap) -> None:
    """Say why a question has no answer; nothing where the clinic does not record such a thing."""
    if not gap.is_absent:
        untold(page, name, title)
        _instead(page, title, gap.why)


def _instead(page: Page, title: str, why: str) -> None:
    """Say why there is no picture or table; once in full, and after that where it was said."""
    before = next((e for e in page.written if e["kind"] == "unsaid" and e["text"] == why), None)
    if before is not None:
        said = f"No answer, for the reason given at: {before['title']}."
        show_html(filled("blocks/instead", title=title, why=said, withheld=False))
        return
    page.written.append({"kind": "unsaid", "title": title, "text": why})
    show_html(
        filled("blocks/instead", title=title, why=disclosure.protect_text(why, page.audience), withheld=False)
    )


def _withheld(page: Page, title: str) -> None:
    page.written.append({"kind": "withheld", "title": title})
    show_html(filled("blocks/instead", title=title, why=disclosure.WITHHELD, withheld=True))


def _notes(page: Page, title: str, notes: Sequence[str]) -> tuple[str, ...]:
    """Return the notes under a table: those of the workbook's own page by its title, and those given."""
    return (*of_page(page.name).get("notes", {}).get(title, ()), *notes)
