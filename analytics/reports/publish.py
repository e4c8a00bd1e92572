"""Where a run ends: published whole by one rename, or put aside with its cause in one sentence."""

import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analytics import errors, files
from analytics.errors import AnalyticsError
from analytics.reports.crate import compose, request_sha256
from analytics.reports.record import (
    LEFT_FILE,
    LOG_FILE,
    OUTCOME_FILE,
    PLAN_FILE,
    RESULTS_FILE,
    STEP_FILE,
)

FORMATS = ("html", "ipynb", "xlsx", "pdf")
FAILED = "failed"
CAUSE_FILE = "cause.txt"
RUN_FILE = "run.json"
SCAFFOLD = (OUTCOME_FILE, STEP_FILE, LOG_FILE, PLAN_FILE, LEFT_FILE, "page.ipynb")


@dataclass(frozen=True, slots=True)
class Report:
    """A published report: folder, files by format, headline, what needs attention, what could not be made."""

    name: str
    folder: Path
    files: dict[str, Path]
    answer: str
    attention: tuple[str, ...]
    notes: tuple[str, ...] = ()


def put_aside(out: Path, staging: Path, name: str, outcome: dict[str, Any]) -> AnalyticsError:
    """Move the remains to `failed`, with the cause in a plain sentence; return the error to raise."""
    place = out / FAILED / name
    place.parent.mkdir(parents=True, exist_ok=True, mode=files.OWNER_ONLY_FOLDER)
    files.put_in_place(staging, place)
    message = str(outcome.get("message", "no reason given"))
    files.write(place / CAUSE_FILE, f"{name} was not made.\n{message}\n")
    kind = getattr(errors, str(outcome.get("kind", "")), AnalyticsError)
    is_ours = isinstance(kind, type) and issubclass(kind, AnalyticsError)
    return (kind if is_ours else AnalyticsError)(message)


def publish(out: Path, staging: Path, run: dict[str, Any], outcome: dict[str, Any], finished: str) -> Report:
    """Write the run's record, move the folder to its final place, and describe it."""
    noted = staging / LEFT_FILE
    gone = json.loads(noted.read_text(encoding="utf-8")) if noted.exists() else {}
    for leftover in SCAFFOLD:
        (staging / leftover).unlink(missing_ok=True)
    record = compose(run, outcome, staging, finished)
    files.write_json(staging / RUN_FILE, record)
    place = out / run["name"]
    # Noted before it can leave: a note without its report forbids too much, the other way round too little.
    if gone:
        # Only a report for others needs it, and it takes a second to import.
        from analytics.disclosure import note

        note(out, gone["name"], gone["marks"])
    files.put_in_place(staging, place)
    shutil.rmtree(out / FAILED / run["name"], ignore_errors=True)
    return described(run["name"], place, tuple(outcome["notes"]))


def described(name: str, place: Path, notes: tuple[str, ...] = ()) -> Report:
    """Return a published report as it lies on the files."""
    made = {kind: place / f"{name}.{kind}" for kind in FORMATS if (place / f"{name}.{kind}").exists()}
    content = json.loads((place / RESULTS_FILE).read_text(encoding="utf-8"))
    made.update(results=place / RESULTS_FILE, run=place / RUN_FILE)
    return Report(name, place, made, content["answer"], tuple(content["attention"]), notes)


def is_unchanged(run: dict[str, Any], place: Path) -> bool:
    """Tell whether a published report was made by the same request and lies there whole."""
    try:
        record = json.loads((place / RUN_FILE).read_text(encoding="utf-8"))
        listed = {e["@id"]: e["sha256"] for e in record["@graph"] if e.get("@type") == "File"}
        whole = all(files.sha256(place / name) == digest for name, digest in listed.items())
    except (OSError, ValueError, KeyError):
        return False
    return whole and record.get("request_sha256") == request_sha256(run)
