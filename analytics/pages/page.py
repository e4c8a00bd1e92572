"""What a notebook writes on its page, in the order it is read.

A page is one notebook. It begins, computes, hands over every result it may show, and then writes: answer,
picture, table, how sure, what was left out, cautions. Its last cell finishes it.

    page = sheet.begin("01_surgeon_audit", data, audience=audience, as_of=as_of)
    page = sheet.results(page, by_zone=yields.average(page.records))
    sheet.answer(page, f"{sheet.say(page, 'by_zone', zone='crown')} of the hairs planted in the crown grew.")
    sheet.figure(page, "by_zone", "Yield by zone", alt="A dot and its interval for each zone.")
    sheet.finish(page)

Results are handed over together because they are protected together for the page's audience: one table
can give back what another withholds. Everything written (answer, table, figure data, `results.json`,
Excel) comes from the protected ones.

The page that is being written, and its numbers in words.
"""

import hashlib
import html
import json
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pandas as pd
from IPython.display import HTML, display

from analytics import disclosure, files, numbers
from analytics import records as door
from analytics.disclosure import refuse_few
from analytics.errors import ParameterError
from analytics.numbers import readable
from analytics.pages import blocks
from analytics.pages.blocks import collect, plain_rows
from analytics.pages.figures import unsaid
from analytics.pages.tables import MAX_ROWS, ROWS, show
from analytics.records import Records
from analytics.reports import (
    END_TYPE,
    LEFT_FILE,
    RESULTS_FILE,
    RUN_VARIABLE,
    answers,
    cache,
    data_sha256,
    dismiss,
    parameters,
    parts,
    sources,
)
from analytics.results import Result
from analytics.yields import promise_unchanged

OUTSIDE = "For readers outside this clinic: small numbers are withheld."


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


def about(page: Page) -> str:
    """Return whose numbers the page holds, from when, and who may read it; codes for this clinic alone."""
    parts = []
    if page.audience == "internal":
        named = {name: page.settings.get(name) for name in ("patient", "surgeon", "team")}
        parts += [f"{name.capitalize()} {code}." for name, code in named.items() if code]
    if page.settings.get("as_of"):
        parts.append(f"As of {page.settings['as_of']}.")
    if page.records is not None:
        parts.append(disclosure.BANNER.get(page.audience, "") or OUTSIDE)
    return " ".join(parts)


def say(page: Page, name: str, *, counts: bool = True, **where: Any) -> str:
    """Return one number of a result in words: value, unit, interval, number of patients.

    A number that this audience may not see is said to be withheld.
    """
    row = _row(page, name, where)
    return disclosure.WITHHELD if row is None else numbers.full(row, counts=counts)


def verdict(
    page: Page, name: str, *, below: str, above: str, unsure: str, null: float = 0.0, **where: Any
) -> str:
    """Return the sentence that the interval of one number supports.

    `below` when the whole interval lies under `null`, `above` when it lies over it, `unsure` when it holds it
    or there is no interval. `{value}` in a sentence is replaced by the number in words.
    """
    row = _row(page, name, where)
    if row is None:
        return unsure.replace("{value}", disclosure.WITHHELD)
    chosen = unsure
    if pd.notna(row.get("ci_high")) and row["ci_high"] < null:
        chosen = below
    if pd.notna(row.get("ci_low")) and row["ci_low"] > null:
        chosen = above
    return chosen.replace("{value}", numbers.full(row))


def _row(page: Page, name: str, where: dict[str, Any]) -> pd.Series | None:
    """Return the row asked for; None where the audience's rule took the whole row away."""
    result = result_of(page, name)
    if page.audience != "internal" and result.table().empty:
        return None
    return numbers.pick(result, **where)


def result_of(page: Page, name: str) -> Result:
    """Return a result of the page by the name it was handed over under; refuse any other name."""
    if name not in page.results:
        raise ParameterError(
            "sheet: no result was handed over under that name; this page has "
            f"{', '.join(page.results) or 'none'}"
        )
    return page.results[name]


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

    Raises
    ------
    ParameterError
        When a setting is unknown or out of range.
    RecordError
        When the records break the dictionary.
    """
    run = _run()
    given = {"data": data, **settings} if data else dict(settings)
    # A notebook of the clinic's own, opened in JupyterLab, has no model to be held against.
    is_known = bool(run) or name in parameters.pages()
    checked = parameters.checked(str(run["notebook"]) if run else name, given) if is_known else given
    place = run.get("data") or data
    read: Records | None = door.load(Path(place)) if place else None
    if read is not None:
        promise_unchanged(read)
    if run and read is not None:
        staging = Path(run["staging"])
        audience = str(checked.get("audience", "internal"))
        left = refuse_few(read, staging.parent.parent, name, audience)
        files.write_json(staging / LEFT_FILE, left)
    if not run:
        _show(f"<style>{parts()}</style>")
    return Page(name, checked, read, data_sha256(read) if read is not None else "")


def beside(page: Page, name: str) -> Path:
    """Return a file that lies beside the page's records: criteria, an action log, a plan.

    Parameters
    ----------
    name
        Name of the file, or a path to it elsewhere.
    """
    place = Path(_run().get("data") or str(page.settings.get("data", ".")))
    folder = place if place.is_dir() else place.parent
    return Path(name) if Path(name).exists() else folder / name


def kept(page: Page, question: Callable[..., Result], **arguments: Any) -> Any:
    """Return `question(page.records, **arguments)`, from the cache where the same was asked before."""
    return cache.kept(question, page.records, page.data_sha256, arguments)


def kept_all(page: Page, **questions: tuple[Callable[..., Any], dict[str, Any]]) -> dict[str, Any]:
    """Return the answers of several questions by name, asked at once where cores are free.

    Each is given as `name=(question, {arguments})`; none may need the answer of another.
    """
    return answers(questions, page.records, page.data_sha256)


def results(page: Page, **named: Result) -> Page:
    """Hand over every result the page may show, by name; return the page that may show them.

    Raises
    ------
    ParameterError
        When the page has its results already: they are protected together, so they come together.
    """
    if page.results:
        raise ParameterError("sheet.results: called twice; hand over all results of the page in one call")
    return replace(page, results=disclosure.protect_all(named, page.audience))


def answer(page: Page, sentence: str) -> None:
    """Write the one-line answer, first on the page and on its card."""
    said = _for_audience(page, sentence)
    page.written.append({"kind": "answer", "text": said})
    _show(blocks.answer_block(said, about(page)))


def lead(page: Page, sentence: str) -> None:
    """Write the one-line answer of a section, under its heading."""
    shown = _for_audience(page, sentence)
    page.written.append({"kind": "lead", "text": shown})
    _show(blocks.lead_block(shown))


def attention(page: Page, sentence: str, rows: pd.DataFrame | Sequence | None = None) -> None:
    """Write what needs attention, when there is any: nothing is written for an empty frame.

    `{n}` in the sentence is replaced by the number of rows.
    """
    if rows is not None and len(rows) == 0:
        return
    said = sentence
    if rows is not None:
        least = disclosure.rule(page.audience).threshold
        said = sentence.replace(
            "{n}", f"fewer than {least}" if len(rows) < least else numbers.number(len(rows))
        )
    said = _for_audience(page, said)
    page.written.append({"kind": "attention", "text": said})
    _show(f'<p class="rw-attention"><strong>Needs attention:</strong> {html.escape(said)}</p>')


def _for_audience(page: Page, sentence: str) -> str:
    """Return the sentence with small counts of persons in words, where the audience may not see them.

    A sentence around a number that is withheld says nothing: another takes its place.
    """
    if disclosure.WITHHELD in sentence:
        return disclosure.UNSAID
    applied = disclosure.rule(page.audience)
    return disclosure.hide_in_text(sentence, applied) if applied.threshold > 1 else sentence


def figure(page: Page, name: str, title: str, *, alt: str, caption: str = "") -> None:
    """Draw a result with its data table folded beneath.

    Parameters
    ----------
    page, name
        The page, and the name under which the result was handed over.
    title
        What the picture shows, above it.
    alt
        Kind of picture, what is on its axes and what it shows, for a reader who cannot see it; the main
        numbers are added. Refused when empty or a mere label.
    caption
        How to read it; the interval and the method are added.

    Raises
    ------
    ParameterError
        When there is no written alternative.
    """
    if len(alt.split()) < 4:
        raise ParameterError("sheet.figure(alt): say in a sentence what the picture shows, at least 4 words")
    result = result_of(page, name)
    if result.table().empty:
        _withheld(page, title)
        return
    if why := unsaid(result):
        page.written.append({"kind": "unsaid", "title": title, "text": why})
        _show(f"<p>{html.escape(title)}: {html.escape(_for_audience(page, why))}.</p>")
        return
    number = _next(page, "figure")
    page.written.append({"kind": "figure", "id": f"f{number}", "name": name, "title": title})
    _show(blocks.figure_block(result, number, title, alt, caption))


def table(
    page: Page,
    name: str,
    title: str,
    *,
    notes: Sequence[str] = (),
    rows_are: str = ROWS,
    across: bool = False,
) -> None:
    """Write a result as a table, with its notes beneath.

    `rows_are` names what its rows count; `across` sets its months side by side.
    """
    result = result_of(page, name)
    if result.table().empty:
        _withheld(page, title)
        return
    if why := _why_no_number(result):
        if page.written and page.written[-1].get("text") == why:
            return  # the figure above has said so
        page.written.append({"kind": "unsaid", "title": title, "text": why})
        _show(f"<p>{html.escape(title)}: {html.escape(_for_audience(page, why))}.</p>")
        return
    number = _next(page, "table")
    page.written.append({"kind": "table", "id": f"t{number}", "name": name, "title": title})
    caption = f"Table {number}. {title}"
    written = show(
        result,
        table_id=f"t{number}",
        title=caption,
        notes=tuple(notes),
        rows_are=rows_are,
        across=across,
    )
    _show(written)


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
    labels: dict[str, str] | None = None,
    places: dict[str, int] | None = None,
    notes: Sequence[str] = (),
    most: int = MAX_ROWS,
    folded: bool = False,
    of: str = "",
) -> None:
    """Write a plain frame (a list of cases, a flow of records) as a table; `of` names the result it shows."""
    shown = disclosure.protect_frame(rows, page.audience)
    if shown.empty:
        none = "none" if page.audience == "internal" else "none, or none that this audience may see"
        _withheld(page, title) if len(rows) else _show(f"<p>{html.escape(title)}: {none}.</p>")
        return
    number = _next(page, "table")
    rows_shown = plain_rows(shown)
    entry = {"kind": "table", "id": f"t{number}", "name": of, "title": title, "frame": rows_shown}
    page.written.append(entry)
    caption = f"Table {number}. {title}"
    html_table = show(
        shown,
        table_id=f"t{number}",
        title=caption,
        notes=tuple(notes),
        labels=labels,
        places=places,
        most=most,
    )
    _show(blocks.folded(caption, html_table) if folded else html_table)


def method(page: Page, *names: str) -> None:
    """Write how each result was made, how many rows it rests on, and which of its checks failed."""
    named = {name: result_of(page, name) for name in names or tuple(page.results)}
    _show(blocks.method_block(named, page.audience, page.written))


def left_out(page: Page, name: str, *, reasons: dict[str, str] | None = None) -> None:
    """Write how many rows of a result were left out, and why: one row a reason.

    Parameters
    ----------
    page, name
        The page and the result.
    reasons
        Sentence by code, such as `yields.REASONS`.
    """
    used = result_of(page, name).rows()
    codes = used["reason"].fillna("").astype(str) if "reason" in used else pd.Series([], dtype=str)
    counts = codes[codes.ne("")].value_counts().rename_axis("reason").reset_index(name="n_rows")
    counts["reason"] = counts["reason"].map(lambda code: (reasons or {}).get(code, readable(code)))
    frame(
        page,
        counts.sort_values(["n_rows", "reason"], ascending=[False, True]),
        "Rows left out, and why",
        labels={"reason": "Why", "n_rows": "Rows"},
    )


def cautions(page: Page, *more: str) -> None:
    """Write the page's own cautions and those that stand on every page."""
    _show(blocks.cautions_block(more, page.audience if page.records is not None else ""))


def finish(page: Page) -> None:
    """Write what the page rests on, hand its numbers over, and mark the end that `render` looks for."""
    dismiss()
    rests_on = disclosure.protect_provenance(sources(page.name, page.records, page.settings), page.audience)
    _show(blocks.provenance_block(rests_on, pd.DataFrame(rests_on["balance"])))
    content = collect(page.name, page.audience, page.results, page.written, rests_on)
    run = _run()
    if run:
        path = files.write_json(Path(run["staging"]) / RESULTS_FILE, content)
        digest = files.sha256(path)
    else:
        digest = hashlib.sha256(repr(content).encode()).hexdigest()
    display({END_TYPE: {"results_sha256": digest}}, raw=True)


def _next(page: Page, kind: str) -> int:
    return 1 + sum(entry["kind"] == kind for entry in page.written)


def _withheld(page: Page, title: str) -> None:
    page.written.append({"kind": "withheld", "title": title})
    _show(f'<p class="rw-withheld">{html.escape(title)}: {disclosure.WITHHELD}.</p>')


def _run() -> dict[str, Any]:
    """Return the run this kernel was started for; empty when a person has the notebook open."""
    place = os.environ.get(RUN_VARIABLE, "")
    return json.loads(Path(place).read_text(encoding="utf-8")) if place else {}


def _show(content: str) -> None:
    display(HTML(content))
