"""Where a run ends: published whole by one rename, or put aside with its cause in one sentence.

A report made again replaces its own unchanged files, and leaves all else in its folder. Where a reader has
changed one of them, or put a file of the same name there, the whole folder stays as it is, and the report
becomes a further edition beside it: `NAME (2)`.
"""

import json
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analytics import errors, files
from analytics.errors import AnalyticsError
from analytics.files import left_as_they_are
from analytics.reports.crate import compose, request_sha256
from analytics.reports.record import (
    DETAILS_FILE,
    DRAWINGS,
    FIGURES,
    LEFT_FILE,
    LOG_FILE,
    OUTCOME_FILE,
    PLAN_FILE,
    RESULTS_FILE,
    STEP_FILE,
)

FORMATS = ("html", "ipynb", "xlsx", "tex", "tables.html", FIGURES, "pdf", "letter.pdf")  # pdf is of A4
FAILED = "failed"
CAUSE_FILE = "cause.txt"
RUN_FILE = files.RECORD
WRITER = "report"
REMAINS = ("executed.ipynb", "page.ipynb", LEFT_FILE, RESULTS_FILE, STEP_FILE, PLAN_FILE)
SCAFFOLD = (DETAILS_FILE, OUTCOME_FILE, STEP_FILE, LOG_FILE, PLAN_FILE, LEFT_FILE, "page.ipynb")


@dataclass(frozen=True, slots=True)
class Report:
    """A published report: folder, files by format, headline, what needs attention, what could not be made.

    `unanswered` gives the headings of sections without an answer, `defects` the questions that the package
    failed.
    """

    name: str
    folder: Path
    files: dict[str, Path]
    answer: str
    attention: tuple[str, ...]
    notes: tuple[str, ...] = ()
    unanswered: tuple[str, ...] = ()
    defects: tuple[str, ...] = ()


def put_aside(out: Path, staging: Path, name: str, outcome: dict[str, Any]) -> AnalyticsError:
    """Move the remains to `failed`, with the cause in a plain sentence; return the error to raise.

    What the page had shown until then goes: it may hold codes of patients, and nobody needs it.
    """
    message = str(outcome.get("message", "no reason given"))
    for shown in REMAINS:
        (staging / shown).unlink(missing_ok=True)
    shutil.rmtree(staging / DRAWINGS, ignore_errors=True)
    files.write(staging / CAUSE_FILE, f"{name} was not made.\n{message}\n")
    files.put_in_place(staging, _edition(files.made(out / FAILED) / name, staging), by=WRITER)
    kind = getattr(errors, str(outcome.get("kind", "")), AnalyticsError)
    is_ours = isinstance(kind, type) and issubclass(kind, AnalyticsError)
    return (kind if is_ours else AnalyticsError)(message)


def publish(out: Path, staging: Path, run: dict[str, Any], outcome: dict[str, Any], finished: str) -> Report:
    """Write the run's record, move the folder to its final place, and describe it."""
    noted = staging / LEFT_FILE
    gone = json.loads(noted.read_text(encoding="utf-8")) if noted.exists() else {}
    # A traceback may hold values of records: never in a folder that is handed on.
    aside = staging / DETAILS_FILE
    details = aside.read_text(encoding="utf-8") if aside.exists() else ""
    for leftover in SCAFFOLD:
        (staging / leftover).unlink(missing_ok=True)
    record = compose(run, outcome, staging, finished)
    files.write_json(staging / RUN_FILE, record)
    of_a_quarter = bool(run["parameters"].get("quarter"))
    place = _edition(out / run["name"], staging, stays=of_a_quarter)
    replaced = _other_settings(place, run["parameters"])
    # Noted before it can leave: a note without its report forbids too much, the other way round too little.
    if gone:
        # Only a report for others needs it, and it takes a second to import.
        from analytics.disclosure import earlier

        earlier.note(gone)
    files.put_in_place(staging, place, by=WRITER)
    for failed in made_before(out / FAILED, run["name"]):
        files.clear(failed, by=WRITER)
    if details:
        apart = files.made(staging.with_name(f"{staging.name}-details"))
        files.write(apart / DETAILS_FILE, details)
        files.put_in_place(apart, _edition(files.made(out / FAILED) / run["name"], apart), by=WRITER)
    return described(run["name"], place, (*outcome["notes"], *replaced, *_beside(place, out / run["name"])))


def _edition(place: Path, staging: Path, *, stays: bool = False) -> Path:
    """Return the first edition of a report whose folder has no name taken by somebody else's file.

    One that `stays` (a quarter's review, which was decided from) gives way to the same numbers alone.
    """
    for edition in files.editions(place):
        files.restore(edition)
        adopt(edition)
        if stays and edition.exists() and not _same_numbers(edition, staging):
            continue
        if not files.clashes(staging, edition, by=WRITER):
            return edition
    raise AssertionError("editions never end")


def _other_settings(place: Path, settings: dict[str, Any]) -> list[str]:
    """Return what a person should know where the report that is replaced had other settings."""
    try:
        graph = json.loads((place / RUN_FILE).read_text(encoding="utf-8"))["@graph"]
        was = {e["name"]: e["value"] for e in graph if e["@id"].startswith("#setting-")}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return []
    other = ", ".join(name for name, value in settings.items() if was.get(name, value) != value)
    return [f"This replaces a report with another {other}; a label of its own keeps both."] if other else []


def _same_numbers(edition: Path, staging: Path) -> bool:
    old, new = edition / RESULTS_FILE, staging / RESULTS_FILE
    return old.exists() and new.exists() and old.read_bytes() == new.read_bytes()


def made_before(out: Path, name: str) -> Iterator[Path]:
    """Give the folders of a report's editions that are there."""
    for edition in files.editions(out / name):
        if not edition.exists():
            return
        yield edition


def adopt(place: Path) -> None:
    """List the files of a report of an earlier version, by the digests its run's record holds."""
    record = place / RUN_FILE
    try:
        written = record.read_text(encoding="utf-8")
        run = json.loads(written)
        digests = {e["@id"]: e["sha256"] for e in run["@graph"] if e.get("@type") == "File"}
        is_ours = "request_sha256" in run and files.as_json(run) == written
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return
    if is_ours:
        files.adopt(place, {**digests, RUN_FILE: files.sha256(record)}, by=WRITER)


def _beside(place: Path, asked: Path) -> list[str]:
    """Return what a person should know: why the folder is another one, and what else is in it."""
    said = []
    if place != asked:
        said.append(
            f"{asked.name} was left as it is, because its files were changed, are not its own, or are a "
            f"review of other numbers: this report is in {place.name}."
        )
    left = left_as_they_are(place)
    return [*said, left] if left else said


def described(name: str, place: Path, notes: tuple[str, ...] = ()) -> Report:
    """Return a published report as it lies on the files."""
    made = {kind: place / f"{name}.{kind}" for kind in FORMATS if (place / f"{name}.{kind}").exists()}
    content = json.loads((place / RESULTS_FILE).read_text(encoding="utf-8"))
    made.update(results=place / RESULTS_FILE, run=place / RUN_FILE)
    gaps = [tuple(content.get(which, ())) for which in ("unanswered", "defects")]
    return Report(name, place, made, content["answer"], tuple(content["attention"]), notes, *gaps)


def without_answer(n_unanswered: int) -> str:
    """Return how a report was made: whole, or with some sections without an answer.

    Parameters
    ----------
    n_unanswered
        How many sections have no answer, 0 or more.

    Returns
    -------
    str
        For a list of reports.

    Examples
    --------
    >>> without_answer(0), without_answer(2)
    ('Made', 'Made, 2 sections without an answer')
    """
    if not n_unanswered:
        return "Made"
    return f"Made, {n_unanswered} section{'s' if n_unanswered > 1 else ''} without an answer"


def is_unchanged(run: dict[str, Any], place: Path) -> bool:
    """Tell whether a published report was made by the same request and lies there whole."""
    try:
        record = json.loads((place / RUN_FILE).read_text(encoding="utf-8"))
        listed = {e["@id"]: e["sha256"] for e in record["@graph"] if e.get("@type") == "File"}
        whole = all(files.sha256(place / name) == digest for name, digest in listed.items())
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return False
    return whole and record.get("request_sha256") == request_sha256(run)
