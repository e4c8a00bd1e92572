"""What a page hands over (`results.json`): every number it may show with its name, unit, interval and n."""

from typing import Any

import pandas as pd

from analytics import disclosure
from analytics.numbers import readable
from analytics.pages.words import of_page
from analytics.results import Curve, Result, plain


def collect(
    page: str,
    audience: str,
    results: dict[str, Result],
    written: list[dict[str, Any]],
    rests_on: dict[str, Any],
    *,
    is_invented: bool = False,
) -> dict[str, Any]:
    """Return the content of `results.json`: answer, attention, results with their numbers, what was shown."""
    failed = [f"{name}: {c}" for name, r in results.items() for c, passed in r.checks.items() if not passed]
    return {
        "page": page,
        "audience": audience,
        "is_invented": is_invented,
        "banner": disclosure.BANNER.get(audience, ""),
        "answer": next((e["text"] for e in written if e["kind"] == "answer"), ""),
        "attention": [e["text"] for e in written if e["kind"] == "attention"],
        "failed_checks": failed,
        "unanswered": _without_answer(page, written),
        "defects": [e["name"] for e in written if e["kind"] == "no answer" and e["is_defect"]],
        "results": {name: _one(result, audience) for name, result in results.items()},
        "shown": [e for e in written if e["kind"] in ("figure", "table", "withheld")],
        "provenance": rests_on,
    }


def _without_answer(page: str, written: list[dict[str, Any]]) -> dict[str, str]:
    """Return why, by the heading under which a reader misses the answer; else by the question's own name."""
    named = {**of_page(page).get("questions", {})}
    for entry in written:
        if entry["kind"] == "untold":
            named.setdefault(entry["name"], entry["title"])
    gaps = [e for e in written if e["kind"] == "no answer"]
    return {named.get(e["name"], readable(e["name"])): e["text"] for e in gaps}


def _one(result: Result, audience: str) -> dict[str, Any]:
    facts = disclosure.protect_facts(result.facts(), audience)
    out = {
        "table": plain_rows(result.table()),
        "by": list(result.by),
        "facts": dict(zip(facts.columns, plain_rows(facts)["rows"][0], strict=True)),
        "checks": {name: bool(passed) for name, passed in result.checks.items()},
        "notes": [plain(note) for note in result.notes],
    }
    if isinstance(result, Curve) and len(result.path):
        out["path"] = plain_rows(result.path)
        out["x_name"] = result.x_name
    return out


def plain_rows(frame: pd.DataFrame) -> dict[str, Any]:
    """Return a frame as columns and rows of plain values; a missing or infinite value is None or a word."""
    columns = [str(c) for c in frame.columns]
    rows = [[_plain(value) for value in row] for row in frame.itertuples(index=False, name=None)]
    return {"columns": columns, "rows": rows}


def _plain(value: Any) -> Any:
    if isinstance(value, str):
        return plain(value)
    if pd.isna(value):
        return None
    value = value.item() if hasattr(value, "item") else value
    if isinstance(value, float) and value in (float("inf"), float("-inf")):
        return "no limit"
    return value if isinstance(value, bool | int | float | str) else str(value)
