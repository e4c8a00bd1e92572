"""What a page shows: figures, tables, frames and the flow of patients, each numbered and with its notes."""

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any

import pandas as pd
from markupsafe import Markup

from analytics import disclosure
from analytics.errors import ParameterError
from analytics.numbers import readable
from analytics.pages import blocks, tables
from analytics.pages.content import plain_rows
from analytics.pages.figures import unsaid
from analytics.pages.page import Page, keep_drawing, note_gap, result_of, show_html
from analytics.pages.tables import MAX_ROWS, ROWS
from analytics.pages.words import of_check, of_page
from analytics.pages.writing.instead import next_number, say_instead, say_why, say_withheld
from analytics.pages.writing.saying import lead
from analytics.reports import defect, filled
from analytics.results import WHY, Result

LEAST_WORDS_OF_ALT = 4


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
        say_why(page, name, title, result.gap)
        return
    if result.table().empty:
        say_withheld(page, title)
        return
    if why := unsaid(result) or (result.picture == "intervals" and _why_no_number(result)):
        say_instead(page, title, why)
        return
    number = next_number(page, "figure")
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
        say_why(page, name, title, result.gap)
        return
    if read is not None:
        rows = _made(page, name, title, lambda: read(result))
        if rows is not None:
            frame(page, rows, title, notes=notes, of=name)
        return
    if result.table().empty:
        say_withheld(page, title)
        return
    if why := _why_no_number(result):
        if not page.written or page.written[-1].get("text") != why:  # else the figure above has said so
            say_instead(page, title, why)
        return
    number = next_number(page, "table")
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
        say_why(page, name, title, gap)
        return None


def _failed(result: Result) -> dict[str, dict[str, Any]]:
    """Return in words which checks of a result did not pass: of what, and what that means for the reader."""
    failed: dict[str, dict[str, Any]] = {}
    for name in (check for check, passed in result.checks.items() if not passed):
        of, _, check = name.rpartition(": ")
        own = failed.setdefault(readable(check), {"of": [], "says": of_check(check)})
        own["of"] += [readable(of)] if of else []
    return failed


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
        say_instead(page, title, why if page.audience == "internal" else disclosure.UNTOLD)
        return
    shown = disclosure.protect_frame(rows, page.audience)
    told = shown if read is None or shown.empty else read(shown)
    if told.empty:
        none = "none" if page.audience == "internal" else "none, or none that this audience may see"
        if len(rows) and shown.empty:
            say_withheld(page, title)
        else:
            show_html(filled("blocks/instead", title=title, why=none, withheld=False))
        return
    number = next_number(page, "table")
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
        number = next_number(page, "figure")
        alt = of_page(page.name)["alt"]["flow"]
        block = _made(page, "flow", title, partial(blocks.flow_block, seen, lost, labels, number, title, alt))
        if block is not None:
            page.written.append({"kind": "figure", "id": f"f{number}", "name": "flow", "title": title})
            show_html(block)
            keep_drawing(f"figure_{number}_flow", partial(blocks.flow_files, seen, lost, labels, alt))
    frame(page, stages, title, labels=labels, folded=True)
    frame(page, left_out, "Why units are not in the analysis, by group", labels=labels, folded=True)


def _notes(page: Page, title: str, notes: Sequence[str]) -> tuple[str, ...]:
    """Return the notes under a table: those of the workbook's own page by its title, and those given."""
    return (*of_page(page.name).get("notes", {}).get(title, ()), *notes)
