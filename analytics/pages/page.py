"""The page that is being written: begun, its questions asked, its results protected together, finished.

A page is one notebook. It begins, asks its questions, hands over every result it may show, and then writes
(`writing`): answer, picture, table, how sure, what was left out, cautions. Its last cell finishes it.

    page = pages.begin("01_surgeon_audit", data, audience=audience, as_of=as_of)
    answers = pages.ask(page, by_zone=pages.question(yields.average, choices=yields.USUAL))
    page = pages.results(page, **answers)
    pages.answer(page, f"{pages.say(page, 'by_zone', zone='crown')} of the hairs planted in the crown grew.")
    pages.figure(page, "by_zone", "Yield by zone", alt="A dot and its interval for each zone.")
    pages.finish(page)

Results are handed over together because they are protected together for the page's audience: one table
can give back what another withholds. Everything written (answer, table, figure data, `results.json`,
Excel) comes from the protected ones.
"""

import hashlib
import json
import os
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pandas as pd
from IPython.display import HTML, display

from analytics import disclosure, files, numbers, records, reports
from analytics.errors import ParameterError
from analytics.pages import blocks
from analytics.pages.content import collect
from analytics.pages.words import glossary, of_page
from analytics.reports import Question, filled
from analytics.results import Gap, Result

MONTHS_A_QUARTER = 3


@dataclass(frozen=True, slots=True)
class Page:
    """One page being written: records, settings, results (protected), and what was written so far."""

    name: str
    settings: dict[str, Any]
    records: Any  # Records, or None on a page that reads none; Any so that notebooks need no check
    data_sha256: str
    results: dict[str, Result] = field(default_factory=dict)
    written: list[dict[str, Any]] = field(default_factory=list)

    @property
    def audience(self) -> str:
        """Return who will read the page."""
        return str(self.settings.get("audience", "internal"))


def begin(name: str, data: str = "", **settings: Any) -> Page:
    """Check the settings, read the records, and start a page.

    Parameters
    ----------
    name
        Name of the page, as its notebook's.
    data
        Folder, workbook or DuckDB file of records; empty for a page that reads none.
    settings
        Every other setting of the page, by name.

    Returns
    -------
    Page
        Nothing is written yet.

    Raises
    ------
    ParameterError
        When a setting is unknown or out of range.
    RecordError
        When the records break the dictionary.

    Examples
    --------
    A page of one's own, from the records to its answer:

    >>> from analytics import yields
    >>> page = begin("own_question", "data_demo", audience="shared")
    <IPython.core.display.HTML object>
    >>> found = ask(page, seen=question(yields.photograph_failures, by=("visit",)))
    >>> page = results(page, **found)
    >>> sorted(page.results)
    ['seen']
    """
    run = _run()
    # In a run the place stands in its plan: a report shows the name alone.
    settings = {"data": Path(data).name if run else data, **settings} if data else dict(settings)
    # A notebook of the clinic's own, opened in JupyterLab, has no model to be held against.
    if run or name in reports.pages():
        settings = reports.parameters.checked(str(run["notebook"]) if run else name, settings)
    place = run.get("data") or data
    read = records.load(Path(place)) if place else None
    if read is not None:
        records.promise_unchanged(read)
        if settings.get(reports.parameters.PERSON):
            records.patient(read, str(settings[reports.parameters.PERSON]))
        _refuse_unknown_surgeon(read, str(settings.get("surgeon", "")))
    if run and read is not None:
        staging = Path(run["staging"])
        audience = str(settings.get("audience", "internal"))
        places = (staging.parent.parent, files.state.folder(run["data"]))
        quarter = settings.get(reports.parameters.QUARTER, 0)
        through = MONTHS_A_QUARTER * quarter if isinstance(quarter, int) else 0
        noted = disclosure.refuse_few(read, places, name, audience, through=through)
        files.write_json(staging / reports.LEFT_FILE, noted)
    if not run:
        show_html(filled("blocks/style"))
    return Page(name, settings, read, reports.data_sha256(read) if read is not None else "")


def _refuse_unknown_surgeon(read: Any, surgeon: str) -> None:
    if surgeon and not read.sessions["surgeon_id"].eq(surgeon).any():
        n = read.sessions["surgeon_id"].nunique()
        raise ParameterError(
            f"surgeon: no session has this code; sessions.surgeon_id holds {n} code{'' if n == 1 else 's'}; "
            "give one as it stands there, or none for every surgeon in turn"
        )


def file_beside(page: Page, name: str) -> Path:
    """Return a file that lies beside the page's records: criteria, an action log, a plan.

    Parameters
    ----------
    name
        Name of the file, or a path to it as seen from where the command was given, or from the records.

    Returns
    -------
    Path
        Which need not be there.

    Examples
    --------
    >>> from analytics import pages
    >>> page = pages.begin("08_own_question", "data_demo")
    <IPython.core.display.HTML object>
    >>> pages.file_beside(page, "criteria.toml").as_posix()
    'data_demo/criteria.toml'
    """
    run = _run()
    place = Path(run.get("data") or str(page.settings.get("data", ".")))
    folder = place if place.is_dir() else place.parent
    # A bare name never means a file of where the command was given: that may be another clinic's.
    elsewhere = Path(run.get("called_from", "."), name)
    is_path = Path(name).name != name
    return elsewhere if is_path and elsewhere.is_file() else folder / name


def folder(page: Page, name: str) -> Path:
    """Return the folder that a setting names: as the command gave it, or as seen from the notebooks.

    Parameters
    ----------
    name
        Of the setting.

    Returns
    -------
    Path
        Which need not be there.

    Examples
    --------
    >>> from analytics import pages
    >>> page = pages.begin("07_pooled_yield", answers="data_demo/pooling")
    <IPython.core.display.HTML object>
    >>> pages.folder(page, "answers").name
    'pooling'
    """
    given = _run().get("folders", {}).get(name)
    place = Path(given or str(page.settings[name]))
    return place if place.is_dir() else reports.parameters.NOTEBOOKS / place


def is_invented(page: Page) -> bool:
    """Tell whether a page rests on the invented clinic's records, or on files that come with it."""
    if page.records is not None:
        return reports.is_invented(page.records)
    read = [folder(page, name) for name in reports.parameters.FOLDERS if name in page.settings]
    demo = reports.ROOT / "data_demo"
    return bool(read) and all(place.resolve().is_relative_to(demo) for place in read)


def state_folder(page: Page, named: str = "") -> Path:
    """Return the clinic's state folder of the page's records: the one named, or the one beside them.

    Parameters
    ----------
    named
        A folder named in its settings; empty for the one beside the records.

    Returns
    -------
    Path
        Which need not be there.

    Examples
    --------
    >>> from analytics import pages
    >>> page = pages.begin("my_question")
    <IPython.core.display.HTML object>
    >>> pages.state_folder(page, "kept_by_the_clinic").name
    'kept_by_the_clinic'
    """
    return files.state.folder(_run().get("data") or str(page.settings.get("data", ".")), named)


def kept_plans(page: Page) -> tuple[dict[str, Any], ...]:
    """Return the drafts kept in the clinic's state folder, oldest first; none where they were changed.

    Returns
    -------
    tuple of dict
        One entry per draft kept.

    Examples
    --------
    >>> from analytics import pages
    >>> page = pages.begin("my_question")
    <IPython.core.display.HTML object>
    >>> pages.kept_plans(page)
    ()
    """
    log = files.state.read(state_folder(page), "plans")
    return () if log.fault else log.entries


def question(function: Callable[..., Any], **arguments: Any) -> Question:
    """Return the question `function(records, **arguments)`, to be asked by `ask`.

    An argument may be a question itself: it is answered first, and once, however many need it.

    Parameters
    ----------
    function
        Of a room, its first argument the records.
    arguments
        Its other arguments by name.

    Returns
    -------
    Question
        Not answered yet.

    Examples
    --------
    >>> from analytics import pages, yields
    >>> pages.question(yields.average, by="zone").arguments
    {'by': 'zone'}
    """
    return Question(function, arguments)


def ask(page: Page, **questions: Question) -> dict[str, Any]:
    """Return the answers by name: from the cache where asked before, at once where cores are free.

    Of the questions that wait for no other the longest belong first and last: two cores begin at either end.
    A question that cannot be answered is answered by a result without rows that says why
    (`results.unanswered`): the page and its other answers appear.

    Parameters
    ----------
    questions
        Of `question`, by name.

    Returns
    -------
    dict
        Answers by the same names.

    Examples
    --------
    >>> from analytics import pages, yields
    >>> page = pages.begin("08_own_question", "data_demo")
    <IPython.core.display.HTML object>
    >>> found = pages.ask(page, failed=pages.question(yields.photograph_failures))
    >>> found["failed"].by
    ('reader_id', 'visit')
    """
    answered = reports.answers(questions, page.records, page.data_sha256)
    for name, answer in answered.items():
        if isinstance(answer, Result) and answer.gap is not None and not answer.gap.is_absent:
            note_gap(page, name, answer.gap)
    return answered


def note_gap(page: Page, name: str, gap: Gap) -> None:
    """Note that a part of the page has no answer; put what a defect left aside, where no reader gets it."""
    why = gap.why if page.audience == "internal" else disclosure.UNTOLD
    page.written.append({"kind": "no answer", "name": name, "text": why, "is_defect": gap.is_defect})
    run = _run()
    if run and gap.details:
        place = Path(run["staging"]) / reports.DETAILS_FILE
        before = place.read_text(encoding="utf-8") if place.exists() else ""
        files.write(place, f"{before}{name}\n{gap.details}\n")


def results(page: Page, **named: Result) -> Page:
    """Hand over every result the page may show, by name; return the page that may show them.

    Parameters
    ----------
    named
        Results by name.

    Returns
    -------
    Page
        With its results, protected for its audience.

    Raises
    ------
    ParameterError
        When the page has its results already: they are protected together, so they come together.

    Examples
    --------
    >>> import pandas as pd
    >>> from analytics import pages, results
    >>> row = results.line("yield", 80.0, "%", se=2.0, ci=(76.0, 84.0), basis="model", n_patients=9)
    >>> given = results.Result(pd.DataFrame([row]), pd.DataFrame(), "counted by hand")
    >>> page = pages.results(pages.begin("my_question"), seen=given)
    <IPython.core.display.HTML object>
    >>> sorted(page.results)
    ['seen']
    """
    if page.results:
        raise ParameterError("pages.results: called twice; hand over all results of the page in one call")
    handed_over = disclosure.protect_all(named, page.audience)
    figures = (handed_over[name] for name in of_page(page.name).get("alt", {}) if name in handed_over)
    blocks.draw_ahead([one for one in figures if one.gap is None and not one.table().empty])
    return replace(page, results=handed_over)


def result_of(page: Page, name: str) -> Result:
    """Return a result of the page by the name it was handed over under; refuse any other name."""
    if name not in page.results:
        raise ParameterError(
            "pages: no result was handed over under that name; this page has "
            f"{', '.join(page.results) or 'none'}"
        )
    return page.results[name]


def finish(page: Page) -> None:
    """Write what the page rests on, hand its numbers over, and mark the end that `render` looks for.

    Examples
    --------
    >>> from analytics import pages
    >>> page = pages.begin("my_question")
    <IPython.core.display.HTML object>
    >>> pages.finish(page)  # doctest: +ELLIPSIS
    <IPython.core.display.HTML object>
    ...
    """
    reports.dismiss()
    if not any(block["kind"] == "answer" for block in page.written):  # the answer brings it elsewhere
        from analytics.pages import first_screen

        first_screen.strip(page)
    rests_on = reports.sources(page.name, page.records, page.settings)
    rests_on = disclosure.protect_provenance(rests_on, page.audience)
    show_html(blocks.provenance_block(rests_on, pd.DataFrame(rests_on["balance"])), slot="made")
    show_html(filled("blocks/glossary", words=glossary()), slot="words")
    content = collect(
        page.name, page.audience, page.results, page.written, rests_on, is_invented=is_invented(page)
    )
    run = _run()
    if run:
        path = files.write_json(Path(run["staging"]) / reports.RESULTS_FILE, content)
        digest = files.sha256(path)
    else:
        digest = hashlib.sha256(repr(content).encode()).hexdigest()
    display({reports.END_TYPE: {"results_sha256": digest}}, raw=True)


def show_html(content: str, **mark: Any) -> None:
    """Put HTML on the page; `mark` says where the report's layout sets it (`reports.layout`)."""
    if "lead" in mark:
        mark["lead"] = numbers.unbroken(mark["lead"])
    display(HTML(numbers.unbroken(content)), metadata={reports.MARK: mark} if mark else {})


def keep_drawing(name: str, make: Callable[[], dict[str, bytes]]) -> None:
    """Keep a figure as files of its own, made by `make` by their ending, where the run asks for them."""
    run = _run()
    if reports.FIGURES in run.get("formats", ()):
        for kind, content in make().items():
            files.write(Path(run["staging"]) / reports.DRAWINGS / f"{name}.{kind}", content)


def _run() -> dict[str, Any]:
    """Return the run this kernel was started for; empty when a person has the notebook open."""
    place = os.environ.get(reports.RUN_VARIABLE, "")
    return json.loads(Path(place).read_text(encoding="utf-8")) if place else {}
