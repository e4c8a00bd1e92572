"""The front page of a folder of reports: a card each, with answer, state and what needs attention."""

import json
from pathlib import Path
from typing import Any

from analytics import files
from analytics.errors import ParameterError
from analytics.reports.layout import filled
from analytics.reports.parallel import reason
from analytics.reports.publish import CAUSE_FILE, FAILED, RUN_FILE, without_answer

INDEX = "index.html"
WRITER = "front page"
WHOSE = ("patient", "surgeon", "team", "quarter")  # settings that say whose report it is
MOST_LETTERS = 30  # of a setting on a card
WORD_OF_FORMAT = {
    "html": "Read",
    "pdf": "PDF",
    "letter.pdf": "PDF, Letter",
    "xlsx": "Excel",
    "tex": "LaTeX",
    "tables.html": "Word processor",
    "figures.zip": "Figures",
    "ipynb": "Notebook",
}
WORD_OF_STATE = {"failed": "Not made", "attention": "Needs attention", "made": "Made"}  # in reading order


def write(out: Path) -> Path:
    """Write `index.html` over every report in the folder, those not made first.

    A report that failed now and was made before has one card: not made, with a link to the earlier one. Where
    `index.html` is somebody else's, or was changed, it stays, and the front page is `index (2).html`.

    Parameters
    ----------
    out
        The folder of reports.

    Returns
    -------
    Path
        Of the front page.
    """
    files.restore_inside(out)
    failed = _failed(out)
    made = _made(out)
    for name in failed.keys() & made.keys():
        failed[name]["links"]["Earlier report"] = made[name]["links"].get("Read", "")
    return files.put_file(place(out), _document([*({**made, **failed}).values()]), by=WRITER)


def place(out: Path) -> Path:
    """Return where the front page of a folder of reports is, or would be written."""
    files.refuse_list(out)
    for edition in files.editions(out / INDEX, ending=".html"):
        try:
            files.refuse_file(edition, by=WRITER)
        except ParameterError:
            continue
        return edition
    raise AssertionError("editions never end")


def said(out: Path) -> str:
    """Return a sentence when the front page has another name than usual, nothing otherwise.

    Parameters
    ----------
    out
        The folder of reports.

    Returns
    -------
    str
        Empty where there is nothing to say.
    """
    found = place(out)
    if found.name == INDEX:
        return ""
    return f"{INDEX} was left as it is: it was not written by this program, or changed. See {found.name}."


def _failed(out: Path) -> dict[str, dict[str, Any]]:
    """Return a card for each report that was not made, and not since."""
    cards = {}
    for cause in sorted((out / FAILED).glob(f"*/{CAUSE_FILE}")):
        made = out / cause.parent.name / RUN_FILE
        try:
            if not made.exists() or made.stat().st_mtime_ns <= cause.stat().st_mtime_ns:
                cards[cause.parent.name] = _failed_card(cause)
        except (OSError, ValueError):
            continue  # somebody else's file of this name
    return cards


def _made(out: Path) -> dict[str, dict[str, Any]]:
    """Return a card for each report that was made."""
    cards = {}
    for path in sorted(out.glob(f"[!.]*/{RUN_FILE}")):
        try:
            record = json.loads(path.read_text(encoding="utf-8"))
            if record.get("state") == "complete":
                cards[path.parent.name] = _card(path.parent, record)
        except (OSError, ValueError, KeyError, TypeError, AttributeError, StopIteration):
            continue  # somebody else's file of this name
    return cards


def _card(folder: Path, record: dict[str, Any]) -> dict[str, Any]:
    content = json.loads((folder / "results.json").read_text(encoding="utf-8"))
    root = next(e for e in record["@graph"] if e["@id"] == "./")
    name = next(e["name"] for e in record["@graph"] if e["@id"] == "#run")
    links = {kind: f"{folder.name}/{name}.{kind}" for kind in WORD_OF_FORMAT}
    gaps = content.get("unanswered", {})
    return {
        "state": "attention" if content["attention"] else "made",
        "made": without_answer(len(gaps)),
        "title": root["name"],
        "name": folder.name,
        "answer": content["answer"] or "This page gives no single answer.",
        "attention": content["attention"],
        "checks": len(content["failed_checks"]),
        "about": _about(content, record.get("changed", {})),
        "links": {WORD_OF_FORMAT[k]: link for k, link in links.items() if (folder.parent / link).exists()},
    }


def _about(content: dict[str, Any], changed: dict[str, Any]) -> str:
    """Return whose report it is, for whom, and its date; codes where the report is for the clinic alone."""
    settings = content["provenance"]["settings"]
    inside = content["audience"] == "internal"
    parts = ["invented data"] if content.get("is_invented") else []
    parts += [f"{name} {settings[name]}" for name in WHOSE if inside and settings.get(name)]
    if not inside:
        parts.append(f"for readers outside ({content['audience']})")
    others = {k: v for k, v in changed.items() if k not in (*WHOSE, "audience", "as_of") and inside}
    parts += [f"{name.replace('_', ' ')} {value}" for name, value in others.items() if _is_short(value)]
    if settings.get("as_of"):
        parts.append(f"as of {settings['as_of']}")
    return " · ".join(parts)


def _is_short(value: Any) -> bool:
    """Return whether a setting can stand on a card: a word or a number, and no place on this computer."""
    return len(str(value)) <= MOST_LETTERS and not any(mark in str(value) for mark in "/\\[{")


def _failed_card(cause: Path) -> dict[str, Any]:
    first, *rest = cause.read_text(encoding="utf-8").splitlines()
    return {
        "state": "failed",
        "title": first,
        "name": cause.parent.name,
        "answer": " ".join(reason(line) for line in rest),
        "attention": [],
        "checks": 0,
        "about": "",
        "links": {"Cause": f"{FAILED}/{cause.parent.name}/{CAUSE_FILE}"},
    }


def _document(cards: list[dict[str, Any]]) -> str:
    """Return the front page, the reports that were not made first."""
    counts = {state: sum(card["state"] == state for card in cards) for state in WORD_OF_STATE}
    counted = [
        f"{len(cards)} report{'' if len(cards) == 1 else 's'}",
        f"{counts['attention']} with something that needs attention",
        f"{counts['failed']} not made",
    ]
    order = list(WORD_OF_STATE)
    ordered = sorted(cards, key=lambda card: (order.index(card["state"]), card["name"]))
    return filled("overview", counted="; ".join(counted), cards=[_as_read(card) for card in ordered])


def _as_read(card: dict[str, Any]) -> dict[str, Any]:
    word = WORD_OF_STATE[card["state"]]
    if card["state"] == "made":
        word = card["made"]
    elif card.get("made", word) != WORD_OF_STATE["made"] and card["state"] == "attention":
        word = f"{card['made']}. {word}"
    return {**card, "word": word}
