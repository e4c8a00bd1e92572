"""What a page says: its answer, what leads to it, what needs attention, its cautions."""

from collections.abc import Sequence

import pandas as pd

from analytics import disclosure
from analytics.pages import blocks, first_screen
from analytics.pages.page import Page, show_html
from analytics.pages.words import of_page
from analytics.reports import filled
from analytics.results import counted


def answer(page: Page, sentence: str, *, asked: str = "") -> None:
    """Write the one-line answer, first on the page and on its card.

    Parameters
    ----------
    sentence
        One line, such as `say` makes.
    asked
        What exactly was asked, beneath it in smaller letters; where the page's heading says it, nothing.

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
    shown, question = (disclosure.protect_text(text, page.audience) for text in (sentence, asked))
    page.written.append({"kind": "answer", "text": shown})
    first_screen.strip(page)
    show_html(blocks.answer_block(shown, question), slot="answer")


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
