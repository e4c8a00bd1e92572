"""`regrowth criteria [DATA]`: what a file of criteria can hold, or every fault and doubt of one's own."""

import argparse
from collections.abc import Callable
from pathlib import Path

from analytics import records, review
from analytics.errors import AnalyticsError

MORE = review.reference()
PLANS = "study_*.toml"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the arguments of this command."""
    parser.add_argument(
        "data", nargs="?", default="", help="records whose criteria, actions and plans are read"
    )


def run(options: argparse.Namespace, say: Callable[[str], None]) -> int:
    """Print the reference, or what is wrong with the files beside the records; return 2 for a fault."""
    if not options.data:
        say(MORE)
        return 0
    if _folder(options.data) is None:
        return 0
    try:
        known = records.load(options.data)
    except AnalyticsError:
        known = None
    return say_of_files(options.data, known, say)


def _folder(data: str) -> Path | None:
    """Return the folder beside records, None where they are in a database or nowhere."""
    if "://" in data or not Path(data).exists():
        return None
    return Path(data) if Path(data).is_dir() else Path(data).parent


def say_of_files(data: str, known: records.Records | None, say: Callable[[str], None]) -> int:
    """Say every fault and doubt of criteria, actions and plans beside the records; return 2 for a fault.

    Parameters
    ----------
    data
        Where the records lie.
    known
        The records as read; None where they cannot be used.
    """
    folder = _folder(data)
    if folder is None:
        return 0
    faults, doubts = review.check(folder / "criteria.toml", folder / "actions.toml", known)
    faults = (*faults, *_of_plans(folder))
    for title, sentences in (
        ("To mend in what was declared:", faults),
        ("To look at, hardly meant so:", doubts),
    ):
        if sentences:
            say("")
            say(title)
        for sentence in sentences:
            say(f"  {sentence}")
    return 2 if faults else 0


def _of_plans(folder: Path) -> list[str]:
    """Return the faults of plans of studies and of batches in a folder."""
    out: list[str] = []
    for place in sorted(folder.glob("*.toml")):
        # Loaded where there is a plan: a look at the records need not wait for studies and reports.
        if place.match(PLANS):
            from analytics import study

            reads: Callable = study.read
        elif "[[report]]" in place.read_text(encoding="utf-8", errors="replace"):
            from analytics import reports

            reads = reports.batch.read
        else:
            continue
        try:
            reads(place)
        except AnalyticsError as fault:
            out += str(fault).splitlines()
    return out
